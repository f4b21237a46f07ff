"""Marks: a thin line through all panels, and at its top a resonance's cause by marker and word, or a place's name.

Places that have a name and no cause (a tuning, a 3 dB point) have a dotted line and no marker.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection

from stillbox.analysis.drawing.cause_signs import CAUSE_SIGNS, CauseSign
from stillbox.analysis.drawing.picture_style import (
    BLIND,
    INK,
    PAPER,
    SMALL_PT,
    SOFT_INK,
    TEXT_PT,
    StateStyle,
    backed,
    name_ordinate,
    plain_ohm_axis,
    text_width_pt,
)
from stillbox.analysis.drawing.picture_words import give_way
from stillbox.analysis.impedance.findings import Cause, DetectionLimit, Finding
from stillbox.analysis.maths.number_words import frequency_words

if TYPE_CHECKING:
    from stillbox.analysis.ringing.comparison import Change

MOST_LABELS = 9
"""So many of the marks that come first carry words; the others only their marker, and the table lists them all."""
LANE_PT = 15.0
"""Height of one row of labels."""
OVERHANG_PT = 24.0
"""A text may reach this far beyond the panel, into the margin of the phase axis."""
FOOT_LANES = 0.5
"""Room below the lowest label, for the markers of resonances without words."""
FOOT_ROWS = (-0.25, -0.08, -0.42)
"""Middle, upper and lower place of a marker in that room, lanes."""
OVERREACH_LANES = 0.82
"""How far the lines reach down across the gap to the panel."""
MARKER_PT = 6.0
SMALL_MARKER_PT = 4.5
LABEL_GAP_PT = 9.0
"""From a mark's line to its text."""
PLACE_DOTS = (1.5, 2.0)
PLACE_PT = 1.1
"""Dots and width of the line of a place."""
EXPANDED = 2.0
"""Error bars and bands show two standard deviations."""


@dataclass(frozen=True)
class Mark:
    """One resonance in a picture, or a place that has a name (``cause`` is then None).

    ``before`` and ``after`` are the findings it stands for;
    ``verdict`` is empty where nothing was compared; ``limit_ohm`` is what could still have been seen of it after.
    ``colour`` is that of a place's line.
    """

    frequency_hz: float
    cause: Cause | None
    label: str
    before: Finding | None = None
    after: Finding | None = None
    verdict: str = ""
    limit_ohm: float | None = None
    colour: str = INK

    @property
    def sign(self) -> CauseSign:
        """Marker and colour; a place has no marker."""
        return CauseSign("", "", self.colour) if self.cause is None else CAUSE_SIGNS[self.cause]

    @property
    def line(self) -> str | tuple[float, tuple[float, ...]]:
        """Line style as matplotlib takes it: dotted for a place."""
        return (0.0, PLACE_DOTS) if self.cause is None else "-"


@dataclass(frozen=True)
class PlacedLabel:
    """Where a mark's text goes: lane 0 is the lowest; ``leftward`` if it stands left of its line."""

    mark: Mark
    lane: int
    leftward: bool


def marks_of_findings(findings: Sequence[Finding]) -> tuple[Mark, ...]:
    """A mark for each finding, in their order, labelled with frequency and cause."""
    return tuple(
        Mark(
            finding.resonance.frequency_hz,
            finding.cause,
            f"{frequency_words(finding.resonance.frequency_hz)} {finding.cause}",
            before=finding,
        )
        for finding in findings
    )


def marks_of_changes(changes: Sequence[Change]) -> tuple[Mark, ...]:
    """A mark for each change between two states, in their order, labelled with frequency, cause and verdict."""
    marks = []
    for change in changes:
        named = change.before or change.after
        if named is not None:
            label = f"{frequency_words(change.frequency_hz)} {named.cause}: {change.verdict_words}"
            marks.append(
                Mark(
                    change.frequency_hz,
                    named.cause,
                    label,
                    change.before,
                    change.after,
                    change.verdict,
                    change.detection_limit_ohm,
                )
            )
    return tuple(marks)


def mark_of_place(name: str, frequency_hz: float, colour: str = INK, state: str = "") -> Mark:
    """A place that has a name; ``state`` says of which of two."""
    words = f"{name} {frequency_words(frequency_hz)}"
    return Mark(frequency_hz, None, f"{words}, {state}" if state else words, colour=colour)


