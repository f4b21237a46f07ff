"""Panels that several views share, out of the drawing functions of ``analysis``. No Qt here."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from stillbox.analysis.drawing.picture_curves import draw_magnitude, draw_phase, fit_ohm_range, style_phase_axis
from stillbox.analysis.drawing.picture_decay import draw_heat, draw_ridges
from stillbox.analysis.drawing.picture_marks import Mark, draw_heights
from stillbox.analysis.drawing.picture_style import PAPER, TEXT_PT, StateStyle
from stillbox.analysis.impedance.detection import typical_limit
from stillbox.analysis.maths.quantity import value_text
from stillbox.analysis.ringing.result_words import NONE, sure_text
from stillbox.gui.parts.words import frequency_words, ohm_words
from stillbox.gui.results.decay_surface import surface_of
from stillbox.gui.results.view import Curve, PanelRequest, Row, Wish

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from stillbox.analysis.impedance.findings import DetectionLimit, Finding
    from stillbox.analysis.impedance.impedance import ImpedanceCurve
    from stillbox.analysis.waterfall.decay import CumulativeDecay

Named = tuple[str, "ImpedanceCurve", StateStyle]


def impedance_panel(curves: Sequence[Named], share: float = 3.0) -> PanelRequest:
    """Magnitude with uncertainty, and phase, of one state or two."""

    def draw(axes: Axes) -> None:
        phase_axes = axes.twinx()
        phase_axes.xaxis.set_visible(False)
        phase_axes.set_zorder(axes.get_zorder() - 1)
        for name, curve, style in curves:
            draw_phase(phase_axes, curve, style)
            draw_magnitude(axes, curve, style, name)
        style_phase_axis(phase_axes)
        phase_axes.set_ylabel("Phase", fontsize=TEXT_PT)
        fit_ohm_range(axes, [curve for _, curve, _ in curves])
        if len(curves) > 1:
            axes.legend(loc="upper right", facecolor=PAPER, edgecolor="none", fontsize=TEXT_PT, handlelength=2.4)

    read = []
    for name, curve, _ in curves:
        prefix = f"{name} " if len(curves) > 1 else ""
        read.append(
            Curve(f"{prefix}|Z|", curve.frequency_hz, np.abs(curve.impedance_ohm), lambda value: ohm_words(value, 4))
        )
        phase = np.degrees(np.angle(curve.impedance_ohm))
        read.append(Curve(f"{prefix}phase", curve.frequency_hz, phase, lambda value: f"{value:+.1f}°"))
    return PanelRequest(share, draw, tuple(read), least_px=110)


def heights_panel(
    marks: Sequence[Mark], limits: Sequence[tuple[str, DetectionLimit, StateStyle]], share: float = 1.2
) -> PanelRequest:
    """Heights of the resonances over what could still be seen."""

    def draw(axes: Axes) -> None:
        draw_heights(axes, marks, [limit for _, limit, _ in limits], [style for _, _, style in limits])
        axes.set_ylabel("Height, Ω", fontsize=TEXT_PT)

    read = tuple(
        Curve(f"{name + ' ' if len(limits) > 1 else ''}seen from", limit.frequency_hz, limit.height_ohm, ohm_words)
        for name, limit, _ in limits
    )
    return PanelRequest(share, draw, read, least_px=64)


def decay_panel(
    decay: CumulativeDecay, style: StateStyle, wish: Wish, name: str = "", share: float = 3.0
) -> PanelRequest:
    """Decay as layered ridges or as a heat map."""
    ridges = wish.decay_style == "ridges"

    def draw(axes: Axes) -> None:
        if ridges:
            draw_ridges(axes, decay, style)
        else:
            draw_heat(axes, decay)

    return PanelRequest(
        share,
        draw,
        surface=surface_of(decay, ridges, name),
        least_px=100,
        title=f"decay, {name}" if name else "",
        colour=style.colour,
    )


def finding_row(finding: Finding, rings_s: float, limit: DetectionLimit) -> Row:
    """One resonance as a line of the list."""
    sure = sure_text(finding)
    return _row(finding, limit, "" if sure == NONE else f"{sure} sure", rings_s)


def driver_row(finding: Finding, limit: DetectionLimit) -> Row:
    """A resonance of a driver in free air."""
    return _row(finding, limit, "")


def _row(finding: Finding, limit: DetectionLimit, sure: str, rings_s: float = 0.0) -> Row:
    resonance, cause = finding.resonance, finding.cause
    rings = [f"{1000 * rings_s:.0f} ms"] if rings_s > 0 else []
    numbers = [*rings, f"Q {resonance.q:.3g}", ohm_words(resonance.height_ohm)]
    values = [
        value_text(resonance.frequency_hz, finding.frequency_std_hz, "Hz"),
        f"Q {value_text(resonance.q, finding.q_std)}",
        f"height {value_text(resonance.height_ohm, finding.height_std_ohm, 'Ω')}",
        *(f"rings out of its surroundings for {text}" for text in rings),
        *([f"{cause}: {sure}"] if sure else []),
    ]
    seen_from = ohm_words(typical_limit(limit, resonance.frequency_hz, resonance.q))
    return Row(
        frequency_hz=resonance.frequency_hz,
        cause=cause,
        head=f"{frequency_words(resonance.frequency_hz)} {cause}",
        numbers=", ".join(numbers),
        values=tuple(values),
        details=(*finding.evidence, f"seen from {seen_from} on hereabouts"),
        advice=finding.advice,
    )
