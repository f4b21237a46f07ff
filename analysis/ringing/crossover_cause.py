"""The crossover as a cause: at a speaker's terminals the network makes bumps of its own, and shows other drivers.

It is asked about only where the terminals show that something lies before the driver: above the box their impedance
is not that of the driver swept alone, and, where no other driver is told of or there is no such take, it falls again as
that of no single driver does. A speaker without a crossover shows neither, and its resonances are judged as ever.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import special

from stillbox.analysis.impedance.findings import Resonance, ResonanceFit
from stillbox.analysis.impedance.held_cone import as_it_shows
from stillbox.analysis.maths.number_words import frequency_words
from stillbox.analysis.maths.quantity import bell
from stillbox.analysis.ringing.cause_candidates import Candidate
from stillbox.capture.arrays import ComplexArray, FloatArray

FROM_HZ, TO_HZ = 300.0, 20_000.0
"""Above the one a driver is much the same in a box and without (common practice, no source)."""
_PER_OCTAVE = 24
"""Frequencies at which curves are compared: what is meant is broad."""

APART, APART_OF_SEVERAL = (0.08, 0.2), (0.04, 0.08)
"""Median distance from the driver's own take, relative: up to the first it may be another day, gasket, level (0.01 to
0.03 is usual); from the second on something lies between for certain (a coil of a crossover makes 0.1 to 1). Where
other drivers are told of, there will be a crossover (common practice, no source)."""
FALLS, FALLS_MORE = 0.15, 0.3
"""The same for how far the impedance falls again above the driver's least one."""

_RATE = 0.8
"""Bumps of a network per unit of ln f where they occur: one or two from 0.5 to 5 kHz (common practice, no source)."""
_PLACE_HZ = (400.0, 6_000.0)
_PLACE_EDGE = 0.3
"""Natural logarithm: width of the edges."""
_Q, _Q_SPREAD = 2.5, 0.45
"""Median and logarithmic spread of such a bump's Q: filters between no resistance and a driver have Q 0.5 to 1.5, what
a wrong part or no resistor at all leaves has up to 5 (common practice, no source)."""
_OTHER_Q, _OTHER_Q_SPREAD = 22.0, 0.9
"""Of what driver, air and walls do (loss factors 0.01 to 0.2)."""
_MOST_FELT, _FELT_SPREAD = 2.0, 0.5
"""Energy at the cone over that of the box's air: an axial mode at a wall has 2, and no wall has more; natural logarithm
of how sharply that ends (common practice, no source)."""
_LARGE_ANYWAY = 1e-3
"""How often what looks larger than that is of the cabinet all the same (common practice, no source)."""

LEFT_OVER = (2.0, 4.0)
"""Height over its own deviation, which behind a known crossover holds what the tolerances of its parts leave open: up
to the first a bump may well be that, from the second on it is not."""

_SEEN = 0.7
"""How often a resonance of another driver shows at the terminals (common practice, no source)."""
_PEAK_STD, _OWN_STD = 0.1, 0.01
"""Relative: how far the crossover moves another driver's broad peak, and a small resonance of its own."""


@dataclass(frozen=True)
class Between:
    """What shows that a crossover lies between the terminals and the driver.

    Attributes
    ----------
    probability : float
        0 to 1; 0 for a speaker without one.
    sign : str
        By what it shows, in words; empty where nothing does.
    """

    probability: float = 0.0
    sign: str = ""


