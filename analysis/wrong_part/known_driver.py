"""What is known of a driver's impedance in a finished speaker, from a take on its own terminals.

It is that of the take but for a few numbers: the coil is warmer, the suspension is another on another day, there is
wire. A driver that was swept in free air and stands in a box is known only where the box is over: far above its
resonance the cone's velocity is that of its mass, and what the air in the box does to the impedance is
Zm^2 (Sd^2 Za / Bl^2) with Zm = Bl^2/(j w M). Its shape is nobody's knowledge: it is taken as noise of that size.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stillbox.analysis.impedance.findings import Resonance, ResonanceFit, pairs_ohm
from stillbox.capture.arrays import ComplexArray, FloatArray

WARMER = 0.003
"""Of the DC resistance between two takes: less than a degree (0.4 % each); usual sizes here and below, no source."""
COIL, COIL_TILT = 0.005, 0.005
SOFTER, WIDER, TALLER = 0.006, 0.02, 0.005
"""Of fs, of the width and of the height of the motional peaks between two takes on other days."""
AIR_MASS = 0.05
"""Of the moving mass: the air that moves along in a box and in free air."""
IN_BOX = 1.0
"""What a box makes of the impedance, over |Zm|^2 / Re; without lining, at its first standing waves, twice that."""
MOST_IN_BOX = 1.5
"""Of the impedance: in the bass."""
WIRE_OHM, WIRE_H = 0.02, 0.15e-6
BEYOND = 0.3
"""Of the impedance an octave beyond what was swept."""
TALL = 0.1
"""Of the DC resistance: smaller resonances move too little to be seen at the terminals."""


@dataclass(frozen=True)
class KnownDriver:
    """Impedance of a driver with what is not known of it, shape (n,) each.

    Attributes
    ----------
    name : str
    impedance_ohm : complex ndarray
    slopes_ohm : tuple of complex ndarray
        Deviations that all points share, each one standard deviation of an independent cause.
    spread_ohm : ndarray
        Standard deviation, sqrt(E|.|^2), of what no two points share.
    """

    name: str
    impedance_ohm: ComplexArray
    slopes_ohm: tuple[ComplexArray, ...]
    spread_ohm: FloatArray

    @property
    def count(self) -> int:
        """How many numbers are not known."""
        return len(self.slopes_ohm)

    def thinned(self, step: int) -> KnownDriver:
        """At each so-many-th frequency."""
        slopes = tuple(slope[::step] for slope in self.slopes_ohm)
        return KnownDriver(self.name, self.impedance_ohm[::step], slopes, self.spread_ohm[::step])

    def at(self, theta: FloatArray) -> tuple[ComplexArray, list[ComplexArray]]:
        """Impedance and its derivatives by theta, for theta of shape (speakers, numbers)."""
        slopes = list(self.slopes_ohm)
        return self.impedance_ohm + theta @ np.array(slopes), slopes


def known_driver(
    name: str,
    frequency_hz: FloatArray,
    impedance_ohm: ComplexArray,
    fit: ResonanceFit,
    boxed_since: bool,
    band_hz: tuple[float, float],
) -> KnownDriver:
    """A driver as its own take has it.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
    impedance_ohm : complex ndarray, shape (n,)
        On its own terminals.
    fit : ResonanceFit
        Of that take.
    boxed_since : bool
        Whether it is in another box now, or was taken in free air and is in one.
    band_hz : (float, float)
        Of that take: beyond it the impedance is only as the fit goes on.
    """
    s = 2j * np.pi * frequency_hz
    coil = fit.coil_ohm(frequency_hz)
    resistance = float(fit.coil_ohm(np.array([fit.band_hz[0]]))[0].real)
    blocked = coil - resistance
    octaves = np.log10(frequency_hz / 2000.0)
    slopes = [
        np.full(frequency_hz.size, WARMER * resistance, dtype=complex),
        COIL * blocked,
        COIL_TILT * octaves * blocked,
        np.full(frequency_hz.size, WIRE_OHM, dtype=complex),
        WIRE_H * s,
    ]
    pairs = (*fit.motional, *(pair for pair in (*fit.broad, *fit.resonances) if pair.height_ohm > TALL * resistance))
    slopes += list(_motional_slopes(pairs, frequency_hz))
    beyond = np.log2(np.maximum(band_hz[0] / frequency_hz, frequency_hz / band_hz[1]))
    spread = BEYOND * np.clip(beyond, 0.0, 1.0) * np.abs(impedance_ohm)
    if boxed_since:
        per_s = abs(sum(2 * pair.residue_ohm_rad_s.real for pair in pairs))  # Bl^2/M
        mass_line = per_s / np.abs(s)
        slopes.append(AIR_MASS * per_s / s)
        # In the bass the peaks may be anywhere: what is known there is about how high the curve is.
        bass = mass_line**2 / (mass_line**2 + resistance**2)
        impedance_ohm = (1 - bass) * impedance_ohm + bass * (coil + mass_line)
        spread = np.hypot(spread, box_spread_ohm(per_s, resistance, frequency_hz, impedance_ohm))
    return KnownDriver(name, impedance_ohm, tuple(slopes), spread)


def box_spread_ohm(
    per_s: float, resistance_ohm: float, frequency_hz: FloatArray, impedance_ohm: ComplexArray
) -> FloatArray:
    """Standard deviation of what a box makes of a driver, from Bl^2/M (ohm/s) and its DC resistance, shape (n,)."""
    mass_line = per_s / (2 * np.pi * frequency_hz)
    bass = mass_line**2 / (mass_line**2 + resistance_ohm**2)
    box = IN_BOX * (1 + 3 * bass) * mass_line**2 / resistance_ohm  # as free air goes over into any peak
    spread: FloatArray = np.minimum(box, MOST_IN_BOX * np.abs(impedance_ohm))
    return spread


def _motional_slopes(pairs: Sequence[Resonance], frequency_hz: FloatArray) -> Iterator[ComplexArray]:
    """What softer suspension, other losses and another Bl make of the peaks, one standard deviation each."""
    if not pairs:
        return
    step = 1e-4
    before = pairs_ohm(pairs, frequency_hz)
    for pair in pairs:
        pole, residue = pair.pole_rad_s, pair.residue_ohm_rad_s
        own = pairs_ohm([pair], frequency_hz)
        moved = replace(pair, pole_rad_s=pole * (1 + step), residue_ohm_rad_s=residue * (1 + step))
        wider = replace(pair, pole_rad_s=complex(pole.real * (1 + step), pole.imag))
        yield SOFTER / step * (pairs_ohm([moved], frequency_hz) - own)
        yield WIDER / step * (pairs_ohm([wider], frequency_hz) - own)
    yield TALLER * before
