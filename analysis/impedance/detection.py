"""The detection limit for resonances of another Q than it was computed for."""

from __future__ import annotations

import math

import numpy as np

from stillbox.analysis.impedance.findings import DetectionLimit

_TYPICAL_OCTAVES = 0.5


def limit_factor(limit: DetectionLimit, q: float) -> float:
    """Factor on the limit for another Q: ``sqrt(q / limit.q)``.

    A resonator of height h and Q puts an energy of about ``h^2 f / Q`` into the spectrum (its bandwidth is f / Q),
    and that energy against the noise decides: the height that can just be seen grows as sqrt(Q).
    """
    return math.sqrt(q / limit.q)


def limit_for_q(limit: DetectionLimit, frequency_hz: float, q: float) -> float:
    """Smallest height of a resonance of quality ``q`` that could have been seen at a frequency, ohm."""
    return limit.at(frequency_hz) * limit_factor(limit, q)


def typical_limit(limit: DetectionLimit, frequency_hz: float, q: float) -> float:
    """Median limit for a quality ``q`` within half an octave on each side of a frequency, ohm.

    The limit itself peaks at every fitted resonance, for there a second one could not be told from it; this one
    answers whether a resonance could have been one of those that were fitted.
    """
    near = np.abs(np.log2(limit.frequency_hz / frequency_hz)) <= _TYPICAL_OCTAVES
    level = float(np.median(limit.height_ohm[near])) if np.any(near) else limit.at(frequency_hz)
    return level * limit_factor(limit, q)
