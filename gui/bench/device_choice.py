"""Which device plays and records, and the cautions that apply to it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stillbox.capture.practice.practice_rig import DEFAULT_SPEAKER, RIG_NAME, rig_names
from stillbox.gui.bench.bench_panel import BenchPanel
from stillbox.gui.parts.plain_text import plain_tip

if TYPE_CHECKING:
    from stillbox.capture.errors import StillboxError
    from stillbox.capture.sound.audio_device import DeviceInfo


def practice_device(speaker: str = DEFAULT_SPEAKER) -> str:
    """Name of the practice rig with that speaker."""
    return f"{RIG_NAME}: {speaker}"


class DeviceChoice:
    """Keeps the bench panel's list of devices."""

    def __init__(self, panel: BenchPanel, remembered: str) -> None:
        self._panel, self._remembered = panel, remembered
        self._practising = False
        panel.device.clear()
        for name in rig_names():
            panel.device.addItem(name[:1].upper() + name[1:], name)
        panel.device.setCurrentIndex(panel.device.findData(practice_device()))

    def choose_practice(self, speaker: str) -> None:
        """The practice rig with that speaker, whatever else there is."""
        self._practising = True
        self._panel.device.setCurrentIndex(self._panel.device.findData(practice_device(speaker)))

    def show_devices(self, found: tuple[list[tuple[str, str, DeviceInfo | None]], StillboxError | None]) -> None:
        """Fill the list: what was used last is chosen, else the first card, else the practice rig."""
        devices, trouble = found
        field = self._panel.device
        wanted = field.currentText() if self._practising else self._remembered
        field.blockSignals(True)
        field.clear()
        for words, name, _ in devices:
            field.addItem(words, name)
        usual = field.findData(practice_device())
        there = field.findText(wanted) if wanted else -1
        field.setCurrentIndex(there if there >= 0 else usual if trouble else 0)
        field.blockSignals(False)
        if trouble:
            field.setToolTip(plain_tip(f"{field.toolTip()}\nNo sound card is usable: {trouble}"))
        self.follow()

    def harmless(self) -> bool:
        """Whether what is chosen drives nothing real."""
        return str(self._panel.device.currentData()).startswith(RIG_NAME)

    def follow(self) -> None:
        """Show what belongs to the device that is chosen."""
        harmless = self.harmless()
        self._panel.hurry.setVisible(harmless)
        self._panel.output_button.setVisible(not harmless)
        self.show_cautions()

    def show_cautions(self) -> None:
        """Show what applies to this device and to what is on the clips."""
        from stillbox.analysis.cautions import cautions_for, topics_of

        told = () if self.harmless() else cautions_for(*topics_of(self._panel.subject_key()))
        self._panel.show_cautions(told)
