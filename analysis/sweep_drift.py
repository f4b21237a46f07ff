"""What drifts or jumps from sweep to sweep: gain of an input, resistance of contacts and of a warming coil.

Both move all frequencies together: a gain changes the ratio m to (1 + g) m, a resistance at the clips adds
``r dm/dZ``. A sweep runs through the frequencies in even steps of the logarithm, so what drifts evenly is a straight
line over it, and what jumps at a moment jumps at one frequency, in one sweep: in the mean of sweeps that would pass
for a feature of the speaker. Steps are taken out. A resistance that drifts slowly belongs to what is on the clips, of
which the take gives the mean; a gain does not, and nobody knows which sweep had the right one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from capture.arrays import ComplexArray, FloatArray

CELLS_PER_OCTAVE = 24
_COUNTS = 40.0
"""Chi-square that a drift, or a step (looked for in some hundred places), must explain."""
_WORTH = 0.9
"""A step or a slow drift must leave at most this part of the misfit."""
_GOOD = 1.3
_MOST_TERMS = 4
_OUTLIER = 3.0
"""A cell further off than so many standard deviations counts for less (Huber)."""
_REWEIGHTINGS = 4
_NEIGHBOURS = 8

_OF_MEAN = {2: 2.0, 3: 1.27, 4: 0.81}
"""Standard deviation of the mean over that among so few sweeps, widened so that 1.96 of it are Student's 95 %. For two
sweeps that would be 4.6; more sweeps count as four, for drift is not drawn anew for each."""

Kind = Literal["gain", "resistance"]
KINDS: tuple[Kind, ...] = ("gain", "resistance")
Step = tuple[int, int, Kind]
"""Sweep, first cell after it, and what jumped."""


@dataclass(frozen=True)
class Drift:
    """Differences between the sweeps of a take that neighbours share.

    Attributes
    ----------
    of_sweep : complex ndarray, shape (sweeps, n)
        To be taken from the ratio of each sweep, which then all agree: drift re the mean of the sweeps, and steps.
    common : tuple of complex ndarray, shape (n,) each
        One standard deviation of what is not known after that, as it changes the ratio: of a gain, and of a
        resistance that jumped.
    steps : tuple of (sweep, frequency, kind)
        Number from 0 of each sweep that holds a step, the frequency in Hz at that moment, and what jumped.
    spread : tuple of float
        Standard deviations of gain (relative) and resistance (units of ``by_ohm``) among the sweeps.
    """

    of_sweep: ComplexArray
    common: tuple[ComplexArray, ...] = ()
    steps: tuple[tuple[int, float, Kind], ...] = ()
    spread: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class _Cells:
    """Differences of the sweeps from their mean in cells of 1/24 octave, with what a gain and a resistance would do.

    ``moment`` runs from -1 to 1 over a sweep; ``by`` has a column for each of ``KINDS``.
    """

    moment: FloatArray
    frequency_hz: FloatArray
    rest: ComplexArray
    std: FloatArray
    by: ComplexArray


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
    fit = _Fit.of(cells)
    for _ in range(_MOST_TERMS):
        if fit.cost < _GOOD * 2 * cells.rest.size:
            break
        trials = [_Fit.of(cells, (*fit.steps, step), fit.slow) for step in _likely_steps(cells, fit)]
        if not fit.slow:
            trials.append(_Fit.of(cells, fit.steps, True))
        best = min(trials, key=lambda trial: trial.cost)
        if best.cost > fit.cost - _COUNTS or best.cost > _WORTH * fit.cost:
            break
        fit = best
    if _cost(cells, cells.rest) - fit.cost < _COUNTS:
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
    by = np.stack([averaged(mean), averaged(by_ohm)], axis=1)
    return _Cells(_moment(centre_hz, frequency_hz), centre_hz, rest, np.sqrt(np.maximum(quiet, local) / 2), by)


def _moment(at_hz: FloatArray, frequency_hz: FloatArray) -> FloatArray:
    return 2 * np.log(at_hz / frequency_hz[0]) / np.log(frequency_hz[-1] / frequency_hz[0]) - 1


def _courses(moment: FloatArray, slow: bool) -> FloatArray:
    """Courses over time that gain and resistance may take within a sweep, shape (n, 1 or 3): Legendre's."""
    courses = np.stack([np.ones(moment.size), moment, 1.5 * moment**2 - 0.5], axis=1)
    return courses if slow else courses[:, :1]


def _cost(cells: _Cells, left: ComplexArray) -> float:
    """Chi-square in which outliers count linearly."""
    far = np.abs(left) / cells.std / np.sqrt(2)
    return float(2 * np.sum(np.where(far < _OUTLIER, far**2, _OUTLIER * (2 * far - _OUTLIER))))


