"""Inverse of ``A^T A``, whose columns may differ by many orders of magnitude, or hardly differ at all."""

from __future__ import annotations

import numpy as np
from scipy.linalg import lapack

from stillbox.capture.arrays import FloatArray

_WELL_CONDITIONED = 1e-4
"""Least sine between a column and those before it with which the matrix is inverted by Cholesky's method."""
_FLOOR = 1e-13
"""Least eigenvalue over the largest that counts."""
_NO_SIZE = 1e-12
"""Stands for the size of a column of zeros."""


def scaled_normal(columns: FloatArray) -> tuple[FloatArray, FloatArray]:
    """``A^T A`` divided by the sizes of the columns, so that its diagonal is 1, (k, k); the sizes, (k,)."""
    return scaled_gram(columns.T @ columns)


def scaled_gram(normal: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The same from ``A^T A`` itself."""
    size = np.sqrt(normal.diagonal())
    size[size == 0] = _NO_SIZE
    return normal / np.multiply.outer(size, size), size


def floored_inverse(gram: FloatArray, floor: float = _FLOOR) -> FloatArray:
    """By eigenvalues, none of which counts as less than ``floor`` times the largest."""
    values, vectors = np.linalg.eigh(gram)
    values = np.maximum(values, floor * values[-1])
    result: FloatArray = (vectors / values) @ vectors.T
    return result


def inverse_gram(columns: FloatArray) -> FloatArray:
    """Inverse of ``A^T A``, columns scaled beforehand, with a floor that keeps nearly equal columns harmless."""
    return inverse_of_gram(columns.T @ columns)


def inverse_of_gram(normal: FloatArray) -> FloatArray:
    """The same from ``A^T A`` itself."""
    if normal.shape[0] == 0:
        return np.zeros((0, 0))
    gram, size = scaled_gram(normal)
    factor, failed = lapack.dpotrf(gram, lower=True)
    if not failed and np.min(np.diag(factor)) > _WELL_CONDITIONED:
        half, _ = lapack.dtrtri(factor, lower=True)
        inverse = half.T @ half
    else:
        inverse = floored_inverse(gram)
    result: FloatArray = inverse / np.multiply.outer(size, size)
    return result
