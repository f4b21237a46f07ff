"""Curves painted over the picture at once, before the picture that has them is drawn."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np
from PyQt5.QtCore import QPointF, QRectF
from PyQt5.QtGui import QColor, QPainter, QPen

from stillbox.gui.results.view import Overlay

if TYPE_CHECKING:
    from stillbox.analysis.drawing.layout import PanelPlace

WIDTH_PX = 2.0


def paint_overlay(
    painter: QPainter,
    panels: Sequence[PanelPlace],
    overlay: Overlay,
    x_of: Callable[[float], float],
    colour: str,
) -> None:
    """Each curve into the panel of its place, where there is one.

    Parameters
    ----------
    x_of : callable
        From hertz to pixels.
    colour : str
    """
    for place, frequency_hz, values in overlay:
        if place >= len(panels):
            continue
        panel = panels[place]
        with np.errstate(divide="ignore"):  # a driver that gets nothing
            heights = np.log10(values) if panel.logarithmic else np.asarray(values)
        inside = np.isfinite(heights)
        share = np.clip((heights[inside] - panel.low) / (panel.high - panel.low), -1.0, 2.0)
        ys = panel.top + panel.height * (1 - share)
        points = [QPointF(x_of(float(hz)), float(y)) for hz, y in zip(frequency_hz[inside], ys, strict=True)]
        painter.save()
        painter.setRenderHint(QPainter.Antialiasing)
        painter.setClipRect(QRectF(panel.left, panel.top, panel.width, panel.height))
        painter.setPen(QPen(QColor(colour), WIDTH_PX))
        if points:
            painter.drawPolyline(*points)
        painter.restore()
