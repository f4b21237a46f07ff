"""Work on a simulated speaker: which there are, and the build of each."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from PyQt5.QtCore import QObject
from PyQt5.QtWidgets import QMenu

from stillbox.capture.practice.practice_rig import DEFAULT_SPEAKER
from stillbox.capture.practice.practice_speakers import SPEAKERS
from stillbox.gui.bench.device_choice import DeviceChoice
from stillbox.gui.menus import fill_menu
from stillbox.gui.work.session import builds_folder, practice_build
from stillbox.gui.work.work import Failure, Lane


class Practising(QObject):
    """Makes a practice build, or finds that of last time, and opens it."""

    def __init__(
        self,
        devices: DeviceChoice,
        lane: Lane,
        opened: Callable[[Path], None],
        failed: Callable[[Failure], None],
        parent: QObject,
    ) -> None:
        super().__init__(parent)
        self._devices, self._lane, self._opened, self._failed = devices, lane, opened, failed

    def practise(self, speaker: str = DEFAULT_SPEAKER) -> None:
        """Open the build of a speaker of the practice rig."""
        self._devices.choose_practice(speaker)
        self._lane.order(lambda: practice_build(builds_folder(), speaker), self._opened, self._failed)

    def menu(self, parent: QMenu) -> QMenu:
        """All speakers that are a box with drivers, by name."""
        menu = QMenu("Practise on another &speaker", parent)
        boxed = [name for name, speaker in SPEAKERS.items() if speaker.box is not None]
        fill_menu(menu, [(name, partial(self.practise, name)) for name in boxed])
        return menu
