"""The table of a crossover's parts with its circuit beside it: written as people write, drawn and tried at once."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from PyQt5.QtCore import QModelIndex, QObject, Qt, pyqtSignal
from PyQt5.QtWidgets import (
    QAbstractItemView,
    QComboBox,
    QLineEdit,
    QMenu,
    QPushButton,
    QSplitter,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from stillbox.analysis.controls import Asked
from stillbox.analysis.crossover.crossover_controls import VOLTS
from stillbox.analysis.crossover.draft import Draft, DraftRow, network_of_draft, tolerances_of_draft, with_sign
from stillbox.analysis.drawing.schematic import schematic_of
from stillbox.analysis.network.cable import read_cable
from stillbox.analysis.parts.kinds import KINDS, Kind
from stillbox.capture.errors import StillboxError
from stillbox.capture.shown_text import as_sentence
from stillbox.gui.parts.fields import NumberField, labelled
from stillbox.gui.parts.flow_layout import FlowLayout
from stillbox.gui.parts.plain_text import PlainLabel
from stillbox.gui.parts.theme import Theme
from stillbox.gui.results.parts_sheet import PartsSheet
from stillbox.gui.results.schematic_pane import SchematicPane

COLUMNS = ("Part", "Kind", "From", "To", "Value", "Loss", "± %", "Measured", "Verdict")
TIPS = (
    "Name: C2, L1, R1 (the first letter is its kind), or that of a driver.",
    "What it is, by the first letter of its name.",
    "The place where it begins, by any name of yours: the terminals are in and 0. Of a driver its positive terminal.",
    "The place where it ends.",
    "As you write it: 6.8u, 0.35m, 4R7.",
    "Resistance in series with it: of a coil its DC resistance, of a capacitor its ESR. Empty: none.",
    "Tolerance in percent; empty: what build.toml says, else 5.",
    "What was measured, on the part alone or by the curve of the finished speaker.",
    "Whether that is within the tolerance.",
)
FIELDS = {0: "name", 2: "start", 3: "end", 4: "value", 5: "loss", 6: "tolerance"}
NODES = (2, 3)
_EDIT_BY = QAbstractItemView.EditTriggers(
    QAbstractItemView.DoubleClicked | QAbstractItemView.SelectedClicked | QAbstractItemView.EditKeyPressed
    | QAbstractItemView.AnyKeyPressed
)  # fmt: skip


class PartsDesk(QWidget):
    """What is planned, and what somebody makes of it.

    ``edited`` carries a step (before, after, words) that is not done yet: whoever keeps the undo calls
    ``take_draft``. ``asked_changed`` carries what is to be computed; ``keep_wanted`` what is to be kept.
    """

    edited = pyqtSignal(object, object, str)
    asked_changed = pyqtSignal(object)
    keep_wanted = pyqtSignal(object)

    def __init__(self) -> None:
        super().__init__()
        self.sheet: PartsSheet | None = None
        self.draft = Draft()
        self.fault = ""
        self._filling = False
        self._make_table()
        self.circuit = SchematicPane()
        self.circuit.picked.connect(self._pick)
        split = QSplitter(Qt.Horizontal)
        split.addWidget(self.table)
        split.addWidget(self.circuit)
        split.setSizes([620, 290])
        split.setChildrenCollapsible(False)
        self.told = PlainLabel()
        self.told.setObjectName("caption")
        self.told.setWordWrap(True)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(4)
        layout.addWidget(split, 1)
        layout.addWidget(self._make_row())
        layout.addWidget(self.told)
        self.setMinimumHeight(170)

    def _make_table(self) -> None:
        self.table = QTableWidget(0, len(COLUMNS))
        self.table.setAccessibleName("Parts of the crossover")
        self.table.setHorizontalHeaderLabels(COLUMNS)
        for column, tip in enumerate(TIPS):
            head = self.table.horizontalHeaderItem(column)
            assert head is not None
            head.setToolTip(tip)
        rows, heads = self.table.verticalHeader(), self.table.horizontalHeader()
        assert rows is not None and heads is not None
        rows.hide()
        rows.setDefaultSectionSize(self.table.fontMetrics().height() + 6)
        heads.setMinimumSectionSize(34)
        heads.setStretchLastSection(True)
        heads.setDefaultAlignment(Qt.AlignLeft | Qt.AlignVCenter)
        self.table.setSelectionMode(QAbstractItemView.SingleSelection)
        self.table.setSelectionBehavior(QAbstractItemView.SelectRows)
        self.table.setEditTriggers(_EDIT_BY)
        self.table.setItemDelegate(_Nodes(self, lambda: self.draft.nodes))
        self.table.itemChanged.connect(self._changed)
        self.table.currentCellChanged.connect(lambda row, *_: self._light(row))

    def _make_row(self) -> QWidget:
        holder = QWidget()
        row = FlowLayout(holder, gap=8)
        self.add = QPushButton("&Add")
        self.add.setToolTip("Add a part or a driver across the terminals; then write where it sits.")
        kinds = QMenu(self.add)
        for kind in KINDS:
            kinds.addAction(f"A {kind}", partial(self._add, kind))
        kinds.addAction("A driver", self._add_driver)
        self.add.setMenu(kinds)
        self.remove = QPushButton("Remove")
        self.remove.setToolTip("Take the selected part or driver out (Ctrl+Z brings it back).")
        self.remove.clicked.connect(self._remove)
        self.cable = QLineEdit()
        self.cable.setPlaceholderText("none; 3m,1.5mm2")
        self.cable.setMaximumWidth(140)
        self.cable.editingFinished.connect(self._ask)
        self.volts = NumberField(VOLTS)
        self.volts.valueChanged.connect(lambda _: self._ask())
        self.back = QPushButton("As planned")
        self.back.setToolTip("Take all changes back: show what is planned.")
        self.back.clicked.connect(self.begin_again)
        self.keep = QPushButton()
        self.keep.setToolTip("Keep this as what is planned; the netlist from before stays. Ctrl+Z takes it back.")
        self.keep.clicked.connect(self._keep)
        cable = labelled("try a &cable", self.cable, "Its ohms, or one-way length and cross-section: 3m,1.5mm2.")
        for widget in (self.add, self.remove, cable, labelled(VOLTS.words, self.volts), self.back, self.keep):
            row.addWidget(widget)
        return holder

    def set_theme(self, theme: Theme) -> None:
        self.circuit.theme = theme
        self.circuit.update()

    # What is shown

    def show_sheet(self, sheet: PartsSheet | None) -> None:
        """Show what is planned; what was written on the same plan stays."""
        if sheet is self.sheet:
            return
        before, self.sheet = self.sheet, sheet
        if sheet is None:
            return
        if not sheet.is_of(before):
            self.draft = sheet.draft
            self.cable.setText("")
            self.volts.blockSignals(True)
            self.volts.tell(None)
            self.volts.blockSignals(False)
        self.keep.setText(sheet.keep_words)
        self._refill()
        if not sheet.is_of(before):
            self._follow()

    def take_draft(self, draft: Draft) -> None:
        """Show another draft and have it computed."""
        self.draft = draft
        self._refill()
        self._ask()

    def begin_again(self) -> None:
        """All as planned."""
        if self.sheet is not None:
            self.cable.setText("")
            self.volts.tell(None)
            self._step(self.sheet.draft, "all changes of the table")

    def asked(self) -> Asked:
        """What differs from what is planned."""
        asked: dict[str, object] = {}
        if self.sheet is not None and self.draft != self.sheet.draft:
            asked["draft"] = self.draft
        if self.cable.text().strip():
            asked["cable"] = self.cable.text().strip()
        if self.volts.asked is not None:
            asked["volts"] = self.volts.asked
        return asked

    def _ask(self) -> None:
        self._follow()
        if not self.fault and self.sheet is not None and self.sheet.kept:
            self.asked_changed.emit(self.asked())

    def _follow(self) -> None:
        """Draw the circuit, say what is wrong, enable what can be done."""
        self.circuit.show_schematic(schematic_of(self.draft.drawn()))
        try:
            network_of_draft(self.draft)
            tolerances_of_draft(self.draft, {})
            if self.cable.text().strip():
                read_cable(self.cable.text())
            self.fault = ""
        except StillboxError as error:
            self.fault = as_sentence(str(error))
        self.told.setText(self.fault)
        self.told.setVisible(bool(self.fault))
        differs = self.sheet is not None and self.draft != self.sheet.draft
        self.keep.setEnabled(differs and not self.fault)
        self.back.setEnabled(bool(self.asked()))
        self.remove.setEnabled(0 <= self.table.currentRow() < len(self.draft.rows))

    def _refill(self) -> None:
        """Write what differs into the table; the cell that is chosen stays."""
        self._filling = True
        self.table.setRowCount(len(self.draft.rows))
        grown = False
        for row, one in enumerate(self.draft.rows):
            for column, words in enumerate(self._words(one)):
                grown |= self._write(row, column, words, column in FIELDS and (not one.is_driver or column <= NODES[1]))
        if grown:
            self.table.resizeColumnsToContents()
        self._filling = False
        self._light(self.table.currentRow())

    def _words(self, row: DraftRow) -> tuple[str, ...]:
        measured = {} if self.sheet is None else self.sheet.measured
        kind = "driver" if row.is_driver else row.kind or "?"
        written = (row.start, row.end, row.value, row.loss, row.tolerance)
        return (row.name, kind, *written, *measured.get(row.name, ("", "")))

    def _write(self, row: int, column: int, words: str, editable: bool) -> bool:
        """One cell; returns whether it may need more room than before."""
        item = self.table.item(row, column)
        before = "" if item is None else item.text()
        if item is None:
            item = QTableWidgetItem()
            self.table.setItem(row, column, item)
        flags = Qt.ItemIsSelectable | Qt.ItemIsEnabled
        if item.flags() != (flags | Qt.ItemIsEditable if editable else flags):
            item.setFlags(flags | Qt.ItemIsEditable if editable else flags)
        if words != before:
            item.setText(words)
        return len(words) > len(before)

    def _light(self, row: int) -> None:
        self.circuit.select(self.draft.rows[row].name if 0 <= row < len(self.draft.rows) else "")
        self.remove.setEnabled(0 <= row < len(self.draft.rows))

    def _pick(self, name: str) -> None:
        row = next((place for place, one in enumerate(self.draft.rows) if one.name == name), None)
        if row is not None:
            self.table.setCurrentCell(row, 4)
            self.table.setFocus()

    # What is done

    def _step(self, draft: Draft, words: str) -> None:
        if draft == self.draft:
            self._refill()
            self._ask()
            return
        self.edited.emit(self.draft, draft, words)

    def _changed(self, item: QTableWidgetItem) -> None:
        if self._filling or item.column() not in FIELDS:
            return
        row, name = self.draft.rows[item.row()], FIELDS[item.column()]
        text = item.text().strip()
        if name == "value" and row.kind is not None:
            text = with_sign(text, row.kind)
        if name == "loss" and text:
            text = "" if text in ("0", "-", "–") else with_sign(text, "resistor")
        if name == "tolerance":
            text = text.removesuffix("%").strip()
        self._step(self.draft.with_row(item.row(), row.with_field(name, text)), f"{name} of {row.name}")

    def _add(self, kind: Kind) -> None:
        draft = self.draft.with_new_part(kind)
        self._step(draft, f"adding a {kind}")
        self.table.setCurrentCell(sum(not one.is_driver for one in draft.rows) - 1, 4)

    def _add_driver(self) -> None:
        self._step(self.draft.with_new_driver(() if self.sheet is None else self.sheet.drivers), "adding a driver")

    def _remove(self) -> None:
        row = self.table.currentRow()
        if 0 <= row < len(self.draft.rows):
            self._step(self.draft.without(row), f"removing {self.draft.rows[row].name}")

    def _keep(self) -> None:
        if self.sheet is not None and not self.fault:
            self.keep_wanted.emit(self.draft)


class _Nodes(QStyledItemDelegate):
    """Nodes are chosen from those that are there, or written."""

    def __init__(self, parent: QObject, nodes: Callable[[], tuple[str, ...]]) -> None:
        super().__init__(parent)
        self._nodes = nodes

    def createEditor(self, parent: QWidget, option: QStyleOptionViewItem, index: QModelIndex) -> QWidget:
        if index.column() not in NODES:
            return super().createEditor(parent, option, index)
        field = QComboBox(parent)
        field.setEditable(True)
        field.addItems(self._nodes())
        return field

    def setEditorData(self, editor: QWidget, index: QModelIndex) -> None:
        if isinstance(editor, QComboBox):
            editor.setCurrentText(str(index.data(Qt.EditRole)))
            return
        super().setEditorData(editor, index)

    def setModelData(self, editor: QWidget, model: object, index: QModelIndex) -> None:
        if isinstance(editor, QComboBox):
            model.setData(index, editor.currentText().strip(), Qt.EditRole)  # type: ignore[attr-defined]
            return
        super().setModelData(editor, model, index)  # type: ignore[arg-type]


