"""How long a resonance rings out of its surroundings: the measure by which findings are put in order.

After a pulse a resonance adds ``h exp(-t/tau)`` to the response, with its height h in ohms and its decay time
``tau = Q / (pi f)``. It stands in the impedance around it, |Z|, whose last ``FALL`` nobody hears any more, and in the
other resonances, which ring on at its frequency with ``h_k exp(-t/tau_k) / |1 + 2 j Q_k (f/f_k - 1)|``. The time for
which its own part is above both is how long it rings out. Height counts little in it (a logarithm), decay much (a
factor); what stands in the skirt of a greater neighbour has none. It is the length of a ridge in the waterfall; how
loud a wall or the cone makes it is not in it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stillbox.analysis.impedance.findings import Cause, Finding, FindingsReport, Resonance, ResonanceFit
from stillbox.analysis.maths.number_words import frequency_words
from stillbox.capture.arrays import FloatArray

FALL = 1e-3
"""60 dB: part of the impedance around a resonance down to which its ringing counts."""
FIRST = 3
"""So many findings come first; the rest is folded."""
GOOD_ENOUGH_S = 0.030
"""What rings out of its surroundings no longer than this needs no work: the ear itself takes some tens of milliseconds
to forget a louder sound (common practice, no source for the very number)."""

ELSEWHERE: tuple[Cause, ...] = ("driver", "crossover", "room")
"""Causes that no work on the box can take away."""

_STEPS = 600
"""Times at which a resonance is set against its neighbours: a millisecond in half a second of ringing."""


def ringing_s(found: Sequence[Resonance], fit: ResonanceFit) -> FloatArray:
    """For how long each of the resonances found rings out of its surroundings, s, shape (n,); 0 where it never does.

    ``fit`` has the impedance that they stand in.
    """
    if not found:
        return np.zeros(0)
    around_ohm = np.abs(fit.baseline_ohm(np.array([one.frequency_hz for one in found])))
    return np.array(
        [_rings_s(one, [*found[:place], *found[place + 1 :]], around_ohm[place]) for place, one in enumerate(found)]
    )


def _rings_s(resonance: Resonance, others: Sequence[Resonance], around_ohm: float) -> float:
    height, tau = resonance.height_ohm, decay_time_s(resonance)
    longest = tau * float(np.log(max(height / (FALL * around_ohm), 1.0)))
    if longest <= 0.0 or not others:
        return longest
    time_s = np.linspace(0.0, longest, _STEPS)
    own = height * np.exp(-time_s / tau)
    neighbours = np.zeros(_STEPS)
    for other in others:
        here = other.height_ohm / abs(1 + 2j * other.q * (resonance.frequency_hz / other.frequency_hz - 1))
        neighbours += here * np.exp(-time_s / decay_time_s(other))
    above = own > neighbours
    return float(time_s[above][-1]) if above.any() else 0.0


def decay_time_s(resonance: Resonance) -> float:
    """Time in which a resonance falls to 1/e, Q / (pi f)."""
    return resonance.q / (np.pi * resonance.frequency_hz)


def ringing_of(report: FindingsReport) -> FloatArray:
    """Seconds for which each finding rings out, shape of ``report.findings``."""
    return ringing_s([finding.resonance for finding in report.findings], report.fit)


def in_order(report: FindingsReport) -> list[tuple[Finding, float]]:
    """Findings with the seconds for which they ring out, the longest first; where none does, the higher first."""
    seconds = ringing_of(report)
    found = [(finding, float(rings)) for finding, rings in zip(report.findings, seconds, strict=True)]
    return sorted(found, key=_longer_or_higher, reverse=True)


def listed(*reports: FindingsReport) -> tuple[Finding, ...]:
    """Findings of one state or of several, in the order of `in_order`."""
    found = [one for report in reports for one in in_order(report)]
    return tuple(finding for finding, _ in sorted(found, key=_longer_or_higher, reverse=True))


def _longer_or_higher(one: tuple[Finding, float]) -> tuple[float, float]:
    return one[1], one[0].resonance.height_ohm


def to_be_treated(report: FindingsReport) -> list[tuple[Finding, float]]:
    """Those that ring out for long, and that work on the box can do something about, the longest first."""
    return [
        (finding, seconds)
        for finding, seconds in in_order(report)
        if seconds > GOOD_ENOUGH_S and finding.cause not in ELSEWHERE
    ]


def good_enough(report: FindingsReport) -> str:
    """Why nothing is to be done in the box any more; empty where something is."""
    if to_be_treated(report):
        return ""
    limit = f"{1000 * GOOD_ENOUGH_S:.0f} ms"
    if not report.findings:
        return "no resonance stands out of the noise"
    longest, seconds = in_order(report)[0]
    named = f"{frequency_words(longest.resonance.frequency_hz)} ({longest.cause}), {1000 * seconds:.0f} ms"
    if seconds > GOOD_ENOUGH_S:
        return f"what rings out longer than {limit} is not of the box (the longest: {named})"
    return f"nothing rings out of its surroundings longer than {limit} (the longest: {named})"
