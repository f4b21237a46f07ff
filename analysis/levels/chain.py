"""What jig and card make of harmonics by themselves: by resistors on the same clips."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.sweeps.sweep_harmonics import SweepHarmonics, sweep_harmonics
from stillbox.analysis.watched_build import nameless
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.recording.take import TakeInfo

USUAL_CHAIN_DB = -90.0
"""Harmonics of a sound card's inputs near full scale, re that channel (common practice, no source)."""
MOST_RESISTORS, _AS_LOUD = 3, 1.5
"""Takes of resistors that are looked at, and by how much a coil's may be louder to be judged by them."""
_LEAST_STD = 4.5
_LEAST_PART = 0.1
"""Of what an input makes, that a resistor shows: much less hides all of it."""


def harmonics_of(bench: Bench, take: TakeInfo) -> SweepHarmonics:
    """Of what is on the clips in a take, computed once."""
    one = nameless(take)
    return bench.kept(
        "harmonics", one, lambda: sweep_harmonics(bench.build.load(one), bench.ungated.ratio(one))
    )


@dataclass(frozen=True)
class Resistor:
    """Harmonics with a resistor on the clips, and the ratio of the channels with it."""

    harmonics: SweepHarmonics
    ratio: float


@dataclass(frozen=True)
class Chain:
    """What jig and card make by themselves, by takes of resistors on the same clips.

    An input that bends adds to its channel order k with the power k of its level. What channel 2 then has beside the
    linear answer m to channel 1 is ``d2 m(f)^k - m(k f) d1`` times the level of channel 1 to that power. A resistor
    shows the difference of both, with the same m: as if both inputs bent alike, it tells d.
    """

    resistors: tuple[Resistor, ...]

    @staticmethod
    def of(bench: Bench, take: TakeInfo) -> Chain:
        fitting = [
            one
            for subject in ("load", "check-resistor")
            for one in bench.takes_of(subject)
            if one.jig == take.jig and one.excitation.sample_rate_hz == take.excitation.sample_rate_hz
        ]
        return Chain(
            tuple(
                Resistor(harmonics_of(bench, one), float(np.median(np.abs(bench.ungated.ratio(one).ratio))))
                for one in fitting[-MOST_RESISTORS:]
            )
        )

    @property
    def told(self) -> bool:
        return bool(self.resistors)

    def ratio(
        self, order: int, hz: FloatArray, level: FloatArray, ratio: ComplexArray, ratio_there: ComplexArray
    ) -> FloatArray:
        """The most that an order may have of it, over channel 1, shape (n,).

        Parameters
        ----------
        hz, level : ndarray, shape (n,)
            Of channel 1.
        ratio, ratio_there : complex ndarray, shape (n,)
            Channel 2 over channel 1 at ``hz`` and at ``order * hz``.
        """
        usual = 10 ** (USUAL_CHAIN_DB / 20) * level ** (order - 1)
        bent = usual
        for number, one in enumerate(self.resistors):
            told = one_bent(one, order, hz, level)
            told = np.where(np.isfinite(told), told, usual)
            bent = told if number == 0 else np.fmax(bent, told)
        return np.asarray(bent * (np.abs(ratio_there) + np.abs(ratio) ** order))


def one_bent(one: Resistor, order: int, hz: FloatArray, level: FloatArray) -> FloatArray:
    """How far an input bends at that level by one resistor; NaN where that does not tell."""
    known = one.harmonics
    own = known.orders[order]
    size, std, at_level = (
        np.interp(hz, known.frequency_hz, values) for values in (np.abs(own.ratio), own.std, known.level)
    )
    louder = level / at_level
    # A resistor that was swept less loud, without a harmonic of its own, tells nothing of louder sweeps.
    tells = (size > _LEAST_STD * std) | (louder < _AS_LOUD)
    seen_part = max(abs(one.ratio - one.ratio**order), _LEAST_PART)
    return np.where(tells, (size + 2 * std) / seen_part * np.maximum(louder, 0.1) ** (order - 1), np.nan)
