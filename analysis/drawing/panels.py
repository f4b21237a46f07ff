"""What a picture is, described plainly: panels over one frequency axis, marks through all of them.

A topic makes each of its pictures once, as a `PictureDescription`; `analysis.drawing.layout` puts it on paper or into
the window.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from stillbox.analysis.drawing.picture_style import HIGHEST_HZ, INK, LOWEST_HZ
from stillbox.capture.arrays import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from stillbox.analysis.drawing.picture_marks import Mark


@dataclass(frozen=True)
class Curve:
    """What the cursor reads in a panel: values over frequency with their unit in words."""

    name: str
    frequency_hz: FloatArray
    values: FloatArray
    words: Callable[[float], str]


@dataclass(frozen=True)
class DecaySurface:
    """What the time cursor reads in a panel of decay.

    Attributes
    ----------
    starts : ndarray, shape (n_t,)
        In ms or cycles.
    level_db : ndarray, shape (n_t, n_f)
        NaN where the measurement says nothing.
    height_of : callable
        From a time to the ordinate of the panel, and ``time_of`` back.
    """

    name: str
    frequency_hz: FloatArray
    starts: FloatArray
    level_db: FloatArray
    unit: str
    height_of: Callable[[float], float]
    time_of: Callable[[float], float]
    slice_heights: Callable[[float], FloatArray] | None = None
    """Ordinates of one slice at a time, shape (n_f,), where slices are drawn as ridges."""


@dataclass(frozen=True)
class Panel:
    """One panel: how high it is, how it is drawn, and what can be read in it.

    Attributes
    ----------
    draw : callable
        Draws into an axes that has its place and its frequency axis.
    height_in : float
        Where a picture is as high as its panels are.
    share : float
        Of the height, where that is given.
    least_pt : float
        Lower it says nothing; where it would be, it or another gives way.
    curves, surface
        For the cursor.
    title, colour : str
        Words in its upper corner.
    """

    draw: Callable[[Axes], None]
    height_in: float
    share: float
    least_pt: float = 45.0
    curves: tuple[Curve, ...] = ()
    surface: DecaySurface | None = None
    title: str = ""
    colour: str = INK


@dataclass(frozen=True)
class PictureDescription:
    """A picture on any medium.

    Attributes
    ----------
    title : str
    panels : tuple of Panel
        From top to bottom.
    marks : tuple of Mark
        They run through all panels; words go to the first of them, so in the order of the list.
    ends_hz : (float, float)
        Of the frequency axis.
    width_in : float
        Usual width on paper.
    """

    title: str
    panels: tuple[Panel, ...]
    marks: tuple[Mark, ...] = ()
    ends_hz: tuple[float, float] = (LOWEST_HZ, HIGHEST_HZ)
    width_in: float = 11.0
