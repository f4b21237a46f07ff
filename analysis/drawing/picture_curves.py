"""Impedance curves: magnitude with its uncertainty, phase, and the difference of two states."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter

from stillbox.analysis.drawing.picture_marks import EXPANDED
from stillbox.analysis.drawing.picture_style import (
    GRID,
    RULE,
    SMALL_PT,
    SOFT_INK,
    StateStyle,
    backed,
    height_pt,
    light_ticks,
    name_ordinate,
    plain_ohm_axis,
    signed_text,
    tint,
)
from stillbox.analysis.drawing.picture_words import give_way
from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.capture.arrays import FloatArray

LINEAR_NOISE = 3.0
LINEAR_SHARE = 1 / 200
"""The difference's axis is linear up to this many times its median uncertainty or this share of the largest change,
logarithmic beyond."""
TICK_PT = 16.0
"""Height of a panel for each tick of that axis."""


def magnitude_std_ohm(curve: ImpedanceCurve) -> FloatArray:
    """Standard deviation of |Z| from the covariance of its parts (JCGM 100, first order), shape (n,)."""
    direction = _unit_parts(curve)
    result: FloatArray = np.sqrt(np.einsum("ni,nij,nj->n", direction, curve.covariance_ohm2, direction))
    return result


def phase_std_deg(curve: ImpedanceCurve) -> FloatArray:
    """Standard deviation of the phase in degrees, shape (n,)."""
    along = _unit_parts(curve)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    std_ohm = np.sqrt(np.einsum("ni,nij,nj->n", across, curve.covariance_ohm2, across))
    result: FloatArray = np.degrees(std_ohm / np.abs(curve.impedance_ohm))
    return result


def _unit_parts(curve: ImpedanceCurve) -> FloatArray:
    unit = curve.impedance_ohm / np.abs(curve.impedance_ohm)
    return np.stack([unit.real, unit.imag], axis=1)


def draw_spread(axes: Axes, curve: ImpedanceCurve, colour: tuple[float, float, float]) -> None:
    """The band of two standard deviations around |Z|."""
    magnitude = np.abs(curve.impedance_ohm)
    spread = EXPANDED * magnitude_std_ohm(curve)
    lower = np.maximum(magnitude - spread, 1e-3 * magnitude)
    axes.fill_between(curve.frequency_hz, lower, magnitude + spread, color=colour, linewidth=0, zorder=1.5)


def draw_magnitude(axes: Axes, curve: ImpedanceCurve, style: StateStyle, name: str = "") -> None:
    """|Z| with a band of two standard deviations, on a logarithmic ohm axis."""
    draw_spread(axes, curve, tint(style.colour, 0.3))
    axes.plot(
        curve.frequency_hz,
        np.abs(curve.impedance_ohm),
        color=style.colour,
        linewidth=style.width,
        linestyle=style.line,
        label=name,
        zorder=3,
    )
    plain_ohm_axis(axes)
    name_ordinate(axes, "Impedance, Ω")


def fit_ohm_range(axes: Axes, curves: list[ImpedanceCurve]) -> None:
    """Limits of the ohm axis around what of the curves is in view."""
    low_hz, high_hz = axes.get_xlim()
    shown = np.concatenate(
        [
            np.abs(curve.impedance_ohm[(curve.frequency_hz >= low_hz) & (curve.frequency_hz <= high_hz)])
            for curve in curves
        ]
    )
    if shown.size:
        axes.set_ylim(0.8 * shown.min(), 1.25 * shown.max())


def draw_phase(axes: Axes, curve: ImpedanceCurve, style: StateStyle) -> None:
    """Phase in degrees with a band of two standard deviations, thin, on the right-hand axis."""
    phase = np.degrees(np.angle(curve.impedance_ohm))
    spread = EXPANDED * phase_std_deg(curve)
    axes.fill_between(
        curve.frequency_hz, phase - spread, phase + spread, color=tint(style.colour, 0.15), linewidth=0, zorder=1
    )
    axes.plot(
        curve.frequency_hz,
        phase,
        color=tint(style.colour, 0.55),
        linewidth=0.8,
        linestyle=style.line,
        zorder=2,
    )


def style_phase_axis(axes: Axes) -> None:
    """Right-hand axis from -90 to 90 degrees."""
    axes.set_ylim(-95, 95)
    axes.yaxis.set_major_locator(FixedLocator([-90, -45, 0, 45, 90]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{signed_text(value)}°"))
    name_ordinate(axes, "Phase (thin line)", "Phase", colour=SOFT_INK)
    light_ticks(axes)
    for side in ("top", "left", "bottom"):
        axes.spines[side].set_visible(False)
    axes.spines["right"].set(color=RULE, linewidth=0.8)
    axes.set_facecolor("none")


def draw_difference(axes: Axes, before: ImpedanceCurve, after: ImpedanceCurve, style: StateStyle) -> None:
    """|Z| of the later state minus that of the earlier, with a band of two standard deviations of the difference.

    The scale of the ohm is common to both takes when they share the reference resistor; the band leaves that out.
    """
    frequency_hz, difference, std_ohm = magnitude_difference(before, after)
    spread = EXPANDED * std_ohm
    axes.axhline(0.0, color=RULE, linewidth=0.9, zorder=0.9)
    axes.fill_between(
        frequency_hz, difference - spread, difference + spread, color=tint(style.colour, 0.3), linewidth=0, zorder=1.5
    )
    axes.plot(frequency_hz, difference, color=style.colour, linewidth=style.width, zorder=3)
    largest = float(np.max(np.abs(difference) + spread))
    linear_ohm = _round_step(max(LINEAR_NOISE * float(np.median(spread)), LINEAR_SHARE * largest))
    axes.set_yscale("symlog", linthresh=linear_ohm, linscale=0.6)
    decades = np.arange(np.log10(linear_ohm), np.log10(largest) + 1)
    if height_pt(axes) < TICK_PT * (1 + 2 * decades.size):
        decades = decades[::-2]  # zero and every second decade are enough
    steps = [0.0, *(sign * 10**power for power in decades for sign in (1, -1))]
    axes.yaxis.set_major_locator(FixedLocator(steps))
    axes.yaxis.set_minor_locator(FixedLocator([]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: signed_text(value, "+") if value else "0"))
    axes.set_ylim(-1.3 * largest, 1.3 * largest)
    axes.grid(axis="y", which="major", color=GRID, linewidth=0.7)
    axes.axhspan(-linear_ohm, linear_ohm, facecolor=tint(GRID, 0.5), linewidth=0, zorder=0.4)
    name_ordinate(axes, "Change of impedance, Ω", "Change, Ω")
    words = axes.text(
        0.995,
        0.02,
        f"axis linear within ±{linear_ohm:g} Ω (tinted), logarithmic beyond",
        transform=axes.transAxes,
        ha="right",
        fontsize=SMALL_PT,
        color=SOFT_INK,
        bbox=backed(),
        zorder=4,
    )
    give_way(words)


def magnitude_difference(before: ImpedanceCurve, after: ImpedanceCurve) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Frequency, |Z_after| - |Z_before| and its noise deviation, on the earlier grid where both were measured."""
    low_hz = max(before.frequency_hz[0], after.frequency_hz[0])
    high_hz = min(before.frequency_hz[-1], after.frequency_hz[-1])
    common = (before.frequency_hz >= low_hz) & (before.frequency_hz <= high_hz)
    frequency_hz = before.frequency_hz[common]
    place, grid = np.log(frequency_hz), np.log(after.frequency_hz)
    later = np.interp(place, grid, np.abs(after.impedance_ohm))
    variance = before.noise_variance_ohm2[common] + np.interp(place, grid, after.noise_variance_ohm2)
    return frequency_hz, later - np.abs(before.impedance_ohm[common]), np.sqrt(variance / 2)


def _round_step(value: float) -> float:
    """The nearest power of ten."""
    return float(10.0 ** np.round(np.log10(max(value, 1e-6))))
