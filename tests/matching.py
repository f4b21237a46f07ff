"""What was found against what is there: one-to-one, by frequency."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from reference.random_speakers import to_be_found
from reference.truth import TrueResonance


@dataclass(frozen=True)
class Matched:
    """Outcome for one speaker.

    Attributes
    ----------
    pairs : list of (index into the found, truth)
        Of the resonances that have to be found.
    missed : list of TrueResonance
        Those that have to be found and were not.
    false : list of int
        Indices of what was found where nothing is: not even a resonance too low or too damped to be asked for.
    findings : int
        Number of found ones that do not belong to a motional peak.
    """

    pairs: list[tuple[int, TrueResonance]]
    missed: list[TrueResonance]
    false: list[int]
    findings: int


def match(found_hz: Sequence[float], truth: tuple[TrueResonance, ...], with_fundamentals: bool = False) -> Matched:
    """Give each true resonance, highest first, the nearest that was found within a third of its width, or 2 %.

    ``with_fundamentals``: the motional peaks are among the found (a method that cannot tell them apart), which is
    neither right nor wrong.
    """
    asked = to_be_found(truth)
    left = dict(enumerate(found_hz))
    pairs, missed, motional = [], [], 0
    for one in sorted(truth, key=lambda one: -one.height_ohm):
        if one.cause == "fundamental" and not with_fundamentals:
            continue
        window_hz = one.frequency_hz * max(0.02, 0.3 / one.q)
        near = [index for index, hz in left.items() if abs(hz - one.frequency_hz) < window_hz]
        is_asked = any(one is other for other in asked)
        if near:
            index = min(near, key=lambda index: abs(left[index] - one.frequency_hz))
            del left[index]
            motional += one.cause == "fundamental"
            if is_asked:
                pairs.append((index, one))
        elif is_asked:
            missed.append(one)
    return Matched(pairs, missed, list(left), len(found_hz) - motional)
