"""What drifts or jumps from sweep to sweep: gain of an input, resistance of contacts and of a warming coil.

Both move all frequencies together: a gain changes the ratio m to (1 + g) m, a resistance at the clips adds
``r dm/dZ``. A sweep runs through the frequencies in even steps of the logarithm, so what drifts evenly is a straight
line over it, and what jumps at a moment jumps at one frequency, in one sweep: in the mean of sweeps that would pass
for a feature of the speaker. Steps are taken out; slow drift is what happened, and stays as the mean over the sweeps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.arrays import ComplexArray, FloatArray

CELLS_PER_OCTAVE = 24
_DRIFTS = 40.0
"""Chi-square that all drift together must explain to count."""
_STEPS = 40.0
"""Chi-square that a step must explain beside the drift: looked for in some hundred places."""
_MOST_STEPS = 3
_OUTLIER = 3.0
"""A cell further off than so many standard deviations counts for less."""
_REWEIGHTINGS = 4
_NEIGHBOURS = 8


@dataclass(frozen=True)
class Drift:
    """Differences between the sweeps of a take that neighbours share.

    Attributes
    ----------
    of_sweep : complex ndarray, shape (sweeps, n)
        To be taken from the ratio of each sweep, which then all agree: drift re the mean of the sweeps, and steps.
    common : tuple of complex ndarray, shape (n,) each
        One standard deviation of a gain and of a resistance among the sweeps, as they change the ratio.
    steps : tuple of (sweep, frequency)
        Number from 0 of each sweep that holds a step, and the frequency in Hz at that moment.
    """

    of_sweep: ComplexArray
    common: tuple[ComplexArray, ...] = ()
    steps: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True)
class _Cells:
    """Differences of the sweeps from their mean in cells of 1/24 octave, with what a gain and a resistance would do."""

    moment: FloatArray
    frequency_hz: FloatArray
    rest: ComplexArray
    std: FloatArray
    by_gain: ComplexArray
    by_ohm: ComplexArray

    def columns(self, moment: FloatArray) -> ComplexArray:
        """Constant and even drift of gain and resistance, shape (cells, 4)."""
        middle = (moment - 0.5)[:, None]
        both = np.stack([self.by_gain, self.by_ohm], axis=1)
        return np.concatenate([both, both * middle], axis=1)


def find_drift(frequency_hz: FloatArray, ratios: ComplexArray, variance: FloatArray, by_ohm: ComplexArray) -> Drift:
    """Drift and steps between the sweeps of a take.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
    ratios : complex ndarray, shape (sweeps, n)
    variance : ndarray, shape (sweeps, n)
        E|noise|^2 of each, from the silences.
    by_ohm : complex ndarray, shape (n,)
        What a resistance at the clips adds to the ratio, in any unit.
    """
    nothing = np.zeros_like(ratios)
    if len(ratios) < 2:
        return Drift(nothing)
    mean = ratios.mean(axis=0)
    cells = _cells_of(frequency_hz, ratios, variance, mean, by_ohm)
    fit = _Fit.of(cells, ())
    if fit.reduced_chi_square > 1.5:
        for _ in range(_MOST_STEPS):
            more = _with_step(cells, fit)
            if more is None:
                break
            fit = more
    if fit.explained < _DRIFTS:
        return Drift(nothing)
    return fit.drift(frequency_hz, mean, by_ohm)


def _cells_of(
    frequency_hz: FloatArray, ratios: ComplexArray, variance: FloatArray, mean: ComplexArray, by_ohm: ComplexArray
) -> _Cells:
    number = np.floor(CELLS_PER_OCTAVE * np.log2(frequency_hz / frequency_hz[0]))
    first = np.concatenate([[0], np.flatnonzero(np.diff(number) > 0) + 1])
    count = np.diff(np.append(first, frequency_hz.size))

    def averaged(values: NDArray) -> NDArray:
        return np.add.reduceat(values, first, axis=-1) / count

    centre_hz = averaged(frequency_hz)
    rest = averaged(ratios - mean)
    quiet = averaged(variance) / count
    # What lies beside each other tells the noise of the moment, whatever both have in common.
    beside = 0.5 * np.abs(np.diff(rest, axis=1)) ** 2
    beside = np.concatenate([beside[:, :1], beside], axis=1)
    padded = np.pad(beside, ((0, 0), (_NEIGHBOURS, _NEIGHBOURS)), mode="edge")
    around = np.lib.stride_tricks.sliding_window_view(padded, 2 * _NEIGHBOURS + 1, axis=1)
    local = np.median(around, axis=-1) / np.log(2)
    moment = np.log(centre_hz / frequency_hz[0]) / np.log(frequency_hz[-1] / frequency_hz[0])
    return _Cells(moment, centre_hz, rest, np.sqrt(np.maximum(quiet, local) / 2), averaged(mean), averaged(by_ohm))


@dataclass(frozen=True)
class _Fit:
    """Constants and slopes of every sweep, and steps, that explain the differences of the sweeps."""

    cells: _Cells
    steps: tuple[tuple[int, int], ...]
    solution: FloatArray
    weight: FloatArray
    left: ComplexArray
    explained: float

    @property
    def reduced_chi_square(self) -> float:
        return float(np.sum(self.weight**2 * np.abs(self.left) ** 2) / (2 * self.left.size))

    @classmethod
    def of(cls, cells: _Cells, steps: tuple[tuple[int, int], ...]) -> _Fit:
        """Robust least squares: cells far off count for less."""
        design = _design(cells, steps)
        weight = 1 / cells.std
        for _ in range(_REWEIGHTINGS):
            rows = design * weight[:, :, None]
            target = cells.rest * weight
            # Scaled, so that what all sweeps have in common (it cannot be seen) comes out as nothing.
            stacked = np.concatenate([rows.real.reshape(-1, rows.shape[-1]), rows.imag.reshape(-1, rows.shape[-1])])
            values = np.concatenate([target.real.ravel(), target.imag.ravel()])
            solution = np.linalg.lstsq(stacked, values, rcond=1e-9)[0]
            left = cells.rest - design @ solution
            far = np.abs(left) / cells.std / np.sqrt(2)
            weight = np.where(far > _OUTLIER, np.sqrt(_OUTLIER / np.maximum(far, 1e-9)), 1.0) / cells.std
        before = np.sum(weight**2 * np.abs(cells.rest) ** 2)
        after = np.sum(weight**2 * np.abs(left) ** 2)
        return cls(cells, steps, solution, weight, left, float(before - after))

    def drift(self, frequency_hz: FloatArray, mean: ComplexArray, by_ohm: ComplexArray) -> Drift:
        """The fit at every bin."""
        sweeps = len(self.cells.rest)
        moment = np.log(frequency_hz / frequency_hz[0]) / np.log(frequency_hz[-1] / frequency_hz[0])
        gain, ohm = np.zeros((sweeps, frequency_hz.size)), np.zeros((sweeps, frequency_hz.size))
        for sweep in range(sweeps):
            constant_gain, constant_ohm, slope_gain, slope_ohm = self.solution[4 * sweep : 4 * sweep + 4]
            gain[sweep] = constant_gain + slope_gain * (moment - 0.5)
            ohm[sweep] = constant_ohm + slope_ohm * (moment - 0.5)
        gain -= gain.mean(axis=0)
        ohm -= ohm.mean(axis=0)
        found = []
        for index, (sweep, cell) in enumerate(self.steps):
            at = 4 * sweeps + 2 * index
            place_hz = float(np.sqrt(np.prod(self.cells.frequency_hz[cell - 1 : cell + 1])))
            after = frequency_hz >= place_hz
            gain[sweep] += self.solution[at] * after
            ohm[sweep] += self.solution[at + 1] * after
            found.append((sweep, place_hz))
        spread_gain, spread_ohm = (float(np.max(np.std(one, axis=0, ddof=1))) for one in (gain, ohm))
        return Drift(
            of_sweep=gain * mean + ohm * by_ohm,
            common=(spread_gain * mean, spread_ohm * by_ohm),
            steps=tuple(found),
        )


def _design(cells: _Cells, steps: tuple[tuple[int, int], ...]) -> ComplexArray:
    """What each parameter does to the differences of the sweeps from their mean, shape (sweeps, cells, parameters)."""
    sweeps = len(cells.rest)
    smooth = cells.columns(cells.moment)
    design = np.zeros((sweeps, cells.moment.size, 4 * sweeps + 2 * len(steps)), dtype=complex)
    for sweep in range(sweeps):
        design[sweep, :, 4 * sweep : 4 * sweep + 4] = smooth
    for index, (sweep, cell) in enumerate(steps):
        at = 4 * sweeps + 2 * index
        design[sweep, cell:, at : at + 2] = smooth[cell:, :2]
    return design - design.mean(axis=0)


def _with_step(cells: _Cells, fit: _Fit) -> _Fit | None:
    """The fit with one more step where that explains much; None where none does."""
    smooth = cells.columns(cells.moment)
    best, place = 0.0, (0, 0)
    for sweep in range(len(cells.rest)):
        weight = fit.weight[sweep]
        values = fit.left[sweep] * weight
        target = np.concatenate([values.real, values.imag])
        rows = smooth * weight[:, None]
        basis = np.linalg.qr(np.concatenate([rows.real, rows.imag]))[0]
        for cell in range(3, cells.moment.size - 3):
            after = np.where(np.arange(cells.moment.size) >= cell, 1.0, 0.0)[:, None] * rows[:, :2]
            step = np.concatenate([after.real, after.imag])
            step -= basis @ (basis.T @ step)
            gram = step.T @ step
            along = step.T @ target
            explained = float(along @ np.linalg.lstsq(gram, along, rcond=1e-6)[0])
            if explained > best:
                best, place = explained, (sweep, cell)
    if best < _STEPS:
        return None
    more = _Fit.of(cells, (*fit.steps, place))
    return more if more.reduced_chi_square < 0.9 * fit.reduced_chi_square else None
