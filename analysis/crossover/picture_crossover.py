"""The crossover as a picture: impedance at the terminals, and what each driver gets with the spread of the parts."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from stillbox.analysis.crossover.crossover import Computed, CrossoverReport
from stillbox.analysis.drawing.panels import Curve, Panel, PictureDescription
from stillbox.analysis.drawing.picture_style import (
    GRID,
    StateStyle,
    name_ordinate,
    plain_ohm_axis,
    state_styles,
    tint,
)
from stillbox.analysis.drawing.state_panels import add_legend

LOWEST_DB, HIGHEST_DB = -36.0, 9.0
IMPEDANCE_IN, LEVEL_IN = 2.2, 2.8
BAND_TINT = 0.2


def picture_of_crossover(report: CrossoverReport) -> PictureDescription:
    """As planned, and as tried where something is."""
    computed = [("as measured" if report.measured_parts else "as planned", report.built)]
    if report.changed is not None:
        computed.append((f"with {', '.join(report.swaps)}", report.changed))
    panels = (_impedance_panel(report, computed), _level_panel(report, computed))
    title = f"{report.build}, unit {report.unit}: crossover"
    return PictureDescription(title, panels, ends_hz=(float(report.frequency_hz[0]), float(report.frequency_hz[-1])))


def _impedance_panel(report: CrossoverReport, computed: list[tuple[str, Computed]]) -> Panel:
    hz = report.frequency_hz
    shown = [(name, np.abs(one.input_ohm)) for name, one in computed]
    if report.measured_ohm is not None:
        shown[0] = ("measured", np.abs(report.input_ohm))

    def draw(axes: Axes) -> None:
        for (name, magnitude), style in zip(shown, state_styles(len(shown)), strict=True):
            axes.plot(hz, magnitude, color=style.colour, linewidth=1.4, linestyle=style.line, label=name, zorder=3)
        values = np.concatenate([magnitude for _, magnitude in shown])
        plain_ohm_axis(axes)
        axes.set_ylim(0.8 * np.nanmin(values), 1.25 * np.nanmax(values))
        name_ordinate(axes, "Impedance at the terminals, Ω", "Impedance, Ω")
        add_legend(axes)

    read = tuple(Curve(f"|Z| {name}", hz, magnitude, lambda value: f"{value:.3g} Ω") for name, magnitude in shown)
    return Panel(draw, IMPEDANCE_IN, 1.0, 60.0, read)


def _level_panel(report: CrossoverReport, computed: list[tuple[str, Computed]]) -> Panel:
    def draw(axes: Axes) -> None:
        for (name, one), style in zip(computed, state_styles(len(computed)), strict=True):
            _draw_levels(axes, report, one, style, name if len(computed) > 1 else "")
        axes.set_ylim(LOWEST_DB, HIGHEST_DB)
        axes.grid(axis="y", color=GRID, linewidth=0.7)
        name_ordinate(axes, "Level at the drivers, dB", "Level, dB")
        add_legend(axes)

    read = tuple(
        Curve(f"{driver} {name}", report.frequency_hz, level.level_db, lambda value: f"{value:+.2f} dB")
        for name, one in computed
        for driver, level in one.drivers.items()
    )
    return Panel(draw, LEVEL_IN, 1.4, 70.0, read)


def _draw_levels(axes: Axes, report: CrossoverReport, computed: Computed, style: StateStyle, name: str) -> None:
    """Drivers are told apart by the weight of their lines, states by colour and dashes."""
    for index, (driver, level) in enumerate(computed.drivers.items()):
        words = f"{driver}, {name}" if name else driver
        band = tint(style.colour, BAND_TINT)
        axes.fill_between(report.frequency_hz, level.low_db, level.high_db, color=band, linewidth=0, zorder=1.5)
        axes.plot(
            report.frequency_hz,
            level.level_db,
            color=style.colour,
            linewidth=1.8 if index == 0 else 1.0,
            linestyle=style.line,
            label=words,
            zorder=3,
        )
