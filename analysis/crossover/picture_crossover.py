"""The crossover as a picture: impedance at the terminals, and what each driver gets with the spread of the parts."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from stillbox.analysis.crossover.crossover import Computed, CrossoverReport
from stillbox.analysis.drawing.panels import Curve, Panel, PictureDescription
from stillbox.analysis.drawing.picture_style import (
    AFTER,
    ALONE,
    BEFORE,
    GRID,
    StateStyle,
    name_ordinate,
    plain_ohm_axis,
    tint,
)
from stillbox.analysis.drawing.state_panels import add_legend
from stillbox.analysis.levels.picture_levels import level_panels
from stillbox.capture.arrays import FloatArray

LOWEST_DB, HIGHEST_DB = -36.0, 9.0
IMPEDANCE_IN, LEVEL_IN, PHASE_IN, DIFFERENCE_IN = 2.2, 2.8, 1.8, 2.0
BAND_TINT = 0.2
LEAST_DIFFERENCE_DB, MOST_DIFFERENCE_DB = 1.0, 24.0
MOST_NAMED = 3
"""So many changes have no room in a legend."""
TICKS_DEG = (-180, -90, 0, 90, 180)
States = list[tuple[str, Computed, StateStyle]]


def picture_of_crossover(report: CrossoverReport) -> PictureDescription:
    """As planned, as measured, and as changed where something is tried, with what the change does to each driver."""
    states = [(name, one, style) for (name, one), style in zip(report.states, (BEFORE, ALONE), strict=False)]
    if report.changed is not None:
        short = len(report.swaps) < MOST_NAMED
        states.append((f"with {', '.join(report.swaps)}" if short else "as changed", report.changed, AFTER))
    panels = [_impedance_panel(report, states), _level_panel(report, states), _phase_panel(report, states)]
    if report.changed is not None:
        panels.insert(2, _difference_panel(report))
    if report.levels is not None:
        panels += level_panels(report.levels.series)
    title = f"{report.build}, unit {report.unit}: crossover"
    ends_hz = (float(report.frequency_hz[0]), float(report.frequency_hz[-1]))
    return PictureDescription(title, tuple(panels), ends_hz=ends_hz)


def _impedance_panel(report: CrossoverReport, states: States) -> Panel:
    hz = report.frequency_hz
    shown = [(name, np.abs(one.input_ohm), style) for name, one, style in states]
    if report.measured_ohm is not None:
        # Below, the levels have no names but those of the drivers.
        beyond = [name for name, _, style in shown if style is ALONE]
        name = f"measured (levels: {beyond[0]})" if beyond else "measured"
        measured = (name, np.abs(report.measured_ohm), ALONE)
        shown = [measured, *(one for one in shown if one[2] is not ALONE)]

    def draw(axes: Axes) -> None:
        for name, magnitude, style in shown:
            axes.plot(hz, magnitude, color=style.colour, linewidth=1.4, linestyle=style.line, label=name, zorder=3)
        values = np.concatenate([magnitude for _, magnitude, _ in shown])
        plain_ohm_axis(axes)
        axes.set_ylim(0.8 * np.nanmin(values), 1.25 * np.nanmax(values))
        name_ordinate(axes, "Impedance at the terminals, Ω", "Impedance, Ω")
        add_legend(axes)

    read = tuple(Curve(f"|Z| {name}", hz, magnitude, lambda value: f"{value:.3g} Ω") for name, magnitude, _ in shown)
    return Panel(draw, IMPEDANCE_IN, 1.1, 60.0, read)


def _level_panel(report: CrossoverReport, states: States) -> Panel:
    def draw(axes: Axes) -> None:
        for place, (_, one, style) in enumerate(states):
            _draw_levels(axes, report, one, style, named=place == len(states) - 1)
        axes.set_ylim(LOWEST_DB, HIGHEST_DB)
        axes.grid(axis="y", color=GRID, linewidth=0.7)
        name_ordinate(axes, "Level at the drivers, dB", "Level, dB")
        add_legend(axes)

    read = tuple(
        Curve(f"{driver} {name}", report.frequency_hz, level.level_db, lambda value: f"{value:+.2f} dB")
        for name, one, _ in states
        for driver, level in one.drivers.items()
    )
    return Panel(draw, LEVEL_IN, 1.4, 70.0, read)


def _phase_panel(report: CrossoverReport, states: States) -> Panel:
    """The first panel to give way: phases say something to few."""
    curves = [
        (driver, name, style, index, level.phase_deg)
        for name, one, style in states
        for index, (driver, level) in enumerate(one.drivers.items())
    ]

    def draw(axes: Axes) -> None:
        for _, _, style, index, phase_deg in curves:
            # No line across the panel where the phase passes half a turn.
            turns = np.where(np.abs(np.diff(phase_deg, prepend=phase_deg[:1])) > 180, np.nan, phase_deg)
            axes.plot(report.frequency_hz, turns, color=style.colour, linewidth=_weight(index), linestyle=style.line)
        axes.set_ylim(-190, 190)
        axes.set_yticks(TICKS_DEG)
        axes.grid(axis="y", color=GRID, linewidth=0.7)
        name_ordinate(axes, "Phase at the drivers, °", "Phase, °")

    read = tuple(
        Curve(f"{driver} {name}", report.frequency_hz, phase_deg, lambda value: f"{value:+.0f}°")
        for driver, name, _, _, phase_deg in curves
    )
    return Panel(draw, PHASE_IN, 0.7, 60.0, read)


def _difference_panel(report: CrossoverReport) -> Panel:
    """What the change does to each driver, over what the tolerances of the parts do anyway."""
    hz, style = report.frequency_hz, AFTER
    named, before = report.before
    both = [driver for driver in report.compared if not before.drivers[driver].is_nothing]
    curves = [(driver, _difference_db(report, before, driver)) for driver in both]

    def draw(axes: Axes) -> None:
        most = LEAST_DIFFERENCE_DB
        for index, (driver, difference) in enumerate(curves):
            level = report.built.drivers[driver]
            heard = level.level_db > np.max(level.level_db) + LOWEST_DB
            low, high = ((np.where(heard, one - level.level_db, np.nan)) for one in (level.low_db, level.high_db))
            axes.fill_between(hz, low, high, color=tint(style.colour, BAND_TINT), linewidth=0, zorder=1.5)
            shown = np.where(heard, difference, np.nan)
            label = f"{driver}, against {named}"
            axes.plot(hz, shown, color=style.colour, linewidth=_weight(index), label=label, zorder=3)
            most = max(most, float(np.nanmax(np.abs(shown))), float(np.nanmax(np.abs(low))))
        most = min(1.15 * most, MOST_DIFFERENCE_DB)
        axes.set_ylim(-most, most)
        axes.grid(axis="y", color=GRID, linewidth=0.7)
        name_ordinate(axes, "Difference, dB; shaded: tolerances", "Difference, dB")
        add_legend(axes)

    read = tuple(Curve(f"{driver} changes", hz, values, lambda value: f"{value:+.2f} dB") for driver, values in curves)
    return Panel(draw, DIFFERENCE_IN, 1.0, 55.0, read)


def _difference_db(report: CrossoverReport, before: Computed, driver: str) -> FloatArray:
    """NaN where a driver gets nothing."""
    assert report.changed is not None
    with np.errstate(invalid="ignore"):
        difference = report.changed.drivers[driver].level_db - before.drivers[driver].level_db
    shown: FloatArray = np.where(np.isfinite(difference), difference, np.nan)
    return shown


def _weight(index: int) -> float:
    return 1.8 if index == 0 else 1.0


def _draw_levels(axes: Axes, report: CrossoverReport, computed: Computed, style: StateStyle, named: bool) -> None:
    """Drivers are told apart by the weight of their lines, states by colour and dashes, as in the panel above."""
    for index, (driver, level) in enumerate(computed.drivers.items()):
        band = tint(style.colour, BAND_TINT)
        axes.fill_between(report.frequency_hz, level.low_db, level.high_db, color=band, linewidth=0, zorder=1.5)
        axes.plot(
            report.frequency_hz,
            level.level_db,
            color=style.colour,
            linewidth=_weight(index),
            linestyle=style.line,
            label=driver if named else None,
            zorder=3,
        )
