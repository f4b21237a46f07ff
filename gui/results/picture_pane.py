"""The picture in the window: pixels made beside the window's thread, with cursor and selection painted over them."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from PyQt5.QtCore import QEvent, QPointF, QRectF, QSize, Qt, QTimer, pyqtSignal
from PyQt5.QtGui import QColor, QImage, QKeyEvent, QMouseEvent, QPainter, QPaintEvent, QPen, QResizeEvent, QWheelEvent
from PyQt5.QtWidgets import QSizePolicy, QWidget

from stillbox.analysis.drawing.medium import LEFT_PX, RIGHT_PX
from stillbox.gui.parts.theme import LIGHT, Theme
from stillbox.gui.results.overlay import paint_overlay
from stillbox.gui.results.picture_making import Picture, draw_picture
from stillbox.gui.results.view import Overlay, Results, View, Wish
from stillbox.gui.work.work import Failure, Lane

if TYPE_CHECKING:
    from stillbox.analysis.drawing.layout import PanelPlace
    from stillbox.analysis.drawing.panels import Curve, DecaySurface

ENDS_HZ = (15.0, 20_000.0)
LIMITS_HZ = (8.0, 24_000.0)
LEAST_RATIO = 1.15
"""The narrowest zoom: highest over lowest frequency."""
NEAR_PX = 7
SETTLE_MS = 60
"""While the size changes, only the size at the end is drawn."""
PASSING_MS = 400
"""What more will soon follow is drawn when it has stood for so long: a picture that nobody sees delays the next."""
STEP = 2 ** (1 / 96)
BIG_STEP = 2 ** (1 / 12)


class PicturePane(QWidget):
    """One picture with cursor, zoom and marks.

    Attributes
    ----------
    cursor_hz : float or None
    cursor_time : float or None
        On the time axis of the decay: ms or cycles.
    """

    drawn = pyqtSignal()
    picked = pyqtSignal(float)
    failed = pyqtSignal(object)

    def __init__(self, lane: Lane) -> None:
        super().__init__()
        self._lane = lane
        self.theme: Theme = LIGHT
        self.wish = Wish()
        self.ends_hz = ENDS_HZ
        self.cursor_hz: float | None = None
        self.cursor_time: float | None = None
        self.selected_hz: float | None = None
        self.selected_colour = LIGHT.accent
        self.picture: Picture | None = None
        self._view: View | None = None
        self._results: Results | None = None
        self._whole_hz = ENDS_HZ
        self._image: QImage | None = None
        self._overlay: Overlay = ()
        self._drag_from: tuple[float, tuple[float, float]] | None = None
        self._band_from: float | None = None
        self._moved = False
        self._settle = QTimer(self)
        self._settle.setSingleShot(True)
        self._settle.timeout.connect(self.redraw)
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.StrongFocus)
        self.setSizePolicy(QSizePolicy.Expanding, QSizePolicy.Expanding)
        self.setMinimumSize(360, 280)
        self.setAccessibleName("Picture of the results")
        self.setToolTip("")

    def sizeHint(self) -> QSize:
        return QSize(760, 620)

    def show_results(self, view: View | None, results: Results | None) -> None:
        """Show other results; zoom and cursor stay while the whole axis is the same."""
        self._view, self._results = view, results
        self._overlay = () if results is None else results.overlay
        self.update()
        if results is None or view is None:
            self.picture = self._image = None
            return
        if results.ends_hz != self._whole_hz:
            self._whole_hz = self.ends_hz = results.ends_hz
        if results.passing:
            self._settle.start(PASSING_MS)
        else:
            self.redraw()

    def set_wish(self, wish: Wish) -> None:
        """Draw it in another way."""
        if wish.cycles != self.wish.cycles:
            self.cursor_time = None
        self.wish = wish
        self.redraw()

    def set_ends(self, low_hz: float, high_hz: float) -> None:
        """Zoom to a part of the frequency axis."""
        ratio = min(max(high_hz / low_hz, LEAST_RATIO), LIMITS_HZ[1] / LIMITS_HZ[0])
        middle = math.sqrt(low_hz * high_hz)
        low_hz, high_hz = middle / math.sqrt(ratio), middle * math.sqrt(ratio)
        if low_hz < LIMITS_HZ[0]:
            low_hz, high_hz = LIMITS_HZ[0], LIMITS_HZ[0] * ratio
        if high_hz > LIMITS_HZ[1]:
            low_hz, high_hz = LIMITS_HZ[1] / ratio, LIMITS_HZ[1]
        self.ends_hz = (low_hz, high_hz)
        self.update()
        self._settle.start(SETTLE_MS)

    def reset_zoom(self) -> None:
        """Show the whole axis again."""
        self.set_ends(*self._whole_hz)

    def zoom(self, factor: float, about_hz: float | None = None) -> None:
        """Make the axis ``factor`` times as long in octaves, keeping one frequency where it is."""
        low, high = (math.log(end) for end in self.ends_hz)
        about = math.log(about_hz or self.cursor_hz or math.sqrt(self.ends_hz[0] * self.ends_hz[1]))
        about = min(max(about, low), high)
        self.set_ends(math.exp(about - (about - low) * factor), math.exp(about + (high - about) * factor))

    def select(self, frequency_hz: float | None, colour: str = LIGHT.accent) -> None:
        """Light up one resonance through all panels; zoomed away, it is brought back into view."""
        self.selected_hz, self.selected_colour = frequency_hz, colour
        if frequency_hz is not None and not self.ends_hz[0] < frequency_hz < self.ends_hz[1]:
            half = math.sqrt(self.ends_hz[1] / self.ends_hz[0])
            self.set_ends(frequency_hz / half, frequency_hz * half)
        self.update()

    def redraw(self) -> None:
        """Make the pixels anew; the old ones stay until then."""
        self._settle.stop()
        view, results = self._view, self._results
        if view is None or results is None or self.width() < 50 or self.height() < 50:
            return
        wish, ends, size = self.wish, self.ends_hz, (self.width(), self.height())
        scale, dark = self.devicePixelRatioF(), self.theme.name == "dark"

        def work() -> None:
            drawing = draw_picture(view, results, wish, ends, size, scale, dark)
            self._lane.tell(lambda: self._take_picture(drawing.picture, results))
            drawing.take_apart()

        self._lane.order(work, lambda _: None, self._fail, topic="picture")

    def _fail(self, failure: Failure) -> None:
        self.failed.emit(failure)

    def _take_picture(self, picture: Picture, results: Results) -> None:
        self._overlay = () if results is self._results else self._overlay
        rows, columns, _ = picture.pixels.shape
        image = QImage(picture.pixels.data, columns, rows, 4 * columns, QImage.Format_RGBA8888)  # type: ignore[call-overload]
        # Once in the screen's own form, so that painting it costs no conversion.
        self._image = image.convertToFormat(QImage.Format_ARGB32_Premultiplied)
        self._image.setDevicePixelRatio(picture.scale)
        self.picture = picture
        self.repaint()
        self.drawn.emit()

    # Frequencies and places

    def x_of(self, frequency_hz: float) -> float:
        """Place of a frequency, pixels from the left."""
        low, high = self.ends_hz
        width_px = int(self.width()) - LEFT_PX - RIGHT_PX
        return LEFT_PX + width_px * math.log(frequency_hz / low) / math.log(high / low)

    def frequency_at(self, x: float) -> float:
        low, high = self.ends_hz
        return float(low * (high / low) ** ((x - LEFT_PX) / (int(self.width()) - LEFT_PX - RIGHT_PX)))

    def panel_at(self, y: float) -> PanelPlace | None:
        panels = self.picture.panels if self.picture else ()
        return next((panel for panel in panels if panel.top <= y <= panel.top + panel.height), None)

    # Painting

    def paintEvent(self, _: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(self.theme.paper))
        if self._image is None or self.picture is None:
            return
        self._paint_pixels(painter)
        for panel in self.picture.panels:
            self._paint_selection(painter, panel)
            if self.cursor_hz is not None:
                self._paint_cursor(painter, panel, self.cursor_hz)
        paint_overlay(painter, self.picture.panels, self._overlay, self.x_of, self.theme.accent)
        if self._band_from is not None and self.cursor_hz is not None:
            shade = QColor(self.theme.accent)
            shade.setAlpha(50)
            left, right = sorted((self._band_from, self.x_of(self.cursor_hz)))
            painter.fillRect(QRectF(left, 0, right - left, self.height() - 40), shade)

    def _paint_pixels(self, painter: QPainter) -> None:
        assert self._image is not None and self.picture is not None
        shown = (self.picture.low_hz, self.picture.high_hz)
        if self.picture.size == (self.width(), self.height()) and shown == self.ends_hz:
            painter.drawImage(0, 0, self._image)
            return
        # Until the new pixels are there the old ones are shifted and stretched.
        target = QRectF(0, 0, self.width(), self.height())
        if shown != self.ends_hz:
            left, right = self.x_of(shown[0]), self.x_of(shown[1])
            stretch = (right - left) / (self.picture.size[0] - LEFT_PX - RIGHT_PX)
            target = QRectF(left - LEFT_PX * stretch, 0, self.picture.size[0] * stretch, self.height())
        painter.drawImage(target, self._image)

    def _paint_selection(self, painter: QPainter, panel: PanelPlace) -> None:
        if self.selected_hz is None or not self.ends_hz[0] <= self.selected_hz <= self.ends_hz[1]:
            return
        x = self.x_of(self.selected_hz)
        shade = QColor(self.theme.accent)
        shade.setAlpha(58)
        painter.fillRect(QRectF(x - 6, panel.top - 6, 12, panel.height + 12), shade)
        painter.setPen(QPen(QColor(self.theme.ink), 1.6))
        painter.drawLine(QPointF(x, panel.top - 6), QPointF(x, panel.top + panel.height + 6))

    def _paint_cursor(self, painter: QPainter, panel: PanelPlace, frequency_hz: float) -> None:
        x = self.x_of(frequency_hz)
        if not LEFT_PX <= x <= self.width() - RIGHT_PX:
            return
        painter.setPen(QPen(QColor(self.theme.ink), 1, Qt.DashLine))
        painter.drawLine(QPointF(x, panel.top), QPointF(x, panel.top + panel.height))
        words = [f"{curve.name} {curve.words(value)}" for curve, value in _readings(panel, frequency_hz)]
        if panel.panel.surface is not None:
            words += self._paint_time(painter, panel, panel.panel.surface, frequency_hz)
        assert self.picture is not None
        if panel is self.picture.panels[0]:
            words.insert(0, frequency_words_exact(frequency_hz))
        self._paint_words(painter, words, x, panel.top + 3)

    def _paint_time(
        self, painter: QPainter, panel: PanelPlace, surface: DecaySurface, frequency_hz: float
    ) -> list[str]:
        if self.cursor_time is None:
            return []
        y = _y_of(panel, surface.height_of(self.cursor_time))
        painter.setPen(QPen(QColor(self.theme.accent), 1.4))
        painter.drawLine(QPointF(panel.left, y), QPointF(panel.left + panel.width, y))
        if surface.slice_heights is not None:
            heights = surface.slice_heights(self.cursor_time)
            inside = (surface.frequency_hz >= self.ends_hz[0]) & (surface.frequency_hz <= self.ends_hz[1])
            line = [
                QPointF(self.x_of(float(place)), _y_of(panel, float(height)))
                for place, height in zip(surface.frequency_hz[inside], heights[inside], strict=True)
            ]
            if line:
                painter.drawPolyline(*line)
        row = int(np.argmin(np.abs(surface.starts - self.cursor_time)))
        level = float(np.interp(frequency_hz, surface.frequency_hz, surface.level_db[row]))
        if math.isnan(level):
            return [f"in the noise at {self.cursor_time:.3g} {surface.unit}"]
        return [f"{level:.1f} dB at {self.cursor_time:.3g} {surface.unit}".replace("-", "\N{MINUS SIGN}")]

    def _paint_words(self, painter: QPainter, words: list[str], x: float, top: float) -> None:
        if not words:
            return
        metrics = painter.fontMetrics()
        width = max(metrics.horizontalAdvance(line) for line in words) + 12
        height = metrics.height() * len(words) + 4
        left = x + 6 if x + 6 + width < self.width() else x - 6 - width
        ground = QColor(self.theme.ground)
        ground.setAlpha(235)
        painter.setPen(QPen(QColor(self.theme.rule), 1))
        painter.setBrush(ground)
        painter.drawRoundedRect(QRectF(left, top, width, height), 4, 4)
        painter.setBrush(Qt.NoBrush)
        painter.setPen(QColor(self.theme.ink))
        for index, line in enumerate(words):
            painter.drawText(QPointF(left + 6, top + 2 + metrics.ascent() + index * metrics.height()), line)

    # Hands

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        x, y = event.localPos().x(), event.localPos().y()
        if self._drag_from is not None and event.buttons() & Qt.LeftButton:
            begin_x, (low, high) = self._drag_from
            if abs(x - begin_x) > 4 or self._moved:
                self._moved = True
                factor = (high / low) ** ((begin_x - x) / (self.width() - LEFT_PX - RIGHT_PX))
                self.set_ends(low * factor, high * factor)
            return
        self._place_cursor(x, y, with_time=bool(event.buttons() & Qt.LeftButton))

    def _place_cursor(self, x: float, y: float, with_time: bool) -> None:
        inside = min(max(x, LEFT_PX), self.width() - RIGHT_PX)
        self.cursor_hz = self.frequency_at(inside)
        panel = self.panel_at(y)
        if with_time and panel is not None and panel.panel.surface is not None:
            surface = panel.panel.surface
            height = panel.low + (panel.high - panel.low) * (panel.top + panel.height - y) / panel.height
            self.cursor_time = min(max(surface.time_of(height), float(surface.starts[0])), float(surface.starts[-1]))
        self.update()

    def mousePressEvent(self, event: QMouseEvent) -> None:
        if event.button() != Qt.LeftButton:
            return
        self._moved = False
        x, y = event.localPos().x(), event.localPos().y()
        panel = self.panel_at(y)
        if event.modifiers() & Qt.ShiftModifier:
            self._band_from = x
            self._place_cursor(x, y, with_time=False)
        elif panel is not None and panel.panel.surface is not None:
            self._place_cursor(x, y, with_time=True)
        else:
            self._drag_from = (x, self.ends_hz)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        x = event.localPos().x()
        if self._band_from is not None:
            left, right = sorted((self._band_from, x))
            self._band_from = None
            if right - left > 8:
                self.set_ends(self.frequency_at(left), self.frequency_at(right))
        elif not self._moved and self._results is not None:
            placed = [row.frequency_hz for row in self._results.rows if row.frequency_hz is not None]
            nearest = min(placed, key=lambda place: abs(self.x_of(place) - x), default=None)
            if nearest is not None and abs(self.x_of(nearest) - x) <= NEAR_PX:
                self.picked.emit(nearest)
        self._drag_from = None
        self._moved = False
        self.update()

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        self.reset_zoom()

    def wheelEvent(self, event: QWheelEvent) -> None:
        self.zoom(0.8 ** (event.angleDelta().y() / 120), self.frequency_at(event.position().x()))
        event.accept()

    def leaveEvent(self, event: QEvent) -> None:
        if not self.hasFocus():
            self.cursor_hz = None
            self.update()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        step = BIG_STEP if event.modifiers() & Qt.ShiftModifier else STEP
        actions: dict[int, Callable[[], None]] = {
            Qt.Key_Right: lambda: self.move_cursor(step),
            Qt.Key_Left: lambda: self.move_cursor(1 / step),
            Qt.Key_Down: lambda: self.move_time(1),
            Qt.Key_Up: lambda: self.move_time(-1),
        }
        action = actions.get(event.key())
        if action is None:
            super().keyPressEvent(event)
        else:
            action()

    def move_cursor(self, factor: float) -> None:
        """Move the cursor along the frequency axis; it begins in the middle."""
        here = self.cursor_hz or math.sqrt(self.ends_hz[0] * self.ends_hz[1])
        self.cursor_hz = min(max(here * factor, self.ends_hz[0]), self.ends_hz[1])
        self.update()

    def move_time(self, slices: int) -> None:
        """Move the time cursor by whole slices."""
        surface = (
            next((p.panel.surface for p in self.picture.panels if p.panel.surface), None) if self.picture else None
        )
        if surface is None:
            return
        starts = surface.starts
        here = 0 if self.cursor_time is None else int(np.argmin(np.abs(starts - self.cursor_time)))
        self.cursor_time = float(starts[min(max(here + slices, 0), starts.size - 1)])
        if self.cursor_hz is None:
            self.move_cursor(1.0)
        self.update()

    def resizeEvent(self, event: QResizeEvent) -> None:
        self._settle.start(max(SETTLE_MS, self._settle.remainingTime()))


def _readings(panel: PanelPlace, frequency_hz: float) -> list[tuple[Curve, float]]:
    found = []
    for curve in panel.panel.curves:
        if curve.frequency_hz[0] <= frequency_hz <= curve.frequency_hz[-1]:
            value = float(np.interp(frequency_hz, curve.frequency_hz, curve.values))
            found.append((curve, value))
    return found


def _y_of(panel: PanelPlace, ordinate: float) -> float:
    return panel.top + panel.height * (1 - (ordinate - panel.low) / (panel.high - panel.low))


def frequency_words_exact(frequency_hz: float) -> str:
    """A frequency for the cursor: four digits."""
    return f"{frequency_hz / 1000:.4g} kHz" if frequency_hz >= 1000 else f"{frequency_hz:.4g} Hz"
