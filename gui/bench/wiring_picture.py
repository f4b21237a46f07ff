"""The wiring as a drawing that follows what is on the clips and which kind of jig it is."""

from __future__ import annotations

from PyQt5.QtCore import QPointF, QRectF, QSize, Qt
from PyQt5.QtGui import QColor, QPainter, QPaintEvent, QPen, QPolygonF
from PyQt5.QtWidgets import QSizePolicy, QWidget

from stillbox.gui.parts.theme import LIGHT, Theme

CAPTIONS = {
    "in-box": "The finished speaker. Input 2 at the clip, not on its lead.",
    "free-air": "The bare driver, held by its frame; the cone moves freely.",
    "added-mass": "The bare driver, a known mass in the middle of its cone.",
    "test-box": "The driver, sealed on a closed box of known volume.",
    "part": "One part alone on the clips.",
    "microphone": "Input 2 goes to the microphone, input 1 stays where it is.",
    "check-resistor": "A resistor that you know, close to the clips.",
    "channel-match": "Both inputs on the source side of R; speaker on the clips.",
    "open": "Nothing on the clips, leads as they will lie.",
    "short": "Both clips side by side on one short bare copper wire.",
    "load": "The resistor of known value on the clips.",
}

_RIGHT = int(Qt.AlignRight | Qt.AlignVCenter)


