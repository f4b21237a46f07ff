"""Fields of numbers and choices, made from their declarations (`analysis.controls`), and forms made of fields."""

from __future__ import annotations

from typing import Literal

from PyQt5.QtWidgets import (
    QAbstractSpinBox,
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QDoubleSpinBox,
    QFormLayout,
    QHBoxLayout,
    QPushButton,
    QWidget,
)

from stillbox.analysis.controls import Choice, Number
from stillbox.gui.parts.plain_text import PlainLabel


class NumberField(QDoubleSpinBox):
    """A number with its unit between its limits; where it may be unknown, a step below the least says so.

    Parameters
    ----------
    declared : Number
        It may be unknown if ``begin`` is None.
    value : float, optional
        What it shows; left out: how it begins.
    at_once : bool
        Whether a number that is being typed counts with each letter, not when it is finished.
    """

    def __init__(self, declared: Number, value: float | None = None, at_once: bool = False) -> None:
        super().__init__()
        self.declared = declared
        step = declared.step or 10.0**-declared.decimals
        self.setDecimals(declared.decimals)
        self.setRange(declared.low if declared.begin is not None else declared.low - step, declared.high)
        if declared.begin is None:
            self.setSpecialValueText(declared.without)
        if declared.step:
            self.setSingleStep(declared.step)
        else:
            self.setStepType(QAbstractSpinBox.AdaptiveDecimalStepType)
        self.setSuffix(f" {declared.unit}" if declared.unit else "")
        self.setToolTip(declared.tip)
        self.setKeyboardTracking(at_once)
        self.tell(declared.shown if value is None else value)

    @property
    def told(self) -> float | None:
        """What it says; None where that is unknown."""
        value = float(self.value())
        return None if value < self.declared.low - 0.5 * 10.0**-self.declared.decimals else value

    @property
    def asked(self) -> float | None:
        """What it says; None while it is as it began."""
        told, begin = self.told, self.declared.shown
        same = told is not None and begin is not None and abs(told - begin) < 0.5 * 10.0**-self.declared.decimals
        return None if same else told

    def tell(self, value: float | None) -> None:
        """Show a value; None: how it begins."""
        if value is None:
            value = self.declared.shown
        self.setValue(self.minimum() if value is None else float(value))


class ChoiceField(QComboBox):
    """One of several; the first is how it begins."""

    def __init__(self, declared: Choice) -> None:
        super().__init__()
        for value, words in declared.options:
            self.addItem(words, value)
        self.setToolTip(declared.tip)

    @property
    def asked(self) -> str | None:
        """What is chosen; None while it is as it began."""
        return str(self.currentData()) if self.currentIndex() > 0 else None

    def tell(self, value: str | None) -> None:
        """Show a choice; None: how it begins."""
        self.setCurrentIndex(0 if value is None else max(0, self.findData(value)))


def caption(words: str, buddy: QWidget) -> PlainLabel:
    """Words before a field; & marks the letter that leads to it."""
    label = PlainLabel(words)
    label.setObjectName("caption")
    label.setBuddy(buddy)
    return label


def in_a_row(
    *parts: QWidget, spacing: int = 6, room: Literal["shared", "for the first", "behind"] = "shared"
) -> QWidget:
    """Widgets beside each other; ``room`` says where what they do not need goes."""
    holder = QWidget()
    layout = QHBoxLayout(holder)
    layout.setContentsMargins(0, 0, 0, 0)
    layout.setSpacing(spacing)
    for part in parts:
        layout.addWidget(part, 1 if room == "for the first" and part is parts[0] else 0)
    if room == "behind":
        layout.addStretch(1)
    return holder


def labelled(words: str, field: QWidget, tip: str = "") -> QWidget:
    """A field with its words before it, for eyes and for those who read aloud."""
    label = caption(words, field)
    for widget in (label, field):
        widget.setToolTip(tip or field.toolTip())
    field.setAccessibleName(words.replace("&", ""))
    return in_a_row(label, field, spacing=5)


class FormDialog(QDialog):
    """A form: rows of fields with their words before them, and below them what agrees and what does not.

    A row is a field with its words, a `NumberField` alone, whose declaration has the words, or what fills the row.
    """

    def __init__(self, parent: QWidget, title: str, least_width: int) -> None:
        super().__init__(parent)
        self.setWindowTitle(title)
        self.setMinimumWidth(least_width)
        self.ok: QPushButton | None = None

    def lay_out(self, *rows: tuple[str, QWidget] | QWidget) -> None:
        """Put the rows in, once."""
        buttons = QDialogButtonBox(QDialogButtonBox.Ok | QDialogButtonBox.Cancel)
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        self.ok = buttons.button(QDialogButtonBox.Ok)
        form = QFormLayout(self)
        for row in rows:
            if isinstance(row, tuple):
                form.addRow(*row)
            elif isinstance(row, NumberField):
                form.addRow(row.declared.words, row)
            else:
                form.addRow(row)
        form.addRow(buttons)


def hint(words: str) -> PlainLabel:
    """A sentence below fields."""
    label = PlainLabel(words)
    label.setWordWrap(True)
    label.setObjectName("caption")
    return label