@dataclass(frozen=True)
class _Fit:
    """Gain and resistance of every sweep, constant or slowly drifting, and steps."""

    cells: _Cells
    steps: tuple[Step, ...]
    slow: bool
    solution: FloatArray
    weight: FloatArray
    left: ComplexArray
    cost: float

    @classmethod
    def of(cls, cells: _Cells, steps: tuple[Step, ...] = (), slow: bool = False) -> _Fit:
        """Robust least squares; what all sweeps have in common cannot be seen and comes out as nothing."""
        design = _design(cells, steps, slow)
        weight, left, solution = 1 / cells.std, cells.rest, np.zeros(design.shape[-1])
        for _ in range(_REWEIGHTINGS):
            rows, target = design * weight[:, :, None], cells.rest * weight
            stacked = np.concatenate([rows.real.reshape(-1, rows.shape[-1]), rows.imag.reshape(-1, rows.shape[-1])])
            values = np.concatenate([target.real.ravel(), target.imag.ravel()])
            scale = np.linalg.norm(stacked, axis=0) + 1e-300
            solution = np.linalg.lstsq(stacked / scale, values, rcond=1e-9)[0] / scale
            left = cells.rest - design @ solution
            far = np.abs(left) / cells.std / np.sqrt(2)
            weight = np.where(far > _OUTLIER, np.sqrt(_OUTLIER / np.maximum(far, 1e-9)), 1.0) / cells.std
        return cls(cells, steps, slow, solution, weight, left, _cost(cells, left))

    def drift(self, frequency_hz: FloatArray, mean: ComplexArray, by_ohm: ComplexArray) -> Drift:
        """The fit at every bin."""
        sweeps = len(self.cells.rest)
        courses = _courses(_moment(frequency_hz, frequency_hz), self.slow)
        count = courses.shape[1]
        smooth = self.solution[: 2 * count * sweeps].reshape(sweeps, count, 2) if count else np.zeros((sweeps, 0, 2))
        states = np.einsum("nc,sck->ksn", courses, smooth)  # kind, sweep, bin
        states -= states.mean(axis=1, keepdims=True)
        found = []
        for size, (sweep, cell, kind) in zip(self.solution[2 * count * sweeps :], self.steps, strict=True):
            place_hz = float(np.sqrt(np.prod(self.cells.frequency_hz[cell - 1 : cell + 1])))
            states[KINDS.index(kind), sweep] += size * (frequency_hz >= place_hz)
            found.append((sweep, place_hz, kind))
        of_mean = _OF_MEAN.get(sweeps, _OF_MEAN[4])
        gain, resistance = (of_mean * float(np.max(np.std(state, axis=0, ddof=1))) for state in states)
        jumped = any(kind == "resistance" for _, _, kind in found)
        return Drift(
            of_sweep=states[0] * mean + states[1] * by_ohm,
            common=(gain * mean, resistance * by_ohm) if jumped else (gain * mean,),
            steps=tuple(found),
            spread=(gain, resistance),
        )


def _design(cells: _Cells, steps: tuple[Step, ...], slow: bool) -> ComplexArray:
    """What each parameter does to the differences of the sweeps from their mean, shape (sweeps, cells, parameters)."""
    sweeps = len(cells.rest)
    courses = _courses(cells.moment, slow)
    smooth = (courses[:, :, None] * cells.by[:, None, :]).reshape(cells.moment.size, -1)
    count = smooth.shape[1]
    design = np.zeros((sweeps, cells.moment.size, count * sweeps + len(steps)), dtype=complex)
    for sweep in range(sweeps):
        design[sweep, :, count * sweep : count * (sweep + 1)] = smooth
    for index, (sweep, cell, kind) in enumerate(steps):
        design[sweep, cell:, count * sweeps + index] = cells.by[cell:, KINDS.index(kind)]
    return design - design.mean(axis=0)


def _likely_steps(cells: _Cells, fit: _Fit) -> list[Step]:
    """For each sweep, and for gain and resistance, the step that would explain most of what is left in that sweep."""
    courses = _courses(cells.moment, fit.slow)
    smooth = (courses[:, :, None] * cells.by[:, None, :]).reshape(cells.moment.size, -1)
    after = np.tri(cells.moment.size)[:, 3:-3]  # column j: 1 from cell j + 3 on
    likely: list[Step] = []
    for sweep in range(len(cells.rest)):
        weight = 1 / cells.std[sweep]
        target = _real(fit.left[sweep] * weight)
        basis = np.linalg.qr(_real(smooth * weight[:, None]))[0]
        for kind in KINDS:
            steps = _real(after * (cells.by[:, KINDS.index(kind)] * weight)[:, None])
            steps -= basis @ (basis.T @ steps)
            explained = (steps.T @ target) ** 2 / np.maximum(np.sum(steps**2, axis=0), 1e-300)
            likely.append((sweep, int(np.argmax(explained)) + 3, kind))
    return likely


def _real(values: ComplexArray) -> FloatArray:
    return np.concatenate([values.real, values.imag])
