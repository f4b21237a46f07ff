"""Whether a sound in the room disturbed one of several sweeps, by what the sweeps have not in common.

All sweeps of a live take run by one clock, so what differs between them at the same moment is noise, and of three
the one that lies apart is the disturbed one.
"""

from __future__ import annotations

import math

import numpy as np

from stillbox.capture.arrays import FloatArray
from stillbox.capture.sweep.excitation import Excitation

_BLOCK_S = 0.02
_OVER_SILENCE = 10.0
"""A block is disturbed where it lies apart by so many times the noise before the first sweep, rms."""
_OF_SIGNAL = 3e-3
"""And by this part of the sweep itself: gains drift, coils warm."""
_SHORTEST_S = 0.06


def disturbance(samples: FloatArray, starts: tuple[int, ...], excitation: Excitation) -> str | None:
    """In words, which sweep lies apart from the others and where; None where none does, or there are less than three.

    Parameters
    ----------
    samples : ndarray, shape (frames, 2)
    starts : tuple of int
        Frame at which each sweep starts.
    """
    if len(starts) < 3:
        return None
    block = round(_BLOCK_S * excitation.sample_rate_hz)
    count = excitation.sweep_frames // block
    quiet = samples[max(0, starts[0] - excitation.silence_before_frames) : starts[0] - block]
    noise = np.sqrt(np.mean((quiet - quiet.mean(axis=0)) ** 2, axis=0))
    sweeps = np.stack([samples[start : start + count * block] for start in starts])
    middle = _middle(sweeps)
    apart = _rms(sweeps - middle, block)
    high = np.any((apart > _OVER_SILENCE * noise) & (apart > _OF_SIGNAL * _rms(middle[None], block)), axis=-1)
    total_s = high.sum(axis=1) * _BLOCK_S
    worst = int(np.argmax(total_s))
    if total_s[worst] < _SHORTEST_S:
        return None
    places_s = np.flatnonzero(high[worst])[[0, -1]] * _BLOCK_S + [0.0, _BLOCK_S]
    low_hz, high_hz = (excitation.low_hz * math.exp(place_s / excitation.rate_constant_s) for place_s in places_s)
    return (
        f"sweep {worst + 1} of {len(starts)} was disturbed while it ran from {low_hz:.0f} to {high_hz:.0f} Hz: was "
        "there a sound, a step, a touch?"
    )


def _middle(sweeps: FloatArray) -> FloatArray:
    """Median of the sweeps, sample by sample."""
    if len(sweeps) != 3:
        return np.asarray(np.median(sweeps, axis=0))
    first, second, third = sweeps  # of three it needs no sorting, which takes ten times as long
    result: FloatArray = np.maximum(np.minimum(first, second), np.minimum(np.maximum(first, second), third))
    return result


def _rms(signals: FloatArray, block: int) -> FloatArray:
    """Root mean square in blocks, shape (signals, blocks, channels)."""
    parts = signals.reshape(signals.shape[0], -1, block, signals.shape[-1])
    return np.asarray(np.sqrt(np.mean(parts**2, axis=2)))
