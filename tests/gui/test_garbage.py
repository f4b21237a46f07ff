"""The garbage collector while a window lives: off, but nothing stays for good; and back as it was afterwards."""

from __future__ import annotations

import gc
import weakref
from collections.abc import Iterator

import pytest
from PyQt5.QtCore import QObject
from pytestqt.qtbot import QtBot

from stillbox.gui.work.garbage import WORTH_WHILE, GarbageTimer, keep_what_is_loaded


class Knot:
    """An object that keeps itself."""

    def __init__(self) -> None:
        self.own = self


@pytest.fixture
def timer(qtbot: QtBot) -> Iterator[GarbageTimer]:
    parent = QObject()
    made = GarbageTimer(parent)
    yield made
    made.end()
    gc.enable()


def test_knots_are_collected_in_the_thread_of_the_window(qtbot: QtBot, timer: GarbageTimer) -> None:
    keep_what_is_loaded()
    assert not gc.isenabled() and gc.get_freeze_count() > 1_000
    gone = weakref.ref(Knot())
    kept = [Knot() for _ in range(2 * WORTH_WHILE)]
    qtbot.waitUntil(lambda: gone() is None, timeout=5_000)
    assert len(kept) == 2 * WORTH_WHILE and not gc.isenabled()


def test_what_outlived_a_collection_is_collected_at_rest(qtbot: QtBot, timer: GarbageTimer) -> None:
    knot = Knot()
    gone = weakref.ref(knot)
    kept = [Knot() for _ in range(2 * WORTH_WHILE)]
    qtbot.waitUntil(lambda: gc.get_count()[0] < WORTH_WHILE, timeout=5_000)
    assert any(one is knot for one in gc.get_objects(generation=2))
    del knot
    qtbot.waitUntil(lambda: gone() is None, timeout=5_000)
    assert len(kept) == 2 * WORTH_WHILE


def test_while_something_goes_on_only_what_is_new_is_looked_through(
    qtbot: QtBot, timer: GarbageTimer, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[tuple[int, ...]] = []
    collect = gc.collect
    monkeypatch.setattr(gc, "collect", lambda *generation: asked.append(generation) or collect(*generation))
    kept = []
    for _ in range(4):
        kept.append([Knot() for _ in range(2 * WORTH_WHILE)])
        qtbot.wait(350)
    assert asked and all(asked)  # each names a generation
    qtbot.waitUntil(lambda: asked[-1] == (), timeout=5_000)
    count = asked.count(())
    qtbot.wait(1_000)
    assert asked.count(()) == count == 1


def test_python_gets_it_back(timer: GarbageTimer) -> None:
    timer.end()
    assert gc.isenabled() and gc.get_freeze_count() == 0
    gc.disable()
    second = GarbageTimer(timer)
    second.end()
    assert not gc.isenabled()  # who had switched it off keeps it off
