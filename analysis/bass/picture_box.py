"""A box as a picture: measured impedance with the fitted model over it, and its bass below."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from stillbox.analysis.bass.bass import changed_closed
from stillbox.analysis.bass.bass_report import BassReport
from stillbox.analysis.bass.bass_words import bass_curves_named
from stillbox.analysis.bass.picture_bass import Limits, NamedCurves, bass_panels
from stillbox.analysis.drawing.panels import PictureDescription
from stillbox.analysis.drawing.picture_marks import Mark, mark_of_place
from stillbox.analysis.drawing.picture_style import INK, state_styles
from stillbox.analysis.driver.picture_fitted import Fitted, fitted_panel
from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.analysis.physics.port import HEARD_AIR_M_S
from stillbox.analysis.system.box_sound import SHOWN_HZ, bass_system
from stillbox.capture.build.build_description import BuildDescription

IMPEDANCE_IN, BASS_IN = 2.9, 1.5


def picture_of_box(
    title: str,
    report: BassReport,
    curve: ImpedanceCurve,
    before: ImpedanceCurve | None = None,
    limits: Limits | None = None,
) -> PictureDescription:
    """Impedance of a box, measured and by its lumped model, and its bass below: of one state or two.

    Parameters
    ----------
    title : str
    report : BassReport
    curve : ImpedanceCurve
        Of the box as measured.
    before : ImpedanceCurve, optional
        Of the state that it is set against.
    limits : mapping, optional
        What should not be passed, by quantity of the bass.
    """
    named = bass_curves_named(report)
    impedance = fitted_panel(_fitted(report, named, curve, before), IMPEDANCE_IN, 2.4)
    panels = (impedance, *bass_panels(named, limits, BASS_IN))
    return PictureDescription(title, panels, tuple(_marks(report, named)), SHOWN_HZ)


def limits_of(description: BuildDescription) -> Limits:
    """What should not be passed: the air speed that is heard, and the excursion that ``build.toml`` allows."""
    limits = {"air speed": (HEARD_AIR_M_S, f"heard from some {HEARD_AIR_M_S:g} m/s on")}
    allowed_mm = description.driver.xmax_mm
    if allowed_mm is not None:
        limits["excursion"] = (allowed_mm, f"allowed: {allowed_mm:g} mm")
    return limits


def _fitted(
    report: BassReport, named: Sequence[NamedCurves], curve: ImpedanceCurve, before: ImpedanceCurve | None
) -> list[Fitted]:
    """Impedance of what is shown: a changed box has none that was measured."""
    if len(named) == 1:
        measured: tuple[ImpedanceCurve | None, ...] = (curve,)
    elif report.changed_curves is not None:
        measured = (curve, None)
    else:
        measured = (before, curve)
    return [
        Fitted(name if len(named) > 1 else "", one, bass.frequency_hz, bass.impedance_ohm)
        for (name, bass), one in zip(named, measured, strict=True)
    ]


def _marks(report: BassReport, named: Sequence[NamedCurves]) -> Iterator[Mark]:
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
    names = [name for name, _ in named] if two else [""]
    for (tuning_hz, f3_hz), colour, name in zip(shown, colours, names, strict=True):
        if tuning_hz is not None:
            yield mark_of_place("fB", tuning_hz, colour, name)
        yield mark_of_place("f3", f3_hz, colour, name)
    if report.box.closed is not None:
        yield mark_of_place("fc", report.box.closed.fc_hz.value, colours[0] if report.changed_system else INK)
    closed = None if report.changed_system is None else changed_closed(report.changed_system)
    if closed is not None:
        yield mark_of_place("fc", closed[0], colours[1], names[1])