def place_labels(marks: Sequence[Mark], low_hz: float, high_hz: float, width_pt: float) -> tuple[PlacedLabel, ...]:
    """Give each label a lane so that no text lies on another's text or line; the first `MOST_LABELS` marks have one.

    From right to left: a label lies right of its line, one lane above every mark that its text spans. Lines end at
    their own lane, so they pass below the texts left of them. Texts that would leave the picture go to the left,
    where they may have to interrupt a line.
    """
    span = np.log(high_hz / low_hz)
    placed: list[tuple[float, float, float, PlacedLabel]] = []
    inside = [mark for mark in marks if low_hz <= mark.frequency_hz <= high_hz]
    for mark in sorted(inside[:MOST_LABELS], key=lambda mark: mark.frequency_hz, reverse=True):
        line_pt = float(np.log(mark.frequency_hz / low_hz) / span * width_pt)
        reach_pt = LABEL_GAP_PT + text_width_pt(mark.label, TEXT_PT) + LABEL_GAP_PT
        leftward = line_pt + reach_pt > width_pt + OVERHANG_PT
        begin_pt, end_pt = (line_pt - reach_pt, line_pt) if leftward else (line_pt, line_pt + reach_pt)
        begin_pt -= MARKER_PT
        in_the_way = [
            label.lane
            for left, right, line, label in placed
            if begin_pt <= line <= end_pt or (left < end_pt and begin_pt < right)
        ]
        lane = 1 + max(in_the_way, default=-1)
        placed.append((begin_pt, end_pt, line_pt, PlacedLabel(mark, lane, leftward)))
    return tuple(label for _, _, _, label in reversed(placed))


def lanes_height_pt(labels: Sequence[PlacedLabel]) -> float:
    """Height that the labels need."""
    return LANE_PT * (1 + FOOT_LANES + max((label.lane for label in labels), default=0))


def draw_labels(axes: Axes, labels: Sequence[PlacedLabel], marks: Sequence[Mark]) -> None:
    """Draw labels, markers and the upper ends of the lines into an empty axes above the panels.

    Marks without a label get their marker alone, small, at the lower edge.
    """
    lanes = 1 + max((label.lane for label in labels), default=0)
    axes.set_ylim(-FOOT_LANES, lanes)
    axes.set_axis_off()
    named = {id(label.mark) for label in labels}
    unnamed = [mark for mark in {id(mark): mark for mark in marks}.values() if id(mark) not in named]
    for mark, row in zip(unnamed, foot_rows(unnamed, _points_per_log(axes)), strict=True):
        _draw_marker(axes, mark, FOOT_ROWS[row], SMALL_MARKER_PT)
    for label in labels:
        height = label.lane + 0.5
        (line,) = axes.plot(
            [label.mark.frequency_hz] * 2,
            [-OVERREACH_LANES, height],
            color=label.mark.sign.colour,
            linewidth=0.8,
            linestyle=label.mark.line,
            alpha=0.75,
            clip_on=False,
        )
        line.set_in_layout(False)
        _draw_marker(axes, label.mark, height, MARKER_PT)
        axes.annotate(
            label.mark.label,
            (label.mark.frequency_hz, height),
            xytext=(-LABEL_GAP_PT if label.leftward else LABEL_GAP_PT, 0),
            textcoords="offset points",
            ha="right" if label.leftward else "left",
            va="center_baseline",
            fontsize=TEXT_PT,
            color=INK,
            annotation_clip=False,
            # Where another mark's line must cross a text, the text interrupts the line.
            bbox=backed(0.6, 1.0),
            zorder=4,
        )


def foot_rows(marks: Sequence[Mark], points_per_log: float) -> list[int]:
    """Row (of FOOT_ROWS) of each marker without words: the middle one, or upper and lower in turn where two touch."""
    order = sorted(range(len(marks)), key=lambda index: marks[index].frequency_hz)
    gaps_pt = np.diff(np.log([marks[index].frequency_hz for index in order])) * points_per_log
    touches = np.concatenate([[False], gaps_pt < 1.2 * SMALL_MARKER_PT, [False]])
    rows, upper = [0] * len(marks), True
    for place, index in enumerate(order):
        upper = not upper if touches[place] else True
        if touches[place] or touches[place + 1]:
            rows[index] = 1 if upper else 2
    return rows


def _points_per_log(axes: Axes) -> float:
    """Points to a unit of the natural logarithm of frequency, before the panels have their final width."""
    low_hz, high_hz = axes.get_xlim()
    width_pt = 72 * float(axes.figure.bbox.width) / axes.figure.dpi
    return 0.9 * width_pt / float(np.log(high_hz / low_hz))


def _draw_marker(axes: Axes, mark: Mark, height: float, size_pt: float) -> None:
    if mark.cause is None:
        return
    style = mark.sign
    axes.plot(
        [mark.frequency_hz],
        [height],
        marker=style.marker,
        markersize=size_pt,
        color=style.colour,
        markeredgecolor=PAPER,
        markeredgewidth=0.6,
        gid=f"mark {mark.cause}",
        clip_on=False,
        zorder=5,
    )


