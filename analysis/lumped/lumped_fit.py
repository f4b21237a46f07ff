"""Weighted complex least squares of a lumped model with priors.

What is fitted are means over cells of the logarithmic axis, corrected for the bend of the impedance over each cell
by what `analysis.impedance.resonances` found.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from stillbox.analysis.impedance.findings import ResonanceFit, pairs_ohm
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.lumped.cone_resonances import HIGHEST_HZ
from stillbox.analysis.lumped.fit_end import FitEnd, fit_end
from stillbox.analysis.lumped.lumped_steps import JointPrior, Known, Model, Normal, Point
from stillbox.analysis.lumped.parameters import Layout
from stillbox.analysis.maths.gram import floored_inverse, scaled_normal
from stillbox.analysis.maths.rational import stacked
from stillbox.analysis.maths.stopping import checked
from stillbox.analysis.maths.uncertainty import CHAIN_FLOOR
from stillbox.analysis.maths.windows import first_of_cells, means_over, pair_squares, windows_around
from stillbox.capture.arrays import ComplexArray, FloatArray

CELLS_PER_OCTAVE = 48
CELL_FLOOR = 2 * CHAIN_FLOOR
"""What a mean over a cell can be trusted to, relative to the impedance: the chain, and the bend over the cell."""

CALIBRATION_OCTAVES = 1 / 12
"""Cells within this share the noise of the calibration takes: averaging over them does not reduce it."""

SMOOTH_ABOVE_HZ = 1_500.0
"""Above this the impedance bends over a cell only at resonances that lie there."""

CORRELATED_OCTAVES = 1 / 3
"""Misfit of a model is alike over about this much of the axis."""


NOT_SEEN = 1e-15
"""Of the eigenvalues of the normal matrix, over the largest: what stands for a direction in which there is nothing."""


@dataclass(frozen=True)
class CellData:
    """Cell means of a spectrum.

    Attributes
    ----------
    frequency_hz, std_ohm : ndarray, shape (cells,)
        ``std_ohm`` is that of the real part, and of the imaginary part.
    impedance_ohm : complex ndarray, shape (cells,)
    """

    frequency_hz: FloatArray
    impedance_ohm: ComplexArray
    std_ohm: FloatArray

    @cached_property
    def s_rad_s(self) -> ComplexArray:
        return 2j * np.pi * self.frequency_hz

    def every(self, step: int) -> CellData:
        """Every so many cells."""
        return CellData(self.frequency_hz[::step], self.impedance_ohm[::step], self.std_ohm[::step])

    def weakened(self, factor: FloatArray) -> CellData:
        """The same with larger standard deviations."""
        return replace(self, std_ohm=self.std_ohm * factor)

    def coarse(self, relative: float) -> CellData:
        """The same as if measured roughly: a fit finds its way there from farther off."""
        return replace(self, std_ohm=np.hypot(self.std_ohm, relative * np.abs(self.impedance_ohm)))


def cell_data(spectrum: ImpedanceSpectrum, fit: ResonanceFit, high_hz: float = 20_000.0) -> CellData:
    """Gather a spectrum in cells of 1/48 octave (one bin a cell where bins are wider).

    Parameters
    ----------
    spectrum : ImpedanceSpectrum
    fit : ResonanceFit
        Of the same spectrum; tells how the impedance bends over a cell.
    high_hz : float
        End of the band used.
    """
    inside = slice(0, int(np.searchsorted(spectrum.frequency_hz, high_hz)))
    frequency_hz = spectrum.frequency_hz[inside]
    weight = 1 / spectrum.noise_variance_ohm2[inside]
    first = first_of_cells(frequency_hz, CELLS_PER_OCTAVE)
    total = np.add.reduceat(weight, first)
    cell_hz = np.add.reduceat(weight * frequency_hz, first) / total
    mean_ohm = np.add.reduceat(weight * spectrum.impedance_ohm[inside], first) / total
    smooth_cell = int(np.searchsorted(cell_hz, SMOOTH_ABOVE_HZ))
    smooth_bin = int(first[smooth_cell]) if smooth_cell < first.size else frequency_hz.size
    bending = _bending(fit, frequency_hz, smooth_bin)
    bend = np.add.reduceat(weight * bending, first) / total - _bending(fit, cell_hz, smooth_cell)
    shared = np.add.reduceat(weight * spectrum.calibration_variance_ohm2[inside], first) / total
    common = 0.5 * CELLS_PER_OCTAVE * CALIBRATION_OCTAVES * shared
    variance = 0.5 / total + common + (CELL_FLOOR * np.abs(mean_ohm)) ** 2
    return CellData(cell_hz, mean_ohm - bend, np.sqrt(variance))


def _bending(fit: ResonanceFit, frequency_hz: FloatArray, border: int) -> ComplexArray:
    """The part of the impedance that bends over a cell; from ``border`` on only resonances near there."""
    pairs = tuple(r for r in (*fit.motional, *fit.broad, *fit.resonances) if r.frequency_hz < HIGHEST_HZ)
    upper = tuple(r for r in pairs if r.frequency_hz > 0.5 * SMOOTH_ABOVE_HZ)
    return np.concatenate([pairs_ohm(pairs, frequency_hz[:border]), pairs_ohm(upper, frequency_hz[border:])])


class FitBrokeDown(ArithmeticError):
    """A fit has come to no end with the data that it was given: not a fault of the program."""


@dataclass(frozen=True)
class LumpedFit:
    """Outcome of `fit_lumped`.

    Attributes
    ----------
    layout : Layout
        Names of the parameters.
    parameters : ndarray, shape (k,)
    moving : ndarray
        Indices of those that were free.
    jacobian : ndarray
        Derivatives by the free ones in units of the standard deviation, priors below the data.
    chi_square, prior_chi_square : float
        Of the data in units of ``data.std_ohm``; of the priors.
    rest : ndarray, shape (2 cells,)
        Misfit in units of the standard deviation, real parts over imaginary parts.
    data : CellData
    known_rest : ndarray
        Misfit of what was known beforehand, in units of its standard deviation.
    at_limit : ndarray of int, shape (k,)
        As `analysis.lumped.fit_end.FitEnd` has it.
    """

    layout: Layout
    parameters: FloatArray
    moving: NDArray[np.intp]
    jacobian: FloatArray
    chi_square: float
    prior_chi_square: float
    rest: FloatArray
    data: CellData
    known_rest: FloatArray
    at_limit: NDArray[np.int8]

    @cached_property
    def covariance(self) -> FloatArray:
        """From noise and priors, shape (k, k); zero for parameters held."""
        return _spread(self.jacobian, self.moving, self.parameters.size)

    def value(self, name: str) -> float:
        return float(self.parameters[self.layout.index(name)])

    def std(self, name: str) -> float:
        """From noise and priors; zero for a parameter held."""
        place = self.layout.index(name)
        return float(np.sqrt(self.covariance[place, place]))

    @cached_property
    def end(self) -> FitEnd:
        """How the fit has come to its end."""
        whole = np.concatenate([self.rest, self.known_rest])
        return fit_end(self.jacobian, whole, self.known_rest.size, self.moving, self.at_limit)

    @property
    def total_chi_square(self) -> float:
        return self.chi_square + self.prior_chi_square

    @property
    def degrees_of_freedom(self) -> int:
        return max(1, self.rest.size - self.moving.size)

    @property
    def reduced_chi_square(self) -> float:
        return self.chi_square / self.degrees_of_freedom


def fit_lumped(
    data: CellData,
    model: Model,
    start: FloatArray,
    priors: Sequence[JointPrior] = (),
    free: Collection[str] | None = None,
    iterations: int = 30,
    tolerance: float = 1e-3,
    limits: tuple[FloatArray, FloatArray] | None = None,
    bending: bool = False,
) -> LumpedFit:
    """Damped Gauss-Newton (Levenberg-Marquardt) from ``start``, inside of limits.

    Parameters
    ----------
    data : CellData
    model : callable
        Impedance and derivatives; parameters of the order of 1 (logarithms).
    start : ndarray, shape (k,)
    priors : sequence of JointPrior
    free : collection of str, optional
        Names of the parameters that may move; the others stay and have no uncertainty.
    iterations : int
    tolerance : float
        The fit ends when a step gains less than this in chi-square, in units of the misfit.
    limits : tuple of ndarray (k,), optional
        Least and most that each parameter can be. One at its limit stays there as long as the misfit would drive it
        beyond (projected steps: Bertsekas, SIAM J. Control 20(2), 221-246, 1982).
    bending : bool
        A step that misses is bent by what it shows of the curvature before the damping grows (second-order correction:
        Transtrum and Sethna, arXiv 1201.5885, 2012): for valleys that are long and bent.

    Raises
    ------
    FitBrokeDown
        If no parameters were met whose misfit is finite.
    """
    moving = _places(model.layout, free)
    target = stacked(data.impedance_ohm, data.std_ohm)
    least, most = (-np.inf, np.inf) if limits is None else (limits[0][moving], limits[1][moving])

    parameters = np.array(start, dtype=float)
    parameters[moving] = np.clip(parameters[moving], least, most)
    known = Known.of(priors, model.layout, parameters, moving)

    def evaluate(parameters: FloatArray) -> Point:
        value, slopes = model(data.s_rad_s, parameters)
        rest = stacked(data.impedance_ohm - value, data.std_ohm)
        return Point(np.concatenate([rest, known.rest(parameters)]), slopes, data.std_ohm, known)

    point, damping = evaluate(parameters), 1e-3
    for _ in range(iterations):
        checked()
        now = parameters[moving]
        loose = _held_at(point, now, least, most) == 0
        slopes = point.jacobian[:, loose]
        normal = Normal.of(slopes)
        step = np.zeros(now.size)
        step[loose] = normal.step(point.whole, damping)
        for bent in (False, True)[: 1 + bending]:
            moved = parameters.copy()
            moved[moving] = np.clip(now + step, least, most)
            trial = evaluate(moved)
            gain = point.chi_square - trial.chi_square
            if gain > 0 or not np.isfinite(trial.chi_square):
                break
            if bending and not bent:  # what the step has missed is the bend of the way down
                step[loose] += normal.step(trial.whole - point.whole + slopes @ step[loose], damping)
        if gain > 0:
            parameters, point = moved, trial
            damping = max(damping / 6, 1e-10)
            if gain < tolerance * max(1.0, point.chi_square / target.size):
                break
        else:
            damping *= 6
            if damping > 1e7:
                break
    if not np.isfinite(point.chi_square):
        raise FitBrokeDown("the misfit is not finite")
    rest = point.whole[: target.size]
    chi_data = float(rest @ rest)
    at_limit = np.zeros(start.size, dtype=np.int8)
    at_limit[moving] = _held_at(point, parameters[moving], least, most)
    return LumpedFit(
        layout=model.layout,
        parameters=parameters,
        moving=moving,
        jacobian=point.jacobian,
        chi_square=chi_data,
        prior_chi_square=point.chi_square - chi_data,
        rest=rest,
        data=data,
        known_rest=point.whole[target.size :],
        at_limit=at_limit,
    )


def _places(layout: Layout, names: Collection[str] | None) -> NDArray[np.intp]:
    """Where parameters stand, in the order of the layout; all without names."""
    return np.arange(len(layout.names)) if names is None else np.asarray(sorted(layout.indices(names)), dtype=np.intp)


def _held_at(point: Point, now: FloatArray, least: FloatArray | float, most: FloatArray | float) -> NDArray[np.int8]:
    """Which moving parameters are at a limit beyond which the misfit would drive them: -1 the least, 1 the most."""
    downhill = point.jacobian.T @ point.whole
    held = ((now >= most) & (downhill > 0)).astype(np.int8) - ((now <= least) & (downhill < 0)).astype(np.int8)
    return np.asarray(held, dtype=np.int8)


def common_covariance(fit: LumpedFit, spectrum: ImpedanceSpectrum) -> FloatArray:
    """What the scatter that all points share adds to the covariance, shape (k, k): the fit follows each cause.

    A contact resistance goes into the DC resistance whole; no number of points makes it smaller.
    """
    added = np.zeros(fit.covariance.shape)
    slopes = fit.jacobian[: fit.rest.size]
    for common in spectrum.common_ohm:
        there = np.interp(fit.data.frequency_hz, spectrum.frequency_hz, common)
        move = fit.covariance[:, fit.moving] @ (slopes.T @ stacked(there, fit.data.std_ohm))
        added += np.outer(move, move)
    return added


def covariance_at(
    data: CellData,
    model: Model,
    parameters: FloatArray,
    priors: Sequence[JointPrior],
    free: Collection[str],
    held: Mapping[str, float] | None = None,
) -> FloatArray:
    """Covariance that the parameters have when those in ``free`` may move, shape (k, k).

    ``held``: standard deviations of others that the data shall not tell. Whatever each of them is, the rest follows it.
    """
    held = held or {}
    moving = _places(model.layout, {*free, *held})
    slopes = stacked(model(data.s_rad_s, parameters)[1]()[:, moving], data.std_ohm)
    jacobian = np.concatenate([slopes, Known.of(priors, model.layout, parameters, moving).jacobian])
    told = ~np.isin(moving, model.layout.indices(held))
    bare = _spread(jacobian[:, told], moving[told], parameters.size)
    covariance = bare.copy()
    for name, std in held.items():
        index = model.layout.index(name)
        by_held = jacobian[: slopes.shape[0], moving == index][:, 0]
        follows = -bare[:, moving[told]] @ (jacobian[: by_held.size, told].T @ by_held)
        follows[index] = 1.0
        covariance += std**2 * np.outer(follows, follows)
    return covariance


def _spread(jacobian: FloatArray, moving: NDArray[np.intp], size: int) -> FloatArray:
    """Covariance of all parameters; zero for those held, large for what the data do not see."""
    covariance = np.zeros((size, size))
    scaled, sizes = scaled_normal(jacobian)
    covariance[np.ix_(moving, moving)] = floored_inverse(scaled, NOT_SEEN) / np.outer(sizes, sizes)
    return covariance


def misfit(data: CellData, model: Model, parameters: FloatArray) -> FloatArray:
    """What a model leaves in units of the standard deviation, real parts over imaginary parts, shape (2 cells,)."""
    return stacked(data.impedance_ohm - model(data.s_rad_s, parameters)[0], data.std_ohm)


def misfit_factor(fit: LumpedFit) -> FloatArray:
    """`excess_factor` of a fit, shape (cells,)."""
    return excess_factor(fit.rest)


def excess_factor(left: FloatArray) -> FloatArray:
    """Factor >= 1 on the standard deviations where a model leaves more than the noise, shape (cells,).

    ``left`` is that of `misfit`. The excess over a window counts as an error common to the window: averaging over its
    cells does not reduce it, so it is multiplied by their number.
    """
    low, high = windows_around(left.size // 2, round(CELLS_PER_OCTAVE * CORRELATED_OCTAVES))
    mean = means_over(pair_squares(left), (low, high))
    excess = np.where(mean > 1 + 4 / np.sqrt(high - low), mean - 1, 0.0)
    result: FloatArray = np.sqrt(1 + excess * 0.5 * (high - low))
    return result
