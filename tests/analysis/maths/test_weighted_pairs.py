"""Quick forms against the plain ones, and that a fit computes nothing it knows already."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from stillbox.analysis.maths import rational
from stillbox.analysis.maths.gram import inverse_gram
from stillbox.analysis.maths.rational import (
    FitProblem,
    PairFit,
    pair_basis,
    pole_derivatives,
    pole_from,
    refine,
    resonators_ohm,
    stacked,
)
from stillbox.analysis.maths.weighted_pairs import WeightedData, weighted_pairs, weighted_slopes

FREQUENCY_HZ = np.geomspace(12, 20_000, 900)
POLES = np.array([pole_from(f, q) for f, q in ((20, 0.6), (45, 4.0), (300, 60.0), (310, 2.0), (9_000, 900.0))])
RESIDUES = np.array([100 + 30j, -20 + 500j, 3e3 - 1e3j, 40 + 2j, 1e4j])


def data(chosen: slice = slice(None)) -> WeightedData:
    """An impedance with some of the pairs, and its noise."""
    rng = np.random.default_rng(1)
    s = 2j * np.pi * FREQUENCY_HZ
    std = 1e-3 * (1 + rng.random(s.size))
    noise = rng.standard_normal((2, s.size)) * std
    value = 6 + 1e-4 * s + resonators_ohm(s, POLES[chosen], RESIDUES[chosen])
    return WeightedData(s, value + noise[0] + 1j * noise[1], std)


def test_pairs_and_slopes_are_those_of_the_complex_forms() -> None:
    known = data()
    basis = pair_basis(known.s_rad_s, POLES)
    plain = stacked(basis, known.std_ohm)
    np.testing.assert_allclose(weighted_pairs(known, POLES), plain, rtol=1e-9, atol=1e-12 * np.abs(plain).max())
    unit = np.repeat(np.abs(POLES.real), 2)
    slopes = stacked(pole_derivatives(basis, RESIDUES) * unit, known.std_ohm)
    quick = weighted_slopes(known, POLES, RESIDUES)
    assert np.all(np.abs(quick - slopes) <= 1e-9 * np.abs(slopes).max(axis=0))


def test_resonators_are_the_sum_of_their_parts_over_many_pieces() -> None:
    s = 2j * np.pi * np.linspace(1, 20_000, 10_001)
    pairs = RESIDUES / (s[:, None] - POLES) + np.conj(RESIDUES) / (s[:, None] - np.conj(POLES))
    np.testing.assert_allclose(resonators_ohm(s, POLES, RESIDUES), pairs.sum(axis=1), rtol=1e-10)


def test_a_fit_from_known_pairs_is_the_fit_from_scratch() -> None:
    problem = FitProblem.of(data(), 18)
    whole = problem.solve(POLES)
    order = np.array([3, 0, 4, 1])
    some = problem.solve(POLES[order], whole.of_some(order))
    scratch = problem.solve(POLES[order])
    more = problem.solve(POLES, whole.of_some(np.arange(3)))
    for known, plain in ((some, scratch), (more, whole)):
        np.testing.assert_allclose(known.residues, plain.residues, rtol=1e-7)
        assert known.chi_square == pytest.approx(plain.chi_square, rel=1e-9)
        np.testing.assert_allclose(known.gram, plain.gram, rtol=1e-9, atol=1e-12 * np.abs(plain.gram).max())
        np.testing.assert_allclose(known.residue_covariance, inverse_gram(plain.pairs), rtol=1e-5, atol=1e-300)


def test_pairs_explain_what_the_chi_square_rises_by_without_them() -> None:
    problem = FitProblem.of(data(), 18)
    fit = problem.solve(POLES)
    risen = [problem.solve(np.delete(POLES, index)).chi_square - fit.chi_square for index in range(POLES.size)]
    np.testing.assert_allclose(fit.explained, risen, rtol=1e-5)


def _computed(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Notes of how many poles the pairs are computed for a fit."""
    counts: list[int] = []

    def noting(known: WeightedData, poles: np.ndarray) -> Any:
        counts.append(poles.size)
        return weighted_pairs(known, poles)

    monkeypatch.setattr(rational, "weighted_pairs", noting)
    return counts


def test_poles_that_are_held_are_not_computed_again(monkeypatch: pytest.MonkeyPatch) -> None:
    problem = FitProblem.of(data(), 18)
    start = problem.solve(POLES * np.array([1, 1, 1, 1, 1.0001]))
    counts = _computed(monkeypatch)
    moved = refine(problem, start, held=4)
    assert moved.chi_square < start.chi_square and set(counts) == {1}
    counts.clear()
    problem.solve(start.poles_rad_s[:4], start.of_some(np.arange(4)))
    assert counts == [0]


def test_a_minimum_is_left_as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    """The slopes tell that a step would gain nothing: it is not tried."""
    resonances = slice(1, 4)
    problem = FitProblem.of(data(resonances), 18)
    there: PairFit = refine(problem, problem.solve(POLES[resonances]))
    counts = _computed(monkeypatch)
    assert refine(problem, there) is there
    assert counts == []