def draw_mark_lines(axes: Axes, marks: Sequence[Mark]) -> None:
    """The thin line of each mark through one panel."""
    lines = LineCollection(
        [[(mark.frequency_hz, 0.0), (mark.frequency_hz, 1.0)] for mark in marks],
        colors=[mark.sign.colour for mark in marks],
        linestyles=[mark.line for mark in marks],
        linewidths=[PLACE_PT if mark.cause is None else 0.8 for mark in marks],
        alpha=0.55,
        zorder=2.7,
        transform=axes.get_xaxis_transform(),
    )
    axes.add_collection(lines, autolim=False)


def draw_detection_limit(axes: Axes, limit: DetectionLimit, style: StateStyle, floor_ohm: float) -> None:
    """Everything below the detection limit, hatched down to the panel's floor."""
    axes.fill_between(
        limit.frequency_hz,
        floor_ohm,
        limit.height_ohm,
        facecolor="none",
        edgecolor=BLIND,
        hatch="////",
        linewidth=0.0,
        zorder=0.5,
    )
    axes.plot(limit.frequency_hz, limit.height_ohm, color=style.colour, linewidth=0.9, linestyle=style.line, zorder=1)


def draw_heights(
    axes: Axes,
    marks: Sequence[Mark],
    limits: Sequence[DetectionLimit],
    styles: Sequence[StateStyle],
) -> None:
    """Heights of the resonances above what could still be seen; with two states an arrow from before to after."""
    heights = [
        finding.resonance.height_ohm for mark in marks for finding in (mark.before, mark.after) if finding is not None
    ]
    low_hz, high_hz = axes.get_xlim()
    shown = [limit.height_ohm[(limit.frequency_hz >= low_hz) & (limit.frequency_hz <= high_hz)] for limit in limits]
    lowest = min((float(limit.min()) for limit in shown if limit.size), default=0.01)
    floor_ohm = 0.4 * min([lowest, *heights])
    highest = max([10 * lowest, *heights])
    plain_ohm_axis(axes, steps=(1,))
    axes.set_ylim(floor_ohm, 2.2 * highest)
    for limit, style in zip(limits, styles, strict=True):
        draw_detection_limit(axes, limit, style, floor_ohm)
    _draw_error_bars(axes, marks, two_states=len(styles) > 1)
    for mark in marks:
        _draw_arrow(axes, mark)
    name_ordinate(axes, "Height, Ω")
    if limits:
        words = axes.text(
            0.995,
            0.06,
            "too small to be seen beside what was found",
            transform=axes.transAxes,
            ha="right",
            fontsize=SMALL_PT,
            color=SOFT_INK,
            bbox=backed(),
        )
        give_way(words)


def _draw_error_bars(axes: Axes, marks: Sequence[Mark], two_states: bool) -> None:
    """Heights with their uncertainty, the later state filled; one call for all that look alike."""
    alike: dict[tuple[Cause, bool], list[Finding]] = {}
    for mark in marks:
        for finding, filled in ((mark.before, not two_states), (mark.after, True)):
            if finding is not None and mark.cause is not None:
                alike.setdefault((mark.cause, filled), []).append(finding)
    for (cause, filled), findings in alike.items():
        height = np.array([one.resonance.height_ohm for one in findings])
        reach = EXPANDED * np.array([one.height_std_ohm for one in findings])
        colour = CAUSE_SIGNS[cause].colour
        axes.errorbar(
            [one.resonance.frequency_hz for one in findings],
            height,
            yerr=[np.minimum(reach, 0.99 * height), reach],
            fmt=CAUSE_SIGNS[cause].marker,
            markersize=MARKER_PT,
            color=colour,
            markerfacecolor=colour if filled else PAPER,
            markeredgecolor=colour,
            markeredgewidth=1.0,
            elinewidth=0.9,
            zorder=4,
        )


def _draw_arrow(axes: Axes, mark: Mark) -> None:
    """From the height before to that after, or to what could still be seen."""
    if not mark.verdict or mark.before is None:
        return
    begin = mark.before.resonance
    if mark.after is not None:
        end = (mark.after.resonance.frequency_hz, mark.after.resonance.height_ohm)
    elif mark.verdict == "gone" and mark.limit_ohm is not None:
        end = (begin.frequency_hz, mark.limit_ohm)
    else:
        return
    if abs(np.log(end[1] / begin.height_ohm)) > 0.15:
        axes.annotate(
            "",
            xy=end,
            xytext=(begin.frequency_hz, begin.height_ohm),
            arrowprops={
                "arrowstyle": "-|>",
                "color": mark.sign.colour,
                "linewidth": 1.0,
                "shrinkA": 4,
                "shrinkB": 3,
            },
            zorder=3,
        )
