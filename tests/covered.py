"""What words and legends of a drawn picture cover of its curves: counted in pixels, the curves drawn alone."""

from __future__ import annotations

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.container import ErrorbarContainer
from matplotlib.figure import Figure
from matplotlib.legend import Legend
from matplotlib.lines import Line2D
from matplotlib.text import Text

Box = tuple[str, float, float, float, float]
"""Words, left, right, bottom, top in pixels."""


def boxes_of(figure: Figure) -> list[Box]:
    """Words and legends that stand in panels."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    found = []
    for axes in figure.axes:
        legend = axes.get_legend()
        named: list[tuple[str, Text | Legend]] = [
            (text.get_text(), text) for text in axes.texts if text.get_text().strip() and text.get_visible()
        ]
        if legend is not None:
            named.append(("legend: " + ", ".join(text.get_text() for text in legend.get_texts()), legend))
        for words, one in named:
            extent = one.get_window_extent(canvas.get_renderer())
            found.append((words, extent.x0, extent.x1, extent.y0, extent.y1))
    return found


def covered_pixels(figure: Figure) -> dict[str, int]:
    """How many pixels of curves lie under each of them; what covers none is not named."""
    boxes = boxes_of(figure)
    inked = _curves_alone(figure)
    covered = {}
    for words, left, right, bottom, top in boxes:
        rows = slice(max(0, round(inked.shape[0] - top)), max(0, round(inked.shape[0] - bottom)))
        count = int(inked[rows, max(0, round(left)) : max(0, round(right))].sum())
        if count:
            covered[words] = count
    return covered


def overlapping_words(figure: Figure) -> list[tuple[str, str]]:
    """Pairs of words that lie on each other."""
    boxes = boxes_of(figure)
    return [
        (one[0], other[0])
        for index, one in enumerate(boxes)
        for other in boxes[:index]
        if one[1] < other[2] and other[1] < one[2] and one[3] < other[4] and other[3] < one[4]
    ]


def _curves_alone(figure: Figure) -> np.ndarray:
    """Whether ink of a curve, a marker or an error bar lies on each pixel, shape (rows, columns)."""
    hidden: list[Artist] = []
    figure.set_layout_engine("none")  # what is hidden must not move what is left
    for axes in figure.axes:
        bars = {id(part) for one in axes.containers if isinstance(one, ErrorbarContainer) for part in one.lines[2]}
        for artist in axes.get_children():
            if artist.get_visible() and not _is_curve(axes, artist, bars):
                artist.set_visible(False)
                hidden.append(artist)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    shown = np.asarray(canvas.buffer_rgba())[..., :3].astype(int)
    for artist in hidden:
        artist.set_visible(True)
    paper = np.rint(255 * np.array(figure.get_facecolor()[:3])).astype(int)
    ink: np.ndarray = np.abs(shown - paper).max(axis=2) > 40
    return ink


def _is_curve(axes: Axes, artist: Artist, bars: set[int]) -> bool:
    if isinstance(artist, LineCollection):
        return id(artist) in bars
    if isinstance(artist, Line2D):
        return len(artist.get_xdata()) > 2 or artist.get_marker() not in ("None", "none", "", None)  # type: ignore[arg-type]
    return False
