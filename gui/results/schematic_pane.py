"""A drawn circuit in the window: painted at once, its parts to be picked."""

from __future__ import annotations

from PyQt5.QtCore import QPointF, QRectF, QSize, Qt, pyqtSignal
from PyQt5.QtGui import QColor, QMouseEvent, QPainter, QPaintEvent, QPen, QPolygonF
from PyQt5.QtWidgets import QSizePolicy, QWidget

from stillbox.analysis.drawing.schematic import Label, Schematic
from stillbox.gui.parts.theme import LIGHT, Theme

MOST_PX = 11.0
"""Of a unit of the drawing: larger it would say no more."""
LEAST_PX = 5.5
"""Of a unit: smaller, values have no room beside names."""
LETTERS_PER_UNIT = 1.15
LEAST_LETTER_PX, MOST_LETTER_PX = 8, 13
NEAR = 3.2
"""Units within which a click means a part."""


class SchematicPane(QWidget):
    """The circuit, as large as there is room."""

    picked = pyqtSignal(str)

    def __init__(self) -> None:
        super().__init__()
        self.theme: Theme = LIGHT
        self.schematic: Schematic | None = None
        self.selected = ""
        self.setMinimumSize(220, 120)
        self.setSizePolicy(QSizePolicy.Expanding, QSizePolicy.Expanding)
        self.setAccessibleName("Circuit of the crossover")
        self.setToolTip("The circuit as the table has it. Click a part to find it in the table.")

    def sizeHint(self) -> QSize:
        return QSize(380, 220)

    def show_schematic(self, schematic: Schematic | None) -> None:
        """Draw another circuit."""
        self.schematic = schematic
        self.update()

    def select(self, name: str) -> None:
        """Light up a part."""
        self.selected = name
        self.update()

    def _scale(self, schematic: Schematic) -> float:
        """Pixels of a unit."""
        return min(self.width() / schematic.width, self.height() / schematic.height, MOST_PX)

    def _corner(self, schematic: Schematic) -> tuple[float, float]:
        unit = self._scale(schematic)
        return (self.width() - unit * schematic.width) / 2, (self.height() - unit * schematic.height) / 2

    def paintEvent(self, _: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(self.theme.paper))
        schematic = self.schematic
        if schematic is None:
            painter.setPen(QColor(self.theme.soft))
            painter.drawText(self.rect(), Qt.AlignCenter, "No parts yet.")
            return
        painter.setRenderHint(QPainter.Antialiasing)
        unit, (left, top) = self._scale(schematic), self._corner(schematic)

        def place(x: float, y: float) -> QPointF:
            return QPointF(left + unit * x, top + unit * y)

        for stroke in schematic.strokes:
            lit = bool(stroke.name) and stroke.name == self.selected
            painter.setPen(QPen(QColor(self.theme.accent if lit else self.theme.ink), 2.4 if lit else 1.3))
            line = QPolygonF([place(*point) for point in stroke.points])
            if stroke.filled:
                painter.setBrush(QColor(self.theme.selected if lit else self.theme.paper))
                painter.drawPolygon(line)
            else:
                painter.drawPolyline(line)
        painter.setPen(Qt.NoPen)
        painter.setBrush(QColor(self.theme.ink))
        for dot in schematic.dots:
            painter.drawEllipse(place(*dot), max(0.28 * unit, 2.0), max(0.28 * unit, 2.0))
        for label in schematic.labels:
            if label.name and not label.strong and unit < LEAST_PX:
                continue
            self._paint_label(painter, label, place(label.x, label.y), unit)

    def _paint_label(self, painter: QPainter, label: Label, where: QPointF, unit: float) -> None:
        font = painter.font()
        font.setPixelSize(int(min(max(LETTERS_PER_UNIT * unit, LEAST_LETTER_PX), MOST_LETTER_PX)))
        font.setBold(label.strong)
        painter.setFont(font)
        lit = bool(label.name) and label.name == self.selected
        painter.setPen(QColor(self.theme.accent if lit else self.theme.ink if label.strong else self.theme.soft))
        width = painter.fontMetrics().horizontalAdvance(label.text) + 2
        left = where.x() - {"left": 0.0, "middle": width / 2, "right": width}[label.side]
        height = painter.fontMetrics().height()
        painter.drawText(QRectF(left, where.y() - height / 2, width, height), Qt.AlignCenter, label.text)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        schematic = self.schematic
        if schematic is None or event.button() != Qt.LeftButton:
            return
        unit, (left, top) = self._scale(schematic), self._corner(schematic)
        x, y = (event.localPos().x() - left) / unit, (event.localPos().y() - top) / unit
        away = {name: max(abs(x - one), abs(y - other)) for name, (one, other) in schematic.places.items()}
        nearest = min(away, key=lambda name: away[name], default=None)
        if nearest is not None and away[nearest] <= NEAR:
            self.picked.emit(nearest)
