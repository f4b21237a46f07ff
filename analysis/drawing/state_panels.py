"""Panels that show one state or two: impedance, its change, heights of the resonances, decay."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

import numpy as np

from stillbox.analysis.drawing.decay_surface import surface_of
from stillbox.analysis.drawing.panels import Curve, Panel
from stillbox.analysis.drawing.picture_curves import (
    draw_difference,
    draw_magnitude,
    draw_phase,
    fit_ohm_range,
    magnitude_difference,
    style_phase_axis,
)
from stillbox.analysis.drawing.picture_decay import draw_heat, draw_ridges, draw_scale
from stillbox.analysis.drawing.picture_marks import Mark, draw_heights
from stillbox.analysis.drawing.picture_style import AFTER, INK, PAPER, TEXT_PT, StateStyle
from stillbox.analysis.maths.number_words import ohm_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from stillbox.analysis.impedance.findings import DetectionLimit
    from stillbox.analysis.impedance.impedance import ImpedanceCurve
    from stillbox.analysis.waterfall.decay import CumulativeDecay
    from stillbox.capture.arrays import ComplexArray, FloatArray

DecayStyle = Literal["ridges", "heat"]
NamedCurve = tuple[str, "ImpedanceCurve", StateStyle]
NamedLimit = tuple[str, "DetectionLimit", StateStyle]

CURVE_IN, DIFFERENCE_IN, HEIGHTS_IN, DECAY_IN = 2.9, 1.5, 1.25, 2.7
"""Usual heights where a picture is as high as its panels."""


def impedance_readings(prefix: str, frequency_hz: FloatArray, impedance_ohm: ComplexArray) -> tuple[Curve, Curve]:
    """Magnitude and phase for the cursor."""
    return (
        Curve(f"{prefix}|Z|", frequency_hz, np.abs(impedance_ohm), lambda value: ohm_words(value, 4)),
        Curve(f"{prefix}phase", frequency_hz, np.degrees(np.angle(impedance_ohm)), lambda value: f"{value:+.1f}°"),
    )


def add_legend(axes: Axes) -> None:
    """What the lines are, in the upper right corner if no curve runs there."""
    axes.legend(
        loc="upper right", facecolor=PAPER, edgecolor="none", fontsize=TEXT_PT, labelcolor=INK, handlelength=2.6
    )


def phase_axes(axes: Axes) -> Axes:
    """An ordinate for the phase on the right, whose curves lie below those of the panel."""
    beside = axes.twinx()
    beside.xaxis.set_visible(False)
    beside.set_zorder(axes.get_zorder() - 1)
    return beside


def impedance_panel(curves: Sequence[NamedCurve], height_in: float = CURVE_IN, share: float = 3.0) -> Panel:
    """Magnitude with uncertainty, and phase, of one state or two."""

    def draw(axes: Axes) -> None:
        beside = phase_axes(axes)
        for name, curve, style in curves:
            draw_phase(beside, curve, style)
            draw_magnitude(axes, curve, style, name)
        style_phase_axis(beside)
        fit_ohm_range(axes, [curve for _, curve, _ in curves])
        if any(name for name, _, _ in curves):
            add_legend(axes)

    read: list[Curve] = []
    for name, curve, _ in curves:
        prefix = f"{name} " if len(curves) > 1 else ""
        read += impedance_readings(prefix, curve.frequency_hz, curve.impedance_ohm)
    return Panel(draw, height_in, share, 82.5, tuple(read))


def difference_panel(
    before: ImpedanceCurve, after: ImpedanceCurve, height_in: float = DIFFERENCE_IN, title: str = ""
) -> Panel:
    """Change of |Z| with its uncertainty."""
    frequency_hz, difference, _ = magnitude_difference(before, after)
    read = Curve("change", frequency_hz, difference, lambda value: ("+" if value > 0 else "") + ohm_words(value))
    return Panel(
        lambda axes: draw_difference(axes, before, after, AFTER), height_in, 1.3, 48.0, (read,),
        title=title, colour=AFTER.colour,
    )  # fmt: skip


def heights_panel(marks: Sequence[Mark], limits: Sequence[NamedLimit], share: float = 1.2) -> Panel:
    """Heights of the resonances over what could still be seen."""

    def draw(axes: Axes) -> None:
        draw_heights(axes, marks, [limit for _, limit, _ in limits], [style for _, _, style in limits])

    read = tuple(
        Curve(f"{name + ' ' if len(limits) > 1 else ''}seen from", limit.frequency_hz, limit.height_ohm, ohm_words)
        for name, limit, _ in limits
    )
    return Panel(draw, HEIGHTS_IN, share, 48.0, read)


def decay_panel(
    decay: CumulativeDecay,
    state: StateStyle,
    style: DecayStyle,
    name: str = "",
    height_in: float = DECAY_IN,
    share: float = 3.0,
) -> Panel:
    """Decay as layered ridges or as a heat map."""
    ridges = style == "ridges"

    def draw(axes: Axes) -> None:
        if ridges:
            draw_ridges(axes, decay, state)
        else:
            draw_scale(axes, draw_heat(axes, decay))

    title = f"decay, {name}" if name else ""
    surface = surface_of(decay, ridges, name)
    return Panel(draw, height_in, share, 75.0, surface=surface, title=title, colour=state.colour)
