"""Inverse Gram matrices of columns that differ by orders of magnitude, or hardly at all."""

from __future__ import annotations

import numpy as np
import pytest

from stillbox.analysis.maths.gram import floored_inverse, inverse_gram, scaled_normal


@pytest.mark.parametrize("alike", [1.0, 1e-3, 1e-5])
def test_columns_of_unlike_sizes(alike: float) -> None:
    """The last one differs by the part ``alike`` from the one before it; the exact inverse is known."""
    generator = np.random.default_rng(3)
    basis = np.linalg.qr(generator.standard_normal((60, 4)))[0]
    mixed = np.eye(4)
    mixed[2, 3], mixed[3, 3] = 1.0, alike
    size = np.diag([1e-9, 1.0, 1e6, 3.0])
    half = np.linalg.inv(mixed)
    exact = half @ half.T
    columns = basis @ mixed @ size
    scaled, sizes = scaled_normal(columns)
    assert np.diag(scaled) == pytest.approx(1.0)
    for found in (inverse_gram(columns), floored_inverse(scaled) / np.outer(sizes, sizes)):
        # Rounding grows with the condition of the matrix, 1 / alike^2.
        assert size @ found @ size == pytest.approx(exact, abs=1e-14 / alike**2 * exact.max())


def test_what_is_not_there_gets_no_infinite_number() -> None:
    columns = np.array([[1.0, 1.0, 0.0], [2.0, 2.0, 0.0]])
    scaled, sizes = scaled_normal(columns)
    for found in (inverse_gram(columns), floored_inverse(scaled, 1e-15) / np.outer(sizes, sizes)):
        assert np.isfinite(found).all()
        assert found[0, 0] > 1e10 and found[2, 2] > 1e10
    assert inverse_gram(np.empty((5, 0))).shape == (0, 0)
