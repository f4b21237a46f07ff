"""From a view's panels to pixels: a figure laid out to the pixel, drawn beside the window's thread. No Qt here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from stillbox.gui.results.view import PanelRequest, Results, View, Wish

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LEFT_PX, RIGHT_PX, FOOT_PX, GAP_PX, HEAD_PX = 62, 56, 44, 12, 6
"""Margins of the panels in pixels of a screen of 96 dots an inch."""
SCREEN_DPI = 96.0


@dataclass(frozen=True)
class PanelPlace:
    """Where a panel lies, in pixels of the window from the top left, and how ordinates map to it.

    ``low`` and ``high`` are the ordinates at the lower and upper edge on an even axis (logarithms where it is one).
    """

    left: float
    top: float
    width: float
    height: float
    low: float
    high: float
    logarithmic: bool
    request: PanelRequest


@dataclass(frozen=True)
class Picture:
    """A drawn picture: RGBA bytes, shape (rows, columns, 4), and what is where."""

    pixels: NDArray[np.uint8]
    scale: float
    panels: tuple[PanelPlace, ...]
    low_hz: float
    high_hz: float
    size: tuple[int, int]


def make_picture(
    view: View,
    results: Results,
    wish: Wish,
    ends_hz: tuple[float, float],
    size: tuple[int, int],
    scale: float = 1.0,
    dark: bool = False,
) -> Picture:
    """Draw a view's panels.

    Parameters
    ----------
    ends_hz : (float, float)
        Frequency axis.
    size : (int, int)
        Width and height in pixels of the window.
    scale : float
        Pixels of the screen for each of these.
    dark : bool
        For a dark window: light and dark change places, hues stay.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.ticker import NullLocator

    from stillbox.analysis.drawing.picture_marks import draw_labels, draw_mark_lines, lanes_height_pt, place_labels
    from stillbox.analysis.drawing.picture_style import PAPER, SMALL_PT, frequency_axis, make_drawable, plain_axes
    from stillbox.analysis.drawing.picture_words import give_way, place_words

    width, height = size
    dpi = SCREEN_DPI * scale
    figure = Figure(figsize=(width / SCREEN_DPI, height / SCREEN_DPI), dpi=dpi, facecolor=PAPER)
    canvas = FigureCanvasAgg(figure)
    requests = view.panels(results, wish)
    marks = view.marks(results)
    panel_width = width - LEFT_PX - RIGHT_PX
    inside = [mark for mark in marks if ends_hz[0] <= mark.frequency_hz <= ends_hz[1]]
    named = inside[: _most_labels(height)]
    labels = place_labels(named, *ends_hz, panel_width * 72 / SCREEN_DPI) if requests else ()
    labels_px = lanes_height_pt(labels) / 72 * SCREEN_DPI if labels else 0.0
    top = HEAD_PX + labels_px
    room = height - top - FOOT_PX - GAP_PX * max(0, len(requests) - 1)
    requests, heights = _heights(requests, room)

    def axes_at(place_top: float, place_height: float, shared: Axes | None = None) -> Axes:
        box = (LEFT_PX / width, 1 - (place_top + place_height) / height, panel_width / width, place_height / height)
        axes = figure.add_axes(box, sharex=shared)
        plain_axes(axes)
        return axes

    drawn: list[tuple[Axes, float, float, PanelRequest]] = []
    label_axes = axes_at(HEAD_PX, labels_px) if labels else None
    for index, (request, panel_px) in enumerate(zip(requests, heights, strict=True)):
        axes = axes_at(top, panel_px)
        frequency_axis(axes, *ends_hz, labelled=index == len(requests) - 1)
        request.draw(axes)
        if index < len(requests) - 1:
            axes.xaxis.set_minor_locator(NullLocator())  # they are not to be seen there, but cost as much
        axes.set_xlim(*ends_hz)
        draw_mark_lines(axes, marks, zorder=2.7)
        if request.title:
            words = axes.text(
                0.995,
                0.93,
                request.title,
                transform=axes.transAxes,
                ha="right",
                va="top",
                fontsize=SMALL_PT + 1,
                color=request.colour,
                fontweight="bold",
                zorder=6,
                bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.0, "alpha": 0.85},
            )
            give_way(words)
        drawn.append((axes, top, panel_px, request))
        top += panel_px + GAP_PX
    if label_axes is not None:
        frequency_axis(label_axes, *ends_hz, labelled=False)
        draw_labels(label_axes, labels, inside)
    make_drawable(figure)
    place_words(figure)
    places = tuple(_place_of(*one, panel_width) for one in drawn)
    canvas.draw()  # type: ignore[no-untyped-call]
    shown = np.asarray(canvas.buffer_rgba())  # type: ignore[no-untyped-call]
    pixels = darkened(shown) if dark else shown.copy()
    # Its parts refer to each other in circles: what is taken apart here the garbage collector need not look for.
    figure.clear()
    return Picture(pixels, scale, places, *ends_hz, size)


def _place_of(axes: Axes, top: float, height: float, request: PanelRequest, width: float) -> PanelPlace:
    low, high = axes.get_ylim()
    logarithmic = axes.get_yscale() == "log"
    if logarithmic:
        low, high = float(np.log10(low)), float(np.log10(high))
    return PanelPlace(LEFT_PX, top, width, height, low, high, logarithmic, request)


def _most_labels(height: int) -> int:
    """So many resonances, the first ones, carry words in a picture of that height; the list names them all."""
    return 3 if height < 520 else 5 if height < 760 else 8


def _heights(requests: list[PanelRequest], room: float) -> tuple[list[PanelRequest], list[float]]:
    """Heights of the panels; where they would get too low, the one with the smallest share gives way."""
    kept = list(requests)
    while True:
        total = sum(request.share for request in kept)
        heights = [room * request.share / total for request in kept]
        cramped = any(height < request.least_px for height, request in zip(heights, kept, strict=True))
        if not cramped or len(kept) <= 2:
            return kept, [max(height, 20.0) for height in heights]
        # The difference and the heights can be read from the list; curves and decays cannot.
        kept.remove(min(kept, key=lambda request: request.share))
        room += GAP_PX


# Invert, then turn hues by half a circle: lightness changes places, hues stay (weights of Rec. 709).
_WEIGHTS = np.array([0.2126, 0.7152, 0.0722])
_TURN = 2 * np.outer(np.ones(3), _WEIGHTS) - np.eye(3)
DARK_PAPER = np.array([24.0, 29.0, 33.0])


def darkened(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """A picture on paper as it should look in a dark window; RGBA, same shape."""
    flat = 255.0 - pixels[..., :3].astype(np.float32)
    turned = flat @ _TURN.T.astype(np.float32)
    lifted = DARK_PAPER.astype(np.float32) + turned * (1.0 - DARK_PAPER.astype(np.float32) / 255.0)
    out = pixels.copy()
    out[..., :3] = np.clip(lifted, 0, 255).astype(np.uint8)
    return out
