"""The bass as a picture: response, group delay, excursion and air speed in the port over one frequency axis."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes

from stillbox.analysis.bass.bass import BassCurves
from stillbox.analysis.drawing.panels import Curve, Panel, PictureDescription
from stillbox.analysis.drawing.picture_style import (
    GRID,
    RULE,
    SMALL_PT,
    SOFT_INK,
    StateStyle,
    backed,
    name_ordinate,
    state_styles,
)
from stillbox.analysis.drawing.picture_words import give_way
from stillbox.analysis.drawing.state_panels import add_legend
from stillbox.analysis.system.box_sound import HATCHED_DB, SHOWN_HZ
from stillbox.capture.arrays import FloatArray

WIDTH_IN, PANEL_IN = 9.0, 1.9
LOWEST_DB = -30.0
HEADROOM = 1.12
"""Ends of the ordinates over the highest value in view."""

NamedCurves = tuple[str, BassCurves]
Limits = Mapping[str, tuple[float, str]]


@dataclass(frozen=True)
class BassQuantity:
    """One quantity over frequency.

    Attributes
    ----------
    labels : tuple of str
        Of its ordinate, long and short.
    name, unit : str
        In a read-out.
    share : float
        Of a given height; where a picture is low the group delay gives way first.
    values : callable
        None where they are not known.
    """

    key: str
    labels: tuple[str, ...]
    name: str
    unit: str
    share: float
    values: Callable[[BassCurves], FloatArray | None]


BASS_QUANTITIES = (
    BassQuantity("level", ("Level, dB",), "level", "dB", 1.5, lambda curves: curves.level_db),
    BassQuantity(
        "delay", ("Group delay, ms", "Delay, ms"), "group delay", "ms", 1.0, lambda curves: 1e3 * curves.group_delay_s
    ),
    BassQuantity(
        "excursion", ("Excursion, mm", "Cone, mm"), "excursion", "mm", 1.1,
        lambda curves: _times(curves.excursion_m, 1e3),
    ),
    BassQuantity(
        "air speed", ("Air in port, m/s", "Port, m/s"), "air in the port", "m/s", 1.2,
        lambda curves: curves.port_speed_m_s,
    ),
)  # fmt: skip


def _times(values: FloatArray | None, factor: float) -> FloatArray | None:
    return None if values is None else factor * values


def picture_of_bass(title: str, named: Sequence[NamedCurves]) -> PictureDescription:
    """One or two sets of curves over each other; panels for which there are no numbers are left out."""
    panels = bass_panels(named, legend=len(named) > 1)
    return PictureDescription(title, panels, ends_hz=SHOWN_HZ, width_in=WIDTH_IN)


def bass_panels(
    named: Sequence[NamedCurves],
    limits: Limits | None = None,
    height_in: float = PANEL_IN,
    legend: bool = False,
) -> tuple[Panel, ...]:
    """A panel for each quantity for which there are numbers in all curves, the first with a ``legend`` if wanted.

    Parameters
    ----------
    limits : mapping, optional
        From the key of a quantity to a value that should not be passed, with its words; drawn where it is in view.
    """
    known = [one for one in BASS_QUANTITIES if all(one.values(curves) is not None for _, curves in named)]
    return tuple(
        _panel(quantity, named, limits or {}, height_in, legend and quantity is known[0]) for quantity in known
    )


def _panel(
    quantity: BassQuantity, named: Sequence[NamedCurves], limits: Limits, height_in: float, legend: bool
) -> Panel:
    read = []
    for name, curves in named:
        values = quantity.values(curves)
        assert values is not None
        words = f"{name}: {quantity.name}" if len(named) > 1 else quantity.name
        read.append(Curve(words, curves.frequency_hz, values, _with_unit(quantity)))

    def draw(axes: Axes) -> None:
        draw_bass(axes, quantity, named, limits)
        if legend:
            add_legend(axes)

    return Panel(draw, height_in, quantity.share, 48.0, tuple(read))


def _with_unit(quantity: BassQuantity) -> Callable[[float], str]:
    return lambda value: f"{value:.3g} {quantity.unit}".replace("-", "\N{MINUS SIGN}")


def draw_bass(axes: Axes, quantity: BassQuantity, named: Sequence[NamedCurves], limits: Limits) -> None:
    """One quantity of one or two sets of curves, its ordinate fitted to what is in view."""
    low_hz, high_hz = axes.get_xlim()
    highest = 0.0
    for (name, curves), style in zip(named, state_styles(len(named)), strict=True):
        values = quantity.values(curves)
        assert values is not None
        _draw(axes, curves.frequency_hz, values, name, style)
        shown = values[(curves.frequency_hz >= low_hz) & (curves.frequency_hz <= high_hz)]
        highest = max(highest, float(shown.max(initial=0.0)))
    name_ordinate(axes, *quantity.labels)
    axes.grid(axis="y", color=GRID, linewidth=0.7)
    if quantity.key == "level":
        axes.set_ylim(LOWEST_DB, max(3.0, highest + 2.0))
        axes.axhline(-3.0103, color=RULE, linewidth=0.9, zorder=0.9)
        _draw_hatched(axes, named)
        return
    axes.set_ylim(0.0, HEADROOM * highest or 1.0)
    if quantity.key in limits:
        _draw_limit(axes, *limits[quantity.key])


def _draw(axes: Axes, frequency_hz: FloatArray, values: FloatArray, name: str, style: StateStyle) -> None:
    axes.plot(
        frequency_hz, values, color=style.colour, linewidth=style.width, linestyle=style.line, label=name, zorder=3
    )


def _draw_hatched(axes: Axes, named: Sequence[NamedCurves]) -> None:
    """Bands where the level is not known, each set of curves with lines of its own slant and colour."""
    drawn = False
    for (_, curves), style, hatch in zip(named, state_styles(len(named)), ("///", "\\\\\\"), strict=False):
        for low_hz, high_hz in curves.hatched_hz:
            band = axes.axvspan(low_hz, high_hz, facecolor="none", edgecolor=style.colour, hatch=hatch, linewidth=0.0)
            band.set_alpha(0.35)
            band.set_zorder(0.8)
            drawn = True
    if drawn:
        # Below, where no level is: the hatching lies at high frequencies.
        words = axes.text(
            0.995,
            0.06,
            f"hatched: not known to {HATCHED_DB:g} dB",
            transform=axes.transAxes,
            ha="right",
            fontsize=SMALL_PT,
            color=SOFT_INK,
            bbox=backed(),
        )
        give_way(words)


def _draw_limit(axes: Axes, value: float, words: str) -> None:
    if value > axes.get_ylim()[1]:
        return
    axes.axhline(value, color=SOFT_INK, linewidth=0.9, linestyle=(0, (1.5, 2.0)), zorder=2)
    said = axes.text(
        0.995,
        value,
        words,
        transform=axes.get_yaxis_transform(),
        ha="right",
        va="bottom",
        fontsize=SMALL_PT,
        color=SOFT_INK,
    )
    give_way(said, along=True)
