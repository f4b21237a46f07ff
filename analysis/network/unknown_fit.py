"""A network of which no netlist is known, fitted to what the terminals show, along with the driver in its box.

Least squares with a Student-like cost, so that small resonances of the box, which no network explains, do not pull.
What the model cannot follow is alike over half an octave: so many points count for one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from stillbox.analysis.maths.stopping import checked
from stillbox.analysis.network.nodal import circuit_at
from stillbox.analysis.network.sensitivity import input_impedance_sensitivity
from stillbox.analysis.network.unknown_two_way import UnknownTwoWay
from stillbox.capture.arrays import ComplexArray, FloatArray

POINTS_PER_OCTAVE = 12
"""Of the curve that is fitted: networks are smooth."""
_ALIKE_OCTAVES = 0.5
_MISFIT = 0.01
"""Relative: how far a driver in its box may be from one in free air, and a coarse box from a true one."""
_LEAST_MISFIT = 0.002
"""No fit is believed to be better than that, whatever is left (common practice, no source)."""
_NEARLY_ALL = 90
"""Percent of the curve that a network must explain: the rest may be small resonances."""
_FAR, _NEAR = 100.0, 3.0
"""Deviations from which on a point counts less and less: first hardly any does, for the peaks must be found; then all
that stand out."""
_EDGE, _RATIO_STD = 0.5, 6.0
"""Natural logarithm: how sharply the usual range of a value ends, and how little within it is known."""
_LONGEST_STEP = 1.5
"""Of any number in one step: a factor of 4.5."""
_ROUNDS = ((27, 8), (6, 12), (2, 50))
"""So many starts are followed for so many steps: all of them first, then the best."""
_DAMPING, _LESS, _MORE, _MOST = 1e-2, 0.2, 6.0, 1e8
"""After Levenberg and Marquardt: at first, after a good and a bad step, and where it ends."""
_SETTLED = 1e-4
"""Part of the cost by which the last step made it better."""

Own = Callable[[FloatArray], tuple[ComplexArray, ComplexArray]]
"""From its numbers to the driver's impedance, shape (n,), and the derivatives, shape (n, numbers)."""


@dataclass(frozen=True)
class UnknownFit:
    """A network as fitted.

    Attributes
    ----------
    unknown : UnknownTwoWay
    logarithms : ndarray, shape (values,)
        Of its values.
    covariance : ndarray, shape (values, values)
        Of these, with all that is not known of the driver in its box.
    misfit : float
        Relative, the median of what is left.
    most_off : float
        Relative: nine tenths of the curve are no farther off.
    own_ohm : complex ndarray, shape (n,)
        Of the driver in its box as fitted along.
    """

    unknown: UnknownTwoWay
    logarithms: FloatArray
    covariance: FloatArray
    misfit: float
    most_off: float
    own_ohm: ComplexArray


@dataclass(frozen=True)
class _Problem:
    unknown: UnknownTwoWay
    frequency_hz: FloatArray
    ohm: ComplexArray
    driver: str
    own: Own
    own_start: FloatArray
    own_std: FloatArray
    others: Mapping[str, ComplexArray]

    def linear(self, x: FloatArray) -> tuple[ComplexArray, ComplexArray, FloatArray, FloatArray]:
        """Deviations from the curve with derivatives, and those from what is known beforehand."""
        checked()
        unknown, count = self.unknown, len(self.unknown.names)
        values = unknown.values(x[:count])
        own_ohm, own_slopes = self.own(x[count:])
        circuit = circuit_at(unknown.network, self.frequency_hz, {**self.others, self.driver: own_ohm}, values)
        by = input_impedance_sensitivity(circuit)
        std = _MISFIT * np.abs(self.ohm)
        of_values = np.stack([by.by_value[name] * value for name, value in values.items()], axis=1)
        slopes: ComplexArray = np.concatenate([of_values, by.by_driver[self.driver][:, None] * own_slopes], axis=1)
        inside = np.clip(x[:count], unknown.least, unknown.most)
        middle = (unknown.least + unknown.most) / 2
        told = [(x[:count] - inside) / _EDGE, (x[:count] - middle) / _RATIO_STD]
        told += [(x[count:] - self.own_start) / self.own_std]
        unit = np.eye(x.size)
        outside = (x[:count] != inside)[:, None] / _EDGE
        known = unit[count:] / self.own_std[:, None]
        rows: list[FloatArray] = [outside * unit[:count], unit[:count] / _RATIO_STD, known]
        deviation = (circuit.input_impedance_ohm - self.ohm) / std
        return np.asarray(deviation), slopes / std[:, None], np.concatenate(told), np.concatenate(rows)


