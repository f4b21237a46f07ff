"""Pictures that several topics share: one frequency axis, impedance above, decay below, marks through both.

Each function describes a picture; `analysis.drawing.layout` puts it on paper or into the window.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from stillbox.analysis.drawing.panels import PictureDescription
from stillbox.analysis.drawing.picture_marks import Mark, marks_of_changes, marks_of_findings
from stillbox.analysis.drawing.picture_style import ALONE, HIGHEST_HZ, LOWEST_HZ, state_styles
from stillbox.analysis.drawing.state_panels import (
    CURVE_IN,
    DECAY_IN,
    DecayStyle,
    decay_panel,
    difference_panel,
    heights_panel,
    impedance_panel,
)
from stillbox.analysis.impedance.findings import DetectionLimit, Finding, FindingsReport
from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.analysis.ringing.ringing import listed
from stillbox.analysis.ringing.summary import listed_changes
from stillbox.analysis.waterfall.decay import CumulativeDecay

if TYPE_CHECKING:
    from stillbox.analysis.ringing.comparison import Comparison

ALONE_IN = 1.3 * CURVE_IN
"""Height of a curve or a difference that has the picture for itself."""


@dataclass(frozen=True)
class PicturedState:
    """What a picture shows of one state; what is None is left out."""

    name: str
    curve: ImpedanceCurve
    findings: FindingsReport | None = None
    decay: CumulativeDecay | None = None


def picture_of_findings(
    title: str,
    states: Sequence[PicturedState],
    comparison: Comparison | None = None,
    *,
    decay_style: DecayStyle = "ridges",
    ends_hz: tuple[float, float] | None = None,
    difference: bool = False,
) -> PictureDescription:
    """The picture: impedance above, heights of the resonances, decay below, each resonance a mark through all.

    Parameters
    ----------
    title : str
    states : sequence of PicturedState
        One, or the earlier and the later of two.
    comparison : Comparison, optional
        Changes between two states; labels then carry the verdicts. Without it the marks are the findings of all
        states.
    decay_style : {"ridges", "heat"}
    ends_hz : (float, float), optional
        Frequency axis; without it, it ends an octave above the decay.
    difference : bool
        Whether what differs between two states has a panel, too.
    """
    styles = state_styles(len(states))
    two = len(states) > 1
    drawn = list(zip(states, styles, strict=True))
    marks = _marks(states, comparison)
    limits = [
        (state.name, state.findings.detection_limit, style) for state, style in drawn if state.findings is not None
    ]
    panels = [impedance_panel([(state.name, state.curve, style) for state, style in drawn], share=2.4 if two else 3.0)]
    if difference:
        before, after = states
        panels.append(difference_panel(before.curve, after.curve))
    if limits:
        panels.append(heights_panel(marks, limits, share=1.1 if two else 1.2))
    panels += [
        decay_panel(state.decay, style, decay_style, state.name, share=1.9 if two else 3.0)
        for state, style in drawn
        if state.decay is not None
    ]
    return PictureDescription(title, tuple(panels), marks, ends_hz or _ends(states))


def _ends(states: Sequence[PicturedState]) -> tuple[float, float]:
    """An octave above the decay nothing more is to be seen."""
    decays = [state.decay for state in states if state.decay is not None]
    ends_hz = [2 * decay.band_hz[1] for decay in decays if decay.band_hz is not None]
    return LOWEST_HZ, min(HIGHEST_HZ, max(ends_hz, default=HIGHEST_HZ))


def picture_of_curve(
    title: str,
    curve: ImpedanceCurve,
    findings: Sequence[Finding] = (),
    limit: DetectionLimit | None = None,
    *,
    ends_hz: tuple[float, float] = (LOWEST_HZ, HIGHEST_HZ),
) -> PictureDescription:
    """Magnitude, phase and uncertainty of one take; with findings also their marks, heights and detection limit.

    Words go to the first of the findings.
    """
    marks = marks_of_findings(findings)
    panels = [impedance_panel([("", curve, ALONE)], ALONE_IN)]
    if limit is not None:
        panels.append(heights_panel(marks, [("", limit, ALONE)]))
    return PictureDescription(title, tuple(panels), marks, ends_hz)


def picture_of_decay(
    title: str,
    decay: CumulativeDecay,
    findings: Sequence[Finding] = (),
    styles: Sequence[DecayStyle] = ("ridges", "heat"),
) -> PictureDescription:
    """The decay as layered ridges and as heat map over one frequency axis."""
    panels = tuple(decay_panel(decay, ALONE, style, height_in=1.25 * DECAY_IN) for style in styles)
    return PictureDescription(title, panels, marks_of_findings(findings), _decay_band(decay))


def picture_overlay(
    title: str, before: PicturedState, after: PicturedState, comparison: Comparison | None = None
) -> PictureDescription:
    """Two states over each other: magnitude, phase, marks and heights."""
    return picture_of_findings(title, [replace(state, decay=None) for state in (before, after)], comparison)


def picture_of_difference(
    title: str, before: PicturedState, after: PicturedState, comparison: Comparison | None = None
) -> PictureDescription:
    """Change of |Z| from one state to the other with its uncertainty, and the verdict on each resonance."""
    panel = difference_panel(before.curve, after.curve, ALONE_IN, f"{after.name} minus {before.name}")
    return PictureDescription(title, (panel,), _marks((before, after), comparison))


def _marks(states: Sequence[PicturedState], comparison: Comparison | None) -> tuple[Mark, ...]:
    """In the order of the lists, so that words go to what stands first there."""
    reports = [state.findings for state in states if state.findings is not None]
    if comparison is None:
        return marks_of_findings(listed(*reports))
    if len(reports) < 2:
        return marks_of_changes(comparison.changes)
    return marks_of_changes(listed_changes(comparison.changes, *reports))


def _decay_band(decay: CumulativeDecay) -> tuple[float, float]:
    """Frequency axis of a decay alone: its band with a little of what lies outside."""
    if decay.band_hz is None:
        lowest = float(decay.frequency_hz[decay.frequency_hz > 0][0])
        return max(LOWEST_HZ, lowest), min(HIGHEST_HZ, float(decay.frequency_hz[-1]))
    return 0.7 * decay.band_hz[0], 1.3 * decay.band_hz[1]
