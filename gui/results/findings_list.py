"""The list beside the picture: each resonance or quantity with sign, numbers, evidence and advice."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from PyQt5.QtCore import QModelIndex, QRect, QSize, Qt, pyqtSignal
from PyQt5.QtGui import QColor, QFont, QFontMetrics, QPainter
from PyQt5.QtWidgets import (
    QListView,
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

from stillbox.gui.parts.plain_text import PlainLabel, plain_tip
from stillbox.gui.parts.theme import LIGHT, Theme
from stillbox.gui.results.view import Row, View

SIGN_PX = 24
EDGES_PX = 16
"""Left and right of the words."""
APART_PX = 12


class _Painter(QStyledItemDelegate):
    """Two lines an entry: sign, frequency and cause; below, the numbers. Without sign one line, if both fit in it."""

    def __init__(self, owner: FindingsList) -> None:
        super().__init__(owner)
        self._owner = owner

    def sizeHint(self, option: QStyleOptionViewItem, index: QModelIndex) -> QSize:
        lines = 1 if self._in_one_line(index.data(Qt.UserRole), option.font) else 2
        return QSize(120, lines * option.fontMetrics.height() + (10 if lines == 1 else 12))

    def _in_one_line(self, row: Row, font: QFont) -> bool:
        if row.cause:
            return False
        # As if there were always a scroll bar, for whether there is one depends on the answer.
        entries = self._owner.list
        bar = entries.style().pixelMetric(QStyle.PM_ScrollBarExtent)
        room = entries.width() - 2 * entries.frameWidth() - bar - EDGES_PX
        words = QFontMetrics(_bold(font)).horizontalAdvance(row.head)
        return bool(words + APART_PX + QFontMetrics(font).horizontalAdvance(row.numbers) <= room)

    def paint(self, painter: QPainter | None, option: QStyleOptionViewItem, index: QModelIndex) -> None:
        assert painter is not None
        row: Row = index.data(Qt.UserRole)
        theme = self._owner.theme
        painter.save()
        if option.state & QStyle.State_Selected:
            painter.fillRect(option.rect, QColor(theme.selected))
            painter.fillRect(
                QRect(option.rect.left(), option.rect.top(), 4, option.rect.height()), QColor(theme.accent)
            )
        area = option.rect.adjusted(10, 5, -6, -5)
        if row.cause:
            self._paint_sign(painter, row.cause, area)
            area.adjust(SIGN_PX, 0, 0, 0)
        plain, bold = painter.font(), _bold(painter.font())
        line = option.fontMetrics.height()
        head, numbers = QRect(area), QRect(area)
        alignment = Qt.AlignVCenter
        if self._in_one_line(row, plain):
            numbers.setLeft(area.right() - QFontMetrics(plain).horizontalAdvance(row.numbers))
        else:
            head.setHeight(line)
            numbers.setTop(area.top() + line + 2)
            numbers.setHeight(line)
        painter.setFont(bold)
        painter.setPen(QColor(theme.ink))
        painter.drawText(head, alignment, painter.fontMetrics().elidedText(row.head, Qt.ElideRight, head.width()))
        painter.setFont(plain)
        painter.setPen(QColor(theme.soft))
        painter.drawText(
            numbers, alignment, painter.fontMetrics().elidedText(row.numbers, Qt.ElideRight, numbers.width() + 1)
        )
        painter.restore()

    def _paint_sign(self, painter: QPainter, cause: str, area: QRect) -> None:
        from stillbox.analysis.drawing.cause_signs import CAUSE_SIGNS

        sign = CAUSE_SIGNS[cause]  # type: ignore[index]
        colour = QColor(sign.colour)
        if self._owner.theme.name == "dark":
            colour = QColor.fromHslF(max(colour.hslHueF(), 0.0), colour.hslSaturationF() * 0.8, 0.72)
        painter.setPen(colour)
        painter.drawText(QRect(area.left(), area.top(), 18, painter.fontMetrics().height()), Qt.AlignCenter, sign.glyph)


def _bold(font: QFont) -> QFont:
    bold = QFont(font)
    bold.setBold(True)
    return bold


class FindingsList(QWidget):
    """Resonances or quantities, with what is known of the selected one."""

    selected = pyqtSignal(object)

    def __init__(self) -> None:
        super().__init__()
        self.theme: Theme = LIGHT
        self.rows: tuple[Row, ...] = ()
        self._notes: tuple[str, ...] = ()
        self._folded = False
        self._view: View = View()
        self.list = QListWidget()
        self.list.setItemDelegate(_Painter(self))
        # The width says whether an entry fits in one line.
        self.list.setResizeMode(QListView.Adjust)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarAlwaysOff)
        self.list.currentRowChanged.connect(self._tell)
        self.details = QTextBrowser()
        self.details.setAccessibleName("What is known of the selected line")
        self.details.setOpenLinks(False)
        heading = PlainLabel(self._view.listed)
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

    def show_rows(
        self, rows: Sequence[Row], notes: tuple[str, ...], view: View | None = None, first: int | None = None
    ) -> None:
        """Show other rows; what was selected stays selected where it is still there.

        Only the first so many are shown until the last line, or a hidden row, is chosen.
        """
        kept = self.current()
        same = [row.head for row in rows] == [row.head for row in self.rows]
        stays_open = same and not self._folded
        self.rows, self._notes = tuple(rows), notes
        self._view = view or View()
        counted = rows and all(row.cause for row in rows)
        self.heading.setText(f"{self._view.listed}: {len(rows)}" if counted else self._view.listed)
        self.list.setAccessibleName(self._view.listed.replace("&", ""))
        self.list.setToolTip(self._view.list_tip)
        self.list.blockSignals(True)
        self.list.clear()
        for row in rows:
            item = QListWidgetItem(row.head)
            item.setData(Qt.UserRole, row)
            item.setToolTip(plain_tip(f"{row.head}: {row.numbers}"))
            self.list.addItem(item)
        self._fold(None if stays_open else first)
        self.list.blockSignals(False)
        if kept is not None:
            self._select_again(kept)
            if self.current() is None:
                self.selected.emit(None)
        self._show_details()

    def _fold(self, first: int | None) -> None:
        """Hide the rows behind the first, with a last line that brings them back; one alone is not worth hiding."""
        hidden = 0 if first is None else len(self.rows) - first
        self._folded = hidden > 1
        if not self._folded:
            return
        for index in range(len(self.rows) - hidden, len(self.rows)):
            self._item(index).setHidden(True)
        item = QListWidgetItem(f"and {hidden} smaller")
        item.setData(Qt.UserRole, Row(None, "", f"and {hidden} smaller", "show"))
        item.setToolTip("Show the rest of the list.")
        self.list.addItem(item)

    def _item(self, index: int) -> QListWidgetItem:
        item = self.list.item(index)
        assert item is not None
        return item

    def unfold(self) -> None:
        """Show all rows."""
        if not self._folded:
            return
        self._folded = False
        self.list.blockSignals(True)
        self.list.takeItem(len(self.rows))
        for index in range(len(self.rows)):
            self._item(index).setHidden(False)
        self.list.blockSignals(False)

    def current(self) -> Row | None:
        index = self.list.currentRow()
        return self.rows[index] if 0 <= index < len(self.rows) else None

    def _select_again(self, kept: Row) -> None:
        """The row of the same name, else the nearest."""
        heads = [row.head for row in self.rows]
        if kept.head in heads:
            self.list.setCurrentRow(heads.index(kept.head))
        elif kept.frequency_hz is not None:
            self.select_near(kept.frequency_hz)

    def select_near(self, frequency_hz: float) -> None:
        """Select the row nearest to a frequency if it is within a twelfth of it."""
        off = {
            index: abs(row.frequency_hz / frequency_hz - 1)
            for index, row in enumerate(self.rows)
            if row.frequency_hz is not None
        }
        near = min(off, key=lambda index: off[index], default=None)
        if near is not None and off[near] < 1 / 12:
            self.list.setCurrentRow(near)

    def step(self, by: int) -> None:
        """Select the next row, or the one before."""
        if self.rows:
            self.list.setCurrentRow((self.list.currentRow() + by) % len(self.rows))

    def unselect(self) -> None:
        self.list.setCurrentRow(-1)

    def _tell(self) -> None:
        index = self.list.currentRow()
        if self._folded and index >= 0 and self._item(index).isHidden():
            self.unfold()
        elif self._folded and index == len(self.rows):
            shown = next(place for place in range(len(self.rows)) if self._item(place).isHidden())
            self.unfold()
            self.list.setCurrentRow(shown)
            return
        self._show_details()
        self.selected.emit(self.current())

    def _show_details(self) -> None:
        row = self.current()
        parts = []
        if row is not None:
            parts.append(f"<p><b>{escape(row.head)}</b><br>{'<br>'.join(map(escape, row.values))}</p>")
            if row.meaning:
                parts.append(f"<p>{escape(row.meaning)}</p>")
            if row.advice:
                parts.append(f"<p><b>What to do.</b> {escape(row.advice)}</p>")
            if row.details:
                items = "".join(f"<li>{escape(text)}</li>" for text in row.details)
                why = "<p><b>Why.</b></p>" if row.cause else ""
                parts.append(f"{why}<ul style='margin-left:-22px'>{items}</ul>")
        elif self.rows:
            parts.append(f"<p>{escape(self._view.pick)}</p>")
        if self._notes:
            items = "".join(f"<li>{escape(text)}</li>" for text in self._notes)
            parts.append(f"<p><b>To know.</b></p><ul style='margin-left:-22px'>{items}</ul>")
        self.details.setHtml("".join(parts))
