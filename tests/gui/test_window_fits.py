"""What a screen of 1366 x 768 shows whole; what is said where no window can open, or takes cannot be compared."""

from __future__ import annotations

import os
import subprocess
import sys
from itertools import combinations
from pathlib import Path

import pytest
from places import ROOT
from PyQt5.QtCore import QSize
from PyQt5.QtWidgets import QApplication
from pytestqt.qtbot import QtBot
from window_driving import opened, settle

from stillbox.gui.main_window import MainWindow
from stillbox.gui.screen_libraries import INSTALL, PACKAGES


class SmallScreen:
    """A screen of 1366 x 768 with nothing else on it."""

    def availableSize(self) -> QSize:  # as Qt calls it
        return QSize(1366, 768)


@pytest.mark.parametrize("page", ["show_keys", "show_about"])
def test_pages_of_help_fit_on_the_screen(window: MainWindow, monkeypatch: pytest.MonkeyPatch, page: str) -> None:
    monkeypatch.setattr(QApplication, "primaryScreen", lambda: SmallScreen())
    getattr(window.help_pages, page)()
    shown = window.help_pages.message
    assert shown.width() <= 1366 and shown.height() <= 768 - 30  # the title bar comes on top
    assert shown.sizeHint().height() <= 768 and shown.minimumSizeHint().height() <= 768
    shown.close()


def test_the_bench_fits_without_being_scrolled(qtbot: QtBot, window: MainWindow, quick: Path) -> None:
    opened(qtbot, window, quick)
    window.resize(1366, 768)
    settle(qtbot, window)
    bar = window._bench_scroll.verticalScrollBar()
    assert bar is not None and bar.maximum() == 0
    assert window.bench.takes.height() >= 150, "few takes can be seen"


def test_columns_and_lists_fit(qtbot: QtBot, window: MainWindow, build: Path) -> None:
    opened(qtbot, window, build)
    window.resize(1366, 768)
    settle(qtbot, window)
    assert window.width() == 1366
    table = window.bench.takes
    heads, viewport = table.horizontalHeader(), table.viewport()
    assert heads is not None and viewport is not None
    assert heads.length() <= viewport.width() + 1, "columns reach beyond the list"
    measure = table.fontMetrics().horizontalAdvance
    for row, take in enumerate(table.takes_model.takes):
        for column in range(table.takes_model.columnCount()):
            words = str(table.takes_model.data(table.takes_model.index(row, column)))
            assert measure(words) <= table.columnWidth(column), (take.number, words)
    window.bench.takes.select_numbers([2])
    settle(qtbot, window)
    findings = window.results.findings
    assert findings.list.horizontalScrollBar() is None or findings.list.horizontalScrollBar().maximum() == 0
    assert findings.list.visualItemRect(findings.list.item(0)).right() <= findings.list.width()


def test_takes_that_are_not_compared_say_why(qtbot: QtBot, window: MainWindow, quick: Path) -> None:
    opened(qtbot, window, quick)
    for pair in combinations((1, 2, 3), 2):
        window.bench.takes.select_numbers(list(pair))
        settle(qtbot, window)
        said = window.results.sentence.text()
        assert said.startswith("These takes are not compared: take ") and "free-air" in said
        assert "only two takes of a speaker in its box are compared" in said


def test_a_library_that_is_missing_is_said_with_its_remedy(tmp_path: Path) -> None:
    """Qt itself would end the program with an abort and a word on plugins."""
    (tmp_path / "libqxcb.so").write_text("no library")
    absent = tmp_path / "absent"
    absent.mkdir()
    environment = {name: value for name, value in os.environ.items() if name != "QT_QPA_PLATFORM"}
    for folder in (tmp_path, absent):
        ran = subprocess.run(
            [sys.executable, "-m", "stillbox"],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
            env={**environment, "DISPLAY": ":4242", "QT_QPA_PLATFORM_PLUGIN_PATH": str(folder)},
        )
        assert ran.returncode == 2 and ran.stdout == "", ran.stderr
        assert ran.stderr.startswith("stillbox: the window cannot open, for a library that Qt needs")
        assert ran.stderr.count("\n") == 1 and INSTALL in ran.stderr and "libqxcb.so" in ran.stderr


def test_the_line_that_installs_them_is_in_the_readme_too() -> None:
    assert INSTALL in (ROOT / "README.md").read_text(encoding="utf-8")
    tests = (ROOT / "tests" / "run").read_text(encoding="utf-8")
    assert all(f" {name}" in tests for name in PACKAGES.split())
