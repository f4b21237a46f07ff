"""The right half: one sentence, what can be changed, one picture, the list beside it."""

from __future__ import annotations

from PyQt5.QtCore import Qt, pyqtSignal
from PyQt5.QtWidgets import (
    QComboBox,
    QFrame,
    QHBoxLayout,
    QPushButton,
    QSizePolicy,
    QSplitter,
    QStackedLayout,
    QVBoxLayout,
    QWidget,
)

from stillbox.analysis.maths.like_sentences import said_once
from stillbox.gui.parts.fields import labelled
from stillbox.gui.parts.flow_layout import FlowLayout
from stillbox.gui.parts.plain_text import PlainLabel
from stillbox.gui.parts.theme import Theme
from stillbox.gui.parts.words import MEANING
from stillbox.gui.results.control_fields import ControlFields
from stillbox.gui.results.findings_list import FindingsList
from stillbox.gui.results.parts_desk import PartsDesk
from stillbox.gui.results.picture_pane import PicturePane
from stillbox.gui.results.view import Results, Row, View, Wish
from stillbox.gui.work.work import Lane

EMPTY = (
    "Nothing to show yet. Put something on the clips, say what it is on the left, and press Sweep; "
    "or drop a recording here."
)
KEYS = "Wheel zooms, drag pans, Shift+drag zooms to a range, double click resets; click into the decay for its time."


