"""Rational models of an impedance: real relaxations for the coil and conjugate pole pairs for resonators.

    Z(s) = R + s L + sum_j c_j s/(s + a_j) + sum_k [ r_k/(s - p_k) + conj(r_k)/(s - conj(p_k)) ]

The relaxations a_j are fixed, evenly spaced on a logarithmic axis. Together they follow any lossy coil and any
creeping suspension: with 18 of them the semi-inductance K s^n is met over 15 Hz to 20 kHz to 1e-4 ohm, with 40 any
single relaxation between two of them too. The more there are, the more of a broad resonator they imitate (of Q 3
there remains 30 % with 18, 12 % with 40), so a fit takes as many as the data ask for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from stillbox.analysis.maths.gram import inverse_of_gram
from stillbox.analysis.maths.stopping import checked
from stillbox.analysis.maths.weighted_pairs import WeightedData, weighted_pairs, weighted_slopes
from stillbox.capture.arrays import ComplexArray, FloatArray

LEAST_Q, MOST_Q = 0.6, 1_000.0
"""More damped than this a pair is as good as two relaxations; narrower than this it is noise in a few bins."""
_BELOW_BAND, _EDGE = 0.5, 0.02
"""A resonator may lie as low as this part of the band's lowest frequency. Within this relative distance it stands at an
edge of what it may be: there it only follows what no resonator does."""
_FAIR_STEPS, _HOPELESS = 3, 0.03
"""After so many steps a step must gain this share of the chi-square that is still missing."""
ENOUGH = 2e-3
"""Chi-square left to be gained at which a minimum is reached: the poles are within a twentieth of their deviation."""
_PIECE = 4_096
LOWEST_RELAXATION_HZ, HIGHEST_RELAXATION_HZ = 3.0, 1e6


def resonators_ohm(s_rad_s: ComplexArray, poles_rad_s: ComplexArray, residues: ComplexArray) -> ComplexArray:
    """Sum of conjugate pole pairs ``r/(s - p) + r*/(s - p*)``, shape of ``s_rad_s``.

    Over one denominator: ``2 (Re r s - Re(r p*)) / (s^2 - 2 Re p s + |p|^2)``.
    """
    total = np.zeros(s_rad_s.shape, dtype=complex)
    flat, sums = s_rad_s.reshape(-1), total.reshape(-1)
    # In pieces that stay near the processor, and in place.
    for begin in range(0, flat.size, _PIECE):
        s, piece = flat[begin : begin + _PIECE], sums[begin : begin + _PIECE]
        above, below = np.empty_like(s), np.empty_like(s)
        for pole, residue in zip(poles_rad_s, residues, strict=True):
            np.multiply(s, 2 * residue.real, out=above)
            above -= 2 * (residue * np.conj(pole)).real
            np.subtract(s, 2 * pole.real, out=below)
            below *= s
            below += abs(pole) ** 2
            above /= below
            piece += above
    return total


def real_basis(s_rad_s: ComplexArray, relaxations: int) -> ComplexArray:
    """Columns 1, s and ``relaxations`` times s/(s + a_j); shape (n, 2 + relaxations)."""
    corner_hz = np.geomspace(LOWEST_RELAXATION_HZ, HIGHEST_RELAXATION_HZ, relaxations)
    columns = s_rad_s[:, None] / (s_rad_s[:, None] + 2 * np.pi * corner_hz)
    return np.concatenate([np.ones((s_rad_s.size, 1)), s_rad_s[:, None], columns], axis=1)


def pole_from(frequency_hz: float, q: float) -> complex:
    """Pole of a resonator of natural frequency and Q > 1/2."""
    natural = 2 * np.pi * frequency_hz
    return natural * complex(-1 / (2 * q), np.sqrt(1 - 1 / (4 * q * q)))


def pair_basis(s_rad_s: ComplexArray, poles_rad_s: ComplexArray) -> ComplexArray:
    """Two columns a pole pair, for the real and the imaginary part of its residue; shape (n, 2 k)."""
    s = s_rad_s[:, None]
    double = 2 / ((s - 2 * poles_rad_s.real) * s + np.abs(poles_rad_s) ** 2)
    columns = np.empty((s_rad_s.size, 2 * poles_rad_s.size), dtype=complex)
    columns[:, 0::2] = (s - poles_rad_s.real) * double
    columns[:, 1::2] = -poles_rad_s.imag * double
    return columns


def stacked(columns: ComplexArray, std_ohm: FloatArray) -> FloatArray:
    """Real and imaginary rows over each other, each divided by its standard deviation."""
    out = np.empty((2 * columns.shape[0], *columns.shape[1:]))
    weight = 1 / (std_ohm if columns.ndim == 1 else std_ohm[:, None])
    np.multiply(columns.real, weight, out=out[: columns.shape[0]])
    np.multiply(columns.imag, weight, out=out[columns.shape[0] :])
    return out


def solve_scaled(matrix: FloatArray, values: FloatArray) -> FloatArray:
    """Least squares with columns scaled to unit length (they differ by many orders of magnitude)."""
    scale = np.linalg.norm(matrix, axis=0)
    scale[scale == 0] = 1.0
    solution = linalg.lstsq(matrix / scale, values, cond=1e-12, lapack_driver="gelsy", check_finite=False)[0]
    result: FloatArray = solution / scale
    return result


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
    keeps_damped : bool
        Whether a pole as damped as can be counts as free: it is no resonance, but it may be all that follows a coil
        between two relaxations.
    """

    data: WeightedData
    relaxations: int
    fixed: FloatArray
    target: FloatArray
    keeps_damped: bool = False

    @classmethod
    def of(cls, data: WeightedData, relaxations: int, keeps_damped: bool = False) -> FitProblem:
        """Eliminate resistance, inductance and so many relaxations."""
        columns = stacked(real_basis(data.s_rad_s, relaxations), data.std_ohm)
        columns /= np.linalg.norm(columns, axis=0)
        left, singular, _ = linalg.svd(columns, full_matrices=False, check_finite=False)
        fixed = left[:, singular > 1e-12 * singular[0]]
        return cls(data, relaxations, fixed, _target(data, fixed), keeps_damped)

    def with_data(self, data: WeightedData) -> FitProblem:
        """The same for other values of the same frequencies and deviations."""
        return replace(self, data=data, target=_target(data, self.fixed))

    def project(self, columns: ComplexArray) -> FloatArray:
        """Columns in units of the standard deviation, without what the real part of the model can imitate."""
        return self.without_imitated(stacked(columns, self.data.std_ohm))

    def without_imitated(self, real: FloatArray) -> FloatArray:
        """The same of columns that are in units of the standard deviation already; they are changed."""
        real -= self.fixed @ (self.fixed.T @ real)
        return real

    def solve(self, poles_rad_s: ComplexArray, known: KnownPairs | None = None) -> PairFit:
        """Residues of given poles by linear least squares; ``known`` are the pairs of the first poles."""
        checked()
        first = 0 if known is None else known.columns.shape[1] // 2
        new = self.without_imitated(weighted_pairs(self.data, poles_rad_s[first:]))
        pairs, gram = (new, new.T @ new) if known is None else known.beside(new)
        covariance = inverse_of_gram(gram)
        solution = covariance @ (pairs.T @ self.target)
        rest = self.target - pairs @ solution
        solution += covariance @ (pairs.T @ rest)  # one step of refinement: the Gram matrix squares the condition
        rest = self.target - pairs @ solution
        return PairFit(poles_rad_s, solution[0::2] + 1j * solution[1::2], rest, covariance, pairs, gram)

    def confined(self, poles_rad_s: ComplexArray) -> ComplexArray:
        """Poles moved to the nearest that can be resonators: within the band, neither too damped nor too narrow."""
        frequency_hz = self.data.frequency_hz
        low, high = _BELOW_BAND * frequency_hz[0], frequency_hz[-1]
        natural = np.clip(np.abs(poles_rad_s), 2 * np.pi * low, 2 * np.pi * high)
        q = np.clip(np.abs(poles_rad_s) / np.maximum(2 * np.abs(poles_rad_s.real), 1e-300), LEAST_Q, MOST_Q)
        result: ComplexArray = natural * (-1 / (2 * q) + 1j * np.sqrt(1 - 1 / (4 * q * q)))
        return result

    def free(self, poles_rad_s: ComplexArray) -> NDArray[np.bool_]:
        """Whether each pole lies inside of what ``confined`` allows, not at its edge, and is wider than a bin."""
        nearest = self.confined(poles_rad_s)
        q = np.abs(nearest) / (2 * np.abs(nearest.real))
        resolution = 2 * np.pi * (self.data.frequency_hz[1] - self.data.frequency_hz[0])
        natural_hz = np.abs(nearest) / (2 * np.pi)
        inside = (q < (1 - _EDGE) * MOST_Q) & (2 * np.abs(nearest.real) > resolution)
        lowest_hz, highest_hz = _BELOW_BAND * self.data.frequency_hz[0], self.data.frequency_hz[-1]
        inside &= (natural_hz > (1 + _EDGE) * lowest_hz) & (natural_hz < (1 - _EDGE) * highest_hz)
        if not self.keeps_damped:
            inside &= q > (1 + _EDGE) * LEAST_Q
        result: NDArray[np.bool_] = inside & (np.abs(nearest - poles_rad_s) < 1e-6 * np.abs(poles_rad_s))
        return result

    def real_coefficients(self, fit: PairFit) -> FloatArray:
        """Coefficients of ``real_basis`` that go with the pairs of a fit, shape (2 + relaxations,)."""
        rest = self.data.impedance_ohm - resonators_ohm(self.data.s_rad_s, fit.poles_rad_s, fit.residues)
        columns = stacked(real_basis(self.data.s_rad_s, self.relaxations), self.data.std_ohm)
        return solve_scaled(columns, stacked(rest, self.data.std_ohm))


