"""The detection limit for resonances of another Q than it was computed for."""

from __future__ import annotations

import math

from analysis.findings import DetectionLimit


def limit_factor(limit: DetectionLimit, q: float) -> float:
    """Factor on the limit for another Q: ``sqrt(q / limit.q)``.

    A resonator of height h and Q puts an energy of about ``h^2 f / Q`` into the spectrum (its bandwidth is f / Q),
    and that energy against the noise decides: the height that can just be seen grows as sqrt(Q).
    """
    return math.sqrt(q / limit.q)


def limit_for_q(limit: DetectionLimit, frequency_hz: float, q: float) -> float:
    """Smallest height of a resonance of quality ``q`` that could have been seen at a frequency, ohm."""
    return limit.at(frequency_hz) * limit_factor(limit, q)
