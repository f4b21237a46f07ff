"""The room as a cause: its standing waves load the cone from outside, and the impedance shows them.

They are narrow, small and low: Q 15 to 40 at 30 to 250 Hz, 1 to 20 milliohm (common practice, no source, but for Q: a
room of T60 0.4 to 1 s has Q = f T60 / 2.2, 15 to 45 at 80 Hz). They belong to the place of the speaker, not to the
speaker: moved or measured outdoors it does not have them.
"""

from __future__ import annotations

import math

from stillbox.analysis.impedance.findings import Resonance
from stillbox.analysis.maths.quantity import bell

LOWEST_HZ, HIGHEST_HZ = 30.0, 250.0
LEAST_OHM, MOST_OHM = 0.001, 0.02
TYPICAL_Q = 24.0
"""What they are like: see above."""
_RATE = 2.0
"""Room resonances that show per unit of ln f within their band (common practice, no source)."""
_Q_SPREAD = 0.4
"""Of their Q, as a natural logarithm: 15 to 40 lie within 1.2 of it around the middle."""
_EDGE = 0.35
"""Width of the edges of height and frequency as a natural logarithm."""
_OTHER_OHM, _OTHER_SPREAD = 0.25, 1.4
_OTHER_Q, _OTHER_Q_SPREAD = 22.0, 0.8
"""Heights and Q of what is not of the room: median and logarithmic spread (common practice, no source)."""
_ALIKE = 1.0
"""Likeness from which on a resonance looks more like the room's than like anything else."""


def room_rate(resonance: Resonance) -> float:
    """Expected density of room resonances per unit of ln f, seen against what walls and unknown things look like.

    The rate times how much better height and Q fit a room than anything else.
    """
    within = _between(resonance.frequency_hz, LOWEST_HZ, HIGHEST_HZ, 0.5 * _EDGE)
    return _RATE * within * _likeness(resonance)


def may_be_of_room(resonance: Resonance) -> bool:
    """Whether frequency, Q and height are those of a room rather than of anything else."""
    inside = LOWEST_HZ <= resonance.frequency_hz <= HIGHEST_HZ
    return inside and _likeness(resonance) > _ALIKE


def _likeness(resonance: Resonance) -> float:
    height = _between(resonance.height_ohm, LEAST_OHM, MOST_OHM, _EDGE) / math.log(MOST_OHM / LEAST_OHM)
    q = bell(math.log(resonance.q / TYPICAL_Q), math.hypot(_Q_SPREAD, resonance.q_std / resonance.q))
    other = bell(math.log(resonance.height_ohm / _OTHER_OHM), _OTHER_SPREAD)
    other_q = bell(math.log(resonance.q / _OTHER_Q), math.hypot(_OTHER_Q_SPREAD, resonance.q_std / resonance.q))
    return height * q / (other * other_q)


def _between(value: float, low: float, high: float, edge: float) -> float:
    """Share of a log-uniform range that reaches a value, its edges blurred."""
    return _normal(math.log(value / low) / edge) * _normal(math.log(high / value) / edge)


def _normal(deviations: float) -> float:
    return 0.5 * math.erfc(-deviations / math.sqrt(2))
