"""Which takes of a build repeat each other: of one state with nothing done between, or with the driver out and in."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from stillbox.analysis.impedance.findings import ResonanceFit
from stillbox.analysis.impedance.repeatability import RepeatedFits
from stillbox.analysis.impedance.unlike_takes import difference
from stillbox.capture.recording.take import TakeInfo

MOST_PAIRS = 2
"""The newest count: each asks for a fit of its own, and the speaker ages."""


@dataclass(frozen=True)
class Repeats:
    """Pairs of takes of one state: with nothing done between, and with the driver taken out and put back."""

    same: tuple[RepeatedFits, ...] = ()
    remounted: tuple[RepeatedFits, ...] = ()


def repeats_of(
    take: TakeInfo,
    takes: Sequence[TakeInfo],
    fit: Callable[[TakeInfo], ResonanceFit],
    without: frozenset[int] = frozenset(),
) -> Repeats:
    """Pairs that tell how far the speaker of a take repeats.

    Parameters
    ----------
    take : TakeInfo
    takes : sequence of TakeInfo
        All of the build.
    fit : callable
        From a take to its fit.
    without : frozenset of int
        Numbers of takes that are compared with each other: their difference is what is asked for.
    """
    of_unit = [
        one
        for one in takes
        if one.subject == take.subject == "in-box" and (one.unit, one.of) == (take.unit, take.of)
    ]
    same: list[RepeatedFits] = []
    remounted: list[RepeatedFits] = []
    for earlier, later in reversed(_neighbours(of_unit)):
        if {earlier.number, later.number} <= without:
            continue
        wanted = remounted if later.remounted else same
        if len(wanted) == MOST_PAIRS or (wanted is same and later.state != take.state):
            continue
        first, second = fit(earlier), fit(later)
        if not difference(
            second, first, later.remounted
        ):
            what = "the driver taken out and put back" if later.remounted else "the same state"
            wanted.append(RepeatedFits(first, second, f"takes {earlier.number} and {later.number}, {what}"))
    return Repeats(tuple(same), tuple(remounted))


def _neighbours(takes: Sequence[TakeInfo]) -> list[tuple[TakeInfo, TakeInfo]]:
    """Each take with the one before it of the same state."""
    pairs = []
    for index, later in enumerate(takes):
        earlier = [one for one in takes[:index] if one.state == later.state]
        if earlier:
            pairs.append((earlier[-1], later))
    return pairs
