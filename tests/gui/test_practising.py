"""Every simulated speaker in a box can be practised on from the menu, each in a build of its own."""

from __future__ import annotations

from PyQt5.QtWidgets import QMenu
from pytestqt.qtbot import QtBot
from window_driving import settle

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.practice.practice_speakers import SPEAKERS
from stillbox.gui.main_window import MainWindow


def test_another_speaker_of_the_rig_is_one_entry_of_the_menu(qtbot: QtBot, window: MainWindow) -> None:
    speakers = next(menu for menu in window.menus["Build"].findChildren(QMenu) if "speaker" in menu.title())
    entries = {action.text(): action for action in speakers.actions()}
    assert set(entries) == {name for name in SPEAKERS if name != "tweeter"}
    entries["wrong capacitor"].trigger()
    settle(qtbot, window)
    assert window.bench.device.currentData() == "practice rig: wrong capacitor"
    assert window.session is not None
    build = BuildFolder.open(window.session.build.path)
    assert build.path.name == "practice, wrong capacitor"
    assert build.description.driver.name == "woofer"  # a build that knows of two drivers
