"""Fields for what a view lets the person change: made from its declarations (`analysis.controls`)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any

from PyQt5.QtCore import QObject, pyqtSignal
from PyQt5.QtWidgets import QLayout, QPushButton, QWidget

from stillbox.analysis.controls import Asked, Choice, Control
from stillbox.gui.parts.fields import ChoiceField, NumberField, labelled


class ControlFields(QObject):
    """The fields of the view that is shown, in the layout of a row.

    ``asked_changed`` carries what has been changed, all of it, each time the person changes something.
    """

    asked_changed = pyqtSignal(object)

    def __init__(self, layout: QLayout, before: Sequence[QWidget], parent: QWidget) -> None:
        """``before`` are the widgets that Tab reaches first."""
        super().__init__(parent)
        self._layout, self._before = layout, tuple(before)
        self._controls: tuple[Control, ...] = ()
        self._groups: list[QWidget] = []
        self.fields: dict[str, NumberField | ChoiceField] = {}
        self.back = QPushButton("As measured")
        self.back.setToolTip("Take all changes back: show what was measured.")
        self.back.clicked.connect(self.begin_again)
        layout.addWidget(self.back)
        self.back.hide()

    def show_controls(self, controls: Sequence[Control], asked: Asked) -> None:
        """Make the fields that are declared, and let them show what was asked for."""
        if tuple(controls) != self._controls:
            self._rebuild(tuple(controls))
        for control in self._controls:
            _show(self.fields[control.key], asked.get(control.key))
        self._follow()

    def asked(self) -> dict[str, float | str]:
        """What differs from how it began."""
        values = {key: field.asked for key, field in self.fields.items()}
        return {key: value for key, value in values.items() if value is not None}

    def begin_again(self) -> None:
        """All as measured."""
        for control in self._controls:
            _show(self.fields[control.key], None)
        self._changed()

    def _changed(self) -> None:
        self._follow()
        self.asked_changed.emit(self.asked())

    def _follow(self) -> None:
        self.back.setEnabled(bool(self.asked()))

    def _rebuild(self, controls: tuple[Control, ...]) -> None:
        for group in self._groups:
            self._layout.removeWidget(group)
            group.hide()
            group.deleteLater()
        self._controls, self._groups, self.fields = controls, [], {}
        self._layout.removeWidget(self.back)
        for control in controls:
            field = _field(control, self._changed)
            self.fields[control.key] = field
            group = labelled(control.words, field, control.tip)
            self._groups.append(group)
            self._layout.addWidget(group)
            group.show()
        self._layout.addWidget(self.back)
        self.back.setVisible(bool(controls))
        for first, second in pairwise([*self._before, *self.fields.values(), self.back]):
            QWidget.setTabOrder(first, second)


def _field(control: Control, changed: Callable[[], None]) -> NumberField | ChoiceField:
    if isinstance(control, Choice):
        choice = ChoiceField(control)
        choice.currentIndexChanged.connect(lambda _: changed())
        return choice
    number = NumberField(control)
    number.valueChanged.connect(lambda _: changed())
    return number


def _show(field: NumberField | ChoiceField, value: Any) -> None:
    """Let a field show a value, or how it began, without telling anyone."""
    if value == field.asked:
        return  # also what is being typed stays
    field.blockSignals(True)
    field.tell(value)
    field.blockSignals(False)
