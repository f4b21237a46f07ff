"""From a view's picture to pixels, made beside the window's thread. No Qt here."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from stillbox.analysis.drawing.medium import screen
from stillbox.gui.results.view import Results, View, Wish

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from stillbox.analysis.drawing.layout import PanelPlace


@dataclass(frozen=True)
class Picture:
    """A drawn picture: RGBA bytes, shape (rows, columns, 4), and what is where, in pixels of the window."""

    pixels: NDArray[np.uint8]
    scale: float
    panels: tuple[PanelPlace, ...]
    low_hz: float
    high_hz: float
    size: tuple[int, int]


@dataclass(frozen=True)
class Drawing:
    """A picture, and the figure that it was drawn in."""

    picture: Picture
    figure: Figure

    def take_apart(self) -> None:
        """Its parts refer to each other in circles: what is taken apart the garbage collector need not look for."""
        self.figure.clear()


def draw_picture(
    view: View,
    results: Results,
    wish: Wish,
    ends_hz: tuple[float, float],
    size: tuple[int, int],
    scale: float = 1.0,
    dark: bool = False,
) -> Drawing:
    """Draw a view's picture; whoever has the pixels takes the figure apart.

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

    from stillbox.analysis.drawing.layout import lay_out
    from stillbox.analysis.drawing.panels import PictureDescription

    described = view.picture(results, wish) or PictureDescription("", ())
    laid_out = lay_out(replace(described, ends_hz=ends_hz), screen(size, scale))
    canvas = laid_out.figure.canvas
    assert isinstance(canvas, FigureCanvasAgg)
    canvas.draw()  # type: ignore[no-untyped-call]
    shown = np.asarray(canvas.buffer_rgba())  # type: ignore[no-untyped-call]
    pixels = darkened(shown) if dark else shown.copy()
    return Drawing(Picture(pixels, scale, laid_out.places, *ends_hz, size), laid_out.figure)


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
