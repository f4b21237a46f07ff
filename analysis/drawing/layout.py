"""The one layouter: from the description of a picture to a figure, on paper or in the window.

Lengths are in the unit of the medium, inches on paper and pixels in the window. Panels have their places before
anything is drawn, so that what is drawn can follow how much room there is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import NullLocator

from stillbox.analysis.drawing.medium import Medium, paper
from stillbox.analysis.drawing.panels import Panel, PictureDescription
from stillbox.analysis.drawing.picture_marks import draw_labels, draw_mark_lines, lanes_height_pt, place_labels
from stillbox.analysis.drawing.picture_rulers import use_rulers
from stillbox.analysis.drawing.picture_style import (
    INK,
    backed,
    figure_bytes,
    finish,
    frequency_axis,
    new_figure,
    plain_axes,
)
from stillbox.analysis.drawing.picture_words import give_way
from stillbox.capture.files.output_file import PICTURE, check_output, write_output

LEAST_PANELS = 2
"""So many panels stay however low they get."""
LOWEST_PANEL_PT = 15.0


@dataclass(frozen=True)
class PanelPlace:
    """Where a panel lies, in units of the medium from the top left, and how ordinates map to it.

    ``low`` and ``high`` are the ordinates at the lower and upper edge on an even axis (logarithms where it is one).
    """

    left: float
    top: float
    width: float
    height: float
    low: float
    high: float
    logarithmic: bool
    panel: Panel


@dataclass(frozen=True)
class LaidOut:
    """A finished figure, and what is where in it."""

    figure: Figure
    places: tuple[PanelPlace, ...]


def lay_out(picture: PictureDescription, medium: Medium) -> LaidOut:
    """Draw a picture for a medium."""
    width = medium.width - medium.left - medium.right
    inside = [mark for mark in picture.marks if picture.ends_hz[0] <= mark.frequency_hz <= picture.ends_hz[1]]
    named = inside if medium.most_labels is None else inside[: medium.most_labels]
    labels = place_labels(named, *picture.ends_hz, width * 72 / medium.per_inch) if picture.panels else ()
    labels_height = medium.of_points(lanes_height_pt(labels)) if labels else 0.0
    top = medium.head + labels_height
    panels, heights, height = _heights(picture.panels, medium, top)
    figure = new_figure(medium.width / medium.per_inch, height / medium.per_inch, medium.dpi)

    def axes_at(place_top: float, place_height: float) -> Axes:
        box = (
            medium.left / medium.width,
            1 - (place_top + place_height) / height,
            width / medium.width,
            place_height / height,
        )
        axes = figure.add_axes(box)
        plain_axes(axes)
        return axes

    if medium.title_pt:
        corner = 0.12 * medium.per_inch
        figure.text(
            corner / medium.width, 1 - 0.08 * medium.per_inch / height, picture.title, ha="left", va="top",
            fontsize=medium.title_pt, color=INK, fontweight="bold",
        )  # fmt: skip
    label_axes = axes_at(medium.head, labels_height) if labels else None
    drawn: list[tuple[Axes, float, float, Panel]] = []
    for panel, panel_height in zip(panels, heights, strict=True):
        axes = axes_at(top, panel_height)
        _draw_panel(axes, panel, picture, medium, last=panel is panels[-1])
        drawn.append((axes, top, panel_height, panel))
        top += panel_height + medium.gap
    if label_axes is not None:
        frequency_axis(label_axes, *picture.ends_hz, labelled=False)
        draw_labels(label_axes, labels, inside)
    finish(figure)
    use_rulers(figure)
    places = tuple(_place_of(axes, medium.left, top, width, high, panel) for axes, top, high, panel in drawn)
    return LaidOut(figure, places)


def _draw_panel(axes: Axes, panel: Panel, picture: PictureDescription, medium: Medium, last: bool) -> None:
    frequency_axis(axes, *picture.ends_hz, labelled=last)
    panel.draw(axes)
    if not last:
        axes.xaxis.set_minor_locator(NullLocator())  # they are not to be seen there, but cost as much
    axes.set_xlim(*picture.ends_hz)
    draw_mark_lines(axes, picture.marks)
    if panel.title:
        words = axes.text(
            0.995, 0.93, panel.title, transform=axes.transAxes, ha="right", va="top", fontsize=medium.name_pt,
            color=panel.colour, fontweight="bold", zorder=6, bbox=backed(),
        )  # fmt: skip
        give_way(words)


def _heights(panels: Sequence[Panel], medium: Medium, top: float) -> tuple[list[Panel], list[float], float]:
    """The panels that are shown, their heights, and that of the picture, whose panels begin at ``top``.

    Where the height is given and a panel would get too low, the one with the smallest share gives way.
    """
    kept = list(panels)
    if medium.height is None:
        heights = [medium.per_inch * panel.height_in for panel in kept]
        return kept, heights, top + sum(heights) + medium.gap * max(0, len(kept) - 1) + medium.foot
    while True:
        room = medium.height - top - medium.foot - medium.gap * max(0, len(kept) - 1)
        total = sum(panel.share for panel in kept)
        heights = [room * panel.share / total for panel in kept]
        cramped = any(height < medium.of_points(panel.least_pt) for height, panel in zip(heights, kept, strict=True))
        if not cramped or len(kept) <= LEAST_PANELS:
            lowest = medium.of_points(LOWEST_PANEL_PT)
            return kept, [max(height, lowest) for height in heights], medium.height
        # The difference and the heights can be read from the list; curves and decays cannot.
        kept.remove(min(kept, key=lambda panel: panel.share))


def _place_of(axes: Axes, left: float, top: float, width: float, height: float, panel: Panel) -> PanelPlace:
    low, high = axes.get_ylim()
    logarithmic = axes.get_yscale() == "log"
    if logarithmic:
        low, high = float(np.log10(low)), float(np.log10(high))
    return PanelPlace(left, top, width, height, low, high, logarithmic, panel)


def picture_bytes(picture: PictureDescription, suffix: str) -> bytes:
    """A picture on paper as the content of a .svg, .png or .pdf file; the suffix with its dot or without."""
    figure = lay_out(picture, paper(picture.width_in)).figure
    content = figure_bytes(figure, suffix)
    # Its parts refer to each other in circles: what is taken apart here the garbage collector need not look for.
    figure.clear()
    return content


def save_picture(picture: PictureDescription, path: Path) -> None:
    """Write a picture; the suffix of the name says the format.

    Raises
    ------
    StillboxError
        Unknown suffix, or the file cannot or may not be written (see `capture.files.output_file`).
    """
    check_output(path, PICTURE)
    write_output(path, PICTURE, picture_bytes(picture, Path(path).suffix))
