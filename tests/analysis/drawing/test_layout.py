"""One description of a picture, one layouter: the same panels on paper and in the window, at places known before."""

from __future__ import annotations

import ast
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.axes import Axes
from places import ROOT
from test_pictures import LINED, STOCK, comparison

from stillbox.analysis.drawing.layout import LaidOut, lay_out
from stillbox.analysis.drawing.medium import LEFT_PX, RIGHT_PX, Medium, paper, screen
from stillbox.analysis.drawing.panels import Panel, PictureDescription
from stillbox.analysis.drawing.picture_style import height_pt, name_ordinate
from stillbox.analysis.drawing.pictures import picture_of_findings

BOTH = picture_of_findings("pair", [STOCK, LINED], comparison(), difference=True)
SMALL, WIDE = (840, 520), (1500, 1000)


def axes_of(laid_out: LaidOut, medium: Medium) -> list[Axes]:
    """The axes at the place of each panel; there must be one."""
    found = []
    for place in laid_out.places:
        box = np.array([place.left, place.top, place.left + place.width, place.top + place.height])
        scale = medium.dpi / medium.per_inch
        high = laid_out.figure.bbox.height
        wanted = np.array([scale * box[0], high - scale * box[3], scale * box[2], high - scale * box[1]])
        there = [one for one in laid_out.figure.axes if np.allclose(one.bbox.extents, wanted, atol=1e-6)]
        found.append(there[0])
    return found


@pytest.mark.parametrize(
    "medium", [paper(11.0), paper(6.25), screen(WIDE), screen(WIDE, 0.5)], ids=lambda one: f"{one.width:g}-{one.dpi:g}"
)
def test_both_media_show_the_same_panels_where_there_is_room(medium: Medium) -> None:
    medium = replace(medium, dpi=min(medium.dpi, 96.0))
    laid_out = lay_out(BOTH, medium)
    assert [place.panel for place in laid_out.places] == list(BOTH.panels)
    labels = [axes.get_ylabel() for axes in axes_of(laid_out, medium)]
    assert [words.split(",")[0].split(" ")[0] for words in labels] == ["Impedance", "Change", "Height", "Time", "Time"]


def test_places_are_to_the_pixel_and_map_ordinates() -> None:
    medium = screen(WIDE)
    laid_out = lay_out(BOTH, medium)
    for place, axes in zip(laid_out.places, axes_of(laid_out, medium), strict=True):
        assert (place.left, place.width) == (LEFT_PX, WIDE[0] - LEFT_PX - RIGHT_PX)
        ends = np.log10(axes.get_ylim()) if place.logarithmic else axes.get_ylim()
        np.testing.assert_allclose(ends, (place.low, place.high))
    last = laid_out.places[-1]
    assert last.top + last.height == pytest.approx(WIDE[1] - 44)


def test_on_paper_panels_have_their_heights_and_the_page_is_as_high_as_they_are() -> None:
    medium = replace(paper(11.0), dpi=50.0)
    laid_out = lay_out(BOTH, medium)
    assert [place.height for place in laid_out.places] == [panel.height_in for panel in BOTH.panels]
    last = laid_out.places[-1]
    assert laid_out.figure.get_figheight() == pytest.approx(last.top + last.height + medium.foot)
    (title,) = laid_out.figure.texts
    assert title.get_text() == "pair"


def test_a_low_window_gives_up_what_the_list_says_and_words_follow_the_room() -> None:
    laid_out = lay_out(BOTH, screen(SMALL))
    shown = [place.panel for place in laid_out.places]
    assert shown == [BOTH.panels[0], *BOTH.panels[3:]] and not laid_out.figure.texts

    def draw(axes: Axes) -> None:
        name_ordinate(axes, "a label that is rather long", "short")

    for height_in, wanted in ((2.5, "a label that is rather long"), (0.6, "short")):
        (axes,) = lay_out(PictureDescription("", (Panel(draw, height_in, 1.0),)), paper(5.0)).figure.axes
        assert axes.get_ylabel() == wanted and height_pt(axes) == pytest.approx(72 * height_in)


def test_nobody_else_lays_out() -> None:
    """Figures and axes are made by the layouter alone, for all that draw; a circuit has no panels."""
    for path in [*(ROOT / "analysis").rglob("*.py"), *(ROOT / "gui").rglob("*.py")]:
        called = {
            node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.Call)
        }
        both = {"add_axes", "new_figure"}
        allowed = {"layout": both, "schematic_picture": both, "picture_style": {"Figure"}}.get(path.stem, set())
        made = called & {"Figure", "new_figure", "add_axes", "add_subplot", "subplots", "GridSpec"}
        assert made == allowed, path
