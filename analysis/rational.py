"""Rational models of an impedance: real relaxations for the coil and conjugate pole pairs for resonators.

    Z(s) = R + s L + sum_j c_j s/(s + a_j) + sum_k [ r_k/(s - p_k) + conj(r_k)/(s - conj(p_k)) ]

The relaxations a_j are fixed and close to each other (three in a decade): together they follow any lossy coil and
any creeping suspension (semi-inductance K s^n over 15 Hz to 20 kHz to 1e-4 ohm), but no resonator of Q above 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from analysis.arrays import ComplexArray, FloatArray

RELAXATION_HZ = np.geomspace(3.0, 1e6, 18)


@dataclass(frozen=True)
class WeightedData:
    """Impedance to be fitted: one complex value per frequency with E|noise|^2.

    Attributes
    ----------
    s_rad_s : complex ndarray, shape (n,)
    impedance_ohm : complex ndarray, shape (n,)
    std_ohm : ndarray, shape (n,)
        Standard deviation of the real part, and of the imaginary part.
    """

    s_rad_s: ComplexArray
    impedance_ohm: ComplexArray
    std_ohm: FloatArray

    @property
    def frequency_hz(self) -> FloatArray:
        return self.s_rad_s.imag / (2 * np.pi)


@dataclass(frozen=True)
class RationalModel:
    """Coefficients of the model in the head of this module.

    ``real_coefficients`` belong to the columns of ``real_basis``: R, L, relaxations.
    """

    poles_rad_s: ComplexArray
    residues: ComplexArray
    real_coefficients: FloatArray


def resonators_ohm(s_rad_s: ComplexArray, poles_rad_s: ComplexArray, residues: ComplexArray) -> ComplexArray:
    """Sum of conjugate pole pairs ``r/(s - p) + r*/(s - p*)``, shape of ``s_rad_s``."""
    total = np.zeros(s_rad_s.shape, dtype=complex)
    for pole, residue in zip(poles_rad_s, residues, strict=True):
        total += residue / (s_rad_s - pole) + np.conj(residue) / (s_rad_s - np.conj(pole))
    return total


def real_basis(s_rad_s: ComplexArray) -> ComplexArray:
    """Columns 1, s, s/(s + a_j); shape (n, 2 + relaxations)."""
    relaxations = s_rad_s[:, None] / (s_rad_s[:, None] + 2 * np.pi * RELAXATION_HZ)
    return np.concatenate([np.ones((s_rad_s.size, 1)), s_rad_s[:, None], relaxations], axis=1)


def pole_from(frequency_hz: float, q: float) -> complex:
    """Pole of a resonator of natural frequency and Q > 1/2."""
    natural = 2 * np.pi * frequency_hz
    return natural * complex(-1 / (2 * q), np.sqrt(1 - 1 / (4 * q * q)))


def pair_basis(s_rad_s: ComplexArray, poles_rad_s: ComplexArray) -> ComplexArray:
    """Two columns a pole pair, for the real and the imaginary part of its residue; shape (n, 2 k)."""
    direct = 1 / (s_rad_s[:, None] - poles_rad_s)
    mirror = 1 / (s_rad_s[:, None] - np.conj(poles_rad_s))
    columns = np.empty((s_rad_s.size, 2 * poles_rad_s.size), dtype=complex)
    columns[:, 0::2] = direct + mirror
    columns[:, 1::2] = 1j * (direct - mirror)
    return columns


def stacked(columns: ComplexArray, std_ohm: FloatArray) -> FloatArray:
    """Real and imaginary rows over each other, each divided by its standard deviation."""
    weighted = columns / (std_ohm if columns.ndim == 1 else std_ohm[:, None])
    return np.concatenate([weighted.real, weighted.imag])


def solve_scaled(matrix: FloatArray, values: FloatArray) -> FloatArray:
    """Least squares with columns scaled to unit length (they differ by many orders of magnitude)."""
    scale = np.linalg.norm(matrix, axis=0)
    scale[scale == 0] = 1.0
    solution = linalg.lstsq(matrix / scale, values, cond=1e-12, lapack_driver="gelsy", check_finite=False)[0]
    return solution / scale


@dataclass(frozen=True)
class FitProblem:
    """Data with the real part of the model (coil) eliminated once and for all: only pole pairs remain.

    Attributes
    ----------
    data : WeightedData
    fixed : ndarray, shape (2 n, m)
        Orthonormal basis of the real columns, in units of the standard deviation.
    target : ndarray, shape (2 n,)
        The data with their projection on ``fixed`` taken out.
    """

    data: WeightedData
    fixed: FloatArray
    target: FloatArray

    @classmethod
    def of(cls, data: WeightedData) -> FitProblem:
        columns = stacked(real_basis(data.s_rad_s), data.std_ohm)
        columns /= np.linalg.norm(columns, axis=0)
        left, singular, _ = linalg.svd(columns, full_matrices=False, check_finite=False)
        fixed = left[:, singular > 1e-12 * singular[0]]
        values = stacked(data.impedance_ohm, data.std_ohm)
        return cls(data, fixed, values - fixed @ (fixed.T @ values))

    def project(self, columns: ComplexArray) -> FloatArray:
        """Columns in units of the standard deviation, without what the real part of the model can imitate."""
        real = stacked(columns, self.data.std_ohm)
        real -= self.fixed @ (self.fixed.T @ real)
        return real

    def solve(self, poles_rad_s: ComplexArray) -> PairFit:
        """Residues of given poles by linear least squares."""
        if poles_rad_s.size == 0:
            return PairFit(
                poles_rad_s, np.zeros(0, dtype=complex), self.target, np.zeros((0, 0)), self.target[:, None]
            )
        pairs = self.project(pair_basis(self.data.s_rad_s, poles_rad_s))
        covariance = inverse_gram(pairs)
        solution = covariance @ (pairs.T @ self.target)
        rest = self.target - pairs @ solution
        solution += covariance @ (pairs.T @ rest)  # one step of refinement: the Gram matrix squares the condition
        rest = self.target - pairs @ solution
        return PairFit(poles_rad_s, solution[0::2] + 1j * solution[1::2], rest, covariance, pairs)

    def complete(self, poles_rad_s: ComplexArray) -> RationalModel:
        """The whole model with its real part, for given poles."""
        columns = np.concatenate([real_basis(self.data.s_rad_s), pair_basis(self.data.s_rad_s, poles_rad_s)], axis=1)
        solution = solve_scaled(
            stacked(columns, self.data.std_ohm), stacked(self.data.impedance_ohm, self.data.std_ohm)
        )
        count = columns.shape[1] - 2 * poles_rad_s.size
        return RationalModel(poles_rad_s, solution[count::2] + 1j * solution[count + 1 :: 2], solution[:count])


def inverse_gram(columns: FloatArray) -> FloatArray:
    """Inverse of ``A^T A``, columns scaled, with a floor that keeps nearly equal columns harmless."""
    scale = np.linalg.norm(columns, axis=0)
    scale[scale == 0] = 1.0
    scaled = columns / scale
    gram = scaled.T @ scaled
    values, vectors = np.linalg.eigh(gram)
    values = np.maximum(values, 1e-13 * values[-1])
    return (vectors / values) @ vectors.T / np.outer(scale, scale)


@dataclass(frozen=True)
class PairFit:
    """Poles with their residues, what they leave over, and the covariance of the residues (poles held fixed)."""

    poles_rad_s: ComplexArray
    residues: ComplexArray
    rest: FloatArray
    residue_covariance: FloatArray
    pairs: FloatArray

    @property
    def chi_square(self) -> float:
        return float(self.rest @ self.rest)

    @property
    def height_ohm(self) -> FloatArray:
        return np.abs(self.residues) / np.abs(self.poles_rad_s.real)

    @property
    def explained(self) -> FloatArray:
        """Chi-square that each pair explains: ``r^T C^-1 r``, its rise when the pair is left out, others refitted."""
        values = np.empty(self.residues.size)
        for index, residue in enumerate(self.residues):
            block = self.residue_covariance[2 * index : 2 * index + 2, 2 * index : 2 * index + 2]
            value = np.array([residue.real, residue.imag])
            values[index] = value @ np.linalg.solve(block, value)
        return values


def relocate_poles(data: WeightedData, poles_rad_s: ComplexArray) -> ComplexArray:
    """One step of vector fitting: new poles are the zeros of the weighting function sigma(s).

    Gustavsen and Semlyen, IEEE Trans. Power Delivery 14(3) 1052-1061, 1999 [M], in the real formulation for
    conjugate pairs; unstable poles are mirrored into the left half plane. Pairs that turn real are dropped.
    """
    pairs = pair_basis(data.s_rad_s, poles_rad_s)
    columns = np.concatenate([real_basis(data.s_rad_s), pairs, -data.impedance_ohm[:, None] * pairs], axis=1)
    solution = solve_scaled(stacked(columns, data.std_ohm), stacked(data.impedance_ohm, data.std_ohm))
    sigma = solution[-2 * poles_rad_s.size :]
    size = 2 * poles_rad_s.size
    state = np.zeros((size, size))
    state[0::2, 0::2] = np.diag(poles_rad_s.real)
    state[1::2, 1::2] = np.diag(poles_rad_s.real)
    state[0::2, 1::2] = np.diag(poles_rad_s.imag)
    state[1::2, 0::2] = np.diag(-poles_rad_s.imag)
    inlet = np.zeros(size)
    inlet[0::2] = 2.0
    moved = linalg.eigvals(state - np.outer(inlet, sigma), check_finite=False)
    moved = moved[moved.imag > 1e-6 * np.abs(moved)]
    return -np.abs(moved.real) + 1j * moved.imag


def pole_derivatives(s_rad_s: ComplexArray, poles_rad_s: ComplexArray, residues: ComplexArray) -> ComplexArray:
    """Derivatives of the pairs by real and imaginary part of their poles; shape (n, 2 k)."""
    direct = residues / (s_rad_s[:, None] - poles_rad_s) ** 2
    mirror = np.conj(residues) / (s_rad_s[:, None] - np.conj(poles_rad_s)) ** 2
    columns = np.empty((s_rad_s.size, 2 * poles_rad_s.size), dtype=complex)
    columns[:, 0::2] = direct + mirror
    columns[:, 1::2] = 1j * (direct - mirror)
    return columns


def refine(problem: FitProblem, poles_rad_s: ComplexArray, iterations: int = 30) -> PairFit:
    """Joint nonlinear least squares of all poles, everything linear eliminated (variable projection).

    Damped Gauss-Newton steps with Kaufman's approximation (BIT 15, 49-57, 1975 [M]); the poles stay in the left
    half plane.
    """
    current = problem.solve(poles_rad_s)
    if poles_rad_s.size == 0:
        return current
    damping = 1e-3
    for _ in range(iterations):
        # A step is counted in units of the pole's own bandwidth.
        unit = np.repeat(np.abs(current.poles_rad_s.real), 2)
        slopes = problem.project(pole_derivatives(problem.data.s_rad_s, current.poles_rad_s, current.residues) * unit)
        slopes -= current.pairs @ (current.residue_covariance @ (current.pairs.T @ slopes))
        normal, gradient = slopes.T @ slopes, slopes.T @ current.rest
        trial, damping = _damped_step(problem, current, normal, gradient, unit, damping)
        if trial is None:
            break
        gain = current.chi_square - trial.chi_square
        current = trial
        if gain < 1e-2 + 1e-9 * current.chi_square:
            break
    return current


def _damped_step(
    problem: FitProblem, current: PairFit, normal: FloatArray, gradient: FloatArray, unit: FloatArray, damping: float
) -> tuple[PairFit | None, float]:
    """Fit after the first step that improves it and the next damping; None where no step does."""
    for _ in range(8):
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-30), gradient)
        step = np.clip(step, -0.7, 0.7) * unit
        poles = current.poles_rad_s + step[0::2] + 1j * step[1::2]
        trial = problem.solve(-np.abs(poles.real) + 1j * np.abs(poles.imag))
        if trial.chi_square < current.chi_square:
            return trial, max(damping / 5, 1e-9)
        damping *= 5
    return None, damping
