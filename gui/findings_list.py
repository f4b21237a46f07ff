"""The list beside the picture: each resonance with sign, numbers, evidence and advice."""

from __future__ import annotations

from html import escape

from PyQt5.QtCore import QModelIndex, QRect, QSize, Qt, pyqtSignal
from PyQt5.QtGui import QColor, QPainter
from PyQt5.QtWidgets import (
    QLabel,
    QListWidget,
    QListWidgetItem,
    QSplitter,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from gui.theme import LIGHT, Theme
from gui.view import Row
from gui.words import MEANING


class _Painter(QStyledItemDelegate):
    """Two lines an entry: sign, frequency and cause; below, the numbers."""

    def __init__(self, owner: FindingsList) -> None:
        super().__init__(owner)
        self._owner = owner

    def sizeHint(self, option: QStyleOptionViewItem, index: QModelIndex) -> QSize:
        return QSize(120, 2 * option.fontMetrics.height() + 12)

    def paint(self, painter: QPainter | None, option: QStyleOptionViewItem, index: QModelIndex) -> None:
        assert painter is not None
        from analysis.cause_signs import CAUSE_SIGNS

        row: Row = index.data(Qt.UserRole)
        theme = self._owner.theme
        painter.save()
        if option.state & QStyle.State_Selected:
            painter.fillRect(option.rect, QColor(theme.selected))
            painter.fillRect(
                QRect(option.rect.left(), option.rect.top(), 4, option.rect.height()), QColor(theme.accent)
            )
        sign = CAUSE_SIGNS[row.cause]  # type: ignore[index]
        colour = QColor(sign.colour)
        if theme.name == "dark":
            colour = QColor.fromHslF(max(colour.hslHueF(), 0.0), colour.hslSaturationF() * 0.8, 0.72)
        line = option.fontMetrics.height()
        area = option.rect.adjusted(10, 5, -6, -5)
        painter.setPen(colour)
        painter.drawText(QRect(area.left(), area.top(), 18, line), Qt.AlignCenter, sign.glyph)
        painter.setPen(QColor(theme.ink))
        font = painter.font()
        font.setBold(True)
        painter.setFont(font)
        head = QRect(area.left() + 24, area.top(), area.width() - 24, line)
        text = painter.fontMetrics().elidedText(row.head, Qt.ElideRight, head.width())
        painter.drawText(head, Qt.AlignVCenter, text)
        font.setBold(False)
        painter.setFont(font)
        painter.setPen(QColor(theme.soft))
        numbers = QRect(area.left() + 24, area.top() + line + 2, area.width() - 24, line)
        text = painter.fontMetrics().elidedText(row.numbers, Qt.ElideRight, numbers.width())
        painter.drawText(numbers, Qt.AlignVCenter, text)
        painter.restore()


class FindingsList(QWidget):
    """Resonances with what is known of the selected one."""

    selected = pyqtSignal(object)

    def __init__(self) -> None:
        super().__init__()
        self.theme: Theme = LIGHT
        self.rows: list[Row] = []
        self._notes: tuple[str, ...] = ()
        self.list = QListWidget()
        self.list.setItemDelegate(_Painter(self))
        self.list.setToolTip(f"{MEANING['Q']}\n{MEANING['height']}\n{MEANING['sure']}")
        self.list.setAccessibleName("Resonances")
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarAlwaysOff)
        self.list.currentRowChanged.connect(self._tell)
        self.details = QTextBrowser()
        self.details.setAccessibleName("Evidence and advice")
        self.details.setOpenLinks(False)
        heading = QLabel("&Resonances")
        heading.setObjectName("caption")
        heading.setBuddy(self.list)
        self.heading = heading
        split = QSplitter(Qt.Vertical)
        split.addWidget(self.list)
        split.addWidget(self.details)
        split.setSizes([320, 260])
        split.setChildrenCollapsible(False)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(8, 0, 0, 0)
        layout.setSpacing(4)
        layout.addWidget(heading)
        layout.addWidget(split)
        self.setMinimumWidth(220)

    def show_rows(self, rows: list[Row], notes: tuple[str, ...]) -> None:
        """Show other resonances; what was selected stays selected where it is still there."""
        kept = self.current()
        self.rows, self._notes = rows, notes
        self.heading.setText(f"&Resonances: {len(rows)}" if rows else "&Resonances")
        self.list.blockSignals(True)
        self.list.clear()
        for row in rows:
            item = QListWidgetItem(row.head)
            item.setData(Qt.UserRole, row)
            item.setToolTip(f"{row.head}: {row.numbers}")
            self.list.addItem(item)
        self.list.blockSignals(False)
        if kept is not None:
            self.select_near(kept.frequency_hz)
        self._show_details()

    def current(self) -> Row | None:
        index = self.list.currentRow()
        return self.rows[index] if 0 <= index < len(self.rows) else None

    def select_near(self, frequency_hz: float) -> None:
        """Select the resonance nearest to a frequency if it is within a twelfth of it."""
        near = [index for index, row in enumerate(self.rows) if abs(row.frequency_hz / frequency_hz - 1) < 1 / 12]
        if near:
            self.list.setCurrentRow(min(near, key=lambda index: abs(self.rows[index].frequency_hz - frequency_hz)))

    def step(self, by: int) -> None:
        """Select the next resonance, or the one before."""
        if self.rows:
            self.list.setCurrentRow((self.list.currentRow() + by) % len(self.rows))

    def unselect(self) -> None:
        self.list.setCurrentRow(-1)

    def _tell(self) -> None:
        self._show_details()
        self.selected.emit(self.current())

    def _show_details(self) -> None:
        row = self.current()
        parts = []
        if row is not None:
            parts.append(f"<p><b>{escape(row.head)}</b><br>{'<br>'.join(map(escape, row.values))}</p>")
            if row.advice:
                parts.append(f"<p><b>What to do.</b> {escape(row.advice)}</p>")
            if row.details:
                items = "".join(f"<li>{escape(text)}</li>" for text in row.details)
                parts.append(f"<p><b>Why.</b></p><ul style='margin-left:-22px'>{items}</ul>")
        elif self.rows:
            parts.append("<p>Select a resonance to see it lit in the picture, with the evidence and what to do.</p>")
        if self._notes:
            items = "".join(f"<li>{escape(text)}</li>" for text in self._notes)
            parts.append(f"<p><b>To know.</b></p><ul style='margin-left:-22px'>{items}</ul>")
        self.details.setHtml("".join(parts))
