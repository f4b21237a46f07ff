"""In which order a take is worked out and drawn: findings first, nothing twice, nothing that will not stay."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest
from pytestqt.qtbot import QtBot
from window_driving import opened, settle

from stillbox.analysis.bench import Bench
from stillbox.gui import reading_control
from stillbox.gui.main_window import MainWindow
from stillbox.gui.results import picture_pane
from stillbox.gui.views import one_state

FINDINGS, CURVE, DECAY = "findings drawn", "curve drawn", "decay drawn"


@pytest.fixture
def order(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What is drawn and computed, as it ends."""
    done: list[str] = []
    draw, compute = picture_pane.draw_picture, one_state.decay_on_log_grid

    def drawing(view: Any, results: Any, *rest: Any) -> Any:
        made = draw(view, results, *rest)
        data = results.data
        done.append(CURVE if data.findings is None else FINDINGS if data.decays is None else DECAY)
        return made

    def computing(*given: Any, **named: Any) -> Any:
        done.append("decay begins")
        return compute(*given, **named)

    monkeypatch.setattr(picture_pane, "draw_picture", drawing)
    monkeypatch.setattr(one_state, "decay_on_log_grid", computing)
    monkeypatch.setattr(reading_control, "DRAWN_S", 60.0)
    return done


def test_findings_are_drawn_once_and_before_the_decay_is_computed(
    qtbot: QtBot, window: MainWindow, build: Path, order: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(picture_pane, "PASSING_MS", 60_000)
    opened(qtbot, window, build)
    assert order == [FINDINGS, "decay begins", DECAY]


def test_a_curve_is_drawn_where_the_findings_take_long(
    qtbot: QtBot, window: MainWindow, build: Path, order: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(picture_pane, "PASSING_MS", 10)
    compute = Bench.findings_of

    def slow(self: Bench, take: Any) -> Any:
        end_s = time.monotonic() + 20
        while not order and time.monotonic() < end_s:
            time.sleep(0.01)
        return compute(self, take)

    monkeypatch.setattr(Bench, "findings_of", slow)
    opened(qtbot, window, build)
    settle(qtbot, window)
    assert order[0] == CURVE and order[-3:] == [FINDINGS, "decay begins", DECAY]
