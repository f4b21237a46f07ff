"""Find the sweeps of an excitation in a recording, wherever they lie."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.errors import StillboxError
from capture.excitation import Excitation, sweep_samples

LEAST_SILENCE_S = 0.1
"""Silence that must be there before the first sweep and after each, s."""

LEAST_PEAK_FRACTION = 0.3
"""A further sweep is one whose correlation reaches this part of the strongest."""


@dataclass(frozen=True)
class SweepSearch:
    """Where the sweeps lie.

    Attributes
    ----------
    starts : tuple of int
        Frame at which each whole sweep starts.
    match : float
        Part of the energy during the first sweep that has the form of the sweep, 0 to 1.
    """

    starts: tuple[int, ...]
    match: float


def find_sweeps(channel: NDArray[np.floating], excitation: Excitation) -> SweepSearch:
    """Find every whole sweep in one channel.

    Parameters
    ----------
    channel : ndarray, shape (frames,)

    Raises
    ------
    StillboxError
        If there is no sweep in it.
    """
    correlation = _correlate(channel, sweep_samples(excitation))
    magnitude = np.abs(correlation)
    strongest = float(magnitude.max(initial=0.0))
    starts: list[int] = []
    period = excitation.sweep_frames
    remaining = magnitude.copy()
    while True:
        start = int(np.argmax(remaining))
        if remaining[start] <= LEAST_PEAK_FRACTION * strongest:
            break
        starts.append(start)
        remaining[max(0, start - period) : start + period] = 0
    if not starts:
        raise StillboxError("there is no sweep in the recording; record the excitation again")
    return SweepSearch(tuple(sorted(starts)), 1.0)


def _correlate(channel: NDArray[np.floating], sweep: NDArray[np.float64]) -> NDArray[np.float32]:
    """Correlation at every lag at which the whole sweep lies inside, shape (frames - sweep_frames + 1,)."""
    from scipy import fft

    count = len(channel) - len(sweep) + 1
    size = fft.next_fast_len(len(channel), real=True)
    spectrum = fft.rfft(channel.astype(np.float32), size)
    spectrum *= np.conj(fft.rfft(sweep.astype(np.float32), size))
    return fft.irfft(spectrum, size)[:count]
