"""Pictures of results. All share one look: one frequency axis, impedance above, decay below, marks through both.

Each function returns a figure of its own; the drawing of the panels lives in the ``draw_`` functions of
``picture_curves``, ``picture_marks`` and ``picture_decay``, which take an axes and serve the window as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.gridspec import GridSpec

from stillbox.analysis.drawing.picture_curves import (
    draw_difference,
    draw_magnitude,
    draw_phase,
    fit_ohm_range,
    style_phase_axis,
)
from stillbox.analysis.drawing.picture_decay import draw_heat, draw_ridges
from stillbox.analysis.drawing.picture_marks import (
    Mark,
    PlacedLabel,
    draw_heights,
    draw_labels,
    draw_mark_lines,
    lanes_height_pt,
    marks_of_changes,
    marks_of_findings,
    place_labels,
)
from stillbox.analysis.drawing.picture_style import (
    AFTER,
    HIGHEST_HZ,
    INK,
    LOWEST_HZ,
    PAPER,
    SMALL_PT,
    SOFT_INK,
    TITLE_PT,
    StateStyle,
    backed,
    frequency_axis,
    new_figure,
    picture_bytes,
    plain_axes,
    save_picture,
    signed_text,
    state_styles,
)
from stillbox.analysis.drawing.picture_words import give_way
from stillbox.analysis.impedance.findings import DetectionLimit, Finding, FindingsReport
from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.analysis.ringing.ringing import listed
from stillbox.analysis.ringing.summary import listed_changes
from stillbox.analysis.waterfall.decay import CumulativeDecay

if TYPE_CHECKING:
    from stillbox.analysis.ringing.comparison import Comparison

__all__ = [
    "PicturedState",
    "marked_panels",
    "picture_bytes",
    "picture_of_curve",
    "picture_of_decay",
    "picture_of_difference",
    "picture_of_findings",
    "picture_overlay",
    "save_picture",
]

DecayStyle = Literal["ridges", "heat"]

WIDTH_IN = 11.0
MARGIN_IN = 1.45
"""Ordinate labels and phase axis beside the panels."""
CURVE_IN = 2.9
HEIGHTS_IN = 1.25
DECAY_IN = 2.7
BAR_TICKS_DB = (-40, -30, -20, -10, 0)
TITLE_IN = 0.42
AXIS_IN = 0.5


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
    low_hz: float = LOWEST_HZ,
    high_hz: float | None = None,
    width_in: float = WIDTH_IN,
) -> Figure:
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
    low_hz, high_hz, width_in
        Frequency axis and width of the picture. Without ``high_hz`` the axis ends an octave above the decay.
    """
    marks = _marks(states, comparison)
    limits = [state.findings.detection_limit for state in states if state.findings is not None]
    styles = state_styles(len(states))
    decays = [
        (state.decay, state.name, style) for state, style in zip(states, styles, strict=True) if state.decay is not None
    ]
    if high_hz is None:
        ends_hz = [2 * decay.band_hz[1] for decay, _, _ in decays if decay.band_hz is not None]
        high_hz = min(HIGHEST_HZ, max(ends_hz, default=HIGHEST_HZ))
    heights = [CURVE_IN, *([HEIGHTS_IN] if limits else []), *([DECAY_IN] * len(decays))]
    figure, panels = marked_panels(title, marks, heights, low_hz, high_hz, width_in)
    _draw_impedance(panels[0], states, styles)
    if limits:
        limit_styles = [style for state, style in zip(states, styles, strict=True) if state.findings is not None]
        draw_heights(panels[1], marks, limits, limit_styles)
    for axes, (decay, name, style) in zip(panels[len(panels) - len(decays) :], decays, strict=True):
        _draw_decay(axes, decay, style, decay_style)
        _name_panel(axes, f"decay, {name}" if name else "decay", style)
    for axes in panels:
        draw_mark_lines(axes, marks, zorder=2.7)
    return figure


def picture_of_curve(
    title: str,
    curve: ImpedanceCurve,
    findings: Sequence[Finding] = (),
    limit: DetectionLimit | None = None,
) -> Figure:
    """Magnitude, phase and uncertainty of one take; with findings also their marks, heights and detection limit.

    Words go to the first of the findings.
    """
    marks = marks_of_findings(findings)
    heights = [CURVE_IN * 1.3, *([HEIGHTS_IN] if limit is not None else [])]
    figure, panels = marked_panels(title, marks, heights, LOWEST_HZ, HIGHEST_HZ, WIDTH_IN)
    styles = state_styles(1)
    _draw_impedance(panels[0], [PicturedState("", curve)], styles)
    if limit is not None:
        draw_heights(panels[1], marks, [limit], styles)
    for axes in panels:
        draw_mark_lines(axes, marks)
    return figure


def picture_of_decay(
    title: str,
    decay: CumulativeDecay,
    findings: Sequence[Finding] = (),
    styles: Sequence[DecayStyle] = ("ridges", "heat"),
) -> Figure:
    """The decay as layered ridges and as heat map over one frequency axis."""
    marks = marks_of_findings(findings)
    low_hz, high_hz = _decay_band(decay)
    figure, panels = marked_panels(title, marks, [1.25 * DECAY_IN] * len(styles), low_hz, high_hz, WIDTH_IN)
    for axes, style in zip(panels, styles, strict=True):
        _draw_decay(axes, decay, state_styles(1)[0], style)
        draw_mark_lines(axes, marks, zorder=2.7)
    return figure


