"""The look of all pictures: colours, sizes of text, axes, and what is done to a figure last.

Colours keep apart for red-green and blue-yellow colour blindness and in grey print (lightness differs); none is the
only carrier of a meaning: causes differ by marker and word, states by line and name.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

from matplotlib import rc_context
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import LinearSegmentedColormap, to_rgb
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.text import Text
from matplotlib.textpath import text_to_path
from matplotlib.ticker import FixedLocator, FuncFormatter, Locator, NullFormatter

from stillbox.analysis.drawing.medium import PICTURE_DPI
from stillbox.analysis.drawing.picture_words import place_words
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.output_file import MARK, PICTURE
from stillbox.capture.shown_text import visible

INK = "#22303a"
SOFT_INK = "#5c6b76"
RULE = "#c3ccd2"
GRID = "#e9edf0"
PAPER = "#ffffff"
BLIND = "#d9e0e4"
"""Hatching of what was not or cannot be measured."""

TEXT_PT = 9.5
SMALL_PT = 8.0

MOST_LETTERS = 120
"""A line of small text across the widest picture."""

UNKNOWN_LETTER = "\N{WHITE SQUARE}"

LOWEST_HZ = 15.0
HIGHEST_HZ = 20_000.0


def backed(pad: float = 1.0, alpha: float = 0.85) -> dict[str, object]:
    """The ground of words that stand over curves: paper that lets a little through, as ``bbox`` of a text."""
    return {"facecolor": PAPER, "edgecolor": "none", "pad": pad, "alpha": alpha}


@dataclass(frozen=True)
class StateStyle:
    """How a state is drawn wherever it appears."""

    colour: str
    dashes: tuple[float, ...]
    width: float

    @property
    def line(self) -> str | tuple[float, tuple[float, ...]]:
        """Line style as matplotlib takes it."""
        return (0.0, self.dashes) if self.dashes else "-"


ALONE = StateStyle("#2f4f6f", (), 1.5)
BEFORE = StateStyle("#b9622b", (5.0, 1.6), 1.4)
AFTER = StateStyle("#0f6b74", (), 1.7)


HEAT = LinearSegmentedColormap.from_list(
    "stillbox-heat", ["#ffffff", "#e4eef0", "#b5d3d3", "#7db0b1", "#478a92", "#2b6079", "#2a3a5e", "#251a3a"]
)
"""From paper to ink: lightness falls evenly, so it reads the same in grey."""


def state_styles(count: int) -> tuple[StateStyle, ...]:
    """Styles of one state alone, or of the earlier and the later of two."""
    if count not in (1, 2):
        raise StillboxError(f"a picture shows one state or two, not {count}", "")
    return (ALONE,) if count == 1 else (BEFORE, AFTER)


def tint(colour: str, share: float) -> tuple[float, float, float]:
    """A colour thinned with paper: share 0 is paper, 1 the colour."""
    red, green, blue = to_rgb(colour)
    return (1 - share * (1 - red), 1 - share * (1 - green), 1 - share * (1 - blue))


def new_figure(width_in: float, height_in: float, dpi: float = PICTURE_DPI) -> Figure:
    """An empty figure with its own canvas; no global state is touched."""
    figure = Figure(figsize=(width_in, height_in), dpi=dpi, facecolor=PAPER)
    FigureCanvasAgg(figure)
    return figure


@cache
def text_width_pt(text: str, size_pt: float) -> float:
    """Width of a text in points, measured on the font itself."""
    width, _, _ = text_to_path.get_text_width_height_descent(text, FontProperties(size=size_pt), ismath=False)
    return float(width)


def height_pt(axes: Axes) -> float:
    """Height of a panel in points."""
    return 72 * float(axes.bbox.height) / axes.figure.dpi


def name_ordinate(axes: Axes, *labels: str, colour: str = INK) -> None:
    """Label the ordinate by the first of these that is no longer than the panel is high, else by the last."""
    room_pt = height_pt(axes)
    fitting = (label for label in labels if text_width_pt(label, TEXT_PT) <= room_pt)
    axes.set_ylabel(next(fitting, labels[-1]), fontsize=TEXT_PT, color=colour)


def tick_text(frequency_hz: float) -> str:
    """A tick's frequency: 20, 500, 1k, 20k."""
    return f"{frequency_hz / 1_000:g}k" if frequency_hz >= 1_000 else f"{frequency_hz:g}"


def signed_text(value: float, sign: str = "-") -> str:
    """A number with a true minus, and with a plus where ``sign`` is "+"."""
    return f"{value:{sign}g}".replace("-", "\N{MINUS SIGN}")


