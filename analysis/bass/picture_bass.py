"""The bass as a picture: response, group delay, excursion and air speed in the port over one frequency axis."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from stillbox.analysis.bass.bass import BassCurves
from stillbox.analysis.drawing.picture_style import (
    GRID,
    INK,
    RULE,
    SMALL_PT,
    SOFT_INK,
    TEXT_PT,
    TITLE_PT,
    StateStyle,
    backed,
    frequency_axis,
    new_figure,
    plain_axes,
    state_styles,
)
from stillbox.analysis.drawing.picture_words import give_way
from stillbox.analysis.system.box_sound import HATCHED_DB, SHOWN_HZ
from stillbox.capture.arrays import FloatArray

WIDTH_IN = 9.0
PANEL_IN = 1.9
LOW_HZ, HIGH_HZ = SHOWN_HZ
LOWEST_DB = -30.0
HEADROOM = 1.12
"""Ends of the ordinates over the highest value in view."""

NamedCurves = tuple[str, BassCurves]


@dataclass(frozen=True)
class BassPanel:
    """One quantity over frequency: its ordinate's label, its name and unit in a read-out, its values if known."""

    key: str
    label: str
    name: str
    unit: str
    values: Callable[[BassCurves], FloatArray | None]


BASS_PANELS = (
    BassPanel("level", "Level, dB", "level", "dB", lambda curves: curves.level_db),
    BassPanel("delay", "Group delay, ms", "group delay", "ms", lambda curves: 1e3 * curves.group_delay_s),
    BassPanel("excursion", "Excursion, mm", "excursion", "mm", lambda curves: _times(curves.excursion_m, 1e3)),
    BassPanel("air speed", "Air in port, m/s", "air in the port", "m/s", lambda curves: curves.port_speed_m_s),
)


def _times(values: FloatArray | None, factor: float) -> FloatArray | None:
    return None if values is None else factor * values


def known_panels(named: Sequence[NamedCurves]) -> list[BassPanel]:
    """Those for which there are numbers in all curves."""
    return [panel for panel in BASS_PANELS if all(panel.values(curves) is not None for _, curves in named)]


def picture_of_bass(title: str, named: Sequence[NamedCurves]) -> Figure:
    """One or two sets of curves over each other; panels for which there are no numbers are left out."""
    panels = known_panels(named)
    figure = new_figure(WIDTH_IN, PANEL_IN * len(panels) + 0.6)
    all_axes = np.atleast_1d(figure.subplots(len(panels), 1, sharex=True))
    for axes, panel in zip(all_axes, panels, strict=True):
        plain_axes(axes)
        frequency_axis(axes, LOW_HZ, HIGH_HZ, labelled=axes is all_axes[-1])
        draw_bass(axes, panel, named)
    if len(named) > 1:
        all_axes[0].legend(frameon=False, fontsize=TEXT_PT, loc="lower right")
    figure.suptitle(title, fontsize=TITLE_PT, color=INK, x=0.01, ha="left")
    return figure


def draw_bass(
    axes: Axes, panel: BassPanel, named: Sequence[NamedCurves], limits: Mapping[str, tuple[float, str]] | None = None
) -> None:
    """One panel of one or two sets of curves, its ordinate fitted to what is in view.

    Parameters
    ----------
    limits : mapping, optional
        From the key of a panel to a value that should not be passed, with its words; drawn where it is in view.
    """
    low_hz, high_hz = axes.get_xlim()
    highest = 0.0
    for (name, curves), style in zip(named, state_styles(len(named)), strict=True):
        values = panel.values(curves)
        assert values is not None
        _draw(axes, curves.frequency_hz, values, name, style)
        shown = values[(curves.frequency_hz >= low_hz) & (curves.frequency_hz <= high_hz)]
        highest = max(highest, float(shown.max(initial=0.0)))
    axes.set_ylabel(panel.label, fontsize=TEXT_PT, color=INK)
    axes.grid(axis="y", color=GRID, linewidth=0.7)
    if panel.key == "level":
        axes.set_ylim(LOWEST_DB, max(3.0, highest + 2.0))
        axes.axhline(-3.0103, color=RULE, linewidth=0.9, zorder=0.9)
        _draw_hatched(axes, named)
        return
    axes.set_ylim(0.0, HEADROOM * highest or 1.0)
    if limits and panel.key in limits:
        _draw_limit(axes, *limits[panel.key])


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
