"""Measured impedance with a fitted model over it, and what the model leaves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from stillbox.analysis.drawing.panels import Curve, Panel, PictureDescription
from stillbox.analysis.drawing.picture_curves import draw_phase, draw_spread, style_phase_axis
from stillbox.analysis.drawing.picture_marks import EXPANDED, mark_of_place
from stillbox.analysis.drawing.picture_style import (
    GRID,
    HIGHEST_HZ,
    RULE,
    SMALL_PT,
    SOFT_INK,
    StateStyle,
    backed,
    name_ordinate,
    plain_ohm_axis,
    state_styles,
    tint,
)
from stillbox.analysis.drawing.picture_words import give_way
from stillbox.analysis.drawing.state_panels import add_legend, impedance_readings, phase_axes
from stillbox.analysis.driver.driver_report import DriverReport
from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.capture.arrays import ComplexArray, FloatArray

FITTED_IN, MISFIT_IN = 3.5, 1.5
DRIVER_HZ = (10.0, HIGHEST_HZ)
"""Frequency axis of a driver's pictures."""
MEASURED_PT, MODEL_PT = 3.4, 1.1
MEASURED_TINT = 0.4
"""What was measured is a broad pale line, the model a fine one on it: where they part, both are seen."""

NamedCurve = tuple[str, ImpedanceCurve]


@dataclass(frozen=True)
class Fitted:
    """A measured impedance and a model of it; one of both may be missing.

    Attributes
    ----------
    name : str
        Of the state; empty if there is but one.
    curve : ImpedanceCurve or None
    frequency_hz, model_ohm : ndarray, shape (n,), or None
    """

    name: str
    curve: ImpedanceCurve | None
    frequency_hz: FloatArray | None = None
    model_ohm: ComplexArray | None = None


def draw_fitted(axes: Axes, fitted: Sequence[Fitted]) -> None:
    """Magnitude and phase of one or two, measured and by the model, with a legend."""
    beside = phase_axes(axes)
    for one, style in zip(fitted, state_styles(len(fitted)), strict=True):
        if one.curve is not None:
            _draw_measured(axes, one.curve, style, one.name or "measured")
            draw_phase(beside, one.curve, style)
        if one.frequency_hz is not None and one.model_ohm is not None:
            words = f"{one.name}, model" if one.name else "model"
            _draw_model(axes, one.frequency_hz, np.abs(one.model_ohm), style, words)
            phase = np.degrees(np.angle(one.model_ohm))
            beside.plot(one.frequency_hz, phase, color=tint(style.colour, 0.8), linewidth=0.7, linestyle=":")
    plain_ohm_axis(axes)
    name_ordinate(axes, "Impedance, Ω")
    style_phase_axis(beside)
    _fit_ohm_range(axes, fitted)
    add_legend(axes)


def _draw_measured(axes: Axes, curve: ImpedanceCurve, style: StateStyle, name: str) -> None:
    draw_spread(axes, curve, tint(style.colour, 0.2))
    axes.plot(
        curve.frequency_hz,
        np.abs(curve.impedance_ohm),
        color=tint(style.colour, MEASURED_TINT),
        linewidth=MEASURED_PT,
        solid_capstyle="butt",
        label=name,
        zorder=2.5,
    )


def _draw_model(axes: Axes, frequency_hz: FloatArray, magnitude: FloatArray, style: StateStyle, name: str) -> None:
    axes.plot(
        frequency_hz, magnitude, color=style.colour, linewidth=MODEL_PT, linestyle=style.line, label=name, zorder=3
    )


def _fit_ohm_range(axes: Axes, fitted: Sequence[Fitted]) -> None:
    low_hz, high_hz = axes.get_xlim()
    shown = []
    for one in fitted:
        pairs = [(one.frequency_hz, one.model_ohm)]
        if one.curve is not None:
            pairs.append((one.curve.frequency_hz, one.curve.impedance_ohm))
        for frequency_hz, impedance_ohm in pairs:
            if frequency_hz is not None and impedance_ohm is not None:
                shown.append(np.abs(impedance_ohm[(frequency_hz >= low_hz) & (frequency_hz <= high_hz)]))
    values = np.concatenate(shown)
    if values.size:
        axes.set_ylim(0.8 * values.min(), 1.25 * values.max())


