"""A schematic on paper: a figure of its own, for the report."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from stillbox.analysis.drawing.picture_style import INK, figure_bytes, new_figure
from stillbox.analysis.drawing.schematic import Label, Schematic

INCH_PER_UNIT = 0.105
PAGE_IN = 11.0
"""As of the other pictures of a page, so that letters are as large."""
LETTERS_PT = 8.5


def schematic_figure(schematic: Schematic) -> Figure:
    """Drawn as large as its words need, smaller where it would be wider than a page, on the width of a page."""
    unit = min(INCH_PER_UNIT, PAGE_IN / schematic.width)
    figure = new_figure(PAGE_IN, schematic.height * unit)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_xlim(0, PAGE_IN / unit)
    axes.set_ylim(schematic.height, 0)
    axes.set_axis_off()
    for stroke in schematic.strokes:
        xs, ys = zip(*stroke.points, strict=True)
        if stroke.filled:
            axes.fill(xs, ys, facecolor="white", edgecolor=INK, linewidth=1.1, zorder=3)
        else:
            axes.plot(xs, ys, color=INK, linewidth=1.1, solid_capstyle="round", zorder=2)
    for x, y in schematic.dots:
        axes.plot([x], [y], marker="o", markersize=3.2, color=INK, zorder=4)
    for label in schematic.labels:
        _draw_label(axes, label, LETTERS_PT * unit / INCH_PER_UNIT)
    return figure


def _draw_label(axes: Axes, label: Label, size_pt: float) -> None:
    side = {"left": "left", "middle": "center", "right": "right"}[label.side]
    weight = "bold" if label.strong else "normal"
    axes.text(
        label.x, label.y, label.text, ha=side, va="center", fontsize=size_pt, color=INK, fontweight=weight, zorder=5
    )


def schematic_bytes(schematic: Schematic, suffix: str) -> bytes:
    """The content of a .svg or .png file."""
    figure = schematic_figure(schematic)
    content = figure_bytes(figure, suffix)
    figure.clear()
    return content