def between(at_terminals: ResonanceFit, alone: ResonanceFit | None, several: bool = False) -> Between:
    """Whether something lies between the terminals and the driver.

    Parameters
    ----------
    at_terminals : ResonanceFit
        Of a take in the box.
    alone : ResonanceFit or None
        Of the driver on its own terminals, in free air.
    several : bool
        Whether the speaker is known to have several drivers. Where it is not, terminals that are not the driver alone
        may as well be of another driver: they have to look like a crossover too.
    """
    own = None if alone is None or not _has_coil(alone) else alone
    if not _has_coil(at_terminals):
        return Between()
    low, high = FROM_HZ, min(TO_HZ, at_terminals.band_hz[1], math.inf if own is None else own.band_hz[1])
    if high <= low:
        return Between()
    hz = np.geomspace(low, high, 2 + round(_PER_OCTAVE * math.log2(high / low)))
    shown = at_terminals.baseline_ohm(hz)
    if own is None:
        return _falls_again(hz, shown)
    apart = float(np.median(np.abs(shown / own.baseline_ohm(hz) - 1)))
    sign = f"above {low:.0f} Hz the terminals show {100 * apart:.0f} % else than the driver does alone"
    unlike = _between(apart, *(APART_OF_SEVERAL if several else APART), sign)
    if several or not unlike.probability:
        return unlike
    falls = _falls_again(hz, shown)
    return Between(min(unlike.probability, falls.probability), falls.sign)


def left_over(resonance: Resonance) -> Between:
    """Whether a bump that is seen through a crossover may be what its parts, within their tolerances, leave of it."""
    return _between(
        resonance.height_std_ohm / resonance.height_ohm,
        1 / LEFT_OVER[1],
        1 / LEFT_OVER[0],
        "it is no higher than what the tolerances of the crossover's parts leave open",
    )


def _falls_again(hz: FloatArray, shown: ComplexArray) -> Between:
    """By the fall of the impedance above the driver's least one."""
    size, first = np.abs(shown), int(np.argmax(shown.imag > 0))
    if shown.imag[first] <= 0:
        return Between()
    highest = np.maximum.accumulate(size[first:])
    falls = 1 - size[first:] / highest
    deepest = first + int(np.argmax(falls))
    top = first + int(np.argmax(size[first : deepest + 1]))
    sign = (
        f"from {frequency_words(float(hz[top]))} to {frequency_words(float(hz[deepest]))} the impedance falls again, "
        "as that of no single driver does"
    )
    return _between(float(np.max(falls)), FALLS, FALLS_MORE, sign)


def _has_coil(fit: ResonanceFit) -> bool:
    return bool(np.any(fit.real_coefficients))


def _between(found: float, none: float, certain: float, sign: str) -> Between:
    probability = float(np.clip(math.log(max(found, 1e-9) / none) / math.log(certain / none), 0.0, 1.0))
    return Between(probability, sign) if probability else Between()


def crossover_rate(resonance: Resonance, energy_ratio: float | None, lies_between: Between) -> float:
    """Expected density of a network's bumps per unit of ln f, seen against what driver, air and walls look like.

    ``energy_ratio``: what a resonance of the cabinet would need to look like this; None where it is not known.
    """
    if not lies_between.probability:
        return 0.0
    low, high = (math.log(resonance.frequency_hz / edge) / _PLACE_EDGE for edge in _PLACE_HZ)
    within = float(special.ndtr(low) * special.ndtr(-high))
    doubt = resonance.q_std / resonance.q
    q = bell(math.log(resonance.q / _Q), math.hypot(_Q_SPREAD, doubt))
    other_q = bell(math.log(resonance.q / _OTHER_Q), math.hypot(_OTHER_Q_SPREAD, doubt))
    other_size = 1.0
    if energy_ratio is not None:
        beyond = math.log(energy_ratio / _MOST_FELT) / _FELT_SPREAD
        other_size = max(float(special.ndtr(-beyond)), _LARGE_ANYWAY)
    return _RATE * lies_between.probability * within * q / (other_q * other_size)


def crossover_candidates(others: Mapping[str, ResonanceFit], lies_between: Between) -> list[Candidate]:
    """One for each resonance of the other drivers on their own terminals, by their names."""
    if not lies_between.probability:
        return []
    return [
        Candidate(
            cause="crossover",
            name=f"resonance of the {name} at {one.frequency_hz:.5g} Hz on its own terminals",
            frequency_hz=one.frequency_hz,
            shift=0.0,
            std=math.hypot(one.frequency_std_hz / one.frequency_hz, std),
            seen=_SEEN * lies_between.probability,
            free_air=as_it_shows(one),
            as_shown=True,
        )
        for name, fit in others.items()
        for std, found in ((_PEAK_STD, fit.motional), (_OWN_STD, fit.resonances))
        for one in found
    ]
