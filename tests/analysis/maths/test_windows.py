"""Running means and cells against sums done one by one."""

from __future__ import annotations

import numpy as np

from stillbox.analysis.maths.windows import first_of_cells, means_over, pair_squares, sums_over, windows_around


def test_windows_are_cut_at_the_ends() -> None:
    low, high = windows_around(6, 2)
    assert low.tolist() == [0, 0, 0, 1, 2, 3] and high.tolist() == [3, 4, 5, 6, 6, 6]
    low, high = windows_around(4, np.array([0, 1, 0, 5]))
    assert low.tolist() == [0, 0, 2, 0] and high.tolist() == [1, 3, 3, 4]


def test_sums_and_means_one_by_one() -> None:
    rng = np.random.default_rng(1)
    values = rng.standard_normal((3, 40)) + 1j * rng.standard_normal((3, 40))
    ends = windows_around(40, rng.integers(0, 9, 40))
    alone = [[row[low:high].sum() for low, high in zip(*ends, strict=True)] for row in values]
    assert np.allclose(sums_over(values, ends), alone, rtol=1e-12)
    assert np.allclose(means_over(values, ends) * (ends[1] - ends[0]), alone, rtol=1e-12)
    assert means_over(np.full(40, 3.0), ends).tolist() == [3.0] * 40


def test_cells_of_a_part_of_an_octave() -> None:
    frequency_hz = np.arange(8.0, 65.0)
    first = first_of_cells(frequency_hz, 1)
    assert frequency_hz[first].tolist() == [8.0, 16.0, 32.0, 64.0]
    assert first_of_cells(np.array([10.0, 20.0, 40.0]), 48).tolist() == [0, 1, 2]


def test_noise_leaves_one() -> None:
    rest = np.random.default_rng(2).standard_normal(20_000)
    assert pair_squares(rest).shape == (10_000,)
    assert abs(pair_squares(rest).mean() - 1) < 0.03
