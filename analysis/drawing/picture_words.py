"""Words and legends in panels give way: no curve is covered by them.

Whoever draws a panel marks its words by `give_way`; `place_words` puts them, when all is drawn and has its size, to
the place nearest to the one asked for where no curve, no marker and no other words lie. Where no place is free, the
panel gets room above its curves. Words wider than the panel are broken into lines.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.container import ErrorbarContainer
from matplotlib.figure import Figure
from matplotlib.legend import Legend
from matplotlib.lines import Line2D
from matplotlib.text import Annotation, Text
from matplotlib.transforms import Bbox

from stillbox.capture.arrays import FloatArray

_GIVE_WAY, _ALONG = "words", "words along"
"""Marks of words that may go anywhere in their panel, and of those that belong to a height and move along it."""
_CLEAR_PT = 2.0
"""Between words and the middle of a line."""
_EDGE_PT = 4.0
_COLUMNS = np.linspace(0.0, 1.0, 25)
_ROWS = np.linspace(1.0, 0.0, 7)
_MORE_ROOM, _MOST_ROOM = 0.06, 10
"""Each time a panel grows by this share of its height, so many times at most."""

Box = tuple[float, float, float, float]
"""Left, bottom, right, top in pixels."""


@dataclass(frozen=True)
class _Curves:
    """What must not be covered, in pixels.

    Attributes
    ----------
    pieces : ndarray, shape (n, 4)
        Beginning and end of each straight piece of a curve.
    lowest, highest : ndarray, shape (2, n)
        Ends of each piece by x and by y: what lies elsewhere than a box is told apart by them quickly.
    points : ndarray, shape (m, 3)
        Middle and half size of each marker.
    """

    pieces: FloatArray
    lowest: FloatArray
    highest: FloatArray
    points: FloatArray

    @classmethod
    def of(cls, pieces: FloatArray, points: FloatArray) -> _Curves:
        begin, end = np.ascontiguousarray(pieces[:, :2].T), np.ascontiguousarray(pieces[:, 2:].T)
        return cls(pieces, np.minimum(begin, end), np.maximum(begin, end), points)

    def near(self, box: Box) -> FloatArray:
        """Pieces that may come into a box."""
        left, bottom, right, top = box
        found = (self.lowest[0] <= right) & (self.highest[0] >= left)
        found &= self.lowest[1] <= top
        found &= self.highest[1] >= bottom
        result: FloatArray = self.pieces[found]
        return result


def give_way(text: Text, along: bool = False) -> None:
    """Let words find a place that is free; ``along`` the height at which they are only."""
    text.set_gid(_ALONG if along else _GIVE_WAY)
    text.set_in_layout(False)  # what is to fit into a panel does not make it smaller


def place_words(figure: Figure) -> None:
    """Move words and legends of all panels off the curves; the panels must have their size."""
    for axes in figure.axes:
        texts = [text for text in axes.texts if text.get_gid() in (_GIVE_WAY, _ALONG) and text.get_text()]
        legend = axes.get_legend()
        movable: list[Text | Legend] = [*([legend] if legend is not None else []), *texts]
        if movable:
            _place_in_panel(axes, movable)


def _place_in_panel(axes: Axes, movable: Sequence[Text | Legend]) -> None:
    layers = [one for one in axes.figure.axes if np.allclose(one.bbox.extents, axes.bbox.extents)]
    for text in movable:
        if isinstance(text, Text):
            _broken(axes, text)
    for more in range(_MOST_ROOM + 1):
        fixed = [
            _box_of(text) for layer in layers for text in layer.texts if text not in movable and text.get_text().strip()
        ]
        curves = _curves(layers)
        found: list[Box | None] = []
        for one in movable:
            taken = [*fixed, *(box for box in found if box is not None)]
            found.append(_free_place(axes, one, curves, taken))
        if None not in found or more == _MOST_ROOM or axes.yaxis_inverted():
            break
        for layer in layers:
            _add_room(layer)
    for one, box in zip(movable, found, strict=True):
        if box is not None and box != _box_of(one):
            _move(axes, one, box)


def _free_place(axes: Axes, one: Text | Legend, curves: _Curves, taken: Sequence[Box]) -> Box | None:
    """The free place nearest to where it is; None if there is none."""
    now = _box_of(one)
    clear = _CLEAR_PT * axes.figure.dpi / 72
    for box in _places(axes, one, now):
        wide = (box[0] - clear, box[1] - clear, box[2] + clear, box[3] + clear)
        if not any(_overlap(wide, other) for other in taken) and not _hit(wide, curves):
            return box
    return None


def _places(axes: Axes, one: Text | Legend, now: Box) -> Iterator[Box]:
    """Where it is, then places all over the panel, those at its upper and lower edge and the nearest first."""
    yield now
    width, height = now[2] - now[0], now[3] - now[1]
    panel, edge = axes.bbox, _EDGE_PT * axes.figure.dpi / 72
    left = panel.x0 + edge + _COLUMNS * max(panel.width - 2 * edge - width, 0.0)
    if isinstance(one, Text) and one.get_gid() == _ALONG:
        heights = [now[1]]
    else:
        heights = [panel.y0 + edge + row * max(panel.height - 2 * edge - height, 0.0) for row in _ROWS]
    found = [(x, y, x + width, y + height) for x in left for y in heights]
    edges = (heights[0], heights[-1])
    yield from sorted(
        found, key=lambda box: (box[1] not in edges, abs(box[1] - now[1]) + 0.5 * abs(box[0] - now[0]), box)
    )


def _move(axes: Axes, one: Text | Legend, box: Box) -> None:
    if isinstance(one, Legend):
        left, bottom = axes.transAxes.inverted().transform((box[0], box[1]))
        one.borderaxespad = 0.0
        one.set_loc("lower left")
        one.set_bbox_to_anchor((float(left), float(bottom)), axes.transAxes)
        return
    now = _box_of(one)
    at = one.get_transform().transform(one.get_position()) + np.array([box[0] - now[0], box[1] - now[1]])
    x, y = one.get_transform().inverted().transform(at)
    one.set_position((float(x), float(y)))


def _add_room(axes: Axes) -> None:
    """Raise the upper end of the ordinate, on its own scale."""
    scale = axes.yaxis.get_transform()
    low, high = scale.transform(np.array(axes.get_ylim()))
    more = scale.inverted().transform(np.array([high + _MORE_ROOM * (high - low)]))
    axes.set_ylim(top=float(more[0]))


def _broken(axes: Axes, text: Text) -> None:
    """Break words that are wider than their panel."""
    words = text.get_text().split(" ")
    lines = 1
    while lines < len(words) and _box_of(text)[2] - _box_of(text)[0] > 0.96 * axes.bbox.width:
        lines += 1
        parts = np.array_split(np.array(words), lines)
        text.set_text("\n".join(" ".join(part) for part in parts))


def _box_of(one: Text | Legend) -> Box:
    canvas = one.figure.canvas
    assert isinstance(canvas, FigureCanvasAgg)
    extent: Bbox = one.get_window_extent(canvas.get_renderer())  # type: ignore[no-untyped-call]
    return float(extent.x0), float(extent.y0), float(extent.x1), float(extent.y1)


def _overlap(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _curves(layers: Sequence[Axes]) -> _Curves:
    """All curves and markers of panels that lie on each other."""
    pieces, points = [np.zeros((0, 4))], [np.zeros((0, 3))]
    for axes in layers:
        bars = [part for one in axes.containers if isinstance(one, ErrorbarContainer) for part in one.lines[2]]
        for line in axes.lines:
            path = _in_pixels(line, np.asarray(line.get_xydata(), dtype=float))
            if len(path) > 2 and line.get_linestyle() not in ("None", "none", ""):
                pieces.append(np.concatenate([path[:-1], path[1:]], axis=1))
            if line.get_marker() not in ("None", "none", "", None):
                half = 0.5 * line.get_markersize() * axes.figure.dpi / 72
                points.append(np.column_stack([path, np.full(len(path), half)]))
        for bar in bars:
            assert isinstance(bar, LineCollection)
            pieces.extend(np.reshape(_in_pixels(bar, part), (1, -1)) for part in bar.get_segments() if len(part) == 2)
        for arrow in axes.texts:
            if isinstance(arrow, Annotation) and arrow.arrowprops is not None:
                ends = axes.transData.transform(np.array([arrow.xy, arrow.get_position()], dtype=float))
                pieces.append(np.reshape(ends, (1, -1)))
    whole, marks = np.concatenate(pieces), np.concatenate(points)
    return _Curves.of(whole[np.isfinite(whole).all(axis=1)], marks[np.isfinite(marks).all(axis=1)])


def _in_pixels(artist: Line2D | LineCollection, data: FloatArray) -> FloatArray:
    place: FloatArray = artist.get_transform().transform(np.asarray(np.ma.filled(data, np.nan), dtype=float))
    return place


def _hit(box: Box, curves: _Curves) -> bool:
    """Whether a piece of a curve or a marker comes into a box (Liang and Barsky, ACM TOG 3(1) 1-22, 1984)."""
    left, bottom, right, top = box
    x, y, half = curves.points.T
    if np.any((x > left - half) & (x < right + half) & (y > bottom - half) & (y < top + half)):
        return True
    pieces = curves.near(box)
    begin, step = pieces[:, :2], pieces[:, 2:] - pieces[:, :2]
    inside = (begin > [left, bottom]) & (begin < [right, top])
    if np.any(inside[:, 0] & inside[:, 1]):
        return True
    with np.errstate(divide="ignore", invalid="ignore"):
        low = (np.array([left, bottom]) - begin) / step
        high = (np.array([right, top]) - begin) / step
    still = step == 0
    enters = np.where(still, np.where(inside, -np.inf, np.inf), np.minimum(low, high)).max(axis=1)
    leaves = np.where(still, np.where(inside, np.inf, -np.inf), np.maximum(low, high)).min(axis=1)
    return bool(np.any((enters <= leaves) & (enters <= 1) & (leaves >= 0)))
