"""Ticks, numbers, lines across the panel and the name of an axis, all of it drawn at once.

matplotlib has an object for every tick, and makes, places and draws each on its own: half of the time of a picture.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.backend_bases import GraphicsContextBase, RendererBase
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path
from matplotlib.transforms import IdentityTransform

from stillbox.capture.arrays import FloatArray

_TALLEST = "lp"
"""Letters from the highest to the lowest part of a line."""
_BEHIND_CURVES = 0.5
_EDGE_PT = 1.5
"""A name keeps so far off the edge of the picture."""


class Ruler(Artist):
    """Stands for one axis of a panel, as its locators, formatters and tick parameters say; the axis itself is hidden.

    Parameters
    ----------
    axes : Axes
    axis : Axis
        One of its two.
    """

    def __init__(self, axes: Axes, axis: Axis) -> None:
        super().__init__()
        self._panel, self._axis = axes, axis
        self._across = axis is axes.xaxis
        self.set_zorder(_BEHIND_CURVES)
        axis.set_visible(False)
        axis.label.set_transform(IdentityTransform())

    def draw(self, renderer: RendererBase) -> None:
        """Lines, ticks, numbers, name; lengths in points, as the tick parameters have them."""
        major: dict[str, Any] = self._axis.get_tick_params("major")
        minor: dict[str, Any] = self._axis.get_tick_params("minor")
        places = self._in_view(self._axis.get_majorticklocs())
        context = renderer.new_gc()
        if major.get("gridOn") and places.size:
            self._draw_lines(renderer, context, places, major)
        self._draw_ticks(renderer, context, places, major)
        self._draw_ticks(renderer, context, self._in_view(self._axis.get_minorticklocs()), minor)
        depth = 0.0
        if major[f"label{self._side}"] and places.size:
            begin = self._pixels(major["length"] + major["pad"])
            depth = begin + self._draw_numbers(renderer, context, places, major, begin)
        context.restore()
        self._draw_name(renderer, depth)

    def _pixels(self, points: float) -> float:
        return points * float(self._panel.figure.dpi) / 72

    @property
    def _side(self) -> str:
        return str(self._axis.get_label_position())

    def _in_view(self, places: FloatArray) -> FloatArray:
        low, high = sorted(self._axis.get_view_interval())
        found = np.asarray(places, dtype=float)
        return found[(found >= low) & (found <= high)]

    def _along(self, places: FloatArray) -> FloatArray:
        """Pixels along the axis."""
        both = np.column_stack([places, places])
        return np.asarray(self._panel.transData.transform(both))[:, 0 if self._across else 1]

    def _edge(self) -> tuple[float, int]:
        """Pixel of the edge where the ticks are, and which way is out."""
        box = self._panel.bbox
        return {"bottom": (box.y0, -1), "top": (box.y1, 1), "left": (box.x0, -1), "right": (box.x1, 1)}[self._side]

    def _segments(self, along: FloatArray, begin: float, end: float) -> Path:
        """Lines across the axis."""
        points = np.empty((along.size, 2, 2))
        points[:, :, 0 if self._across else 1] = along[:, None]
        points[:, :, 1 if self._across else 0] = begin, end
        codes = np.tile([Path.MOVETO, Path.LINETO], along.size)
        return Path(points.reshape(-1, 2), codes)

    def _draw_lines(
        self, renderer: RendererBase, context: GraphicsContextBase, places: FloatArray, style: dict[str, Any]
    ) -> None:
        box = self._panel.bbox
        ends = (box.y0, box.y1) if self._across else (box.x0, box.x1)
        context.set_foreground(style["grid_color"])
        context.set_linewidth(style["grid_linewidth"])
        renderer.draw_path(context, self._segments(self._along(places), *ends), IdentityTransform())

    def _draw_ticks(
        self, renderer: RendererBase, context: GraphicsContextBase, places: FloatArray, style: dict[str, Any]
    ) -> None:
        if not (places.size and style["length"] and style[self._side]):
            return
        edge, out = self._edge()
        context.set_foreground(style["color"])
        context.set_linewidth(style["width"])
        path = self._segments(self._along(places), edge, edge + out * self._pixels(style["length"]))
        renderer.draw_path(context, path, IdentityTransform())

    def _draw_numbers(
        self,
        renderer: RendererBase,
        context: GraphicsContextBase,
        places: FloatArray,
        style: dict[str, Any],
        depth: float,
    ) -> float:
        """Numbers beside the ticks; how much room they take across the axis, in pixels."""
        font = FontProperties(size=style["labelsize"])
        height, descent = renderer.get_text_width_height_descent(_TALLEST, font, False)[1:]
        edge, out = self._edge()
        start = edge + out * depth
        context.set_foreground(style["labelcolor"])
        widest = 0.0
        for place, words in zip(self._along(places), self._words(places), strict=True):
            if not words:
                continue
            width, high, low = renderer.get_text_width_height_descent(words, font, False)
            widest = max(widest, width)
            if self._across:
                x, y = place - width / 2, start - (height - descent) if out < 0 else start + descent
            else:
                x, y = start - width if out < 0 else start, place - (high - low) / 2
            self._write(renderer, context, x, y, words, font)
        return height if self._across else widest

    def _words(self, places: FloatArray) -> list[str]:
        return list(self._axis.get_major_formatter().format_ticks(list(places)))

    @staticmethod
    def _write(
        renderer: RendererBase, context: GraphicsContextBase, x: float, y: float, words: str, font: FontProperties
    ) -> None:
        if renderer.flipy():
            y = renderer.get_canvas_width_height()[1] - y
        renderer.draw_text(context, x, y, words, font, 0.0, ismath=False)

    def _draw_name(self, renderer: RendererBase, depth: float) -> None:
        """The name beyond the numbers, but never beyond the edge of the picture."""
        label = self._axis.label
        if not label.get_text():
            return
        edge, out = self._edge()
        high = renderer.get_text_width_height_descent(_TALLEST, label.get_fontproperties(), False)[1]
        high += self._pixels(_EDGE_PT)
        most = renderer.get_canvas_width_height()[1 if self._across else 0] - high
        across = min(max(edge + out * (depth + self._pixels(self._axis.labelpad)), high), most)
        box = self._panel.bbox
        middle = (box.x0 + box.x1) / 2 if self._across else (box.y0 + box.y1) / 2
        label.set_position((middle, across) if self._across else (across, middle))
        label.draw(renderer)


def use_rulers(figure: Figure) -> None:
    """Let rulers stand for all axes that are shown."""
    for axes in (axes for axes in figure.axes if axes.axison):
        for axis in (axes.xaxis, axes.yaxis):
            if axis.get_visible():
                axes.add_artist(Ruler(axes, axis))
