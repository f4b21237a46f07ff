"""The bass as a picture: response, group delay, excursion and air speed in the port over one frequency axis."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analysis.bass import BassCurves
from analysis.picture_style import (
    GRID,
    INK,
    TEXT_PT,
    TITLE_PT,
    StateStyle,
    frequency_axis,
    new_figure,
    plain_axes,
    state_styles,
)
from capture.arrays import FloatArray

WIDTH_IN = 9.0
PANEL_IN = 1.9
LOW_HZ, HIGH_HZ = 10.0, 500.0
LOWEST_DB = -30.0


@dataclass(frozen=True)
class _Panel:
    label: str
    values: Callable[[BassCurves], FloatArray | None]


_PANELS = (
    _Panel("Level, dB", lambda curves: curves.level_db),
    _Panel("Group delay, ms", lambda curves: 1e3 * curves.group_delay_s),
    _Panel("Excursion, mm", lambda curves: _times(curves.excursion_m, 1e3)),
    _Panel("Air in port, m/s", lambda curves: curves.port_speed_m_s),
)


def _times(values: FloatArray | None, factor: float) -> FloatArray | None:
    return None if values is None else factor * values


def picture_of_bass(title: str, named: Sequence[tuple[str, BassCurves]]) -> Figure:
    """One or two sets of curves over each other; panels for which there are no numbers are left out."""
    panels = [panel for panel in _PANELS if all(panel.values(curves) is not None for _, curves in named)]
    figure = new_figure(WIDTH_IN, PANEL_IN * len(panels) + 0.6)
    all_axes = np.atleast_1d(figure.subplots(len(panels), 1, sharex=True))
    for axes, panel in zip(all_axes, panels, strict=True):
        plain_axes(axes)
        frequency_axis(axes, LOW_HZ, HIGH_HZ, labelled=axes is all_axes[-1])
        axes.set_ylabel(panel.label, fontsize=TEXT_PT, color=INK)
        axes.grid(axis="y", color=GRID, linewidth=0.7)
        for (name, curves), style in zip(named, state_styles(len(named)), strict=True):
            _draw(axes, curves, panel, name, style)
    all_axes[0].set_ylim(bottom=LOWEST_DB)
    for axes in all_axes[1:]:
        axes.set_ylim(bottom=0.0)
    if len(named) > 1:
        all_axes[0].legend(frameon=False, fontsize=TEXT_PT, loc="lower right")
    figure.suptitle(title, fontsize=TITLE_PT, color=INK, x=0.01, ha="left")
    return figure


def _draw(axes: Axes, curves: BassCurves, panel: _Panel, name: str, style: StateStyle) -> None:
    values = panel.values(curves)
    assert values is not None
    inside = (curves.frequency_hz >= LOW_HZ) & (curves.frequency_hz <= HIGH_HZ)
    axes.plot(
        curves.frequency_hz[inside],
        values[inside],
        color=style.colour,
        linewidth=style.width,
        linestyle=style.line,
        label=name,
    )
