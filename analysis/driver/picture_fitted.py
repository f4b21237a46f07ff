"""Measured impedance with a fitted model over it, and what the model leaves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from stillbox.analysis.drawing.picture_curves import draw_phase, draw_spread, style_phase_axis
from stillbox.analysis.drawing.picture_marks import EXPANDED, Mark, draw_mark_lines
from stillbox.analysis.drawing.picture_style import (
    GRID,
    HIGHEST_HZ,
    INK,
    PAPER,
    RULE,
    SMALL_PT,
    SOFT_INK,
    TEXT_PT,
    StateStyle,
    backed,
    plain_ohm_axis,
    state_styles,
    tint,
)
from stillbox.analysis.drawing.picture_words import give_way
from stillbox.analysis.drawing.pictures import marked_panels
from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.capture.arrays import ComplexArray, FloatArray

WIDTH_IN = 11.0
IMPEDANCE_IN, MISFIT_IN = 2.9, 1.5
DRIVER_LOW_HZ = 10.0
MEASURED_PT, MODEL_PT = 3.4, 1.1
MEASURED_TINT = 0.4
"""What was measured is a broad pale line, the model a fine one on it: where they part, both are seen."""


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
    phase_axes = axes.twinx()
    phase_axes.xaxis.set_visible(False)
    phase_axes.set_zorder(axes.get_zorder() - 1)
    for one, style in zip(fitted, state_styles(len(fitted)), strict=True):
        if one.curve is not None:
            _draw_measured(axes, one.curve, style, one.name or "measured")
            draw_phase(phase_axes, one.curve, style)
        if one.frequency_hz is not None and one.model_ohm is not None:
            words = f"{one.name}, model" if one.name else "model"
            _draw_model(axes, one.frequency_hz, np.abs(one.model_ohm), style, words)
            phase = np.degrees(np.angle(one.model_ohm))
            phase_axes.plot(one.frequency_hz, phase, color=tint(style.colour, 0.8), linewidth=0.7, linestyle=":")
    plain_ohm_axis(axes)
    axes.set_ylabel("Impedance, Ω", fontsize=TEXT_PT, color=INK)
    style_phase_axis(phase_axes)
    phase_axes.set_ylabel("Phase (thin)", fontsize=TEXT_PT, color=SOFT_INK)
    _fit_ohm_range(axes, fitted)
    axes.legend(
        loc="upper right", facecolor=PAPER, edgecolor="none", fontsize=TEXT_PT, labelcolor=INK, handlelength=2.6
    )


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
    axes.set_ylabel("Misfit, %", fontsize=TEXT_PT, color=INK)
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


def picture_of_driver(title: str, fitted: Sequence[Fitted], marks: Sequence[Mark]) -> Figure:
    """A driver in free air, measured and fitted (the first), and what the model leaves of it."""
    heights = [IMPEDANCE_IN * 1.2, MISFIT_IN]
    figure, (impedance, misfit) = marked_panels(title, marks, heights, DRIVER_LOW_HZ, HIGHEST_HZ, WIDTH_IN)
    draw_fitted(impedance, fitted)
    first = fitted[0]
    assert first.curve is not None and first.model_ohm is not None
    draw_misfit(misfit, first.curve, first.model_ohm, state_styles(len(fitted))[0])
    for axes in (impedance, misfit):
        draw_mark_lines(axes, marks)
    return figure
