"""Fields for what a view lets the person change: made from its declarations (`analysis.controls`)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

from PyQt5.QtCore import QObject, pyqtSignal
from PyQt5.QtWidgets import (
    QAbstractSpinBox,
    QComboBox,
    QDoubleSpinBox,
    QHBoxLayout,
    QLayout,
    QPushButton,
    QWidget,
)

from stillbox.analysis.controls import Asked, Choice, Control, Number
from stillbox.gui.parts.plain_text import PlainLabel


def labelled(words: str, field: QWidget, tip: str = "") -> QWidget:
    """A field with its words before it."""
    group = QWidget()
    row = QHBoxLayout(group)
    row.setContentsMargins(0, 0, 0, 0)
    row.setSpacing(5)
    label = PlainLabel(words)
    label.setObjectName("caption")
    label.setBuddy(field)
    for widget in (label, field):
        widget.setToolTip(tip or field.toolTip())
    field.setAccessibleName(words.replace("&", ""))
    row.addWidget(label)
    row.addWidget(field)
    return group


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
        self.fields: dict[str, QDoubleSpinBox | QComboBox] = {}
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
            _set(self.fields[control.key], control, asked.get(control.key))
        self._follow()

    def asked(self) -> dict[str, float | str]:
        """What differs from how it began."""
        values = {control.key: _value(self.fields[control.key], control) for control in self._controls}
        return {key: value for key, value in values.items() if value is not None}

    def begin_again(self) -> None:
        """All as measured."""
        for control in self._controls:
            _set(self.fields[control.key], control, None)
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


def _field(control: Control, changed: Callable[[], None]) -> QDoubleSpinBox | QComboBox:
    if isinstance(control, Choice):
        choice = QComboBox()
        for value, words in control.options:
            choice.addItem(words, value)
        choice.currentIndexChanged.connect(lambda _: changed())
        return choice
    number = QDoubleSpinBox()
    number.setDecimals(control.decimals)
    number.setRange(control.low if control.begin is not None else control.low - _step(control), control.high)
    if control.begin is None:
        number.setSpecialValueText(control.without)
    if control.step:
        number.setSingleStep(control.step)
    else:
        number.setStepType(QAbstractSpinBox.AdaptiveDecimalStepType)
    number.setSuffix(f" {control.unit}" if control.unit else "")
    number.setValue(number.minimum() if control.shown is None else control.shown)
    # A number that is being typed counts when it is finished.
    number.setKeyboardTracking(False)
    number.valueChanged.connect(lambda _: changed())
    return number


def _step(control: Number) -> float:
    return control.step or 10.0**-control.decimals


def _value(field: QDoubleSpinBox | QComboBox, control: Control) -> float | str | None:
    """What the field says; None while it is as it began."""
    if isinstance(control, Choice):
        assert isinstance(field, QComboBox)
        return str(field.currentData()) if field.currentIndex() > 0 else None
    assert isinstance(field, QDoubleSpinBox)
    value = field.value()
    if control.shown is None:
        return value if value >= control.low else None
    return None if abs(value - control.shown) < 0.5 * 10.0**-control.decimals else value


def _set(field: QDoubleSpinBox | QComboBox, control: Control, value: float | str | None) -> None:
    """Let a field show a value, or how it began, without telling anyone."""
    if value == _value(field, control):
        return  # also what is being typed stays
    field.blockSignals(True)
    if isinstance(field, QComboBox):
        field.setCurrentIndex(max(0, field.findData(value)) if value is not None else 0)
    else:
        assert isinstance(control, Number)
        begin = field.minimum() if control.shown is None else control.shown
        field.setValue(begin if value is None else float(value))
    field.blockSignals(False)
