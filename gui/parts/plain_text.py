"""The one place where the window takes text as it is: Qt would read a name like ``<b>x</b>`` as HTML."""

from __future__ import annotations

from html import escape
from typing import Any

from PyQt5.QtCore import Qt
from PyQt5.QtWidgets import QLabel, QMessageBox, QWidget


class PlainLabel(QLabel):
    """A label that shows what it is given, letter by letter."""

    def __init__(self, *given: Any) -> None:
        super().__init__(*given)
        self.setTextFormat(Qt.PlainText)


class OwnTextLabel(QLabel):
    """A label for a text of the program's own, in HTML; never for what a file or a person gave."""

    def __init__(self, html: str) -> None:
        super().__init__(html)
        self.setTextFormat(Qt.RichText)
        self.setWordWrap(True)


def plain_tip(text: str) -> str:
    """A text for a tooltip, which has no format of its own: what might be read as HTML is escaped."""
    if not Qt.mightBeRichText(text):  # type: ignore[call-arg, arg-type]  # the stubs take it for a method
        return text
    return f"<span style='white-space: pre-wrap'>{escape(text)}</span>"


def plain_action(text: str) -> str:
    """A name for a button or a menu, where ``&`` would underline the next letter."""
    return text.replace("&", "&&")


def said_yes(parent: QWidget, title: str, question: str) -> bool:
    """Ask a question that is shown letter by letter; No is what Enter answers."""
    box = QMessageBox(QMessageBox.Question, title, question, QMessageBox.Yes | QMessageBox.No, parent)
    box.setTextFormat(Qt.PlainText)
    box.setDefaultButton(QMessageBox.No)
    return bool(box.exec_() == QMessageBox.Yes)
