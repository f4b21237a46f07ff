"""A series of levels as a picture: inductance and harmonics of the current, a curve a level, the loudest darkest."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from stillbox.analysis.drawing.panels import Curve, Panel, PictureDescription
from stillbox.analysis.drawing.picture_style import GRID, INK, name_ordinate, state_styles, tint
from stillbox.analysis.drawing.state_panels import add_legend
from stillbox.analysis.levels.level_reading import Level
from stillbox.analysis.levels.level_series import LevelSeries
from stillbox.analysis.maths.number_words import short_number
from stillbox.capture.arrays import FloatArray

ENDS_HZ = (20.0, 2500.0)
COIL_IN, HARMONIC_IN = 2.4, 2.4
LOWEST_DB, HIGHEST_DB = -120.0, 0.0
_PALEST = 0.35


def picture_of_levels(series: LevelSeries, title: str) -> PictureDescription:
    """Inductance (of a coil on the clips), third harmonic, and the others of the loudest take."""
    return PictureDescription(title, level_panels(series), ends_hz=ENDS_HZ)


def level_panels(series: LevelSeries) -> tuple[Panel, ...]:
    """The same to be put below others."""
    harmonics = (_third_panel(series), _others_panel(series))
    if series.coil is None and all(level.inductance is not None for level in series.levels):
        return (_inductance_panel(series), *harmonics)
    return harmonics


def _name(series: LevelSeries, level: Level) -> str:
    if series.known:
        return f"{short_number(level.current / np.sqrt(2), 2)} A"
    return f"{20 * np.log10(level.current / series.loudest.current):.0f} dB".replace("-", "\N{MINUS SIGN}")


def _colours(series: LevelSeries) -> list[tuple[float, float, float]]:
    count, colour = len(series.levels), state_styles(2)[1].colour
    return [tint(colour, _PALEST + (1 - _PALEST) * (index + 1) / count) for index in range(count)]


def _inductance_panel(series: LevelSeries) -> Panel:
    def draw(axes: Axes) -> None:
        for level, colour in zip(series.levels, _colours(series), strict=True):
            curves = level.curves
            axes.plot(curves.frequency_hz, 1e3 * curves.inductance_h, color=colour, linewidth=1.5,
                      label=_name(series, level), zorder=3)  # fmt: skip
        inside = [
            1e3 * level.curves.inductance_h[
                (level.curves.frequency_hz >= ENDS_HZ[0]) & (level.curves.frequency_hz <= ENDS_HZ[1])
            ]
            for level in series.levels
        ]
        low, high = (float(end(np.concatenate(inside))) for end in (np.min, np.max))
        room = max(0.1 * (high - low), 0.02 * high)
        axes.set_ylim(low - room, high + 2 * room)
        axes.grid(axis="y", color=GRID, linewidth=0.7)
        name_ordinate(axes, "Inductance, mH", "L, mH")
        add_legend(axes)

    read = tuple(
        Curve(
            f"L at {_name(series, level)}",
            level.curves.frequency_hz,
            1e3 * level.curves.inductance_h,
            lambda value: f"{value:.4g} mH",
        )
        for level in series.levels
    )
    return Panel(draw, COIL_IN, 1.2, 60.0, read)


def _third_panel(series: LevelSeries) -> Panel:
    def draw(axes: Axes) -> None:
        for level, colour in zip(series.levels, _colours(series), strict=True):
            curves = level.curves
            axes.plot(curves.frequency_hz, curves.harmonic_db[3], color=colour, linewidth=1.5,
                      label=_name(series, level), zorder=3)  # fmt: skip
            axes.plot(curves.frequency_hz, curves.floor_db[3], color=colour, linewidth=0.8, linestyle=":", zorder=2)
        _decibel_axis(axes, [level.curves.harmonic_db[3] for level in series.levels],
                      [level.curves.floor_db[3] for level in series.levels])  # fmt: skip
        name_ordinate(axes, "3rd harmonic of the current, dB (dotted: floor)", "3rd harmonic, dB", "3rd, dB")
        add_legend(axes)

    read = tuple(
        _read(f"3rd at {_name(series, level)}", level, 3) for level in series.levels
    )
    return Panel(draw, HARMONIC_IN, 1.2, 60.0, read)


def _others_panel(series: LevelSeries) -> Panel:
    loudest = series.loudest
    others = (2, 4, 5)
    names = {2: "2nd", 4: "4th", 5: "5th"}

    def draw(axes: Axes) -> None:
        for order, line in zip(others, ("--", "-.", "-"), strict=True):
            curves = loudest.curves
            axes.plot(curves.frequency_hz, curves.harmonic_db[order], color=INK, linewidth=1.2, linestyle=line,
                      label=f"{names[order]} at {_name(series, loudest)}", zorder=3)  # fmt: skip
        _decibel_axis(axes, [loudest.curves.harmonic_db[order] for order in others],
                      [loudest.curves.floor_db[order] for order in others])  # fmt: skip
        name_ordinate(axes, "Other harmonics, dB", "Others, dB")
        add_legend(axes)

    return Panel(draw, HARMONIC_IN, 1.0, 60.0, tuple(_read(names[order], loudest, order) for order in others))


def _read(name: str, level: Level, order: int) -> Curve:
    return Curve(name, level.curves.frequency_hz, level.curves.harmonic_db[order], lambda value: f"{value:.1f} dB")


def _decibel_axis(axes: Axes, shown: list[FloatArray], floors: list[FloatArray]) -> None:
    values = np.concatenate([*shown, *floors])
    values = values[np.isfinite(values) & (values > LOWEST_DB)]
    low, high = (float(np.min(values)), float(np.max(values))) if values.size else (LOWEST_DB, -60.0)
    axes.set_ylim(max(low - 6, LOWEST_DB), min(high + 10, HIGHEST_DB))
    axes.grid(axis="y", color=GRID, linewidth=0.7)