def _target(data: WeightedData, fixed: FloatArray) -> FloatArray:
    values = stacked(data.impedance_ohm, data.std_ohm)
    result: FloatArray = values - fixed @ (fixed.T @ values)
    return result


@dataclass(frozen=True)
class KnownPairs:
    """Projected columns of poles that stay where they are, with their products: what is added to them changes alone."""

    columns: FloatArray
    gram: FloatArray

    def beside(self, new: FloatArray) -> tuple[FloatArray, FloatArray]:
        """These columns and others, with the products of all."""
        count = self.columns.shape[1]
        gram = np.empty((count + new.shape[1], count + new.shape[1]))
        gram[:count, :count] = self.gram
        gram[:count, count:] = self.columns.T @ new
        gram[count:, :count] = gram[:count, count:].T
        gram[count:, count:] = new.T @ new
        return np.concatenate([self.columns, new], axis=1), gram


@dataclass(frozen=True)
class PairFit:
    """Poles with their residues, what they leave over, and the covariance of the residues (poles held fixed).

    ``pairs`` are their columns as `FitProblem.project` leaves them, ``gram`` the products of these.
    """

    poles_rad_s: ComplexArray
    residues: ComplexArray
    rest: FloatArray
    residue_covariance: FloatArray
    pairs: FloatArray
    gram: FloatArray

    def of_some(self, chosen: NDArray[np.int64]) -> KnownPairs:
        """The pairs of those of the poles, in that order."""
        columns = np.stack([2 * chosen, 2 * chosen + 1], axis=1).ravel()
        return KnownPairs(self.pairs.T[columns].T, self.gram[np.ix_(columns, columns)])

    @property
    def chi_square(self) -> float:
        return float(self.rest @ self.rest)

    @property
    def height_ohm(self) -> FloatArray:
        return np.abs(self.residues) / np.abs(self.poles_rad_s.real)

    @property
    def explained(self) -> FloatArray:
        """Chi-square that each pair explains: ``r^T C^-1 r``, its rise when the pair is left out, others refitted."""
        even = np.arange(0, 2 * self.residues.size, 2)
        a, b, c = (self.residue_covariance[even + row, even + column] for row, column in ((0, 0), (0, 1), (1, 1)))
        real, imag = self.residues.real, self.residues.imag
        result: FloatArray = (c * real**2 - 2 * b * real * imag + a * imag**2) / (a * c - b**2)
        return result


