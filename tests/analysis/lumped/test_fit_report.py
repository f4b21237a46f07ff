"""What a fit tells beside its numbers, on models whose answer is known in closed form."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from stillbox.analysis.lumped.fit_report import MOST_PAIRS, STRONG, Correlated, FitReport, Sought, fit_report
from stillbox.analysis.lumped.lumped_fit import CellData, LumpedFit, fit_lumped
from stillbox.analysis.lumped.lumped_steps import JointPrior, Prior
from stillbox.analysis.lumped.parameters import Layout, Parameter
from stillbox.capture.arrays import ComplexArray, FloatArray

FREQUENCY_HZ = np.geomspace(20, 2_000, 60)
S = 2j * np.pi * FREQUENCY_HZ
STD_OHM = np.full(60, 0.05)
NAMES = "abcdefgh"


@dataclass(frozen=True)
class Linear:
    """A model that is linear in its parameters, which are called a, b, c."""

    columns: ComplexArray

    @property
    def layout(self) -> Layout:
        return Layout.of(letters=tuple(Parameter(name, "") for name in NAMES[: self.columns.shape[1]]))

    def __call__(self, s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, Callable[[], ComplexArray]]:
        return self.columns @ x, lambda: self.columns


def data(columns: ComplexArray, truth: FloatArray, seed: int | None = 1) -> CellData:
    noise = np.zeros(60, dtype=complex)
    if seed is not None:
        noise = STD_OHM * (np.random.default_rng(seed).standard_normal((2, 60)).T @ [1, 1j])
    return CellData(FREQUENCY_HZ, columns @ truth + noise, STD_OHM)


def report(fit: LumpedFit, value: Callable[[float], float] = float) -> FitReport:
    sought = [
        Sought(NAMES[index], NAMES[index].upper(), index, lambda x, index=index: value(x[index]))
        for index in range(fit.parameters.size)
    ]
    return fit_report(sought, fit.parameters, fit.covariance, fit.end)


COIL = np.stack([np.ones(60), 1e-4 * S], axis=1)
"""A resistance and an inductance."""
ALIKE = np.stack([np.ones(60), np.ones(60) + 1e-5 * S], axis=1)
"""Two resistances of which one is a little inductive."""


def test_numbers_that_the_data_tell_have_the_uncertainty_of_least_squares() -> None:
    found = report(fit_lumped(data(COIL, np.array([6.0, 5.0])), Linear(COIL), np.ones(2)))
    rows = np.concatenate([COIL.real, COIL.imag]) / 0.05
    expected = np.sqrt(np.diag(np.linalg.inv(rows.T @ rows)))
    assert [one.std for one in found.numbers] == pytest.approx(expected, rel=1e-6)
    assert [(one.reason, one.bound) for one in found.numbers] == [("", None)] * 2
    assert found.converged and max(one.off for one in found.numbers) < 1e-3
    assert list(found.lines({})) == ["no two of its numbers are hard to tell apart (no correlation of 0.9 or more)"]


@pytest.mark.parametrize(("side", "truth"), [("least", -2.0), ("most", 9.0)])
def test_what_is_at_a_bound_says_so(side: str, truth: float) -> None:
    """Only where the data drive it there: a fit that ends at a limit by chance has an uncertainty."""
    limits = np.array([0.0, -np.inf]), np.array([4.0, np.inf])
    fit = fit_lumped(data(COIL, np.array([truth, 5.0])), Linear(COIL), np.ones(2), limits=limits)
    found = report(fit)
    first, second = found.numbers
    assert (first.value, first.std, first.reason, first.bound) == (
        {"least": 0, "most": 4}[side],
        None,
        "at a bound",
        side,
    )
    assert second.std and not second.reason
    asked = {
        "least": "A is at the least that it can be, 0: the take asks for less",
        "most": "4: the take asks for more",
    }
    assert asked[side] in next(found.lines({}))
    assert found.converged, "what presses against a bound has nowhere to go"


def test_within_its_limits_nothing_is_at_a_bound() -> None:
    limits = np.array([0.0, 0.0]), np.array([40.0, 40.0])
    found = report(fit_lumped(data(COIL, np.array([6.0, 5.0])), Linear(COIL), np.ones(2), limits=limits))
    assert all(one.bound is None and one.std for one in found.numbers)


def test_what_is_held_was_left_out() -> None:
    found = report(fit_lumped(data(COIL, np.array([6.0, 0.0])), Linear(COIL), np.array([1.0, 0.0]), free=["a"]))
    assert [one.reason for one in found.numbers] == ["", "left out"]
    assert found.numbers[1].std is None
    assert "left out, as the take is followed as well without: B" in list(found.lines({}))


def test_two_that_enter_as_their_sum_are_not_told_at_all() -> None:
    columns = np.stack([np.ones(60), np.ones(60), 1e-4 * S], axis=1)
    found = report(fit_lumped(data(columns, np.array([3.0, 3.0, 5.0])), Linear(columns), np.ones(3)))
    assert [one.reason for one in found.numbers] == ["singular", "singular", ""]
    assert [one.std is None for one in found.numbers] == [True, True, False]
    assert found.converged, "along what is not seen there is nothing to gain"
    assert any(line.endswith(": A, B") for line in found.lines({}))


def test_one_on_which_nothing_depends_is_not_told_at_all() -> None:
    columns = np.stack([np.ones(60), np.zeros(60)], axis=1).astype(complex)
    found = report(fit_lumped(data(columns, np.array([3.0, 1.0])), Linear(columns), np.ones(2)))
    assert [one.reason for one in found.numbers] == ["", "singular"]


@pytest.mark.parametrize(("prior_std", "reason"), [(1e-4, "known beforehand"), (10.0, "")])
def test_what_the_take_does_not_tell_keeps_what_was_known(prior_std: float, reason: str) -> None:
    prior = JointPrior.of([Prior("b", 5.0, prior_std)])
    found = report(fit_lumped(data(COIL, np.array([6.0, 5.0])), Linear(COIL), np.ones(2), [prior]))
    assert [one.reason for one in found.numbers] == ["", reason]
    if reason:
        assert found.numbers[1].std == pytest.approx(prior_std, rel=0.1)


@pytest.mark.parametrize("steps", [1, 2, 3])
def test_a_fit_that_was_stopped_says_how_far_it_was(steps: int) -> None:
    """For a linear model what is still to be gained is known: chi-square here, less that of the best."""
    measured = data(COIL, np.array([60.0, 50.0]))
    stopped = fit_lumped(measured, Linear(COIL), np.ones(2), iterations=steps)
    best = fit_lumped(measured, Linear(COIL), np.ones(2), iterations=200, tolerance=1e-12)
    gain = stopped.total_chi_square - best.total_chi_square
    assert stopped.end.remaining == pytest.approx(np.sqrt(gain), rel=1e-6)
    found = report(stopped)
    truly = np.abs(best.parameters - stopped.parameters) / np.sqrt(np.diag(best.covariance))
    assert [one.off for one in found.numbers] == pytest.approx(truly, rel=1e-5)
    assert not found.converged
    assert next(found.lines({})).startswith("the fit has stopped before its end; so many times")


def test_correlations_are_those_of_the_scatter() -> None:
    """Of estimates from noise that is drawn anew; a logarithm changes nothing."""
    fits = [fit_lumped(data(ALIKE, np.array([3.0, 3.0]), seed), Linear(ALIKE), np.full(2, 3.0)) for seed in range(300)]
    scatter = np.corrcoef(np.array([fit.parameters for fit in fits]).T)[0, 1]
    pair = report(fits[0]).correlations[0]
    assert pair.names == ("a", "b")
    assert pair.coefficient == pytest.approx(scatter, abs=0.01)
    assert STRONG <= abs(pair.coefficient) < 1
    assert report(fits[0], np.log).correlations[0].coefficient == pytest.approx(pair.coefficient, abs=1e-6)


def test_weak_correlations_are_not_told() -> None:
    shared = np.stack([np.ones(60), np.ones(60) + 4e-4 * S], axis=1)
    found = report(fit_lumped(data(shared, np.array([3.0, 3.0])), Linear(shared), np.ones(2)))
    assert found.correlations == ()


def test_the_strongest_come_first_and_a_handful_at_most() -> None:
    """Each part of the axis tells one number and the last one, of which little is known: they all go together."""
    columns = np.zeros((60, 8), dtype=complex)
    for place in range(7):
        columns[8 * place : 8 * place + 8, place] = (1 + place) / 4
    columns[:56, 7] = 1.0
    prior = JointPrior.of([Prior("h", 1.0, 1.0)])
    fit = fit_lumped(data(columns, np.ones(8)), Linear(columns), np.ones(8), [prior])
    stds = np.sqrt(np.diag(fit.covariance))
    all_of_them = np.abs(fit.covariance / np.outer(stds, stds))[np.triu_indices(8, 1)]
    found = report(fit).correlations
    strong = sorted(all_of_them[all_of_them >= STRONG], reverse=True)
    assert len(strong) > MOST_PAIRS
    assert [abs(one.coefficient) for one in found] == pytest.approx(strong[:MOST_PAIRS], rel=1e-5)


def test_a_pair_by_definition_is_no_news() -> None:
    fit = fit_lumped(data(COIL, np.array([6.0, 5.0])), Linear(COIL), np.ones(2))
    sought = [Sought("a", "A", 0, lambda x: x[0]), Sought("twice", "2 A", None, lambda x: 2 * x[0])]
    all_told = fit_report(sought, fit.parameters, fit.covariance, fit.end)
    assert all_told.correlations[0].coefficient == pytest.approx(1.0)
    without = fit_report(sought, fit.parameters, fit.covariance, fit.end, (frozenset(("a", "twice")),))
    assert without.correlations == ()


def test_words_say_what_would_part_two_numbers() -> None:
    pair = Correlated(("alpha", "absorption"), ("alpha", "1/QA"), -0.973)
    told = FitReport((), (pair,))
    remedy = {frozenset(("absorption", "alpha")): "a take with the port closed"}
    assert list(told.lines(remedy)) == [
        "alpha and 1/QA can hardly be told apart here (correlation 0.97): a take with the port closed would part them"
    ]
    assert list(told.lines({})) == ["alpha and 1/QA can hardly be told apart here (correlation 0.97)"]


def test_the_document_is_json() -> None:
    limits = np.array([0.0, -np.inf]), np.array([4.0, np.inf])
    fit = fit_lumped(data(COIL, np.array([-2.0, 5.0])), Linear(COIL), np.ones(2), limits=limits)
    document = json.loads(json.dumps(report(fit).document({}), allow_nan=False))
    assert document["converged"] is True
    assert document["numbers"][0] == {
        "name": "a",
        "value": 0.0,
        "std": None,
        "reason": "at a bound",
        "bound": "least",
        "off_std": 0.0,
    }
    assert document["sentences"][0].startswith("A is at the least")
