"""The list of takes: which they are, and what was noted when they were made."""

from __future__ import annotations

from datetime import datetime

from PyQt5.QtCore import QEvent, QItemSelectionModel, QSize, Qt, pyqtSignal
from PyQt5.QtGui import QStandardItem, QStandardItemModel
from PyQt5.QtWidgets import QAbstractItemView, QHeaderView, QTableView

from stillbox.capture.recording.take import TakeInfo
from stillbox.gui.parts.plain_text import plain_tip
from stillbox.gui.parts.words import SUBJECT_WORDS

COLUMNS = ("Take", "Of", "State", "Unit", "Made", "Notes")
USUAL = ("000", "check-resistor", "stock", "A", "25 Nov", "rig, ⚑ 2")
EDGES_PX = 11
"""Left and right of the words."""
TIPS = (
    "Number of the take, in the order in which they were made.",
    "What was on the clips.",
    "Your own name for the stage of the work. F2 changes it.",
    "Which of a pair.",
    "When it was recorded: the time of today, or the day; hover for both.",
    "What was seen in the recording, and whether it is of the practice rig; hover to read it.",
)


SIMULATED = "made with the practice rig, a simulated speaker"


def _is_simulated(take: TakeInfo) -> bool:
    return take.live is not None and take.live.kind == "practice rig"


def _made(take: TakeInfo) -> str:
    """The time of day of today's takes, the day of others: a narrow column is enough, and the tip has both."""
    made = take.created.astimezone()
    return f"{made:%H:%M}" if made.date() == datetime.now().astimezone().date() else f"{made:%d %b}"


class TakesModel(QStandardItemModel):
    """Takes, the newest first.

    The words lie with Qt: asked of Python, every cell would wait for what computes beside the window.
    """

    def __init__(self) -> None:
        super().__init__(0, len(COLUMNS))
        self.takes: list[TakeInfo] = []
        self.setHorizontalHeaderLabels(COLUMNS)
        for column, tip in enumerate(TIPS):
            self.setHeaderData(column, Qt.Horizontal, tip, Qt.ToolTipRole)

    def set_takes(self, takes: list[TakeInfo]) -> None:
        self.takes = sorted(takes, key=lambda take: take.number, reverse=True)
        self.setRowCount(0)
        for take in self.takes:
            tip = _tip(take)
            row = [QStandardItem(words) for words in _texts(take)]
            for item in row:
                item.setToolTip(tip)
            self.appendRow(row)


def _tip(take: TakeInfo) -> str:
    return plain_tip(
        "\n".join(
            [
                f"Take {take.number}: {SUBJECT_WORDS[take.subject][0]}, recorded "
                f"{take.created.astimezone():%Y-%m-%d %H:%M} from {take.origin}",
                *take.circumstances,
                *([SIMULATED] if _is_simulated(take) else []),
                *take.flags,
                *(take.live.notes if take.live else ()),
            ]
        )
    )


def _texts(take: TakeInfo) -> tuple[str, ...]:
    """What each column says."""
    live = take.live
    notes = len(take.flags) + (len(live.notes) if live else 0)
    noted = [*(["port closed"] if take.port_closed else []), *(["rig"] if _is_simulated(take) else [])]
    noted += [f"⚑ {notes}"] if notes else []
    return (
        str(take.number),
        f"{take.subject}, {take.of}" if take.of else take.subject,
        take.state or "–",
        take.unit,
        _made(take),
        ", ".join(noted),
    )


class TakesTable(QTableView):
    """The list as a widget: one row selected shows a take, two rows compare them."""

    chosen = pyqtSignal(list)

    def __init__(self) -> None:
        super().__init__()
        self.takes_model = TakesModel()
        self.setModel(self.takes_model)
        self.setSelectionBehavior(QAbstractItemView.SelectRows)
        self.setSelectionMode(QAbstractItemView.ExtendedSelection)
        self.setEditTriggers(QAbstractItemView.NoEditTriggers)
        self.setShowGrid(False)
        self.setAlternatingRowColors(False)
        self.setTabKeyNavigation(False)
        self.setWordWrap(False)
        self.setAccessibleName("Takes of this build")
        rows, heads = self.verticalHeader(), self.horizontalHeader()
        assert rows is not None and heads is not None
        rows.hide()
        rows.setDefaultSectionSize(24)
        heads.setHighlightSections(False)
        heads.setDefaultAlignment(Qt.AlignLeft | Qt.AlignVCenter)
        heads.setSectionResizeMode(QHeaderView.Interactive)
        heads.setStretchLastSection(True)
        self._fit_columns()
        self._connect()

    def sizeHint(self) -> QSize:
        """It takes what height is left, and asks for no more than it must have: else the bench would scroll too."""
        return QSize(super().sizeHint().width(), self.minimumHeight())

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() in (QEvent.FontChange, QEvent.StyleChange):
            self._fit_columns()

    def _fit_columns(self) -> None:
        """As wide as the heading and what is usual below it; the last one takes the rest."""
        measure = self.fontMetrics().horizontalAdvance
        for column, (head, usual) in enumerate(zip(COLUMNS, USUAL, strict=True)):
            self.setColumnWidth(column, max(measure(head), measure(usual)) + EDGES_PX)

    def _connect(self) -> None:
        selection = self.selectionModel()
        assert selection is not None
        selection.selectionChanged.connect(self._tell)

    def _tell(self) -> None:
        self.chosen.emit(self.selected())

    def selected(self) -> list[TakeInfo]:
        """Selected takes, oldest first."""
        selection = self.selectionModel()
        rows = [] if selection is None else [index.row() for index in selection.selectedRows()]
        takes = [self.takes_model.takes[row] for row in rows if row < len(self.takes_model.takes)]
        return sorted(takes, key=lambda take: take.number)

    def show_takes(self, takes: list[TakeInfo], select: list[int] | None = None) -> None:
        """Show other takes and select some; by itself what has come back, what was selected, or its neighbour."""
        known = {take.number for take in self.takes_model.takes}
        before = [take.number for take in self.selected()]
        numbers = [take.number for take in takes]
        if select is None:
            back = [number for number in numbers if number not in known][-1:]
            stayed = [number for number in before if number in numbers]
            nearest = sorted(numbers, key=lambda number: abs(number - before[-1]))[:1] if before else []
            select = back or stayed or nearest
        selection = self.selectionModel()
        assert selection is not None
        selection.blockSignals(True)
        self.takes_model.set_takes(takes)
        selection.blockSignals(False)
        self.select_numbers(select)

    def select_numbers(self, numbers: list[int]) -> None:
        """Select takes by their numbers and tell."""
        selection = self.selectionModel()
        assert selection is not None
        selection.blockSignals(True)
        selection.clear()
        for row, take in enumerate(self.takes_model.takes):
            if take.number in numbers:
                index = self.takes_model.index(row, 0)
                selection.select(index, QItemSelectionModel.Select | QItemSelectionModel.Rows)
                selection.setCurrentIndex(index, QItemSelectionModel.NoUpdate)
        selection.blockSignals(False)
        viewport = self.viewport()
        assert viewport is not None
        viewport.update()
        self._tell()
