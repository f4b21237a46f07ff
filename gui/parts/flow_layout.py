"""A row of fields that goes on in the next line where the window is too narrow for it."""

from __future__ import annotations

from PyQt5.QtCore import QPoint, QRect, QSize, Qt
from PyQt5.QtWidgets import QLayout, QLayoutItem, QWidget


class FlowLayout(QLayout):
    """Items from left to right, line by line, each centred in its line."""

    def __init__(self, parent: QWidget, gap: int = 12, line_gap: int = 5) -> None:
        super().__init__(parent)
        self._items: list[QLayoutItem] = []
        self._gap, self._line_gap = gap, line_gap
        self.setContentsMargins(0, 0, 0, 0)

    def addItem(self, item: QLayoutItem | None) -> None:
        assert item is not None
        self._items.append(item)

    def count(self) -> int:
        return len(self._items)

    def itemAt(self, index: int) -> QLayoutItem | None:  # type: ignore[override]  # None beyond the last, as Qt asks
        return self._items[index] if 0 <= index < len(self._items) else None

    def takeAt(self, index: int) -> QLayoutItem | None:  # type: ignore[override]
        return self._items.pop(index) if 0 <= index < len(self._items) else None

    def expandingDirections(self) -> Qt.Orientations:
        return Qt.Orientations()

    def hasHeightForWidth(self) -> bool:
        return True

    def heightForWidth(self, width: int) -> int:
        return self._place(QRect(0, 0, width, 0), move=False)

    def setGeometry(self, rect: QRect) -> None:
        super().setGeometry(rect)
        self._place(rect, move=True)

    def sizeHint(self) -> QSize:
        return self.minimumSize()

    def minimumSize(self) -> QSize:
        least = QSize(0, 0)
        for item in self._shown():
            least = least.expandedTo(item.minimumSize())
        return least

    def _shown(self) -> list[QLayoutItem]:
        return [item for item in self._items if not item.isEmpty()]

    def _place(self, rect: QRect, move: bool) -> int:
        """Break the items into lines, move them there if wanted; returns the height of all lines."""
        lines: list[list[QLayoutItem]] = [[]]
        used = 0
        for item in self._shown():
            width = item.sizeHint().width()
            if lines[-1] and used + width > rect.width():
                lines.append([])
                used = 0
            lines[-1].append(item)
            used += width + self._gap
        top = rect.top()
        for line in lines:
            height = max((item.sizeHint().height() for item in line), default=0)
            left = rect.left()
            for item in line:
                size = item.sizeHint()
                if move:
                    item.setGeometry(QRect(QPoint(left, top + (height - size.height()) // 2), size))
                left += size.width() + self._gap
            top += height + self._line_gap
        return int(top - self._line_gap - rect.top())
