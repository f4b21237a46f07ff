"""The noise of one sweep alone, from what it shows itself: there is no other sweep to compare it with.

A speaker's ringing dies out long before the record ends. What is left late in its response is noise: of the silences'
kind, and what a sound leaves that came later than the sweep had passed its frequency. A sound of just the moment at
which its frequency was swept looks like the speaker's own; but few sounds are as short as that, so the noise found
beside it holds for it too.
"""

from __future__ import annotations

import numpy as np
from scipy import fft

from capture.arrays import ComplexArray, FloatArray

_EARLIEST, _LATEST = (0.45, 0.25, 0.12, 0.06), 0.8
"""From when to when a response counts as late, in parts of its length: the higher the frequency, the earlier it has
died out; the last part is faded out, or lies before time 0."""
_DECAYED = 37.0, 74.0
"""Cycles in which a peak falls by 100 dB: of Q 10, as the lowest ones have, and of Q 20."""
_TAPERED_OCTAVES = 1.0
"""At both ends of the band, where the ratio is led to zero and nothing can be told."""
_LOCAL_OCTAVES, _FEWEST_BINS = 1 / 3, 24
"""Power is the mean over so much, and over so many bins to both sides at least: fewer scatter too much."""
_CHANCE_IN_STD = 5.0
"""Noise as in the silence is not taken for more by chance, at any of some thousand places."""


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
    step_hz = frequency_hz[1] - frequency_hz[0]
    found = np.ones(ratio.size)
    for index, earliest in enumerate(_EARLIEST):
        decayed_hz = _DECAYED[min(index, 1)] * step_hz / earliest
        first = int(np.searchsorted(frequency_hz, max(decayed_hz, frequency_hz[0] * 2**_TAPERED_OCTAVES)))
        if frequency_hz.size - first < 4 * _FEWEST_BINS:
            break
        found[first:] = _late_power(frequency_hz, ratio, variance, earliest, first)
        if index == 0:
            found[:first] = found[first]
    return found


def _late_power(
    frequency_hz: FloatArray, ratio: ComplexArray, variance: FloatArray, earliest: float, first: int
) -> FloatArray:
    """Power of what comes late over that of the stated noise, where that is no chance, from bin ``first`` on."""
    # Both ends led to zero: what is steep there would be late everywhere.
    inside = np.log2(frequency_hz / frequency_hz[0]), np.log2(frequency_hz[-1] / frequency_hz)
    taper = np.prod([_rise(np.clip(part / _TAPERED_OCTAVES, 0.0, 1.0)) for part in inside], axis=0)
    size = fft.next_fast_len(2 * ratio.size)
    place = (np.arange(size) / size - earliest) / (_LATEST - earliest)
    window = np.sin(np.pi * np.clip(place, 0.0, 1.0)) ** 2
    late = fft.fft(fft.ifft(ratio * taper, size) * window)[: ratio.size]
    expected = float(np.mean(window**2))
    power = np.where(taper > 0.99, np.abs(late) ** 2 / variance, expected)[first:]
    step_hz = frequency_hz[1] - frequency_hz[0]
    half = np.maximum(0.5 * _LOCAL_OCTAVES * np.log(2) * frequency_hz[first:] / step_hz, _FEWEST_BINS).astype(int)
    index = np.arange(power.size)
    low, high = np.maximum(0, index - half), np.minimum(power.size, index + half + 1)
    sums = np.concatenate([[0.0], np.cumsum(power)])
    local = (sums[high] - sums[low]) / (high - low) / expected
    free = (high - low) * (_LATEST - earliest)
    return np.where(local > 1 + _CHANCE_IN_STD / np.sqrt(free), local, 1.0)


def _rise(part: FloatArray) -> FloatArray:
    """From 0 to 1 as the integral of a Blackman window: little of it is late."""
    return part - (0.25 * np.sin(2 * np.pi * part) - 0.02 * np.sin(4 * np.pi * part)) / (0.42 * np.pi)