class WiringPicture(QWidget):
    """Output, both inputs, reference resistor, clips, and what is on them."""

    def __init__(self) -> None:
        super().__init__()
        self.theme: Theme = LIGHT
        self.subject, self.jig = "in-box", "high-side"
        self.setSizePolicy(QSizePolicy.Expanding, QSizePolicy.Fixed)
        self.setToolTip("R is the reference resistor. Grounds of the output and of both inputs are joined.")

    def show_wiring(self, subject: str, jig: str) -> None:
        """Draw another case."""
        self.subject, self.jig = subject, jig
        self.setAccessibleName(f"Wiring, {jig}: {CAPTIONS[subject]}")
        self.update()

    def sizeHint(self) -> QSize:
        return QSize(340, 106)

    def paintEvent(self, _: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.Antialiasing)
        font = painter.font()
        font.setPointSizeF(8.0)
        painter.setFont(font)
        scale = min(self.width() / 340.0, self.height() / 112.0)
        painter.translate((self.width() - 340.0 * scale) / 2, 0)
        painter.scale(scale, scale)
        self._wire = QPen(QColor(self.theme.ink), 1.4)
        self._lead = QPen(QColor(self.theme.accent), 1.4, Qt.DashLine)
        painter.setPen(self._wire)
        if self.jig == "high-side":
            self._high_side(painter)
        else:
            self._low_side(painter)

    def _high_side(self, painter: QPainter) -> None:
        top, ground = 28.0, 94.0
        self._card(painter, top, ground)
        painter.drawLine(QPointF(62, top), QPointF(120, top))
        self._resistor(painter, 120, 164, top, "R")
        painter.drawLine(QPointF(164, top), QPointF(236, top))
        painter.drawLine(QPointF(62, ground), QPointF(236, ground))
        self._input(painter, 92, top, 50, "in 1")
        if self.subject == "channel-match":
            self._input(painter, 106, top, 72, "in 2")
        elif self.subject != "microphone":
            self._input(painter, 200, top, 72, "in 2")
        self._clips(painter, 236, top, ground)

    def _low_side(self, painter: QPainter) -> None:
        top, middle, ground = 18.0, 62.0, 100.0
        self._card(painter, top, ground)
        painter.drawLine(QPointF(62, top), QPointF(236, top))
        self._input(painter, 92, top, 40, "in 1")
        self._clips(painter, 236, top, middle)
        painter.drawLine(QPointF(236, middle), QPointF(206, middle))
        self._resistor(painter, 162, 206, middle, "R")
        painter.drawLine(QPointF(162, middle), QPointF(140, middle))
        painter.drawLine(QPointF(140, middle), QPointF(140, ground))
        painter.drawLine(QPointF(62, ground), QPointF(140, ground))
        if self.subject == "channel-match":
            self._input(painter, 106, top, 72, "in 2")
        elif self.subject != "microphone":
            self._input(painter, 222, middle, 84, "in 2")

    def _card(self, painter: QPainter, top: float, ground: float) -> None:
        painter.drawRoundedRect(QRectF(4, top - 14, 58, ground - top + 22), 5, 5)
        painter.drawText(QRectF(4, top - 10, 54, 18), _RIGHT, "out")
        painter.drawText(QRectF(4, ground - 9, 54, 14), _RIGHT, "ground")

    def _input(self, painter: QPainter, x: float, y: float, level: float, name: str) -> None:
        """A dashed lead from a node back to an input of the card."""
        painter.save()
        painter.setPen(self._lead)
        painter.drawLine(QPointF(x, y), QPointF(x, level))
        painter.drawLine(QPointF(x, level), QPointF(62, level))
        painter.setBrush(QColor(self.theme.accent))
        painter.setPen(Qt.NoPen)
        painter.drawEllipse(QPointF(x, y), 3, 3)
        painter.restore()
        painter.drawText(QRectF(4, level - 8, 54, 16), _RIGHT, name)

    def _resistor(self, painter: QPainter, left: float, right: float, y: float, name: str) -> None:
        painter.save()
        painter.setBrush(QColor(self.theme.paper))
        painter.drawRect(QRectF(left, y - 7, right - left, 14))
        painter.restore()
        painter.drawText(QRectF(left, y - 7, right - left, 14), Qt.AlignCenter, name)

    def _clips(self, painter: QPainter, x: float, top: float, bottom: float) -> None:
        painter.save()
        painter.setBrush(QColor(self.theme.paper))
        for y, sign in ((top, "+"), (bottom, "\N{MINUS SIGN}")):
            painter.drawEllipse(QPointF(x, y), 4, 4)
            painter.drawText(QRectF(x - 8, y - 19, 16, 14), Qt.AlignCenter, sign)
        painter.setBrush(Qt.NoBrush)
        self._device(painter, x + 4, top, bottom)
        painter.restore()

    def _device(self, painter: QPainter, x: float, top: float, bottom: float) -> None:
        subject, middle = self.subject, (top + bottom) / 2
        if subject == "open":
            painter.drawText(QRectF(x + 6, middle - 9, 90, 18), Qt.AlignVCenter, "nothing")
            return
        if subject == "short":
            painter.setPen(QPen(QColor(self.theme.ink), 3))
            painter.drawLine(QPointF(x, top), QPointF(x + 26, top))
            painter.drawLine(QPointF(x + 26, top), QPointF(x + 26, bottom))
            painter.drawLine(QPointF(x + 26, bottom), QPointF(x, bottom))
            return
        painter.drawLine(QPointF(x, top), QPointF(x + 34, top))
        painter.drawLine(QPointF(x, bottom), QPointF(x + 34, bottom))
        painter.drawLine(QPointF(x + 34, top), QPointF(x + 34, middle - 9))
        painter.drawLine(QPointF(x + 34, bottom), QPointF(x + 34, middle + 9))
        if subject in ("load", "check-resistor"):
            painter.drawRect(QRectF(x + 27, middle - 9, 14, 18))
            painter.drawText(QRectF(x + 46, middle - 9, 50, 18), Qt.AlignVCenter, "known Ω")
        elif subject == "part":
            for y in (middle - 3, middle + 3):
                painter.drawLine(QPointF(x + 22, y), QPointF(x + 46, y))
            painter.drawLine(QPointF(x + 34, middle - 9), QPointF(x + 34, middle - 3))
            painter.drawLine(QPointF(x + 34, middle + 9), QPointF(x + 34, middle + 3))
        else:
            self._driver(painter, x + 34, middle)

    def _driver(self, painter: QPainter, x: float, middle: float) -> None:
        painter.drawRect(QRectF(x - 6, middle - 9, 12, 18))
        cone = [QPointF(x + 6, middle - 7), QPointF(x + 22, middle - 19), QPointF(x + 22, middle + 19)]
        painter.drawPolygon(QPolygonF([*cone, QPointF(x + 6, middle + 7)]))
        if self.subject in ("in-box", "test-box", "microphone"):
            painter.drawRoundedRect(QRectF(x - 18, middle - 27, 42, 54), 3, 3)
        if self.subject in ("in-box", "microphone"):
            painter.drawLine(QPointF(x + 12, middle + 23), QPointF(x + 24, middle + 23))
        if self.subject == "added-mass":
            painter.setBrush(QColor(self.theme.ink))
            painter.drawEllipse(QPointF(x + 13, middle), 5, 5)
        if self.subject == "microphone":
            painter.setPen(self._lead)
            painter.drawEllipse(QPointF(x + 44, middle), 6, 6)
            painter.setPen(QPen(QColor(self.theme.ink)))
            painter.drawText(QRectF(x + 28, middle + 8, 36, 16), Qt.AlignCenter, "→ in 2")
