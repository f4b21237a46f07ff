"""What contradicts a cause that looks sure: places and dimensions in build.toml that do not fit what was found.

A coincidence in frequency is no proof where the cone feels what it could not feel at its place, or more than the air
can press at all; and a family of standing waves that lies beside its dimension by a common factor is a wrong dimension
rather than so many walls. Such findings are never sure, and a warning says what to measure again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from stillbox.analysis.impedance.findings import Cause
from stillbox.analysis.impedance.held_cone import HeldResonance
from stillbox.analysis.ringing.cause_candidates import Candidate, Setting

MOST_SURE_OF_A_REST = 0.7
"""Probability of a cause that is only left over, or that is contradicted, at most."""
NODE_SHARE, FELT_SHARE = 0.1, 0.4
"""By its place the cone should feel less than the one, and feels more than the other: shares of what a corner has."""
MOST_FELT = 1.5
"""Over what a corner has: two standing waves that are not told apart may add up to a little more than one could."""
FAMILY = 3
"""Modes of a dimension, from the first on without a gap, that make a family."""
FAMILY_FITS = 0.008
"""Relative: they lie at whole multiples so well."""
FAMILY_OFF = (0.04, 0.15)
"""Relative deviation of a family from its dimension: least that is a contradiction, and most."""
EXPLAINED = 0.025
"""Relative: so near a standing wave of another dimension a resonance may be that."""
FAMILY_FELT = 0.1
"""A family is of the air only if the cone feels each of it by at least this share of a corner's."""


def felt_share(held: HeldResonance, candidate: Candidate, setting: Setting) -> float | None:
    """What the cone feels of a standing wave over what it would in a corner; None where that is not known."""
    if candidate.largest_energy_ratio is None:
        return None
    return setting.energy_ratio(held) / candidate.largest_energy_ratio


def contradiction(held: HeldResonance, candidate: Candidate | None, setting: Setting | None) -> str:
    """Why a standing wave at the right frequency can hardly be meant, in words; empty if nothing speaks against it."""
    if candidate is None or setting is None or candidate.cause != "standing wave":
        return ""
    felt = felt_share(held, candidate, setting)
    if felt is None:
        return ""
    if felt > MOST_FELT:
        return (
            "the cone feels more of it than the air can press even in a corner: two resonances in one place, or "
            "another cause"
        )
    if candidate.energy_ratio is None or candidate.largest_energy_ratio is None:
        return ""
    by_place = candidate.energy_ratio / candidate.largest_energy_ratio
    if by_place < NODE_SHARE and felt > FELT_SHARE:
        return (
            f"by the driver's place in build.toml the cone sits at a node and should feel {100 * by_place:.0f} % of "
            f"what it would in a corner, but feels {100 * min(felt, 1.0):.0f} %: check from_top_mm, from_left_mm and "
            "inside_mm, unless another standing wave lies in the same place"
        )
    return ""


def without_false_certainty(probabilities: Mapping[Cause, float], contradicted: bool) -> dict[Cause, float]:
    """What is only left over, or contradicted, is never more than `MOST_SURE_OF_A_REST`; the rest is undecided."""
    capped = dict(probabilities)
    for cause in ("wall", "standing wave") if contradicted else ("wall",):
        # From one half on, where a cause is decided, it grows more slowly: the order of what is likely stays.
        excess = max(0.0, capped[cause] - 0.5) * (1 - (MOST_SURE_OF_A_REST - 0.5) / 0.5)
        capped[cause] -= excess
        capped["undecided"] += excess
    return capped


def families_off(
    held: Sequence[HeldResonance], candidates: Sequence[Candidate], setting: Setting | None
) -> Iterator[str]:
    """Warnings: resonances that are a family of one dimension, were it not for the size that build.toml tells."""
    if setting is None:
        return
    for axis, dimension in enumerate(("height", "width", "depth")):
        family = {
            candidate.mode.orders[axis]: candidate
            for candidate in candidates
            if candidate.mode is not None and candidate.mode.dimensions == 1 and candidate.mode.orders[axis]
        }
        if 1 not in family:
            continue
        # What another dimension explains is no family of this one.
        elsewhere = [
            candidate.frequency_hz * float(np.exp(candidate.shift))
            for candidate in candidates
            if candidate.mode is not None and candidate.mode.dimensions == 1 and not candidate.mode.orders[axis]
        ]
        free = [one for one in held if not any(abs(one.frequency_hz / hz - 1) < EXPLAINED for hz in elsewhere)]
        found = _family(held, free, family, setting)
        mode = family[1].mode
        if found is None or mode is None:
            continue
        factor, places_hz = found
        told_mm = mode.inside_mm[axis]
        listed = ", ".join(f"{hz:.0f}" for hz in places_hz)
        yield (
            f"resonances at {listed} Hz are a family of standing waves, but {100 * abs(factor - 1):.0f} % "
            f"{'above' if factor > 1 else 'below'} that of the {dimension} of {told_mm:.0f} mm: measure it again "
            f"({told_mm / factor:.0f} mm would explain them), and correct inside_mm in build.toml"
        )


def _family(
    held: Sequence[HeldResonance],
    free: Sequence[HeldResonance],
    family: Mapping[int, Candidate],
    setting: Setting,
) -> tuple[float, list[float]] | None:
    """Common factor and places of the free resonances that make a family off its dimension; None without one."""
    strong = [one for one in held if setting.energy_ratio(one) > FAMILY_FELT * 2.0]
    first_hz = family[1].frequency_hz * float(np.exp(family[1].shift))
    if _members(strong, first_hz) is not None:
        return None  # it is where it was told
    strong = [one for one in strong if one in free]
    for start in strong:
        deviation = abs(start.frequency_hz / first_hz - 1)
        if not FAMILY_OFF[0] <= deviation <= FAMILY_OFF[1]:
            continue
        members = _members(strong, start.frequency_hz)
        if members is not None:
            factors = [one / ((order + 1) * first_hz) for order, one in enumerate(members)]
            return float(np.mean(factors)), members
    return None


def _members(strong: Sequence[HeldResonance], first_hz: float) -> list[float] | None:
    """Places of a family of `FAMILY` from a first frequency; None if one is missing."""
    places = []
    for order in range(1, FAMILY + 1):
        near = [one.frequency_hz for one in strong if abs(one.frequency_hz / (order * first_hz) - 1) < FAMILY_FITS]
        if not near:
            return None
        places.append(near[0])
    return places
