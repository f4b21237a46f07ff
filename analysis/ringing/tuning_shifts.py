"""Shifts of the fundamental resonances and of the port's tuning between two takes, told where they are the box's."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from stillbox.analysis.impedance.findings import FindingsReport, ResonanceFit
from stillbox.analysis.impedance.held_cone import held_motional_hz
from stillbox.analysis.impedance.repeatability import USUAL, USUAL_TUNING
from stillbox.analysis.maths.number_words import frequency_words
from stillbox.analysis.maths.quantity import change_text, rounded_text

SIGNIFICANT = 3.0
"""A change counts from this many standard uncertainties on."""
LEAST_SHIFT = 0.003
"""Relative; a smaller shift of a peak is none, however well both takes agree (common practice, no source)."""
PORT_TUNING = "tuning between the peaks"
"""Name of the shift of the tuning as it is read from the impedance, losses not taken apart."""

NETWORK_CHANGE = 0.05
"""Relative change of the impedance far from the box's resonances from which on something else was changed: a coil
warmed by 10 K or pushed in by a millimetre does less (common practice, no source)."""
_FAR_ABOVE_OCTAVES, _PLACES = 2, 25
"""Of the band's end: there no box reaches, and so many places show it."""
_CAPACITIVE = -0.2
"""Reactance over magnitude at the lowest frequency, below which a capacitor lies in series: a driver alone is inductive
or resistive there."""


@dataclass(frozen=True)
class TuningShift:
    """Shift of a fundamental resonance or of the port's tuning.

    Attributes
    ----------
    std_hz : float
        Standard uncertainty of the shift: noise of both takes, and how far the thing itself repeats.
    by_air_hz : float
        The part that warmer or colder air makes, as all standing waves show it.
    disturbed : str
        Why it is no shift of the box; empty where it is one.
    """

    name: str
    before_hz: float
    after_hz: float
    std_hz: float
    by_air_hz: float = 0.0
    disturbed: str = ""

    @property
    def shift_hz(self) -> float:
        return self.after_hz - self.before_hz

    @property
    def significance(self) -> float:
        return (self.shift_hz - self.by_air_hz) / self.std_hz

    @property
    def is_told(self) -> bool:
        """Whether it counts: beyond its uncertainty, not too small to matter, and the box's own."""
        large = abs(self.shift_hz - self.by_air_hz) >= LEAST_SHIFT * self.before_hz
        return large and abs(self.significance) >= SIGNIFICANT and not self.disturbed

    @property
    def sentence(self) -> str:
        """In words with numbers."""
        size = change_text(self.shift_hz, self.std_hz, "Hz")
        if self.is_told:
            percent = 100 / self.before_hz
            said = f"a shift ({size}, {rounded_text(percent * self.shift_hz, percent * self.std_hz, '%')})"
        elif self.disturbed:
            said = f"{size}, but that is no shift of the box: something else was changed"
        else:
            said = f"no shift that could be told{' but by the air' if self.by_air_hz else ''} ({size})"
        air = f"; the air makes {change_text(self.by_air_hz, self.std_hz, 'Hz')} of it" if self.by_air_hz else ""
        one, other = (rounded_text(value, self.std_hz, "Hz") for value in (self.before_hz, self.after_hz))
        return f"{self.name}: {one} before, {other} after: {said}{air}"


def tuning_shifts(
    before: FindingsReport, after: FindingsReport, air_factor: float = 1.0
) -> tuple[tuple[TuningShift, ...], list[str]]:
    """The shifts, and warnings where there is nothing to compare.

    Parameters
    ----------
    before, after : FindingsReport
    air_factor : float
        What the air has done to all standing waves: the tuning of a port follows the speed of sound as they do.
    """
    old, new = before.fit.motional, after.fit.motional
    if not old or not new:
        return (), ["a state has no fundamental peak: nothing can be said of the tuning"]
    if len(old) != len(new):
        return (), [
            f"{len(old)} fundamental peak(s) before and {len(new)} after: the port was opened or closed, "
            "or one peak is too low to be seen; the tuning is not compared"
        ]
    disturbed = network_change(before.fit, after.fit)
    names = ("fundamental resonance",) if len(old) == 1 else ("lower resonance", "upper resonance")
    shifts = [
        TuningShift(
            name,
            one.frequency_hz,
            other.frequency_hz,
            math.hypot(before.peak_std_hz(one), after.peak_std_hz(other)),
            disturbed=disturbed,
        )
        for name, one, other in zip(names, old, new, strict=True)
    ]
    tunings = port_tunings_hz(before, after)
    if tunings is not None:
        # The zero between the peaks: the tuning, shifted by losses as far as they are there (by 1 + 1/(QL QP) in its
        # square; `box` takes them apart). Its noise follows that of both peaks (fB = fL fH / fs).
        stds = [
            tuning * math.hypot(_tuning_spread(report), *(one.frequency_std_hz / one.frequency_hz for one in peaks))
            for tuning, peaks, report in zip(tunings, (old, new), (before, after), strict=True)
        ]
        by_air_hz = (air_factor - 1) * tunings[0]
        shifts.append(TuningShift(PORT_TUNING, *tunings, math.hypot(*stds), by_air_hz, disturbed))
    warnings = [disturbed] if disturbed else []
    return tuple(shifts), warnings


def port_tunings_hz(before: FindingsReport, after: FindingsReport) -> tuple[float, float] | None:
    """Tunings of both takes as read from the impedance; None where not both have two peaks."""
    if len(before.fit.motional) == len(after.fit.motional) == 2:
        return held_motional_hz(before.fit), held_motional_hz(after.fit)
    return None


def _tuning_spread(report: FindingsReport) -> float:
    """How far the tuning repeats, relative: as the peaks do where takes of the same state tell, else the usual."""
    spread = report.peak_spread
    return USUAL_TUNING if spread.source in ("", USUAL) else spread.frequency


def network_change(before: ResonanceFit, after: ResonanceFit) -> str:
    """Why something beside the box has changed, from the impedance far above and below its resonances; else empty.

    A part of the crossover, in series or across the clips, moves the peaks of the impedance as well as a box does.
    """
    low_hz = max(before.band_hz[0], after.band_hz[0])
    high_hz = min(before.band_hz[1], after.band_hz[1])
    grid_hz = np.geomspace(high_hz / 2**_FAR_ABOVE_OCTAVES, high_hz, _PLACES)
    change = float(np.median(np.abs(after.impedance_ohm(grid_hz) / before.impedance_ohm(grid_hz) - 1)))
    if change > NETWORK_CHANGE:
        return (
            f"from {grid_hz[0] / 1000:.2g} kHz on the impedance differs by {100 * change:.0f} %, where no box reaches: "
            "a part of the crossover or the driver was changed, and that moves the peaks too"
        )
    lowest = np.array([low_hz])
    old, new = complex(before.impedance_ohm(lowest)[0]), complex(after.impedance_ohm(lowest)[0])
    capacitive = min(old.imag / abs(old), new.imag / abs(new)) < _CAPACITIVE
    if capacitive and abs(new / old - 1) > NETWORK_CHANGE:
        return (
            f"at {frequency_words(low_hz)} the impedance is that of a capacitor and differs by "
            f"{100 * abs(new / old - 1):.0f} %: a part of the crossover was changed, and that moves the peaks too"
        )
    return ""
