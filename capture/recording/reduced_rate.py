"""A channel at a lower rate, to look through it quickly.

`scipy.signal` does the same, but loading it takes longer than most recordings take to be read.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_LOBES = 10
"""Zeros of the low pass to both sides of its middle."""
_KAISER_BETA = 5.0
_PIECE_FRAMES = 2**16
"""Filtered at once: a transform of a whole recording would take several times its memory."""


def at_reduced_rate(channel: NDArray[np.float32], step: int) -> NDArray[np.float32]:
    """Every ``step``-th frame of a channel without what lies above half of that rate; silent beyond its ends.

    Parameters
    ----------
    channel : ndarray, shape (n,)
    step : int
        At least 1.

    Returns
    -------
    ndarray, shape (ceil(n / step),)
    """
    if step == 1:
        return channel
    half = _LOBES * step
    reduced = np.zeros(-(-channel.size // step), dtype=np.float32)
    rows_of_filter = _low_pass(step).reshape(-1, step)
    frames = max(1, _PIECE_FRAMES // step)
    for begin in range(0, reduced.size, frames):
        out = reduced[begin : begin + frames]
        # Row k of the piece begins where the filter of frame k does; of the filter, each row meets its own.
        piece = np.zeros((out.size + len(rows_of_filter) - 1) * step, dtype=np.float32)
        first = begin * step - half
        there = channel[max(first, 0) : first + piece.size]
        piece[max(-first, 0) : max(-first, 0) + there.size] = there
        rows = piece.reshape(-1, step)
        for place, row in enumerate(rows_of_filter):
            out += rows[place : place + out.size] @ row
    return reduced


def _low_pass(step: int) -> NDArray[np.float32]:
    """A windowed sinc for the reduced rate, of which constants pass; filled up with zeros to whole steps."""
    half = _LOBES * step
    taps = np.sinc(np.arange(-half, half + 1) / step) * np.kaiser(2 * half + 1, _KAISER_BETA)
    return np.concatenate([taps / taps.sum(), np.zeros(step - 1)]).astype(np.float32)
