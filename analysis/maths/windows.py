"""Running means over windows of any width, and cells of a part of an octave."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.arrays import FloatArray

Ends = tuple[NDArray[np.int64], NDArray[np.int64]]
"""First index and last + 1 of each window."""


def windows_around(count: int, half: int | NDArray[np.int64]) -> Ends:
    """Windows that reach ``half`` to both sides of each of ``count`` places, cut at the ends."""
    index = np.arange(count)
    return np.maximum(0, index - half), np.minimum(count, index + half + 1)


def sums_over(values: NDArray[Any], ends: Ends) -> NDArray[Any]:
    """Sum of the values in each window, along the last axis."""
    nothing = np.zeros((*values.shape[:-1], 1), dtype=values.dtype)
    sums = np.concatenate([nothing, np.cumsum(values, axis=-1)], axis=-1)
    result: NDArray[Any] = sums[..., ends[1]] - sums[..., ends[0]]
    return result


def means_over(values: NDArray[Any], ends: Ends) -> NDArray[Any]:
    """Mean of the values in each window, none of which is empty, along the last axis."""
    result: NDArray[Any] = sums_over(values, ends) / (ends[1] - ends[0])
    return result


def first_of_cells(frequency_hz: FloatArray, cells_per_octave: float) -> NDArray[np.int64]:
    """First bin of each cell of a logarithmic axis; where bins are wider than cells, each bin is one."""
    number = np.floor(cells_per_octave * np.log2(frequency_hz))
    return np.concatenate([[0], np.flatnonzero(np.diff(number) > 0) + 1])


def pair_squares(rest: FloatArray) -> FloatArray:
    """Half the sum of squares of real and imaginary parts, the latter behind the former: 1 on average for noise.

    Parameters
    ----------
    rest : ndarray, shape (2 n,)
        In units of the standard deviation of a part.
    """
    count = rest.size // 2
    squares: FloatArray = 0.5 * (rest[:count] ** 2 + rest[count:] ** 2)
    return squares
