"""What a finding is: one resonance with numbers, cause, evidence and advice. Plain data."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np

from stillbox.analysis.maths.rational import real_basis, resonators_ohm
from stillbox.capture.arrays import ComplexArray, FloatArray

NOTABLE_OHM = 0.05
"""Where room is short, evidence and advice are given for resonances of at least this height (common practice, no
source: a resonance lower than this is a curiosity)."""

Cause = Literal["driver", "standing wave", "port", "wall", "crossover", "room", "undecided"]
CAUSES: tuple[Cause, ...] = get_args(Cause)


@dataclass(frozen=True)
class Spread:
    """How far the thing itself repeats: relative standard uncertainties beside the noise of one take.

    Attributes
    ----------
    frequency, q, height : float
    source : str
        Where it is from: takes of the same state, or a usual size.
    """

    frequency: float = 0.0
    q: float = 0.0
    height: float = 0.0
    source: str = ""


@dataclass(frozen=True)
class Resonance:
    """One resonator of the impedance, from its pole p and residue r.

    Natural frequency |p|/2 pi, Q = |p|/(2|Re p|), height = |r|/|Re p| in ohms; the ``_std`` are one standard
    deviation, the height's with the relative ``scale_std`` of the ohm. ``significance`` is the likelihood ratio
    (chi-square) of the resonator against the known noise.
    """

    pole_rad_s: complex
    residue_ohm_rad_s: complex
    frequency_std_hz: float
    q_std: float
    height_std_ohm: float
    significance: float
    scale_std: float = 0.0

    @property
    def height_noise_std_ohm(self) -> float:
        """Standard deviation of the height without that of the ohm scale, which is common to all takes of a build."""
        return float(np.sqrt(max(self.height_std_ohm**2 - (self.scale_std * self.height_ohm) ** 2, 0.0)))

    @property
    def frequency_hz(self) -> float:
        return abs(self.pole_rad_s) / (2 * np.pi)

    @property
    def q(self) -> float:
        return abs(self.pole_rad_s) / (2 * abs(self.pole_rad_s.real))

    @property
    def height_ohm(self) -> float:
        return abs(self.residue_ohm_rad_s) / abs(self.pole_rad_s.real)


@dataclass(frozen=True)
class DetectionLimit:
    """Smallest height that this measurement could still have seen, over frequency.

    Attributes
    ----------
    frequency_hz, height_ohm : ndarray, shape (n,)
        For a resonator of quality ``q``, found with probability 0.95 at the stated false-alarm rate.
    """

    frequency_hz: FloatArray
    height_ohm: FloatArray
    q: float
    false_alarm_rate: float

    def at(self, frequency_hz: float) -> float:
        """Height in ohms at one frequency (log-log interpolation)."""
        return float(np.exp(np.interp(np.log(frequency_hz), np.log(self.frequency_hz), np.log(self.height_ohm))))


@dataclass(frozen=True)
class ResonanceFit:
    """Baseline and resonances fitted together to one impedance spectrum.

    ``motional`` are the fundamental peak or peaks (closed box one, vented box two); ``broad`` are pairs too damped
    to be called resonances (Q below 2), part of the baseline; ``resonances`` are the rest, in order of frequency.
    """

    motional: tuple[Resonance, ...]
    broad: tuple[Resonance, ...]
    resonances: tuple[Resonance, ...]
    real_coefficients: FloatArray
    """Resistance, inductance and relaxations, in the order of ``analysis.maths.rational.real_basis``."""
    detection_limit: DetectionLimit
    band_hz: tuple[float, float]
    reduced_chi_square: float
    warnings: tuple[str, ...] = ()

    def coil_ohm(self, frequency_hz: FloatArray) -> ComplexArray:
        """Voice coil with DC resistance, shape of ``frequency_hz``."""
        return (
            real_basis(2j * np.pi * np.asarray(frequency_hz), self.real_coefficients.size - 2) @ self.real_coefficients
        )

    def motional_ohm(self, frequency_hz: FloatArray) -> ComplexArray:
        """Lumped motional impedance without the resonances."""
        return pairs_ohm((*self.motional, *self.broad), frequency_hz)

    def baseline_ohm(self, frequency_hz: FloatArray) -> ComplexArray:
        """Coil and lumped motional impedance, without the resonances."""
        return self.coil_ohm(frequency_hz) + self.motional_ohm(frequency_hz)

    def impedance_ohm(self, frequency_hz: FloatArray) -> ComplexArray:
        """The whole fitted model."""
        return self.baseline_ohm(frequency_hz) + pairs_ohm(self.resonances, frequency_hz)


def pairs_ohm(pairs: Sequence[Resonance], frequency_hz: FloatArray) -> ComplexArray:
    """Impedance that resonances add, ohm, shape of ``frequency_hz``."""
    poles = np.array([pair.pole_rad_s for pair in pairs], dtype=complex)
    residues = np.array([pair.residue_ohm_rad_s for pair in pairs], dtype=complex)
    return resonators_ohm(2j * np.pi * np.asarray(frequency_hz), poles, residues)


@dataclass(frozen=True)
class Finding:
    """A resonance with its cause.

    Attributes
    ----------
    resonance : Resonance
        Its uncertainties are those of the noise of this take.
    confidence : float
        Probability of the cause, 0 to 1; NaN where it was not weighed against others.
    next_step : str
        What to begin with, as it stands at the beginning of the advice.
    spread : Spread
        How far a resonance of that cause repeats; the ``_std`` of the finding hold it beside the noise.
    """

    resonance: Resonance
    cause: Cause
    confidence: float
    evidence: tuple[str, ...]
    advice: str
    spread: Spread = Spread()
    next_step: str = ""

    @property
    def is_weighed(self) -> bool:
        return not math.isnan(self.confidence)

    @property
    def frequency_std_hz(self) -> float:
        return math.hypot(self.resonance.frequency_std_hz, self.spread.frequency * self.resonance.frequency_hz)

    @property
    def q_std(self) -> float:
        return math.hypot(self.resonance.q_std, self.spread.q * self.resonance.q)

    @property
    def height_std_ohm(self) -> float:
        return math.hypot(self.resonance.height_std_ohm, self.spread.height * self.resonance.height_ohm)

    @property
    def height_own_std_ohm(self) -> float:
        """Without that of the ohm scale, which is common to all takes of a build."""
        return math.hypot(self.resonance.height_noise_std_ohm, self.spread.height * self.resonance.height_ohm)


DOUBTED = "do not trust these numbers yet"
"""In a warning of what all numbers of a take rest on."""


@dataclass(frozen=True)
class FindingsReport:
    """All findings of one state of one unit, with what the measurement could not have seen."""

    build: str
    state: str
    unit: str
    findings: tuple[Finding, ...]
    fit: ResonanceFit
    warnings: tuple[str, ...] = field(default=())
    peak_spread: Spread = Spread()
    """How far the peak or peaks of driver and box repeat."""
    celsius: float | None = None
    """Temperature of the air where it was said for this take."""
    of: str = ""
    at_terminals: tuple[Finding, ...] = ()
    """What only the speaker's terminals show, where the driver is seen through a crossover: bumps of the network."""

    def peak_std_hz(self, peak: Resonance) -> float:
        """Standard uncertainty of a motional peak's frequency: noise, and how far it repeats."""
        return math.hypot(peak.frequency_std_hz, self.peak_spread.frequency * peak.frequency_hz)

    @property
    def is_doubted(self) -> bool:
        """Whether none of the numbers is to be trusted yet."""
        return any(DOUBTED in warning for warning in self.warnings)

    @property
    def detection_limit(self) -> DetectionLimit:
        return self.fit.detection_limit
