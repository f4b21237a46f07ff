"""How well a resonance fits a candidate: by its place, its Q, and how strongly the cone feels it.

Each of the three has a small share of anything at all, so that one surprise in it does not rule a cause out.
"""

from __future__ import annotations

import math

import numpy as np

from stillbox.analysis.impedance.held_cone import HeldResonance
from stillbox.analysis.maths.quantity import bell
from stillbox.analysis.ringing.cause_candidates import NEAR_A_NODE, Candidate, Setting

_HEAVY_TAIL = (0.12, 4.0)
"""Share and width of a second, wider bell in each prediction: braces, hung magnets, notches, walls that give way."""
_FIBRE_LOWERS, _FIBRE_LOWERS_MOST = 0.15, 0.05
"""Relative: fibre lowers Q and slows sound down, by this over Q, and at most by a third of what isothermal air would
(15 %): with more fibre no wave is left to be found (common practice, no source)."""

_WALL_Q = (22.0, 0.7)
"""Median and logarithmic spread of Q of walls (loss factors 0.01 to 0.1)."""
_WALL_RATIO = (3e-4, 1.0)
"""Range of the compliance of a wall over that of the air; log-uniform within."""

_DRIVER_AS_BEFORE = 0.9
"""How often Q and coupling of a driver's own resonance are those of free air: the rest is a mounting that changes them
(common practice, no source)."""
_THROUGH_Q_STD, _AS_BEFORE_THROUGH = 0.4, 0.995
"""Natural logarithm: what a crossover makes of the Q of another driver; how often it makes no more (common practice, no
source)."""
_DRIVER_Q_STD, _DRIVER_Q_STD_MOST = 0.1, 2.0
"""Natural logarithm: what a mounting does to such a Q (common practice, no source); a Q that is known no better than
the most tells nothing."""
_DRIVER_COUPLING_STD = 0.4
"""Natural logarithm, as that of Q: the frame is held at other places (common practice, no source)."""

_COUPLING_STD = 0.3
"""Natural logarithm: what the lumped cone leaves of the energy ratio of a mode (common practice, no source)."""
_PLACE_STD = 0.3
"""Natural logarithm, besides: the driver's place is known to a centimetre (common practice, no source)."""
_WRONG_PLACE = 0.1
"""How often the place of the driver in build.toml, or what it means for a mode, is wrong."""
_TWO_IN_ONE = 0.05
"""How often two modes are not told apart and show together more than one could (common practice, no source)."""
_PHASES = 40
"""Points of the mean over where a cone may sit on a mode."""


def likelihood_of(held: HeldResonance, candidate: Candidate, setting: Setting | None) -> float:
    """Density per unit of ln f, times how much better Q and coupling fit than they would by coincidence."""
    offset = math.log(held.frequency_hz / candidate.frequency_hz) - candidate.shift
    own_std = held.frequency_std_hz / held.frequency_hz
    std = math.hypot(candidate.std, own_std)
    if candidate.cause == "standing wave" and offset < 0:
        std = math.hypot(std, min(_FIBRE_LOWERS / held.q, _FIBRE_LOWERS_MOST))
    share, wide = _HEAVY_TAIL
    density = (1 - share) * bell(offset, std) + share * bell(offset, wide * std)
    return density * _fit_of_q(held, candidate) * _fit_of_coupling(held, candidate, setting)


def _fit_of_q(held: HeldResonance, candidate: Candidate) -> float:
    """Driver: Q with the cone held is the same in free air. Otherwise Q tells little."""
    free = candidate.free_air
    if free is None:
        return 1.0
    through = candidate.cause == "crossover"
    own_std = _THROUGH_Q_STD if through else _DRIVER_Q_STD
    std = math.hypot(own_std, math.hypot(held.q_std / held.q, free.q_std / free.q))
    std = min(std, _DRIVER_Q_STD_MOST)
    median, spread = _WALL_Q
    chance = bell(math.log(held.q / median), math.hypot(spread, held.q_std / held.q))
    share = _AS_BEFORE_THROUGH if through else _DRIVER_AS_BEFORE
    return _as_before(bell(math.log(held.q / free.q), std), chance, share)


def _as_before(as_in_free_air: float, chance: float, share: float = _DRIVER_AS_BEFORE) -> float:
    """Density of what a driver shows, over that by coincidence."""
    return (share * as_in_free_air + (1 - share) * chance) / chance


def _fit_of_coupling(held: HeldResonance, candidate: Candidate, setting: Setting | None) -> float:
    """Driver: coupled as in free air. Standing wave: as its shape at the cone says, at most as at a wall.

    Through a crossover it tells nothing.
    """
    if candidate.as_shown:
        return 1.0
    low, high = _WALL_RATIO
    chance = 1 / math.log(high / low)
    if candidate.free_air is not None:
        return _as_before(bell(math.log(held.coupling / candidate.free_air.coupling), _DRIVER_COUPLING_STD), chance)
    assert setting is not None
    found = setting.energy_ratio(held)
    blur = math.hypot(_COUPLING_STD, setting.box_spring_ln_std, candidate.energy_ratio_ln_std)
    largest = candidate.largest_energy_ratio
    if largest is None:
        assert candidate.energy_ratio is not None
        return bell(math.log(found / candidate.energy_ratio), blur) / chance
    elsewhere = (1 - _TWO_IN_ONE) * _anywhere(found / largest, blur) + _TWO_IN_ONE * chance
    if candidate.energy_ratio is None:
        return elsewhere / chance
    least_felt = candidate.energy_ratio + NEAR_A_NODE * largest
    there = bell(math.log(found / least_felt), math.hypot(_PLACE_STD, blur))
    return (1 - _WRONG_PLACE) * there / chance + _WRONG_PLACE * elsewhere / chance


def _anywhere(ratio: float, blur: float) -> float:
    """Density of ln(ratio) for ratio = cos^2 of a uniform phase, blurred by a log-normal factor."""
    phase = (np.arange(_PHASES) + 0.5) / _PHASES * math.pi / 2
    return float(np.mean(np.exp(-0.5 * ((math.log(ratio) - 2 * np.log(np.cos(phase))) / blur) ** 2))) / (
        blur * math.sqrt(2 * math.pi)
    )