@dataclass(frozen=True)
class _Walk:
    """Where one start has come to."""

    x: FloatArray
    deviation: ComplexArray
    slopes: ComplexArray
    told: FloatArray
    told_slopes: FloatArray
    damping: float = _DAMPING
    far: float = _FAR
    settled: bool = False

    def cost(self, far: float) -> float:
        """Twice the logarithm of how unlikely all this is, but for a constant."""
        left = np.sum(np.log1p(np.abs(self.deviation / far) ** 2))
        return float(far**2 * left + np.sum(self.told**2))

    @property
    def normal(self) -> FloatArray:
        weight = 1 / (1 + np.abs(self.deviation / self.far) ** 2)
        own = np.real(self.slopes.conj().T @ (weight[:, None] * self.slopes))
        return np.asarray(own + self.told_slopes.T @ self.told_slopes)

    @property
    def gradient(self) -> FloatArray:
        weight = 1 / (1 + np.abs(self.deviation / self.far) ** 2)
        own = np.real(self.slopes.conj().T @ (weight * self.deviation))
        return np.asarray(own + self.told_slopes.T @ self.told)


def fit_unknown(
    unknown: UnknownTwoWay,
    frequency_hz: FloatArray,
    impedance_ohm: ComplexArray,
    driver: str,
    own: Own,
    own_start: FloatArray,
    own_std: FloatArray,
    others: Mapping[str, ComplexArray],
) -> UnknownFit:
    """The network that, with the driver in its box, shows what the terminals do.

    Parameters
    ----------
    unknown : UnknownTwoWay
    frequency_hz : ndarray, shape (n,)
        `POINTS_PER_OCTAVE` of them.
    impedance_ohm : complex ndarray, shape (n,)
        At the terminals.
    driver : str
        Which one ``own`` is.
    own : callable
    own_start, own_std : ndarray, shape (numbers,)
        Its numbers as they may be, and how far from that.
    others : mapping of str to complex ndarray, shape (n,)
        Impedance of the other drivers of the network.
    """
    problem = _Problem(unknown, frequency_hz, impedance_ohm, driver, own, own_start, own_std, others)
    walks = [_begun(problem, np.concatenate([start, own_start])) for start in unknown.starts()]
    for followed, steps in _ROUNDS:
        if followed < len(walks) and _misfit(walks[0]) < _LEAST_MISFIT / 2:
            followed = 1
        walks = sorted(walks, key=lambda walk: walk.cost(_NEAR))[:followed]
        walks = [_followed(problem, walk, steps) for walk in walks]
    best = min(walks, key=lambda walk: walk.cost(_NEAR))
    misfit = _misfit(best)
    most_off = _MISFIT * float(np.percentile(np.abs(best.deviation), _NEARLY_ALL))
    # As if each point were off by what is left, and all within half an octave by the same.
    less = (max(misfit, _LEAST_MISFIT) / _MISFIT) ** 2 * POINTS_PER_OCTAVE * _ALIKE_OCTAVES
    told = best.told_slopes.T @ best.told_slopes
    covariance = np.linalg.inv((best.normal - told) / less + told)
    count = len(unknown.names)
    return UnknownFit(
        unknown, best.x[:count], covariance[:count, :count], misfit, most_off, problem.own(best.x[count:])[0]
    )


def _misfit(walk: _Walk) -> float:
    return _MISFIT * float(np.median(np.abs(walk.deviation)))


def _begun(problem: _Problem, x: FloatArray) -> _Walk:
    return _Walk(x, *problem.linear(x))


def _followed(problem: _Problem, walk: _Walk, steps: int) -> _Walk:
    for _ in range(steps):
        if walk.settled:
            if walk.far == _NEAR:
                break
            walk = replace(walk, far=_NEAR, settled=False)
        walk = _stepped(problem, walk)
    return replace(walk, far=_NEAR, settled=False)


def _stepped(problem: _Problem, walk: _Walk) -> _Walk:
    """One better step, after as many tries as it takes; settled where there is none."""
    normal, gradient, cost = walk.normal, walk.gradient, walk.cost(walk.far)
    damping = walk.damping
    while damping < _MOST:
        step = -np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)
        step *= min(1.0, _LONGEST_STEP / float(np.max(np.abs(step))))
        tried = replace(_begun(problem, walk.x + step), far=walk.far, damping=damping * _LESS)
        better = cost - tried.cost(walk.far)
        if better > 0:
            return replace(tried, settled=better < _SETTLED * cost)
        damping *= _MORE
    return replace(walk, settled=True)
