"""What a view of the results is: it computes from takes, describes a picture, tells and exports.

To add a view: one module in ``gui/views/`` that binds ``VIEW`` to an object of a class derived from ``View``, and its
line in `gui.views.all_views`. What the person may change in it (a number, a choice) it declares in its results, and the
window makes the fields. ``compute``, ``change`` and ``picture`` run beside the window's thread and must not touch Qt.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

from stillbox.analysis.controls import Asked, Control
from stillbox.capture.arrays import FloatArray
from stillbox.gui.results.parts_sheet import PartsSheet

if TYPE_CHECKING:
    from stillbox.analysis.bench import Bench
    from stillbox.analysis.drawing.panels import PictureDescription
    from stillbox.capture.recording.take import TakeInfo


Overlay = tuple[tuple[int, FloatArray, FloatArray], ...]
"""Place of a panel from the top, frequencies and values of each curve."""


@dataclass(frozen=True)
class Wish:
    """How the person wants it drawn."""

    decay_style: Literal["ridges", "heat"] = "ridges"
    cycles: bool = False


@dataclass(frozen=True)
class Row:
    """One line of the list beside the picture.

    Attributes
    ----------
    frequency_hz : float or None
        Where it is marked in the picture; None for what has no place there.
    cause : str
        Its sign stands before the line; empty for what has no cause.
    head, numbers : str
        What is always shown: what it is (frequency with cause), and the numbers in short.
    values : tuple of str
        The numbers with their uncertainty, a line each.
    details : tuple of str
        Shown when it is selected: evidence, limits.
    advice : str
    meaning : str
        What the quantity means, where that is no matter of course.
    """

    frequency_hz: float | None
    cause: str
    head: str
    numbers: str
    values: tuple[str, ...] = ()
    details: tuple[str, ...] = ()
    advice: str = ""
    meaning: str = ""


@dataclass(frozen=True)
class Results:
    """What a view has computed so far: the window shows it and keeps it, and lanes read it: nobody changes it.

    Attributes
    ----------
    sentence : str
        The result in plain words.
    rows : tuple of Row
    notes : tuple of str
        Warnings and reasons.
    title : str
        Of the picture on paper, and of files.
    ends_hz : (float, float)
        Frequency axis when nothing is zoomed.
    controls : tuple of Number and Choice
        What the person may change; the window makes the fields and calls ``View.change``.
    asked : mapping
        What was changed for these results.
    data : object
        The view's own.
    complete : bool
        Whether nothing more follows.
    passing : bool
        Whether more usually follows within a moment: it is drawn only where that takes longer.
    first : int or None
        So many rows are shown at first, the rest folded; None shows all.
    sheet : PartsSheet or None
        Parts of a crossover, to be written on; the window has a table for them.
    overlay : tuple of (int, ndarray, ndarray)
        Painted at once over the picture that is there, until that of these results is drawn.
    """

    sentence: str
    rows: tuple[Row, ...] = ()
    notes: tuple[str, ...] = ()
    title: str = ""
    ends_hz: tuple[float, float] = (15.0, 20_000.0)
    controls: tuple[Control, ...] = ()
    asked: Asked = field(default_factory=dict)
    data: Any = None
    complete: bool = True
    passing: bool = False
    first: int | None = None
    sheet: PartsSheet | None = None
    overlay: Overlay = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "asked", MappingProxyType(dict(self.asked)))


@dataclass(frozen=True)
class Export:
    """Something that can be written to a file: words for the menu, ends of file names, and how."""

    words: str
    suffixes: tuple[str, ...]
    write: Callable[[Path], None]


class View:
    """A reading of one or two takes."""

    key = ""
    title = ""
    tip = ""
    order = 0
    takes = 1
    """How many takes it shows at once."""
    needs = "a take that it can show"
    """Said where it cannot show what is selected."""
    listed = "&Resonances"
    """Heading of the list beside the picture; & marks the letter that leads to it."""
    list_tip = ""
    pick = "Select a resonance to see it lit in the picture, with the evidence and what to do."
    """Said below the list while nothing of it is selected."""
    decays = True
    """Whether it draws decays, so that their style and time axis can be chosen."""

    def fits(self, takes: Sequence[TakeInfo]) -> bool:
        """Whether it has something to say of these."""
        return len(takes) == self.takes

    def likeliest(self, takes: Sequence[TakeInfo]) -> TakeInfo | None:
        """Which of these takes to show where none that fits was chosen: the last one that does."""
        return next((take for take in reversed(takes) if self.fits([take])), None)

    def compute(self, bench: Bench, takes: Sequence[TakeInfo]) -> Iterator[Results]:
        """What is known, again and again, ever more complete."""
        raise NotImplementedError

    def change(self, bench: Bench, results: Results, asked: Asked) -> Iterator[Results]:
        """The same with what the person has changed; ``results`` are those of ``compute``, in the end."""
        raise NotImplementedError

    def picture(self, results: Results, wish: Wish) -> PictureDescription | None:
        """What there is to be seen, in the window and on paper; None if nothing is."""
        raise NotImplementedError

    def exports(self, results: Results, wish: Wish) -> list[Export]:
        """Tables and files for other programs."""
        return []
