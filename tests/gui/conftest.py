"""Builds and the window for its tests; offscreen, in a home of their own."""

from __future__ import annotations

import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from practice_takes import practice_takes
from PyQt5.QtPrintSupport import QPrintDialog
from PyQt5.QtWidgets import QDialog, QFileDialog, QMessageBox
from pytestqt.qtbot import QtBot
from window_driving import WAIT_MS, settle

from stillbox.gui.main_window import MainWindow
from stillbox.gui.work.settings import Settings


@pytest.fixture(autouse=True)
def own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No test reads or writes what belongs to the user."""
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    for name in ("XDG_CONFIG_HOME", "XDG_STATE_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME", "XDG_DOCUMENTS_DIR"):
        monkeypatch.setenv(name, str(tmp_path / "home" / name.lower()))


@pytest.fixture(autouse=True)
def no_unexpected_dialog(monkeypatch: pytest.MonkeyPatch) -> None:
    """A dialog that a test does not answer would wait for ever: it is a fault, which says what the dialog asks."""

    def unexpected(dialog: QDialog, *_: object) -> int:
        asked = dialog.text() if isinstance(dialog, QMessageBox) else dialog.windowTitle()
        raise AssertionError(f"no answer is foreseen for {type(dialog).__name__}: {asked}")

    def unexpected_file(*arguments: object, **named: object) -> object:
        raise AssertionError(f"no file is foreseen for {arguments} {named}")

    for kind in (QDialog, QPrintDialog):
        monkeypatch.setattr(kind, "exec_", unexpected)
    for name in ("getOpenFileName", "getOpenFileNames", "getSaveFileName", "getExistingDirectory"):
        monkeypatch.setattr(QFileDialog, name, unexpected_file)


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A practice build with sweeps in free air, stock and lined."""
    takes = (("free-air", None), ("in-box", "stock"), ("in-box", "lined"))
    return practice_takes(tmp_path_factory.mktemp("swept"), takes)


@pytest.fixture(scope="module")
def quick_takes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A build whose takes take little to work out: three of free air."""
    return practice_takes(tmp_path_factory.mktemp("quick"), 3 * (("free-air", None),))


@pytest.fixture
def quick(quick_takes: Path, tmp_path: Path) -> Path:
    shutil.copytree(quick_takes, tmp_path / "practice")
    return tmp_path / "practice"


@pytest.fixture
def build(swept: Path, tmp_path: Path) -> Path:
    shutil.copytree(swept, tmp_path / "practice")
    return tmp_path / "practice"


@pytest.fixture
def window(qtbot: QtBot, tmp_path: Path) -> Iterator[MainWindow]:
    made = MainWindow(Settings(hurry=True, seconds=2.0, window_size=[1366, 768]), tmp_path / "window.toml")
    made.show()
    settle(qtbot, made)
    yield made
    if made.isVisible():  # a test may have closed it
        made.close()
    qtbot.waitUntil(lambda: not made.isVisible(), timeout=WAIT_MS)
    made.deleteLater()
