"""What nobody waits for any more is stopped: the next result need not wait for it, nor does closing."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from practice_takes import practice_takes
from pytestqt.qtbot import QtBot
from window_driving import opened, settle, trouble

from stillbox.analysis.maths.stopping import checked
from stillbox.gui.main_window import MainWindow
from stillbox.gui.work.work import Failure, Lane


def endless(begun: threading.Event) -> None:
    """A computation that ends only where it is stopped."""
    nap = threading.Event()
    begun.set()
    while True:
        checked()
        nap.wait(0.002)


def test_a_job_that_is_not_wanted_stops_and_says_nothing(qtbot: QtBot) -> None:
    lane, begun, wanted, said = Lane("a lane"), threading.Event(), [True], list[object]()
    lane.order(lambda: endless(begun), said.append, said.append, unwanted=lambda: not wanted[0])
    lane.order(lambda: "next", said.append, said.append)
    assert begun.wait(20)
    wanted[0] = False
    qtbot.waitUntil(lambda: not lane.busy, timeout=20_000)
    assert said == ["next"]
    assert lane.end()


def test_a_lane_that_ends_stops_what_is_no_longer_wanted(qtbot: QtBot) -> None:
    lane, begun = Lane("a lane"), threading.Event()
    lane.order(lambda: endless(begun), list[object]().append, list[object]().append, unwanted=lambda: False)
    assert begun.wait(20)
    assert lane.end()


def test_what_writes_a_file_is_done_to_its_end(qtbot: QtBot) -> None:
    """A job that nobody said may be stopped."""
    lane, begun, written = Lane("a lane"), threading.Event(), list[str]()

    def write() -> None:
        begun.set()
        for _ in range(50):
            checked()
            threading.Event().wait(0.002)
        written.append("whole")

    lane.order(write, list[object]().append, list[Failure]().append)
    assert begun.wait(20)
    assert lane.end() and written == ["whole"]


def test_another_take_is_shown_while_a_box_would_be_fitted_for_ever(
    qtbot: QtBot, window: MainWindow, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    build = practice_takes(tmp_path, (("free-air", None), ("in-box", "stock")))
    opened(qtbot, window, build)
    begun = threading.Event()
    monkeypatch.setattr("stillbox.analysis.box.box_report.fit_box", lambda *_: endless(begun))
    window.bench.takes.select_numbers([2])
    settle(qtbot, window)
    session = window.session
    assert session is not None
    window.reading.show(session, window.reading.takes, "bass")
    qtbot.waitUntil(begun.is_set, timeout=60_000)
    window.bench.takes.select_numbers([1])
    settle(qtbot, window)
    assert window.reading.takes[0].number == 1 and window.reading.results is not None
    assert window.reading.results.complete and not trouble(window)
    begun.clear()
    window.bench.takes.select_numbers([2])
    window.reading.show(session, [session.bench().takes[1]], "bass")
    qtbot.waitUntil(begun.is_set, timeout=60_000)
    assert window.lanes["reading"].end(), "closing does not wait for it"
