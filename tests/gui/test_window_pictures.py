"""What the window draws: legends and words cover no curve, at the size of a small screen and of a narrow window."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest
from covered import covered_pixels, overlapping_words
from pytestqt.qtbot import QtBot
from window_driving import opened

from stillbox.analysis.bench import Bench
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.recording.take import TakeInfo
from stillbox.gui.main_window import MainWindow
from stillbox.gui.results import picture_making
from stillbox.gui.results.view import View, Wish
from stillbox.gui.views import box_and_bass, driver, one_state, two_states


@pytest.fixture(scope="module")
def bench(swept: Path) -> Bench:
    return Bench(BuildFolder.open(swept))


def takes(bench: Bench, *wanted: tuple[str, str]) -> Sequence[TakeInfo]:
    return [take for what in wanted for take in bench.takes if (take.subject, take.state) == what]


STOCK, LINED, BARE = ("in-box", "stock"), ("in-box", "lined"), ("free-air", "")


@pytest.mark.parametrize(
    ("view", "wanted"),
    [
        (one_state.VIEW, [STOCK]),
        (one_state.VIEW, [LINED]),
        (one_state.VIEW, [BARE]),
        (two_states.VIEW, [STOCK, LINED]),
        (driver.VIEW, [BARE]),
        (box_and_bass.VIEW, [STOCK]),
    ],
)
def test_no_panel_covers_its_curves(bench: Bench, view: View, wanted: list[tuple[str, str]]) -> None:
    (*_, results) = view.compute(bench, takes(bench, *wanted))
    seen: list[tuple[dict[str, int], list[tuple[str, str]]]] = []
    for size in ((840, 520), (560, 420), (1500, 900)):
        drawing = picture_making.draw_picture(view, results, Wish("ridges"), results.ends_hz, size)
        seen.append((covered_pixels(drawing.figure), overlapping_words(drawing.figure)))
        drawing.take_apart()
    assert seen == [({}, [])] * 3


def test_the_picture_of_a_small_screen_is_among_these_sizes(qtbot: QtBot, window: MainWindow, quick: Path) -> None:
    opened(qtbot, window, quick)
    window.resize(1366, 768)
    pane = window.results.pane
    qtbot.waitUntil(lambda: window.width() == 1366 and 560 <= pane.width() <= 1500 and 420 <= pane.height() <= 900)