def relocate_poles(problem: FitProblem, poles_rad_s: ComplexArray) -> ComplexArray:
    """One step of vector fitting: new poles are the zeros of the weighting function sigma(s).

    Gustavsen and Semlyen, IEEE Trans. Power Delivery 14(3) 1052-1061, 1999 [M], in the real formulation for
    conjugate pairs; unstable poles are mirrored into the left half plane. Pairs that turn real are dropped.
    """
    checked()
    pairs = weighted_pairs(problem.data, poles_rad_s)
    count, size = problem.data.impedance_ohm.size, pairs.shape[1]
    columns = np.empty((pairs.shape[0], 2 * size), order="F")
    columns[:, :size] = pairs
    real, imag = problem.data.impedance_ohm.real[:, None], problem.data.impedance_ohm.imag[:, None]
    columns[:count, size:] = imag * pairs[count:] - real * pairs[:count]
    columns[count:, size:] = -imag * pairs[:count] - real * pairs[count:]
    columns = problem.without_imitated(columns)
    solution = solve_scaled(columns, problem.target)
    sigma = solution[size:]
    state = np.zeros((size, size))
    state[0::2, 0::2] = np.diag(poles_rad_s.real)
    state[1::2, 1::2] = np.diag(poles_rad_s.real)
    state[0::2, 1::2] = np.diag(poles_rad_s.imag)
    state[1::2, 0::2] = np.diag(-poles_rad_s.imag)
    inlet = np.zeros(size)
    inlet[0::2] = 2.0
    moved = linalg.eigvals(state - np.outer(inlet, sigma), check_finite=False)
    moved = moved[moved.imag > 1e-6 * np.abs(moved)]
    result: ComplexArray = -np.abs(moved.real) + 1j * moved.imag
    return result


