"""Words and legends in pictures cover no curve, wherever the curves run."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from covered import boxes_of, covered_pixels, overlapping_words
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from test_pictures import LINED, STOCK, comparison, on_paper

from stillbox.analysis.drawing.layout import lay_out
from stillbox.analysis.drawing.medium import Medium, paper, screen
from stillbox.analysis.drawing.picture_style import AFTER, TEXT_PT, finish, frequency_axis, new_figure
from stillbox.analysis.drawing.picture_words import give_way, place_words
from stillbox.analysis.drawing.pictures import (
    picture_of_curve,
    picture_of_decay,
    picture_of_difference,
    picture_of_findings,
    picture_overlay,
)

PAPER_AND_PHONE_IN = (11.0, 6.25, 3.9)


def panel(width_in: float = 5.0, height_in: float = 2.0) -> tuple[Figure, Axes]:
    figure = new_figure(width_in, height_in)
    axes = figure.add_subplot()
    frequency_axis(axes, 20.0, 20_000.0)
    return figure, axes


def wandering(seed: int, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Smooth curves that fill more of the panel with every seed."""
    generator = np.random.default_rng(seed)
    hz = np.geomspace(20, 20_000, 300)
    turns = generator.uniform(0.5, 6, (count, 3, 1)) * np.log(hz / 20) + generator.uniform(0, 7, (count, 3, 1))
    return hz, np.sin(turns).sum(axis=1)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("logarithmic", [False, True])
def test_words_and_legend_keep_off_the_curves(seed: int, logarithmic: bool) -> None:
    figure, axes = panel()
    hz, values = wandering(seed, 1 + seed // 2)
    for index, one in enumerate(values):
        axes.plot(hz, np.exp(one) if logarithmic else one, label=f"state {index}")
    if logarithmic:
        axes.set_yscale("log")
    other = axes.twinx()
    other.plot(hz, values[0][::-1], linewidth=0.8)
    axes.legend(loc="upper right", fontsize=TEXT_PT)
    words = axes.text(0.99, 0.03, "what these lines are", transform=axes.transAxes, ha="right", fontsize=TEXT_PT)
    give_way(words)
    finish(figure)
    assert covered_pixels(figure) == {}
    assert overlapping_words(figure) == []
    inside = words.get_window_extent()
    assert axes.bbox.x0 <= inside.x0 and inside.x1 <= axes.bbox.x1
    assert axes.bbox.y0 <= inside.y0 and inside.y1 <= axes.bbox.y1


def test_what_is_free_stays_where_it_was_put() -> None:
    figure, axes = panel()
    axes.plot([20, 200, 20_000], [0.0, 0.5, 0.0])
    axes.set_ylim(0, 2)
    words = axes.text(0.99, 0.9, "up here", transform=axes.transAxes, ha="right")
    give_way(words)
    figure.draw_without_rendering()
    place_words(figure)
    assert words.get_position() == (0.99, 0.9) and axes.get_ylim() == (0, 2)


def test_words_of_a_height_move_along_it() -> None:
    figure, axes = panel()
    axes.plot(np.geomspace(20, 20_000, 90), np.linspace(0, 2, 90))
    words = axes.text(0.99, 1.8, "not above this", transform=axes.get_yaxis_transform(), ha="right", va="bottom")
    give_way(words, along=True)
    finish(figure)
    assert words.get_position()[1] == pytest.approx(1.8) and words.get_position()[0] < 0.9
    assert covered_pixels(figure) == {}


def test_a_full_panel_gets_room_above() -> None:
    figure, axes = panel()
    hz = np.geomspace(20, 20_000, 2000)
    axes.plot(hz, np.sin(200 * np.log(hz)))
    axes.set_ylim(-1, 1)
    give_way(axes.text(0.99, 0.9, "no room", transform=axes.transAxes, ha="right", va="top"))
    finish(figure)
    assert axes.get_ylim()[0] == -1 and 1 < axes.get_ylim()[1] < 2.2
    assert covered_pixels(figure) == {}


def test_words_wider_than_their_panel_are_broken() -> None:
    figure, axes = panel(2.2)
    axes.plot([20, 20_000], [0, 1])
    words = axes.text(0, 0.9, "measured minus model: in size; thin: in phase", transform=axes.transAxes, va="top")
    give_way(words)
    finish(figure)
    ((_, left, right, *_),) = boxes_of(figure)
    assert "\n" in words.get_text() and axes.bbox.x0 <= left < right <= axes.bbox.x1


@pytest.mark.parametrize(
    "medium", [*map(paper, PAPER_AND_PHONE_IN), screen((840, 520)), screen((560, 420))], ids=lambda one: one.width
)
def test_no_picture_covers_its_curves(medium: Medium) -> None:
    for picture in (
        picture_of_findings("one", [STOCK]),
        picture_of_findings("two", [STOCK, LINED], comparison(), difference=True),
    ):
        figure = lay_out(picture, replace(medium, dpi=100.0)).figure
        assert covered_pixels(figure) == {}
        assert overlapping_words(figure) == []


def test_no_other_picture_covers_its_curves() -> None:
    assert STOCK.findings is not None and STOCK.decay is not None
    found = STOCK.findings
    for picture in (
        picture_of_curve("curve", STOCK.curve, found.findings, found.detection_limit),
        picture_of_decay("decay", STOCK.decay, found.findings, ("ridges",)),
        picture_overlay("over each other", STOCK, LINED, comparison()),
        picture_of_difference("difference", STOCK, LINED, comparison()),
    ):
        assert covered_pixels(on_paper(picture)) == {}


def test_the_check_sees_what_is_covered() -> None:
    """So that the tests above can fail."""
    figure, axes = panel()
    axes.plot(np.geomspace(20, 20_000, 90), np.zeros(90), color=AFTER.colour)
    axes.text(0.5, 0.5, "across", transform=axes.transAxes, ha="center", va="center")
    assert covered_pixels(figure).get("across", 0) > 10