def plain_axes(axes: Axes) -> None:
    """Thin rules on the left and below, no box, light text."""
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set(color=RULE, linewidth=0.8)
    light_ticks(axes)
    axes.set_facecolor("none")
    axes.set_axisbelow(True)


def light_ticks(axes: Axes) -> None:
    """All that a tick is: what is not said here a ruler does not know."""
    axes.tick_params(which="both", colors=SOFT_INK, labelsize=SMALL_PT, width=0.7, length=3, pad=3.5)
    axes.tick_params(which="minor", length=2)


class _ShownLocator(Locator):
    """Ticks at given places as far as they are in view: each tick costs, seen or not."""

    def __init__(self, places: Sequence[float]) -> None:
        self._places = places

    def __call__(self) -> Sequence[float]:
        assert self.axis is not None
        low, high = sorted(self.axis.get_view_interval())
        return [place for place in self._places if low <= place <= high]


def _decade_steps(steps: Sequence[int], powers: range) -> _ShownLocator:
    return _ShownLocator([step * 10.0**power for power in powers for step in steps])


def frequency_axis(axes: Axes, low_hz: float, high_hz: float, labelled: bool = True) -> None:
    """A logarithmic frequency axis with ticks at 1, 2 and 5 of each decade."""
    axes.set_xscale("log")
    axes.set_xlim(low_hz, high_hz)
    axes.xaxis.set_major_locator(_decade_steps((1, 2, 5), range(6)))
    axes.xaxis.set_minor_locator(_decade_steps((3, 4, 6, 7, 8, 9), range(6)))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: tick_text(value)))
    axes.grid(axis="x", which="major", color=GRID, linewidth=0.7)
    if labelled:
        axes.set_xlabel("Frequency, Hz", fontsize=TEXT_PT, color=INK)
    else:
        axes.tick_params(axis="x", which="both", labelbottom=False, length=0)
        axes.spines["bottom"].set_visible(False)


def plain_ohm_axis(axes: Axes, steps: Sequence[int] = (1, 2, 5)) -> None:
    """A logarithmic ohm axis with plain numbers at the given steps of each decade."""
    axes.set_yscale("log")
    axes.yaxis.set_major_locator(_decade_steps(steps, range(-5, 6)))
    axes.yaxis.set_minor_locator(FixedLocator([]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.grid(axis="y", which="major", color=GRID, linewidth=0.7)


def make_drawable(figure: Figure) -> None:
    """Make all text of a figure safe to be drawn.

    Names come from people: ``$`` is no mathematics in them, control characters become visible, letters that the font
    lacks become boxes, and what is longer than the picture is wide is cut.
    """
    for text in _texts_of(figure):
        text.set_parse_math(False)
        words = text.get_text()
        if words:
            text.set_text(_drawable(words))


def _texts_of(artist: Artist) -> Iterator[Text]:
    """All text but the labels of ticks: these are numbers of ours, and to ask for them makes every tick."""
    if isinstance(artist, Text):
        yield artist
    for part in (artist.label, artist.offsetText) if isinstance(artist, Axis) else artist.get_children():
        yield from _texts_of(part)


def _drawable(words: str) -> str:
    known = _letters_of_font()
    shown = "".join(
        letter if letter == "\n" or ord(letter) in known else UNKNOWN_LETTER for letter in visible(words, "\n")
    )
    return shown if len(shown) <= MOST_LETTERS else shown[: MOST_LETTERS - 1].rstrip() + "…"


@cache
def _letters_of_font() -> frozenset[int]:
    return frozenset(get_font(findfont(FontProperties())).get_charmap())


def finish(figure: Figure) -> None:
    """The last step before pixels, when all is drawn: text is safe, and words keep off the curves."""
    make_drawable(figure)
    place_words(figure)


def figure_bytes(figure: Figure, suffix: str) -> bytes:
    """A finished figure as the content of a .svg, .png or .pdf file; the suffix with its dot or without."""
    suffix = "." + suffix.lower().lstrip(".")
    if suffix not in PICTURE.suffixes:
        raise StillboxError(f"no picture is written as '{suffix}'", f"choose one of {', '.join(PICTURE.suffixes)}")
    # Without date and with a fixed salt the same results give the same file.
    metadata = {
        ".svg": {"Date": None, "Creator": MARK},
        ".pdf": {"CreationDate": None, "Creator": MARK},
        ".png": {"Software": MARK},
    }[suffix]
    buffer = io.BytesIO()
    with rc_context({"svg.hashsalt": "stillbox"}):
        figure.savefig(buffer, format=suffix[1:], dpi=figure.dpi, metadata=metadata, facecolor=figure.get_facecolor())
    return buffer.getvalue()
