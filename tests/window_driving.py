"""Driving the window in tests: waiting, clicking, answering dialogs, a rig that passes for a card."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from PyQt5.QtCore import Qt
from PyQt5.QtWidgets import QDialog
from pytestqt.qtbot import QtBot

from stillbox.capture.practice.practice_rig import PracticeRig
from stillbox.capture.sound.audio_device import DeviceInfo
from stillbox.gui.main_window import MainWindow

WAIT_MS = 60_000


def settle(qtbot: QtBot, window: MainWindow) -> None:
    """Wait until nothing is being worked at."""
    quiet = 0

    def check() -> bool:
        nonlocal quiet
        busy = window.sweeps.running or any(lane.busy for lane in window.lanes.values())
        quiet = 0 if busy or window.results.pane._settle.isActive() else quiet + 1
        return quiet >= 3

    qtbot.waitUntil(check, timeout=WAIT_MS)


def opened(qtbot: QtBot, window: MainWindow, build: Path) -> MainWindow:
    window.open_build(build)
    settle(qtbot, window)
    return window


def agree(monkeypatch: pytest.MonkeyPatch, dialog: type[QDialog], fill: Callable[[QDialog], None]) -> None:
    """Answer a dialog when it comes up."""

    def execute(self: QDialog) -> int:
        fill(self)
        return QDialog.Accepted

    monkeypatch.setattr(dialog, "exec_", execute)


def click(qtbot: QtBot, button: object) -> None:
    qtbot.mouseClick(button, Qt.LeftButton)


def trouble(window: MainWindow) -> str:
    return window.results.trouble.text() if window.results.trouble_row.isVisible() else ""


class Card(PracticeRig):
    """A rig that passes for a sound card of unknown voltage: cautions apply and the output has to be told."""

    @property
    def info(self) -> DeviceInfo:
        return replace(super().info, name="a card", kind="sound card", harmless=False, loudest_volts=None)