def pole_derivatives(pairs: ComplexArray, residues: ComplexArray) -> ComplexArray:
    """Derivatives of pole pairs by real and imaginary part of their poles, shape (n, 2 k), from their `pair_basis`."""
    # The columns of the basis are a + b and i (a - b) with a = 1/(s - p), b = 1/(s - p*).
    turned = 1j * pairs[:, 1::2]
    direct = 0.25 * residues * (pairs[:, 0::2] - turned) ** 2
    mirror = 0.25 * np.conj(residues) * (pairs[:, 0::2] + turned) ** 2
    columns = np.empty(pairs.shape, dtype=complex)
    columns[:, 0::2] = direct + mirror
    columns[:, 1::2] = 1j * (direct - mirror)
    return columns


def refine(
    problem: FitProblem,
    start: PairFit,
    iterations: int = 30,
    held: int = 0,
    wanted: float = np.inf,
    enough: float = ENOUGH,
) -> PairFit:
    """Joint nonlinear least squares of the poles, everything linear eliminated (variable projection).

    Damped Gauss-Newton steps with Kaufman's approximation (BIT 15, 49-57, 1975 [M]); the poles stay within what
    can be a resonator. The first ``held`` poles stay where they are. It ends where the next step would lower the
    chi-square by less than ``enough``, as the slopes foretell it, or has done so. Where a chi-square below ``wanted``
    is what counts, it ends as soon as a step gains too little of what is missing.
    """
    current = start
    if current.poles_rad_s.size == held:
        return current
    known = current.of_some(np.arange(held)) if held else None
    damping = 1e-3
    for steps in range(1, iterations + 1):
        # A step is counted in units of the pole's own bandwidth.
        poles, residues = current.poles_rad_s[held:], current.residues[held:]
        unit = np.repeat(np.abs(poles.real), 2)
        slopes = weighted_slopes(problem.data, poles, residues)
        # What the linear part can imitate of them is taken out of their products, not of the columns themselves.
        imitated, shared = problem.fixed.T @ slopes, current.pairs.T @ slopes
        normal = slopes.T @ slopes - imitated.T @ imitated - shared.T @ (current.residue_covariance @ shared)
        gradient = slopes.T @ current.rest
        trial = None
        for _ in range(8):
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-30), gradient)
            if trial is None and _is_little(float(gradient @ step), steps, current.chi_square, wanted, enough):
                return current
            moved = poles + (np.clip(step, -0.7, 0.7) * unit).view(complex)
            trial = problem.solve(np.concatenate([current.poles_rad_s[:held], problem.confined(moved)]), known)
            if trial.chi_square < current.chi_square:
                break
            damping *= 5
        else:
            break
        gain = current.chi_square - trial.chi_square
        current, damping = trial, max(damping / 5, 1e-9)
        if _is_little(gain, steps, current.chi_square, wanted, enough):
            break
    return current


def _is_little(gain: float, steps: int, chi_square: float, wanted: float, enough: float) -> bool:
    """Whether what a step gains is no reason to go on."""
    hopeless = steps >= _FAIR_STEPS and gain < _HOPELESS * (chi_square - wanted)
    return hopeless or gain < enough + 1e-9 * chi_square
