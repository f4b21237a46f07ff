"""The small form for the air of a build: its temperature, and how thin it is there."""

from __future__ import annotations

from PyQt5.QtWidgets import QWidget

from stillbox.analysis.take_controls import ABOVE_SEA, CELSIUS_OF_BUILD, PRESSURE
from stillbox.capture.build.air_edit import BuildAir
from stillbox.gui.parts.fields import FormDialog, NumberField, hint


class AirForm(FormDialog):
    """Ask for temperature, and height above the sea or air pressure."""

    def __init__(self, parent: QWidget, air: BuildAir) -> None:
        super().__init__(parent, "Air of this build", 380)
        self.celsius = NumberField(CELSIUS_OF_BUILD, air.temperature_c)
        self.above_sea = NumberField(ABOVE_SEA, air.metres_above_sea)
        self.pressure = NumberField(PRESSURE, air.pressure_hpa, at_once=True)
        said = hint("Air is thinner and softer up there: at 500 m Vas is 6 % smaller. Written into build.toml.")
        self.lay_out(self.celsius, self.above_sea, self.pressure, said)
        self.pressure.valueChanged.connect(lambda _: self._follow())
        self._follow()

    def _follow(self) -> None:
        self.above_sea.setEnabled(self.pressure.told is None)

    def answer(self) -> BuildAir:
        """What the person says."""
        return BuildAir(self.celsius.value(), self.above_sea.told, self.pressure.told)
