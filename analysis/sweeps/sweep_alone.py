"""The noise of one sweep alone, from what it shows itself: there is no other sweep to compare it with.

A speaker's ringing falls evenly from the beginning of its response. What is late in the response and not left of what
came before is noise: of the silences' kind, and what a sound leaves that came later than the sweep had passed its
frequency. A sound of just the moment at which its frequency was swept looks like the speaker's own; but few sounds are
as short as that, so the noise found beside it holds for it too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from stillbox.analysis.maths.stopping import checked
from stillbox.analysis.maths.windows import means_over
from stillbox.capture.arrays import ComplexArray, FloatArray

_EARLIEST = tuple(0.45 * 2 ** (-index / 2) for index in range(12))
"""From when on a response may count as late, in parts of its length."""
_FADES, _LATEST = 0.7, 0.8
"""The last part of a response is faded out, or lies before time 0."""
_FEWEST_CYCLES = 8.0
"""Of a frequency must have passed until then: earlier it cannot be told from its neighbours."""
NOTHING_BEATS_BELOW_HZ = 100.0
"""The lowest resonances of air and walls lie about there; peaks of a cone are too far apart to beat."""
_HIGHEST_Q, _CONE_Q = 100.0, 12.0
"""What is seen before may be ringing, and leaves what a resonance of the highest Q would. That of air and walls, whose
lowest lie about there, falls with the square of the frequency below; a cone has the last one at most."""
_SILENT = 0.1
"""Ringing over the noise of the silences that is no matter."""
_TAPERED_OCTAVES = 0.5
"""At both ends of the band, where the ratio is led to zero and nothing can be told."""
_LOCAL_OCTAVES, _FEWEST_BINS = 1 / 3, 32
"""Power is the mean over so much, and over so many bins to both sides at least: fewer scatter too much."""
_CHANCE_IN_STD = 3.7
"""Noise as in the silence is taken for more with the probability of 1e-4, at each place."""


def alone(frequency_hz: FloatArray, ratio: ComplexArray, variance: FloatArray) -> FloatArray:
    """Noise power of one sweep over that of the silences, at least 1, shape (n,).

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Even steps.
    ratio : complex ndarray, shape (n,)
    variance : ndarray, shape (n,)
        E|noise|^2 of the ratio, from the silences.
    """
    response = _Response.of(frequency_hz, ratio, variance)
    found = np.ones(frequency_hz.size)
    before = [response.energy(_before(response.place, earliest)) for earliest in _EARLIEST]
    # Two resonances that beat may be silent for one span of time, not for the one before it as well.
    for earliest, just_before, long_before in zip(_EARLIEST, before, before[2:], strict=False):
        late = _late(response.place, earliest)
        ringing = np.maximum(
            just_before * response.left_of_ringing(earliest, earliest),
            long_before * response.left_of_ringing(0.5 * earliest, earliest),
        )
        whole = np.mean(late**2)
        seen, ringing = response.energy(late) / whole, ringing / whole
        # What a window makes of neighbours is not independent; and the silences, no longer, are known no better.
        free = 0.5 * response.bins * whole**2 / np.mean(late**4)
        known = response.inside & (frequency_hz >= _FEWEST_CYCLES * response.step_hz / earliest)
        noise = np.where(seen > largest_by_chance(free) * (1 + ringing), seen - ringing, 1.0)
        # Where nothing rings any more, the longer window knows all that a later one does, and better.
        found = np.where(known, np.where(ringing < _SILENT, noise, np.maximum(found, noise)), found)
    first, last = np.flatnonzero(response.inside)[[0, -1]]
    found[:first], found[last:] = found[first], found[last]
    return found


def largest_by_chance(free: FloatArray) -> FloatArray:
    """What the mean of so many exponential values of mean 1 exceeds by chance (Wilson and Hilferty, 1931 [M])."""
    ninth = 1 / (9 * free)
    return (1 - ninth + _CHANCE_IN_STD * np.sqrt(ninth)) ** 3


def highest_q(frequency_hz: FloatArray | float) -> FloatArray:
    """Q of what rings at a frequency, at most; shape of ``frequency_hz``."""
    return np.maximum(_HIGHEST_Q * np.minimum(frequency_hz / NOTHING_BEATS_BELOW_HZ, 1.0) ** 2, _CONE_Q)


@dataclass(frozen=True)
class _Response:
    """A ratio in time: ``place`` runs from 0 to 1 over it.

    ``inside`` tells where both ends of the band, which are led to zero, are far enough; ``low`` and ``high`` are first
    bin and last + 1 of the surroundings of each bin.
    """

    frequency_hz: FloatArray
    variance: FloatArray
    place: FloatArray
    in_time: ComplexArray
    inside: NDArray[np.bool_]
    low: NDArray[np.int64]
    high: NDArray[np.int64]

    @classmethod
    def of(cls, frequency_hz: FloatArray, ratio: ComplexArray, variance: FloatArray) -> _Response:
        # What is steep at an end would be late everywhere.
        ends = np.log2(frequency_hz / frequency_hz[0]), np.log2(frequency_hz[-1] / frequency_hz)
        taper = np.prod([_rise(np.clip(part / _TAPERED_OCTAVES, 0.0, 1.0)) for part in ends], axis=0)
        size = fft.next_fast_len(2 * ratio.size)
        step_hz = frequency_hz[1] - frequency_hz[0]
        half = np.maximum(0.5 * _LOCAL_OCTAVES * np.log(2) * frequency_hz / step_hz, _FEWEST_BINS).astype(int)
        inside = taper > 0.99
        first, last = np.flatnonzero(inside)[[0, -1]]
        index = np.clip(np.arange(half.size), first, last)
        low, high = np.maximum(first, index - half), np.minimum(last + 1, index + half + 1)
        place = np.arange(size) / size
        return cls(frequency_hz, variance, place, fft.ifft(ratio * taper, size), inside, low, high)

    @property
    def step_hz(self) -> float:
        return float(self.frequency_hz[1] - self.frequency_hz[0])

    @property
    def bins(self) -> NDArray[np.int64]:
        """In the surroundings of each."""
        return self.high - self.low

    def energy(self, window: FloatArray) -> FloatArray:
        """Mean around each bin of what the window lets through, in units of the stated noise without a window."""
        checked()
        let_through = fft.fft(self.in_time * window)[: self.variance.size]
        return means_over(np.abs(let_through) ** 2 / self.variance, (self.low, self.high))

    def left_of_ringing(self, before: float, earliest: float) -> FloatArray:
        """Energy in the window from ``earliest`` on over that seen in the one that ends at ``before``, at most."""
        checked()
        decay = 2 * np.pi * self.frequency_hz / highest_q(self.frequency_hz[self.high - 1]) / self.step_hz
        known = np.geomspace(decay.min(), decay.max(), 32)
        place = self.place[:: max(1, self.place.size // 8192)]
        falling = np.exp(-known[:, None] * np.maximum(place - 0.5 * before, 0.0))
        seen, left = falling @ _before(place, before) ** 2, falling @ _late(place, earliest) ** 2
        # A short window spreads what it shows beyond the neighbourhood, over some 4 over its end.
        spread = 1 + 4 / (before * self.bins)
        share = np.log(np.maximum(left, 1e-300) / seen)
        result: FloatArray = spread * np.exp(np.interp(np.log(decay), np.log(known), share))
        return result


def _before(place: FloatArray, end: float) -> FloatArray:
    result: FloatArray = np.sin(np.pi * np.clip(2 * place / end - 1, 0.0, 1.0)) ** 2
    return result


def _late(place: FloatArray, earliest: float) -> FloatArray:
    # Even between its ends: a short sound counts the same whenever it comes.
    rising = np.clip(2 * (place / earliest - 1), 0.0, 1.0)
    falling = np.clip((_LATEST - place) / (_LATEST - _FADES), 0.0, 1.0)
    result: FloatArray = (np.sin(0.5 * np.pi * rising) * np.sin(0.5 * np.pi * falling)) ** 2
    return result


def _rise(part: FloatArray) -> FloatArray:
    """From 0 to 1 as the integral of a Blackman window: little of it is late."""
    result: FloatArray = part - (0.25 * np.sin(2 * np.pi * part) - 0.02 * np.sin(4 * np.pi * part)) / (0.42 * np.pi)
    return result