class ResultsPanel(QFrame):
    """Results of one take or of two."""

    view_wanted = pyqtSignal(str)
    wish_changed = pyqtSignal()

    def __init__(self, lane: Lane) -> None:
        super().__init__()
        self.setObjectName("results")
        self.sentence = PlainLabel(EMPTY)
        self.sentence.setObjectName("sentence")
        self.sentence.setWordWrap(True)
        self.sentence.setTextInteractionFlags(Qt.TextSelectableByMouse)
        self.sentence.setAccessibleName("The result in one sentence")
        self.sentence.setSizePolicy(QSizePolicy.Expanding, QSizePolicy.Minimum)
        self.trouble = PlainLabel()
        self.trouble.setObjectName("trouble")
        self.trouble.setWordWrap(True)
        self.trouble.setAccessibleName("What went wrong")
        self.dismiss = QPushButton("Understood")
        self.dismiss.clicked.connect(self.clear_trouble)
        self.trouble_row = QWidget()
        trouble = QHBoxLayout(self.trouble_row)
        trouble.setContentsMargins(0, 0, 0, 0)
        trouble.addWidget(self.trouble, 1)
        trouble.addWidget(self.dismiss)
        self.trouble_row.hide()
        self.pane = PicturePane(lane)
        self.findings = FindingsList()
        self._make_choices()
        self.invitation = QWidget()
        picture = QWidget()
        self._stack = QStackedLayout(picture)
        self._stack.addWidget(self.pane)
        self._stack.addWidget(self.invitation)
        split = QSplitter(Qt.Horizontal)
        split.addWidget(picture)
        split.addWidget(self.findings)
        split.setStretchFactor(0, 1)
        split.setStretchFactor(1, 0)
        split.setSizes([900, 268])
        split.setChildrenCollapsible(False)
        self.desk = PartsDesk()
        self.desk.hide()
        desk = QSplitter(Qt.Vertical)
        desk.addWidget(self.desk)
        desk.addWidget(split)
        desk.setSizes([300, 360])
        desk.setChildrenCollapsible(False)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(14, 10, 12, 8)
        layout.setSpacing(6)
        layout.addWidget(self.trouble_row)
        layout.addWidget(self.sentence)
        layout.addWidget(self.choices_row)
        layout.addWidget(desk, 1)
        self.findings.selected.connect(self._light)
        self.pane.picked.connect(self.findings.select_near)

    def _make_choices(self) -> None:
        self.reading = QComboBox()
        self.reading.setToolTip("What the picture shows.")
        self.reading.activated.connect(lambda _: self.view_wanted.emit(str(self.reading.currentData())))
        self.decay_style = QComboBox()
        for words, key in (("layered ridges", "ridges"), ("heat map", "heat")):
            self.decay_style.addItem(words, key)
        self.decay_style.setToolTip(MEANING["decay"])
        self.time_axis = QComboBox()
        for words, key in (("ms", "ms"), ("cycles", "cycles")):
            self.time_axis.addItem(words, key)
        self.time_axis.setToolTip(MEANING["cycles"])
        for field in (self.decay_style, self.time_axis):
            field.currentIndexChanged.connect(self._wish_changed)
        self.reset = QPushButton("Whole axis")
        self.reset.setToolTip(f"Show all frequencies again (Ctrl+0). {KEYS}")
        self.reset.clicked.connect(lambda: self.pane.reset_zoom())
        self.choices_row = QWidget()
        choices = FlowLayout(self.choices_row)
        choices.addWidget(labelled("Sho&w", self.reading))
        self._of_decay = [labelled("dec&ay as", self.decay_style), labelled("ti&me in", self.time_axis)]
        for group in self._of_decay:
            choices.addWidget(group)
        choices.addWidget(self.reset)
        self.controls = ControlFields(choices, (self.reading, self.decay_style, self.time_axis, self.reset), self)

    def set_theme(self, theme: Theme) -> None:
        self.pane.theme = self.findings.theme = theme
        self.desk.set_theme(theme)
        self.pane.redraw()
        self.findings.list.viewport().update()

    def set_views(self, views: list[View]) -> None:
        self.reading.clear()
        for view in views:
            self.reading.addItem(view.title, view.key)
            self.reading.setItemData(self.reading.count() - 1, view.tip, Qt.ToolTipRole)

    def wish(self) -> Wish:
        return Wish(
            "heat" if self.decay_style.currentData() == "heat" else "ridges", self.time_axis.currentData() == "cycles"
        )

    def set_wish(self, decay_style: str, time_axis: str) -> None:
        for field, key in ((self.decay_style, decay_style), (self.time_axis, time_axis)):
            field.setCurrentIndex(max(0, field.findData(key)))
        self.pane.wish = self.wish()

    def _wish_changed(self) -> None:
        self.pane.set_wish(self.wish())
        self.wish_changed.emit()

    def show_view(self, view: View | None) -> None:
        """Let the chooser say which view is shown."""
        self.reading.setCurrentIndex(-1 if view is None else max(0, self.reading.findData(view.key)))

    def show_results(self, view: View, results: Results) -> None:
        """Show what a view has computed."""
        self.show_view(view)
        self.sentence.setText(results.sentence)
        for group in self._of_decay:
            group.setVisible(view.decays)
        self.controls.show_controls(results.controls, results.asked)
        # A second line of words must not move the picture while numbers are being tried.
        changes = bool(results.controls) or results.sheet is not None
        self.sentence.setMinimumHeight(2 * self.sentence.fontMetrics().lineSpacing() if changes else 0)
        self.desk.show_sheet(results.sheet)
        self.desk.setVisible(results.sheet is not None)
        self.findings.show_rows(results.rows, tuple(said_once(results.notes)), view, results.first)
        self._stack.setCurrentWidget(self.pane)
        # The words may have changed the room that is left for the picture: it is drawn once, in its size.
        layout = self.layout()
        assert layout is not None
        layout.activate()
        self.pane.show_results(view, results)

    def show_nothing(self, words: str = EMPTY) -> None:
        self.sentence.setText(words)
        self.controls.show_controls((), {})
        self.desk.show_sheet(None)
        self.desk.hide()
        self.findings.show_rows([], ())
        self.pane.show_results(None, None)

    def show_invitation(self, widget: QWidget) -> None:
        """Show something else in the place of the picture."""
        if widget is not self.invitation:
            self._stack.removeWidget(self.invitation)
            self.invitation.deleteLater()
            self.invitation = widget
            self._stack.addWidget(widget)
        self._stack.setCurrentWidget(widget)
        self._show_tools(False)

    def hide_invitation(self) -> None:
        self._stack.setCurrentWidget(self.pane)
        self._show_tools(True)

    def _show_tools(self, shown: bool) -> None:
        self.choices_row.setVisible(shown)
        self.findings.setVisible(shown)
        self.desk.setVisible(shown and self.desk.sheet is not None)

    def show_trouble(self, sentence: str) -> None:
        """Say what went wrong until it is understood or something works again."""
        self.trouble.setText(sentence)
        self.trouble_row.show()

    def clear_trouble(self) -> None:
        self.trouble_row.hide()

    def _light(self, row: Row | None) -> None:
        self.pane.select(None if row is None else row.frequency_hz)
