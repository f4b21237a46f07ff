"""The box and its bass: impedance, response, delay, excursion, air in the port; and what a change makes of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from stillbox.analysis.bass.bass import Change
from stillbox.analysis.bass.bass_controls import CHANGES, PORT_DIAMETER, PORT_LENGTH, USUAL_V, VOLTAGE, VOLUME
from stillbox.analysis.bass.bass_report import BassReport, bass_as_measured, bass_of_box
from stillbox.analysis.bass.picture_bass import Limits
from stillbox.analysis.bass.picture_box import limits_of, picture_of_box
from stillbox.analysis.bass.topic import BASS
from stillbox.analysis.box.box_report import BoxReport, box_is_known, box_of_take
from stillbox.analysis.box.topic import BOX, SummedBox
from stillbox.analysis.controls import Asked, Choice, Control
from stillbox.analysis.curve.topic import CURVE, CurveReport
from stillbox.analysis.drawing.panels import PictureDescription
from stillbox.analysis.drawing.pictures import picture_of_curve
from stillbox.analysis.driver.driver_report import driver_of_take
from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.analysis.ringing.summary import summary_of_findings
from stillbox.analysis.system.box_sound import SHOWN_HZ
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.output_file import TABLE
from stillbox.gui.results.exports import document_of, files_of
from stillbox.gui.results.lumped_words import box_rows, sentence_of_box, sentence_without_free_air
from stillbox.gui.results.view import Export, Results, View, Wish
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
    measured : CurveReport
        The impedance of the take.
    free_air : TakeInfo or None
    report : BassReport or None
        None without a free-air take, or while it is being fitted.
    before : ImpedanceCurve or None
        Of the state that this one is set against.
    limits : mapping
        What should not be passed, by quantity of the bass.
    summary : str
        The sentence on what rings, as the command has it.
    """

    measured: CurveReport
    free_air: TakeInfo | None = None
    report: BassReport | None = None
    before: ImpedanceCurve | None = None
    limits: Limits | None = None
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
        data = BoxAndBass(CurveReport(bench, take, curve), free_air)
        title = f"{bench.name}, {take.state + ', ' if take.state else ''}unit {take.unit}: box and bass"
        base = Results("", notes=curve.warnings, title=title, ends_hz=SHOWN_HZ, data=data)
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
            replace(data, limits=limits_of(description), summary=summary_of_findings(bench.findings_of(take))),
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
                box_of_take(bench, data.measured.take, driver),
                bench.description,
                change,
                before,
                float(asked.get("voltage_v", USUAL_V)),
            )
        except StillboxError as error:
            raise StillboxError(str(error), "take this change back") from error
        curve = None if other is None else bench.curve(other)
        yield _told(results, replace(data, before=curve), report, asked)

    def picture(self, results: Results, wish: Wish) -> PictureDescription:
        data: BoxAndBass = results.data
        curve = data.measured.curve
        if data.report is None:
            return picture_of_curve(results.title, curve, ends_hz=results.ends_hz)
        return picture_of_box(results.title, data.report, curve, data.before, data.limits)

    def exports(self, results: Results, wish: Wish) -> list[Export]:
        data: BoxAndBass = results.data
        report, impedance = data.report, files_of(CURVE, data.measured, TABLE)
        if report is None:
            return impedance
        box = SummedBox(data.summary, report.box)
        return [
            document_of(BOX, box),
            document_of(BASS, report),
            *files_of(BOX, box),
            *files_of(BASS, report),
            *impedance,
        ]


def _told(results: Results, data: BoxAndBass, report: BassReport, asked: Asked) -> Results:
    return replace(
        results,
        sentence=sentence_of_box(report),
        rows=tuple(box_rows(report)),
        notes=tuple(dict.fromkeys((*report.warnings, *data.measured.curve.warnings))),
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


VIEW = _BoxAndBass()
