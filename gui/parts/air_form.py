"""The small form for the air of a build: its temperature, and how thin it is there."""

from __future__ import annotations

from PyQt5.QtWidgets import QDialog, QDialogButtonBox, QDoubleSpinBox, QFormLayout, QWidget

from stillbox.capture.build.air_edit import BuildAir
from stillbox.capture.build.build_description import HEIGHT_RANGE_M, PRESSURE_RANGE_HPA
from stillbox.capture.recording.take import CELSIUS_RANGE
from stillbox.gui.parts.plain_text import PlainLabel


class AirForm(QDialog):
    """Ask for temperature, and height above the sea or air pressure."""

    def __init__(self, parent: QWidget, air: BuildAir) -> None:
        super().__init__(parent)
        self.setWindowTitle("Air of this build")
        self.celsius = QDoubleSpinBox()
        self.celsius.setRange(*CELSIUS_RANGE)
        self.celsius.setDecimals(1)
        self.celsius.setSuffix(" °C")
        self.celsius.setValue(air.temperature_c)
        self.celsius.setToolTip("Of all takes that do not say another: standing waves move by 0.17 % a degree.")
        self.above_sea = height_field(air.metres_above_sea)
        self.pressure = or_not_known(PRESSURE_RANGE_HPA, " hPa", air.pressure_hpa, decimals=1)
        self.pressure.setToolTip(
            "As a barometer on the spot shows it; weather reports give it for sea level. Where it is known, the height "
            "is not needed."
        )
        buttons = QDialogButtonBox(QDialogButtonBox.Ok | QDialogButtonBox.Cancel)
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        form = QFormLayout(self)
        form.addRow("&Temperature", self.celsius)
        form.addRow("&Height above the sea", self.above_sea)
        form.addRow("or air &pressure", self.pressure)
        hint = PlainLabel("Air is thinner and softer up there: at 500 m Vas is 6 % smaller. Written into build.toml.")
        hint.setWordWrap(True)
        hint.setObjectName("caption")
        form.addRow(hint)
        form.addRow(buttons)
        self.pressure.valueChanged.connect(lambda _: self._follow())
        self._follow()
        self.setMinimumWidth(380)

    def _follow(self) -> None:
        self.above_sea.setEnabled(told(self.pressure) is None)

    def answer(self) -> BuildAir:
        """What the person says."""
        return BuildAir(self.celsius.value(), told(self.above_sea), told(self.pressure))


def height_field(metres: float | None) -> QDoubleSpinBox:
    """Height of a place above the sea."""
    field = or_not_known(HEIGHT_RANGE_M, " m", metres, decimals=0)
    field.setToolTip(
        "Height of the place above the sea; Vas follows the air, and is uncertain by 6 % where it is not known."
    )
    return field


def or_not_known(limits: tuple[float, float], suffix: str, value: float | None, decimals: int) -> QDoubleSpinBox:
    """A number whose step below the least says that it is not known."""
    low, high = limits
    field = QDoubleSpinBox()
    field.setRange(low - 1, high)
    field.setDecimals(decimals)
    field.setSpecialValueText("not known")
    field.setSuffix(suffix)
    field.setValue(low - 1 if value is None else value)
    return field


def told(field: QDoubleSpinBox) -> float | None:
    """What such a field says; None for not known."""
    return None if field.value() < field.minimum() + 1 else float(field.value())
