"""Steps of a lumped fit: the model at a point, what is known beforehand, and where to go from there."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from stillbox.analysis.lumped.parameters import Layout
from stillbox.analysis.maths.gram import scaled_normal
from stillbox.analysis.maths.rational import stacked
from stillbox.capture.arrays import ComplexArray, FloatArray

HELD_BACK = 1.0
"""Chi-square that a parameter's move by 1 costs at least where a step would be too long."""


class Model(Protocol):
    """From s (n,) and parameters (k,) to impedance (n,), and what computes its derivatives (n, k).

    They are computed when they are asked for: half of the steps that a fit tries lead nowhere.
    """

    @property
    def layout(self) -> Layout: ...

    def __call__(self, s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, Callable[[], ComplexArray]]: ...


def impedance_ohm(model: Model, parameters: FloatArray, frequency_hz: FloatArray) -> ComplexArray:
    """Of a model at frequencies of any shape, ohm."""
    return model(2j * np.pi * np.asarray(frequency_hz), parameters)[0]


@dataclass(frozen=True)
class Prior:
    """What is known of one parameter beforehand."""

    name: str
    mean: float
    std: float


@dataclass(frozen=True)
class JointPrior:
    """What is known of several together: ``rows @ parameters`` of these names is ``values`` with ``covariance``.

    Without ``rows`` the parameters themselves are known.
    """

    names: tuple[str, ...]
    values: FloatArray
    covariance: FloatArray
    rows: FloatArray | None = None

    @classmethod
    def of(cls, priors: Sequence[Prior]) -> JointPrior:
        """Several that have nothing to do with one another."""
        return cls(
            tuple(one.name for one in priors),
            np.array([one.mean for one in priors]),
            np.diag([one.std**2 for one in priors]),
        )

    @cached_property
    def root(self) -> FloatArray:
        """``R`` with ``R^T R`` the inverse covariance."""
        return np.linalg.inv(linalg.cholesky(self.covariance, lower=True, check_finite=False))

    def rest(self, layout: Layout, parameters: FloatArray) -> FloatArray:
        """Known minus actual, in units of the uncertainty."""
        actual = parameters[layout.indices(self.names)]
        return self.root @ (self.values - (actual if self.rows is None else self.rows @ actual))

    def jacobian(self, layout: Layout, moving: NDArray[np.intp]) -> FloatArray:
        """Derivatives of what is known by the moving parameters, in units of the uncertainty."""
        pick = (np.asarray(layout.indices(self.names))[:, None] == moving[None, :]).astype(float)
        result: FloatArray = self.root @ (pick if self.rows is None else self.rows @ pick)
        return result


@dataclass(frozen=True)
class Known:
    """All priors as rows over the moving parameters: linear, so they are gathered once."""

    moving: NDArray[np.intp]
    begin: FloatArray
    rest_at_begin: FloatArray
    jacobian: FloatArray

    @classmethod
    def of(
        cls, priors: Sequence[JointPrior], layout: Layout, parameters: FloatArray, moving: NDArray[np.intp]
    ) -> Known:
        return cls(
            moving,
            parameters[moving],
            np.concatenate([np.zeros(0), *(prior.rest(layout, parameters) for prior in priors)]),
            np.concatenate([np.zeros((0, moving.size)), *(prior.jacobian(layout, moving) for prior in priors)]),
        )

    def rest(self, parameters: FloatArray) -> FloatArray:
        """Known minus actual, in units of the uncertainty."""
        return self.rest_at_begin - self.jacobian @ (parameters[self.moving] - self.begin)


@dataclass(frozen=True)
class Point:
    """The model at one set of parameters: misfit and derivatives in units of the standard deviation, priors below."""

    whole: FloatArray
    slopes: Callable[[], ComplexArray]
    std_ohm: FloatArray
    known: Known

    @cached_property
    def jacobian(self) -> FloatArray:
        """Computed only where a step is taken from here."""
        return np.concatenate([stacked(self.slopes()[:, self.known.moving], self.std_ohm), self.known.jacobian])

    @cached_property
    def chi_square(self) -> float:
        value = float(self.whole @ self.whole)
        return value if np.isfinite(value) else float("inf")


@dataclass(frozen=True)
class Normal:
    """Normal equations of one linearisation, scaled; for as many steps as are tried from there."""

    jacobian: FloatArray
    size: FloatArray
    scaled: FloatArray

    @classmethod
    def of(cls, jacobian: FloatArray) -> Normal:
        scaled, size = scaled_normal(jacobian)
        return cls(jacobian, size, scaled)

    def step(self, whole: FloatArray, damping: float) -> FloatArray:
        """One damped step, shortened so that no parameter moves by more than 1 (a factor of e).

        Where it would be, parameters that hardly matter are held back first: else one of them stops all others.
        """
        damped = self.scaled.copy()
        damped.flat[:: self.size.size + 1] += damping
        downhill = (self.jacobian.T @ whole) / self.size
        step = np.linalg.solve(damped, downhill) / self.size
        if np.abs(step).max(initial=0.0) > 1:
            damped.flat[:: self.size.size + 1] += HELD_BACK / self.size**2
            step = np.linalg.solve(damped, downhill) / self.size
        return step / max(1.0, float(np.abs(step).max(initial=0.0)))
