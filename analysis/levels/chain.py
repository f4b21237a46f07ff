"""What jig and card make of harmonics by themselves: by resistors on the same clips."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.sweeps.sweep_harmonics import SweepHarmonics, sweep_harmonics
from stillbox.analysis.watched_build import nameless
from stillbox.capture.arrays import FloatArray
from stillbox.capture.recording.take import TakeInfo

USUAL_CHAIN_DB = -90.0
"""Harmonics of a sound card's inputs near full scale, re that channel (common practice, no source)."""
MOST_RESISTORS, _AS_LOUD = 3, 1.5
"""Takes of resistors that are looked at, and by how much a coil's may be louder to be judged by them."""
_LEAST_STD = 4.5


def harmonics_of(bench: Bench, take: TakeInfo) -> SweepHarmonics:
    """Of what is on the clips in a take, computed once."""
    one = nameless(take)
    return bench.kept(
        "harmonics", one, lambda: sweep_harmonics(bench.build.load(one), bench.ungated.ratio(one))
    )


@dataclass(frozen=True)
class Chain:
    """What jig and card make by themselves, by takes of resistors on the same clips."""

    seen: tuple[SweepHarmonics, ...]

    @staticmethod
    def of(bench: Bench, take: TakeInfo) -> Chain:
        fitting = [
            one
            for subject in ("load", "check-resistor")
            for one in bench.takes_of(subject)
            if one.jig == take.jig and one.excitation.sample_rate_hz == take.excitation.sample_rate_hz
        ]
        return Chain(tuple(harmonics_of(bench, one) for one in fitting[-MOST_RESISTORS:]))

    @property
    def told(self) -> bool:
        return bool(self.seen)

    def ratio(self, order: int, hz: FloatArray, level: FloatArray) -> FloatArray:
        """The most that an order may have of it, over channel 1 at that level of it, shape (n,)."""
        # A curve that bends a little makes order k with the power k of the level.
        usual = 10 ** (USUAL_CHAIN_DB / 20) * level ** (order - 1)
        limit = usual
        for one in self.seen:
            own = one.orders[order]
            size, std, at_level = (
                np.interp(hz, one.frequency_hz, values) for values in (np.abs(own.ratio), own.std, one.level)
            )
            louder = level / at_level
            is_seen = size > _LEAST_STD * std
            told = (size + 2 * std) * np.maximum(louder, 0.1) ** (order - 1)
            # A resistor that was swept less loud, without a harmonic of its own, tells nothing of louder sweeps.
            told = np.where(is_seen | (louder < _AS_LOUD), told, usual)
            limit = np.where(np.isfinite(told), told if one is self.seen[0] else np.fmax(limit, told), limit)
        return np.asarray(limit)
