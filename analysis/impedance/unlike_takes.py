"""Takes of one state that are not alike: the newest stands for the state, which is said where the two differ."""

from __future__ import annotations

import numpy as np

from stillbox.analysis.impedance.findings import NOTABLE_OHM, Resonance, ResonanceFit
from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.analysis.maths.number_words import frequency_words, short_number
from stillbox.capture.recording.take import TakeInfo

ALIKE = 0.004
"""Curves that differ nowhere by more than this, relatively, need no second look."""
LEAST_TIMES = 1.5
"""Between takes of an unchanged box heights differ by less than this factor: temperature, level and a driver that has
been out and in account for some percent (common practice, no source)."""
NEAR = 0.03
"""Relative distance within which a resonance is the same one."""
REMOUNTED_TIMES, REMOUNTED_NEAR = LEAST_TIMES**2, 2 * NEAR
"""The same where it is said that the driver was out and in, and nothing else done: a cone's edge follows the stress of
its basket (common practice, no source)."""
LEAST_PEAK_SHIFT = 0.04
"""Relative shift of a fundamental peak that temperature and playing in do not make."""


def alike(one: ImpedanceCurve, other: ImpedanceCurve) -> bool:
    """Whether two curves are so near to each other that nothing can have been changed between."""
    first, second = np.abs(one.impedance_ohm), np.abs(other.impedance_ohm)
    here = np.interp(np.log(one.frequency_hz), np.log(other.frequency_hz), second)
    shared = (one.frequency_hz >= other.frequency_hz[0]) & (one.frequency_hz <= other.frequency_hz[-1])
    return bool(np.all(np.abs(here[shared] / first[shared] - 1) <= ALIKE))


def difference(newest: ResonanceFit, earlier: ResonanceFit, remounted: bool = False) -> str:
    """What most sets two takes of one state apart, in words; empty where nothing does that may not.

    ``remounted`` where the driver was taken out and put back between, which may do more.
    """
    if len(newest.motional) != len(earlier.motional):
        return f"{len(earlier.motional)} fundamental peak(s) there, {len(newest.motional)} here"
    for here, there in zip(newest.motional, earlier.motional, strict=True):
        if abs(here.frequency_hz / there.frequency_hz - 1) > LEAST_PEAK_SHIFT:
            places = [frequency_words(one.frequency_hz) for one in (there, here)]
            return f"a fundamental peak at {places[0]} there, at {places[1]} here"
    limits = (REMOUNTED_TIMES, REMOUNTED_NEAR) if remounted else (LEAST_TIMES, NEAR)
    found = [
        *_of_one_only(earlier, newest, "there", "here", *limits),
        *_of_one_only(newest, earlier, "here", "there", *limits),
    ]
    return max(found, default=(0.0, ""))[1]


def _of_one_only(
    one: ResonanceFit, other: ResonanceFit, place: str, elsewhere: str, times: float, near: float
) -> list[tuple[float, str]]:
    """Resonances that are much higher in ``one``: by how many ohms, and words."""
    found = []
    for resonance in one.resonances:
        if resonance.height_ohm < NOTABLE_OHM:
            continue
        partner = _partner(resonance, other, near)
        lower_ohm = other.detection_limit.at(resonance.frequency_hz) if partner is None else partner.height_ohm
        if resonance.height_ohm > times * lower_ohm:
            least = "none" if partner is None else f"{short_number(partner.height_ohm)} ohm"
            height = f"{short_number(resonance.height_ohm)} ohm"
            words = f"{resonance.frequency_hz:.4g} Hz: {height} {place}, {least} {elsewhere}"
            found.append((resonance.height_ohm - lower_ohm, words))
    return found


def _partner(resonance: Resonance, fit: ResonanceFit, near: float) -> Resonance | None:
    there = [one for one in fit.resonances if abs(one.frequency_hz / resonance.frequency_hz - 1) < near]
    return max(there, key=lambda one: one.height_ohm, default=None)


def unlike_sentence(newest: TakeInfo, earlier: TakeInfo, what: str) -> str:
    """That the newest take stands for a state whose earlier take is unlike it, with what can be done."""
    return (
        f"takes {earlier.number} and {newest.number} are both '{newest.state}' of unit {newest.unit} but unlike "
        f"({what}; here is take {newest.number}): if the box was changed between, give one a state of its own "
        f"('stillbox takes BUILD --rename {newest.number} NAME'); if one went wrong, '--set-aside' it"
    )
