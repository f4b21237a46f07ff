"""The box and its bass: impedance, response, delay, excursion, air in the port; and what a change makes of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from matplotlib.figure import Figure

from stillbox.analysis.bass.bass import Change
from stillbox.analysis.bass.bass_controls import CHANGES, PORT_DIAMETER, PORT_LENGTH, USUAL_V, VOLTAGE, VOLUME
from stillbox.analysis.bass.bass_report import BassReport, bass_as_measured, bass_of_box
from stillbox.analysis.bass.bass_words import bass_csv, bass_curves_named
from stillbox.analysis.bass.picture_bass import HIGH_HZ, LOW_HZ, NamedCurves, known_panels
from stillbox.analysis.bass.picture_box import picture_of_box
from stillbox.analysis.bass.topic import BASS
from stillbox.analysis.box.box_report import BoxReport, box_is_known, box_of_take
from stillbox.analysis.box.topic import BOX, SummedBox
from stillbox.analysis.controls import Asked, Choice, Control
from stillbox.analysis.drawing.picture_marks import Mark
from stillbox.analysis.drawing.picture_style import ALONE, INK, state_styles
from stillbox.analysis.drawing.pictures import picture_of_curve
from stillbox.analysis.driver.driver_report import driver_of_take
from stillbox.analysis.driver.picture_fitted import Fitted
from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.analysis.physics.port import HEARD_AIR_M_S
from stillbox.analysis.ringing.summary import summary_of_findings
from stillbox.analysis.system.box_sound import bass_system
from stillbox.analysis.system.spice import netlist
from stillbox.capture.errors import StillboxError
from stillbox.gui.results.lumped_panels import (
    bass_panel,
    document_of,
    files_of,
    fitted_panel,
    place,
    text_export,
    write_impedance,
)
from stillbox.gui.results.lumped_words import (
    box_rows,
    changed_closed,
    sentence_of_box,
    sentence_without_free_air,
)
from stillbox.gui.results.panel_drawing import impedance_panel
from stillbox.gui.results.view import Export, PanelRequest, Results, View, Wish
from stillbox.gui.work.work import sentence_of_error

if TYPE_CHECKING:
    from stillbox.analysis.bench import Bench
    from stillbox.capture.build.build_description import BuildDescription
    from stillbox.capture.recording.take import TakeInfo


@dataclass(frozen=True)
class BoxAndBass:
    """What is known of the box.

    Attributes
    ----------
    curve : ImpedanceCurve
    take, free_air : TakeInfo
    report : BassReport or None
        None without a free-air take, or while it is being fitted.
    before : ImpedanceCurve or None
        Of the state that this one is set against.
    limits : dict
        What should not be passed, by panel.
    summary : str
        The sentence on what rings, as the command has it.
    """

    curve: ImpedanceCurve
    take: TakeInfo
    free_air: TakeInfo | None = None
    report: BassReport | None = None
    before: ImpedanceCurve | None = None
    limits: dict[str, tuple[float, str]] | None = None
    summary: str = ""


class _BoxAndBass(View):
    key = "bass"
    title = "Box and bass"
    tip = "Tuning, losses and leak of the box, its bass, and what a change makes of it."
    needs = "one take of the speaker in its box"
    listed = "Numbe&rs"
    list_tip = "Quantities of box and bass with their standard uncertainty; select one for more."
    pick = "Select a line for its 95 % interval, what the textbook's formulas read, and what it means."
    decays = False

    def fits(self, takes: Sequence[TakeInfo]) -> bool:
        return len(takes) == 1 and takes[0].subject == "in-box"

    def compute(self, bench: Bench, takes: Sequence[TakeInfo]) -> Iterator[Results]:
        (take,) = takes
        curve = bench.curve(take)
        free_air = bench.free_air(take.unit, take.of)
        data = BoxAndBass(curve, take, free_air)
        title = f"{bench.name}, {take.state + ', ' if take.state else ''}unit {take.unit}: box and bass"
        base = Results("", notes=curve.warnings, title=title, ends_hz=(LOW_HZ, HIGH_HZ), data=data)
        if free_air is None:
            yield replace(base, sentence=sentence_without_free_air(take.unit))
            return
        yield replace(base, sentence="Fitting driver and box …", complete=False)
        description = bench.description
        try:
            box = box_of_take(bench, take, driver_of_take(bench, free_air))
            report = bass_as_measured(bench, box, voltage_v=USUAL_V)
        except StillboxError as error:
            yield replace(base, sentence=sentence_of_error(error))
            return
        yield _told(
            replace(base, controls=tuple(_controls(bench, take, box, description))),
            replace(data, limits=_limits(description), summary=summary_of_findings(bench.findings_of(take))),
            report,
            {},
        )

    def change(self, bench: Bench, results: Results, asked: Asked) -> Iterator[Results]:
        data: BoxAndBass = results.data
        assert data.free_air is not None
        driver, before = driver_of_take(bench, data.free_air), None
        other = next((take for take in bench.takes if str(take.number) == asked.get("against")), None)
        if other is not None:
            if not box_is_known(bench, other, driver):
                yield replace(results, sentence=f"Fitting the box of {other.state} …", asked=asked, complete=False)
            before = box_of_take(bench, other, driver)
        change = Change.of(**{one.key: float(asked[one.key]) for one in CHANGES if one.key in asked})
        try:
            report = bass_of_box(
                box_of_take(bench, data.take, driver),
                bench.description,
                change,
                before,
                float(asked.get("voltage_v", USUAL_V)),
            )
        except StillboxError as error:
            raise StillboxError(str(error), "take this change back") from error
        curve = None if other is None else bench.curve(other)
        yield _told(results, replace(data, before=curve), report, asked)

    def marks(self, results: Results) -> Sequence[Mark]:
        report = results.data.report
        return () if report is None else _marks(report)

    def panels(self, results: Results, wish: Wish) -> list[PanelRequest]:
        data: BoxAndBass = results.data
        if data.report is None:
            return [impedance_panel([("", data.curve, ALONE)])]
        named = bass_curves_named(data.report)
        found = [fitted_panel(_fitted(data, named), 2.4)]
        return found + [bass_panel(panel, named, data.limits or {}) for panel in known_panels(named)]

    def paper(self, results: Results, wish: Wish) -> Figure:
        data: BoxAndBass = results.data
        if data.report is None:
            return picture_of_curve(results.title, data.curve)
        named = bass_curves_named(data.report)
        return picture_of_box(results.title, _fitted(data, named), named, self.marks(results), data.limits)

    def exports(self, results: Results, wish: Wish) -> list[Export]:
        data: BoxAndBass = results.data
        report = data.report
        if report is None:
            return [write_impedance(data.curve)]
        title, box = results.title, SummedBox(data.summary, report.box)
        found = [
            document_of(BOX, box),
            document_of(BASS, report),
            *files_of(BOX, box),
        ]
        system = report.changed_system
        if system is not None:
            found.append(
                text_export(
                    "Changed box as a netlist",
                    ".cir",
                    lambda: netlist(system, f"{title}, changed"),
                )
            )
        for name, curves in bass_curves_named(report):
            found.append(text_export(f"Bass {name} as a table", ".csv", lambda curves=curves: bass_csv(curves)))  # type: ignore[misc]
        return [*found, write_impedance(data.curve)]


def _told(results: Results, data: BoxAndBass, report: BassReport, asked: Asked) -> Results:
    return replace(
        results,
        sentence=sentence_of_box(report),
        rows=tuple(box_rows(report)),
        notes=tuple(dict.fromkeys((*report.warnings, *data.curve.warnings))),
        data=replace(data, report=report),
        asked=asked,
        complete=True,
    )


def _controls(bench: Bench, take: TakeInfo, box: BoxReport, description: BuildDescription) -> Iterator[Control]:
    """What can be asked: another box, another voltage, another state."""
    yield VOLUME
    if box.fit.vented:
        yield replace(PORT_DIAMETER, begin=description.port.diameter_mm)
        yield replace(PORT_LENGTH, begin=description.port.length_mm)
    yield VOLTAGE
    states = {
        other.state: str(other.number)
        for other in bench.takes
        if other.subject == "in-box" and other.unit == take.unit and other.state != take.state
    }
    if states:
        options = (("", "none"), *((number, state or "no state") for state, number in states.items()))
        yield Choice("against", "&from state", options, "Set this state against an earlier one: what does it cost?")


def _limits(description: BuildDescription) -> dict[str, tuple[float, str]]:
    limits = {"air speed": (HEARD_AIR_M_S, f"heard from some {HEARD_AIR_M_S:g} m/s on")}
    allowed_mm = description.driver.xmax_mm
    if allowed_mm is not None:
        limits["excursion"] = (allowed_mm, f"allowed: {allowed_mm:g} mm")
    return limits


def _fitted(data: BoxAndBass, named: Sequence[NamedCurves]) -> list[Fitted]:
    """Impedance of what is shown: a changed box has none that was measured."""
    report = data.report
    assert report is not None
    if len(named) == 1:
        curves: tuple[ImpedanceCurve | None, ...] = (data.curve,)
    elif report.changed_curves is not None:
        curves = (data.curve, None)
    else:
        curves = (data.before, data.curve)
    return [
        Fitted(name if len(named) > 1 else "", curve, bass.frequency_hz, bass.impedance_ohm)
        for (name, bass), curve in zip(named, curves, strict=True)
    ]


def _marks(report: BassReport) -> list[Mark]:
    """Tuning (or fc) and 3 dB point of what is shown, in the colours of the curves."""
    measured = bass_system(report.box.fit)
    shown = [(measured.tuning_hz, report.figures.f3_hz)]
    if report.changed_figures is not None and report.changed_system is not None:
        shown.append((report.changed_system.tuning_hz, report.changed_figures.f3_hz))
    elif report.against_figures is not None and report.cost is not None:
        shift = report.cost.fb_shift_hz
        before_hz = None if measured.tuning_hz is None or shift is None else measured.tuning_hz - shift.value
        shown.insert(0, (before_hz, report.against_figures.f3_hz))
    two = len(shown) > 1
    colours = [style.colour for style in state_styles(2)] if two else [INK]
    names = [name for name, _ in bass_curves_named(report)] if two else [""]
    marks = []
    for (tuning_hz, f3_hz), colour, name in zip(shown, colours, names, strict=True):
        if tuning_hz is not None:
            marks.append(place("fB", tuning_hz, colour, name))
        marks.append(place("f3", f3_hz, colour, name))
    if report.box.closed is not None:
        marks.append(place("fc", report.box.closed.fc_hz.value, colours[0] if report.changed_system else INK))
    closed = None if report.changed_system is None else changed_closed(report.changed_system)
    if closed is not None:
        marks.append(place("fc", closed[0], colours[1], names[1]))
    return marks


VIEW = _BoxAndBass()
