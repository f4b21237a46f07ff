"""How a fit has come to its end: where it has stopped, what held it there, and what its data have told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stillbox.analysis.maths.gram import scaled_normal
from stillbox.capture.arrays import FloatArray

SINGULAR = 1e-12
"""Eigenvalue of the scaled normal matrix over the largest one below which there is nothing in a direction but rounding:
a parameter that has a part in it has 1e6 times the uncertainty that it would have alone."""
PART = 1e-4
"""Square of the part that counts."""


@dataclass(frozen=True)
class FitEnd:
    """Arrays have shape (k,), an element for each parameter.

    Attributes
    ----------
    step : ndarray
        From where the fit has stopped to the best, as far as the slopes there tell.
    remaining : float
        The same in standard deviations, all parameters together: the square root of what chi-square would gain.
    moved : ndarray of bool
        What was free.
    at_limit : ndarray of int
        -1 for what is at the least that it can be and would go below it, 1 for the most, 0 for what lies between.
    unseen : ndarray of bool
        What has a part in a direction in which the normal matrix is singular: neither data nor anything known
        beforehand tells it from others.
    kept : ndarray
        Standard deviation after the fit over that beforehand; 0 where nothing was known, 1 where the data tell nothing.
    """

    step: FloatArray
    remaining: float
    moved: NDArray[np.bool_]
    at_limit: NDArray[np.int8]
    unseen: NDArray[np.bool_]
    kept: FloatArray


def fit_end(
    jacobian: FloatArray, whole: FloatArray, known: int, moving: NDArray[np.intp], limits: NDArray[np.int8]
) -> FitEnd:
    """Judge the end of a fit.

    Parameters
    ----------
    jacobian, whole : ndarray, shape (n, m) and (n,)
        Slopes by the moving parameters and misfit, in units of the standard deviation, what was known below the data.
    known : int
        How many of the rows are what was known.
    moving : ndarray, shape (m,)
        Indices of the moving parameters.
    limits : ndarray, shape (k,)
        As ``FitEnd.at_limit``.
    """
    size = limits.size
    at_limit = limits[moving]
    loose = at_limit == 0
    scaled, scale = scaled_normal(jacobian[:, loose])
    values, vectors = np.linalg.eigh(scaled)
    seen = values > SINGULAR * values.max(initial=0.0)
    along = vectors.T @ (jacobian[:, loose].T @ whole / scale)
    remaining = float(np.sqrt(np.sum(along[seen] ** 2 / values[seen])))
    step = np.zeros(size)
    step[moving[loose]] = vectors[:, seen] @ (along[seen] / values[seen]) / scale
    untold = np.zeros(moving.size, dtype=bool)
    untold[loose] = np.sum(vectors[:, ~seen] ** 2, axis=1) > PART
    kept = np.zeros(moving.size)
    after = _variance(jacobian)
    beforehand = _variance(jacobian[jacobian.shape[0] - known :])
    told = np.isfinite(beforehand)
    kept[told] = np.sqrt(np.minimum(after[told] / beforehand[told], 1.0))
    moved, unseen, all_kept = np.zeros(size, dtype=bool), np.zeros(size, dtype=bool), np.zeros(size)
    moved[moving], unseen[moving], all_kept[moving] = True, untold, kept
    return FitEnd(step, remaining, moved, limits, unseen, all_kept)


def _variance(jacobian: FloatArray) -> FloatArray:
    """Of each parameter; infinite where the rows do not tell it."""
    if not jacobian.size:
        return np.full(jacobian.shape[1], np.inf)
    scaled, scale = scaled_normal(jacobian)
    values, vectors = np.linalg.eigh(scaled)
    seen = values > SINGULAR * values.max()
    variance = np.sum(vectors[:, seen] ** 2 / values[seen], axis=1) / scale**2
    variance[np.sum(vectors[:, ~seen] ** 2, axis=1) > PART] = np.inf
    return np.asarray(variance)
