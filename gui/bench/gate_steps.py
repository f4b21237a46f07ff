"""The person's way through the gate before any sound: the cautions, then the voltage of the output.

Disk and device are asked in the lane, the person in the window's thread; whatever fails on the way arrives where
failures go.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from PyQt5.QtWidgets import QDialog, QWidget

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.sound.audio_device import AudioDevice
from stillbox.capture.sound.measuring_tone import ToneNotReadable, TonePlan, plan_tone
from stillbox.capture.sound.output_calibration import keep_loudest_volts, loudest_volts
from stillbox.capture.sound.sound_gate import cautions_due, read_cautions
from stillbox.gui.bench.safety_dialogs import CautionsDialog, OutputDialog
from stillbox.gui.work.work import Failure, Lane

NOTHING_PLAYED = "Stopped before anything was played."


@dataclass(frozen=True)
class Ways:
    """Where it goes on from the gate, all in the window's thread.

    Attributes
    ----------
    passed : callable
        Gets the device.
    refused, failed : callable
        The person turned back; or it could not be found out.
    """

    passed: Callable[[AudioDevice], None]
    refused: Callable[[], None]
    failed: Callable[[Failure], None]


@dataclass(frozen=True)
class _Standing:
    """How a device stands before the gate of a build."""

    device: AudioDevice
    harmless: bool
    cautions_due: bool
    loudest_volts: float | None


class GateSteps:
    """One person before the gate."""

    def __init__(self, window: QWidget, lane: Lane, cautions: Callable[[], tuple[str, ...]]) -> None:
        self._window, self._lane, self._cautions = window, lane, cautions
        self._dialog: QDialog | None = None

    def turn_back(self) -> None:
        """Close what is being asked, as if the person had said no."""
        if self._dialog is not None:
            self._dialog.reject()

    def _agreed(self, dialog: QDialog) -> bool:
        """Ask; whether the person went on."""
        self._dialog = dialog
        try:
            return bool(dialog.exec_())
        finally:
            self._dialog = None

    def go(self, build: BuildFolder, find: Callable[[], AudioDevice], ask_volts: bool, ways: Ways) -> None:
        """Settle what must be settled before a device may sound; ``ask_volts`` though they are known."""

        def stand() -> _Standing:
            device = find()
            info = device.info
            return _Standing(device, info.harmless, cautions_due(build, info), loudest_volts(info))

        self._lane.order(stand, lambda standing: self._read(build, standing, ask_volts, ways), ways.failed)

    def _read(self, build: BuildFolder, standing: _Standing, ask_volts: bool, ways: Ways) -> None:
        if standing.harmless:
            ways.passed(standing.device)
        elif not standing.cautions_due:
            self._measure(build, standing, ask_volts, ways)
        elif not self._agreed(CautionsDialog(self._window, self._cautions())):
            ways.refused()
        else:
            info = standing.device.info
            self._lane.order(
                lambda: read_cautions(build, info, True),
                lambda _: self._measure(build, standing, ask_volts, ways),
                ways.failed,
            )

    def _measure(self, build: BuildFolder, standing: _Standing, ask_volts: bool, ways: Ways) -> None:
        if standing.loudest_volts is not None and not ask_volts:
            ways.passed(standing.device)
            return
        self._lane.order(
            lambda: _tone(build, standing.device), lambda tone: self._ask(standing, tone, ways), ways.failed
        )

    def _ask(self, standing: _Standing, tone: TonePlan | ToneNotReadable, ways: Ways) -> None:
        device = standing.device
        dialog = OutputDialog(self._window, device, tone, standing.loudest_volts)
        if not self._agreed(dialog):
            ways.refused()
            return
        volts = dialog.answer_volts()
        if volts is None:
            ways.passed(device)
            return
        self._lane.order(
            lambda: keep_loudest_volts(device.info, volts), lambda _: ways.passed(device), ways.failed
        )


def _tone(build: BuildFolder, device: AudioDevice) -> TonePlan | ToneNotReadable:
    try:
        return plan_tone(build, device)
    except ToneNotReadable as none:
        return none