def misfit_percent(curve: ImpedanceCurve, model_ohm: ComplexArray) -> tuple[ComplexArray, FloatArray]:
    """(Z - model)/model in percent: real part in size, imaginary part in phase; and the noise's deviation of each."""
    misfit = 100 * (curve.impedance_ohm - model_ohm) / model_ohm
    return misfit, 100 * np.sqrt(curve.noise_variance_ohm2 / 2) / np.abs(model_ohm)


def draw_misfit(axes: Axes, curve: ImpedanceCurve, model_ohm: ComplexArray, style: StateStyle) -> None:
    """What the model leaves, on the curve's grid: in size, and thin in phase; the band is two deviations of noise."""
    misfit, std = misfit_percent(curve, model_ohm)
    frequency_hz, spread = curve.frequency_hz, EXPANDED * std
    axes.axhline(0.0, color=RULE, linewidth=0.9, zorder=0.9)
    axes.fill_between(frequency_hz, -spread, spread, color=tint(style.colour, 0.2), linewidth=0, zorder=1.5)
    axes.plot(frequency_hz, misfit.imag, color=tint(style.colour, 0.55), linewidth=0.8, zorder=2)
    axes.plot(frequency_hz, misfit.real, color=style.colour, linewidth=1.3, zorder=3)
    low_hz, high_hz = axes.get_xlim()
    shown = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    largest = np.maximum(np.maximum(np.abs(misfit.real), np.abs(misfit.imag)), spread)[shown].max(initial=1e-3)
    axes.set_ylim(-1.5 * largest, 1.15 * largest)
    axes.grid(axis="y", color=GRID, linewidth=0.7)
    name_ordinate(axes, "Misfit, %")
    words = axes.text(
        0.005,
        0.03,
        "measured minus model: in size; thin: in phase (1 % is 0.57°); band: what noise explains",
        transform=axes.transAxes,
        fontsize=SMALL_PT,
        color=SOFT_INK,
        bbox=backed(),
        zorder=4,
    )
    give_way(words)


def fitted_panel(fitted: Sequence[Fitted], height_in: float = FITTED_IN, share: float = 3.0) -> Panel:
    """Measured impedance and the model over it."""
    read: list[Curve] = []
    for one in fitted:
        words = f"{one.name} " if one.name else ""
        if one.curve is not None:
            read += impedance_readings(words, one.curve.frequency_hz, one.curve.impedance_ohm)
        if one.frequency_hz is not None and one.model_ohm is not None:
            # The phase of the model would say the same once more, but where nothing was measured.
            model = impedance_readings(f"{words}model ", one.frequency_hz, one.model_ohm)
            read += model[: 1 if one.curve is not None else 2]
    return Panel(lambda axes: draw_fitted(axes, fitted), height_in, share, 90.0, tuple(read))


def misfit_panel(first: Fitted, count: int) -> Panel:
    """What the model leaves of the first of ``count`` curves."""
    curve, model_ohm = first.curve, first.model_ohm
    assert curve is not None and model_ohm is not None
    misfit, _ = misfit_percent(curve, model_ohm)
    read = (
        Curve("misfit in size", curve.frequency_hz, misfit.real, lambda value: f"{value:+.2g} %"),
        Curve("in phase", curve.frequency_hz, misfit.imag, lambda value: f"{value:+.2g} %"),
    )

    def draw(axes: Axes) -> None:
        draw_misfit(axes, curve, model_ohm, state_styles(count)[0])

    return Panel(draw, MISFIT_IN, 1.1, 48.0, read)


def picture_of_driver(title: str, report: DriverReport, second: NamedCurve | None = None) -> PictureDescription:
    """A driver in free air, measured and fitted, and what the model leaves of it; ``second`` is another take of it."""
    curve, fit = report.curve, report.fit
    fitted = [
        Fitted("" if second is None else "free air", curve, curve.frequency_hz, fit.impedance_ohm(curve.frequency_hz))
    ]
    if second is not None:
        fitted.append(Fitted(*second))
    panels = (fitted_panel(fitted), misfit_panel(fitted[0], len(fitted)))
    return PictureDescription(title, panels, (mark_of_place("fs", fit.fs_hz.value),), DRIVER_HZ)