def picture_overlay(
    title: str, before: PicturedState, after: PicturedState, comparison: Comparison | None = None
) -> Figure:
    """Two states over each other: magnitude, phase, marks and heights."""
    without_decay = [PicturedState(state.name, state.curve, state.findings) for state in (before, after)]
    return picture_of_findings(title, without_decay, comparison)


def picture_of_difference(
    title: str, before: PicturedState, after: PicturedState, comparison: Comparison | None = None
) -> Figure:
    """Change of |Z| from one state to the other with its uncertainty, and the verdict on each resonance."""
    marks = _marks((before, after), comparison)
    figure, (axes,) = marked_panels(title, marks, [CURVE_IN * 1.3], LOWEST_HZ, HIGHEST_HZ, WIDTH_IN)
    draw_difference(axes, before.curve, after.curve, AFTER)
    _name_panel(axes, f"{after.name} minus {before.name}", AFTER)
    draw_mark_lines(axes, marks)
    return figure


def _marks(states: Sequence[PicturedState], comparison: Comparison | None) -> tuple[Mark, ...]:
    """In the order of the lists, so that words go to what stands first there."""
    reports = [state.findings for state in states if state.findings is not None]
    if comparison is None:
        return marks_of_findings(listed(*reports))
    if len(reports) < 2:
        return marks_of_changes(comparison.changes)
    return marks_of_changes(listed_changes(comparison.changes, *reports))


def marked_panels(
    title: str,
    marks: Sequence[Mark],
    heights_in: Sequence[float],
    low_hz: float,
    high_hz: float,
    width_in: float,
) -> tuple[Figure, list[Axes]]:
    """A figure with a row of labels and panels of the given heights over one frequency axis."""
    labels: tuple[PlacedLabel, ...] = place_labels(marks, low_hz, high_hz, 72 * (width_in - MARGIN_IN))
    label_in = lanes_height_pt(labels) / 72 if labels else 0.0
    rows_in = [*([label_in] if labels else []), *heights_in]
    figure = new_figure(width_in, TITLE_IN + sum(rows_in) + AXIS_IN)
    figure.suptitle(title, x=0.012, ha="left", fontsize=TITLE_PT, color=INK, fontweight="bold")
    grid = GridSpec(len(rows_in), 1, figure=figure, height_ratios=rows_in)
    panels: list[Axes] = []
    for row in range(len(rows_in)):
        axes = figure.add_subplot(grid[row], sharex=panels[0] if panels else None)
        plain_axes(axes)
        panels.append(axes)
    for axes in panels:
        frequency_axis(axes, low_hz, high_hz, labelled=axes is panels[-1])
    if labels:
        draw_labels(panels[0], labels, [mark for mark in marks if low_hz <= mark.frequency_hz <= high_hz])
        panels = panels[1:]
    return figure, panels


def _draw_impedance(axes: Axes, states: Sequence[PicturedState], styles: Sequence[StateStyle]) -> None:
    phase_axes = axes.twinx()
    phase_axes.set_zorder(axes.get_zorder() - 1)
    for state, style in zip(states, styles, strict=True):
        draw_phase(phase_axes, state.curve, style)
        draw_magnitude(axes, state.curve, style, state.name)
    style_phase_axis(phase_axes)
    fit_ohm_range(axes, [state.curve for state in states])
    if any(state.name for state in states):
        axes.legend(
            loc="upper right",
            frameon=True,
            facecolor=PAPER,
            edgecolor="none",
            fontsize=TITLE_PT - 2,
            labelcolor=INK,
            handlelength=2.6,
        )


def _draw_decay(axes: Axes, decay: CumulativeDecay, style: StateStyle, decay_style: DecayStyle) -> None:
    if decay_style == "ridges":
        draw_ridges(axes, decay, style)
        return
    mesh = draw_heat(axes, decay)
    bar = axes.figure.colorbar(mesh, ax=axes, pad=0.01, fraction=0.025, aspect=22)
    bar.set_label("Level, dB", fontsize=SMALL_PT, color=SOFT_INK)
    bar.set_ticks(BAR_TICKS_DB, labels=[signed_text(tick) for tick in BAR_TICKS_DB])
    bar.ax.tick_params(labelsize=SMALL_PT, colors=SOFT_INK, width=0.6, length=2)
    bar.outline.set_visible(False)


def _name_panel(axes: Axes, name: str, style: StateStyle) -> None:
    words = axes.text(
        0.995,
        0.9,
        name,
        transform=axes.transAxes,
        ha="right",
        va="top",
        fontsize=TITLE_PT - 2,
        color=style.colour,
        fontweight="bold",
        bbox=backed(1.5),
        zorder=6,
    )
    give_way(words)


def _decay_band(decay: CumulativeDecay) -> tuple[float, float]:
    """Frequency axis of a decay alone: its band with a little of what lies outside."""
    if decay.band_hz is None:
        lowest = float(decay.frequency_hz[decay.frequency_hz > 0][0])
        return max(LOWEST_HZ, lowest), min(HIGHEST_HZ, float(decay.frequency_hz[-1]))
    return 0.7 * decay.band_hz[0], 1.3 * decay.band_hz[1]
