"""A field for a path, with a button beside it that opens the chooser."""

from __future__ import annotations

from collections.abc import Callable

from PyQt5.QtWidgets import QHBoxLayout, QLineEdit, QPushButton, QWidget


def path_row(field: QLineEdit, choose: Callable[[], None]) -> QWidget:
    """The field and a button that calls ``choose``."""
    button = QPushButton("Choose …")
    button.clicked.connect(lambda: choose())
    row = QWidget()
    line = QHBoxLayout(row)
    line.setContentsMargins(0, 0, 0, 0)
    line.addWidget(field, 1)
    line.addWidget(button)
    return row
