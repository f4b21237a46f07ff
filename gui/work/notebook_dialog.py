"""The notebook as a list, with what can be done to an entry."""

from __future__ import annotations

from typing import Literal

from PyQt5.QtWidgets import QDialog, QDialogButtonBox, QListWidget, QListWidgetItem, QPushButton, QVBoxLayout, QWidget

from stillbox.analysis.notebook.notebook_words import entry_line, made_words, said_words
from stillbox.capture.build.notebook import Entry, Notebook
from stillbox.capture.shown_text import visible
from stillbox.gui.parts.plain_text import PlainLabel, plain_tip

Wanted = Literal["new", "correct", "withdraw", "restore"]


class NotebookDialog(QDialog):
    """All entries, the newest below; ``wanted`` is what the person asked for when it closed with Accepted."""

    def __init__(self, parent: QWidget, notebook: Notebook, sentence: str) -> None:
        super().__init__(parent)
        self.setWindowTitle("Notebook of this build")
        self.resize(760, 420)
        self._notebook = notebook
        self.wanted: Wanted = "new"
        self.list = QListWidget()
        self.list.setAccessibleName("Entries of the notebook")
        self.list.setWordWrap(True)
        for entry in notebook.entries:
            item = QListWidgetItem(visible(entry_line(entry)))
            item.setToolTip(plain_tip(visible(_history(entry), "\n")))
            font = item.font()
            font.setStrikeOut(entry.withdrawn is not None)
            item.setFont(font)
            self.list.addItem(item)
        said = PlainLabel(visible(sentence))
        said.setWordWrap(True)
        layout = QVBoxLayout(self)
        layout.addWidget(said)
        layout.addWidget(self.list)
        buttons = QDialogButtonBox(QDialogButtonBox.Close)
        buttons.rejected.connect(self.reject)
        self.new = self._button(buttons, "&New entry …", "new")
        self.correct = self._button(buttons, "&Correct …", "correct")
        self.turn = self._button(buttons, "&Withdraw", "withdraw")
        layout.addWidget(buttons)
        self.list.currentRowChanged.connect(lambda _: self._follow())
        self.list.setCurrentRow(len(notebook.entries) - 1)
        self._follow()

    def _button(self, buttons: QDialogButtonBox, words: str, wanted: Wanted) -> QPushButton:
        button = QPushButton(words)
        buttons.addButton(button, QDialogButtonBox.ActionRole)
        button.clicked.connect(lambda: self._want(wanted))
        return button

    def _want(self, wanted: Wanted) -> None:
        entry = self.chosen
        self.wanted = "restore" if wanted == "withdraw" and entry is not None and entry.withdrawn else wanted
        self.accept()

    @property
    def chosen(self) -> Entry | None:
        """The entry that is selected."""
        row = self.list.currentRow()
        return self._notebook.entries[row] if 0 <= row < len(self._notebook.entries) else None

    def _follow(self) -> None:
        entry = self.chosen
        for button in (self.correct, self.turn):
            button.setEnabled(entry is not None)
        self.turn.setText("&Bring back" if entry is not None and entry.withdrawn else "&Withdraw")


def _history(entry: Entry) -> str:
    """What the entry says now and said before, a line each."""
    before = [f"until {made_words(one.changed)}: {said_words(one)}" for one in entry.former]
    return "\n".join([said_words(entry), *before])
