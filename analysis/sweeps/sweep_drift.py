"""What drifts or jumps from sweep to sweep: gain of an input, resistance of contacts and of a warming coil.

Both move all frequencies together: a gain changes the ratio m to (1 + g) m, a resistance at the clips adds
``r dm/dZ``. A sweep runs through the frequencies in even steps of the logarithm, so what drifts evenly is a straight
line over it, and what jumps at a moment jumps at one frequency, in one sweep: in the mean of sweeps that would pass
for a feature of the speaker. Steps are taken out. A resistance that drifts slowly belongs to what is on the clips, of
which the take gives the mean; a gain does not, and nobody knows which sweep had the right one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from stillbox.analysis.maths.stopping import checked
from stillbox.analysis.maths.windows import first_of_cells
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.recording.take import JigKind

CELLS_PER_OCTAVE = 24
_COUNTS = 40.0
"""Chi-square that a drift, or a step (looked for in some hundred places), must explain."""
_WORTH = 0.9
"""A step or a slow drift must leave at most this part of the misfit."""
_GOOD = 1.3
_OUTLIER = 3.0
"""A cell further off than so many standard deviations counts for less (Huber)."""
_REWEIGHTINGS = 4
_NEIGHBOURS = 8

_OF_MEAN = {2: 2.0, 3: 1.27, 4: 0.81}
"""Standard deviation of the mean over that among so few sweeps, widened so that 1.96 of it are Student's 95 %. For two
sweeps that would be 4.6; more sweeps count as four, for drift is not drawn anew for each."""

Kind = Literal["gain", "resistance"]
KINDS: tuple[Kind, ...] = ("gain", "resistance")
_CellStep = tuple[int, int, Kind]
"""Sweep, first cell after it, and what jumped."""
Step = tuple[int, float, Kind]
"""Sweep, frequency in Hz at that moment, and what jumped."""


@dataclass(frozen=True)
class Jump:
    """A jump in one sweep.

    Attributes
    ----------
    sweep : int
        Number from 0.
    frame : int
        From the start of that sweep: the first one after the jump.
    at_hz : float
        What was swept at that moment.
    kind : str
        What jumped: gain or resistance.
    size : float
        Relative change of the ratio by a gain; resistance in units of the reference resistor.
    """

    sweep: int
    frame: int
    at_hz: float
    kind: Kind
    size: float


@dataclass(frozen=True)
class Drift:
    """Differences between the sweeps of a take that neighbours share.

    Attributes
    ----------
    aligned : complex ndarray, shape (sweeps, n)
        Ratio of each sweep without its jumps and its drift re the mean of the sweeps, or, for what jumped, re the
        middle of its states: they all agree.
    common : tuple of complex ndarray, shape (n,) each
        One standard deviation of what is not known after that, as it changes the ratio: of a gain, and of a
        resistance that jumped.
    jumps : tuple of Jump
        As they were taken out.
    spread : tuple of float
        Standard deviations of gain (relative) and resistance (of the reference resistor) among the sweeps.
    """

    aligned: ComplexArray
    common: tuple[ComplexArray, ...] = ()
    jumps: tuple[Jump, ...] = ()
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


def by_resistance(ratio: ComplexArray, jig: JigKind) -> ComplexArray:
    """What a resistance at the clips, in units of the reference resistor, adds to a ratio, shape of ``ratio``.

    A high-side ratio is Z / (R + Z), a low-side one R / (R + Z).
    """
    return (1 - ratio) ** 2 if jig == "high-side" else -(ratio**2)


def _without(ratios: ComplexArray, gain: FloatArray | float, resistance: FloatArray, jig: JigKind) -> ComplexArray:
    """Ratios as they would be with so much less gain and resistance."""
    straight = ratios / (1 + gain)
    drop = resistance * (1 - straight if jig == "high-side" else straight)
    result: ComplexArray = (straight - drop) / (1 - drop) if jig == "high-side" else straight / (1 - drop)
    return result


def find_drift(
    frequency_hz: FloatArray, ratios: ComplexArray, variance: FloatArray, jig: JigKind, jumps: Sequence[Jump] = ()
) -> Drift:
    """Drift between the sweeps of a take.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
    ratios : complex ndarray, shape (sweeps, n)
        Without the jumps.
    variance : ndarray, shape (sweeps, n)
        E|noise|^2 of each, from the silences.
    jig : str
        Which side of the speaker the reference resistor is on.
    jumps : sequence of Jump
        What was taken out of the sweeps.
    """
    if len(ratios) < 2:
        return Drift(ratios)
    cells = _cells_of(frequency_hz, ratios, variance, jig)
    fit = _smooth_fit(cells)
    if not jumps and _cost(cells, cells.rest) - fit.cost < _COUNTS:
        return Drift(ratios)
    states = _states(frequency_hz, ratios, variance, jig, fit)
    spread: list[float] = []
    for kind, state in zip(KINDS, states, strict=True):
        own = [jump for jump in jumps if jump.kind == kind]
        middle, std = _between(frequency_hz, state, own) if own else _among(state)
        state -= middle
        spread.append(std)
    aligned = _without(ratios, states[0], states[1], jig)
    mean = aligned.mean(axis=0)
    by_state = (spread[0] * mean, spread[1] * by_resistance(mean, jig))
    jumped = any(jump.kind == "resistance" for jump in jumps)
    return Drift(aligned, by_state if jumped else by_state[:1], tuple(jumps), (spread[0], spread[1]))


def _states(
    frequency_hz: FloatArray, ratios: ComplexArray, variance: FloatArray, jig: JigKind, fit: _Fit
) -> FloatArray:
    """Gain and resistance of every sweep at every bin, shape (2, sweeps, n); what is not in proportion too."""
    states = fit.states(frequency_hz)
    again = _cells_of(frequency_hz, _without(ratios, states[0], states[1], jig), variance, jig)
    return states + _Fit.of(again, slow=fit.slow).states(frequency_hz)


def expected_ratios(frequency_hz: FloatArray, ratios: ComplexArray, variance: FloatArray, jig: JigKind) -> ComplexArray:
    """What each sweep would show had it one gain and one resistance; arguments as for ``find_drift``."""
    fit = _Fit.of(_cells_of(frequency_hz, ratios, variance, jig))
    gain, resistance = _states(frequency_hz, ratios, variance, jig, fit)
    mean = _without(ratios, gain, resistance, jig).mean(axis=0)
    result: ComplexArray = _without(mean, 0.0, -resistance, jig) * (1 + gain)
    return result


def misfit(frequency_hz: FloatArray, ratios: ComplexArray, variance: FloatArray, jig: JigKind) -> float:
    """Chi-square of the differences between the sweeps that no drift explains; arguments as for ``find_drift``."""
    return _smooth_fit(_cells_of(frequency_hz, ratios, variance, jig)).cost


def likely_step(frequency_hz: FloatArray, ratios: ComplexArray, variance: FloatArray, jig: JigKind) -> Step | None:
    """Where a step explains most of what no drift does; None where none is worth it. Arguments as for ``find_drift``.

    Of two sweeps it cannot be told here which one holds the step.
    """
    if len(ratios) < 2:
        return None
    cells = _cells_of(frequency_hz, ratios, variance, jig)
    smooth = [_Fit.of(cells), _Fit.of(cells, slow=True)]
    if min(fit.cost for fit in smooth) < _GOOD * 2 * cells.rest.size:
        return None
    trials = [_Fit.of(cells, (step,), fit.slow) for fit in smooth for step in _likely_cells(cells, fit)]
    # A slow drift must be worth its terms, beside a step as without one.
    even = min((fit for fit in trials if not fit.slow), key=lambda fit: fit.cost)
    slow = min((fit for fit in trials if fit.slow), key=lambda fit: fit.cost)
    best, before = (slow, smooth[1]) if _is_worth(slow, even) else (even, _smooth_fit(cells))
    if not _is_worth(best, before):
        return None
    sweep, cell, kind = best.steps[0]
    return sweep, float(np.sqrt(np.prod(cells.frequency_hz[cell - 1 : cell + 1]))), kind


def _smooth_fit(cells: _Cells) -> _Fit:
    """Gain and resistance of every sweep, drifting slowly where that is worth its terms."""
    even = _Fit.of(cells)
    if even.cost < _GOOD * 2 * cells.rest.size:
        return even
    slow = _Fit.of(cells, slow=True)
    return slow if _is_worth(slow, even) else even


def _is_worth(fit: _Fit, before: _Fit) -> bool:
    return fit.cost < min(before.cost - _COUNTS, _WORTH * before.cost)


def _cells_of(frequency_hz: FloatArray, ratios: ComplexArray, variance: FloatArray, jig: JigKind) -> _Cells:
    mean = ratios.mean(axis=0)
    first = first_of_cells(frequency_hz / frequency_hz[0], CELLS_PER_OCTAVE)
    count = np.diff(np.append(first, frequency_hz.size))

    def averaged(values: NDArray[Any]) -> NDArray[Any]:
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
    by = np.stack([averaged(mean), averaged(by_resistance(mean, jig))], axis=1)
    return _Cells(_moment(centre_hz, frequency_hz), centre_hz, rest, np.sqrt(np.maximum(quiet, local) / 2), by)


def _moment(at_hz: FloatArray, frequency_hz: FloatArray) -> FloatArray:
    result: FloatArray = 2 * np.log(at_hz / frequency_hz[0]) / np.log(frequency_hz[-1] / frequency_hz[0]) - 1
    return result


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
    steps: tuple[_CellStep, ...]
    slow: bool
    solution: FloatArray
    weight: FloatArray
    left: ComplexArray
    cost: float

    @classmethod
    def of(cls, cells: _Cells, steps: tuple[_CellStep, ...] = (), slow: bool = False) -> _Fit:
        """Robust least squares; what all sweeps have in common cannot be seen and comes out as nothing."""
        design = _design(cells, steps, slow)
        weight, left, solution = 1 / cells.std, cells.rest, np.zeros(design.shape[-1])
        for _ in range(_REWEIGHTINGS):
            checked()
            rows, target = design * weight[:, :, None], cells.rest * weight
            stacked = np.concatenate([rows.real.reshape(-1, rows.shape[-1]), rows.imag.reshape(-1, rows.shape[-1])])
            values = np.concatenate([target.real.ravel(), target.imag.ravel()])
            scale = np.linalg.norm(stacked, axis=0) + 1e-300
            solution = np.linalg.lstsq(stacked / scale, values, rcond=1e-9)[0] / scale
            left = cells.rest - design @ solution
            far = np.abs(left) / cells.std / np.sqrt(2)
            weight = np.where(far > _OUTLIER, np.sqrt(_OUTLIER / np.maximum(far, 1e-9)), 1.0) / cells.std
        return cls(cells, steps, slow, solution, weight, left, _cost(cells, left))

    def states(self, frequency_hz: FloatArray) -> FloatArray:
        """Gain and resistance of every sweep at every bin without the steps, shape (2, sweeps, n)."""
        courses = _courses(_moment(frequency_hz, frequency_hz), self.slow)
        count = courses.shape[1] * len(self.cells.rest) * len(KINDS)
        smooth = self.solution[:count].reshape(len(self.cells.rest), courses.shape[1], len(KINDS))
        result: FloatArray = np.einsum("nc,sck->ksn", courses, smooth)
        return result


def _among(state: FloatArray) -> tuple[FloatArray, float]:
    """Mean of the sweeps at each bin, and its standard deviation at the worst."""
    of_mean = _OF_MEAN.get(len(state), _OF_MEAN[4])
    return state.mean(axis=0), of_mean * float(np.max(np.std(state, axis=0, ddof=1)))


def _between(frequency_hz: FloatArray, state: FloatArray, jumps: list[Jump]) -> tuple[float, float]:
    """Middle of all states there were, and the standard deviation of a rectangular distribution over them.

    Which of them is the right one nobody knows (JCGM 100, 4.3.7).
    """
    there_were = state.copy()
    for jump in jumps:
        there_were[jump.sweep] += jump.size * (frequency_hz >= jump.at_hz)
    lowest, highest = float(np.min(there_were)), float(np.max(there_were))
    return 0.5 * (lowest + highest), (highest - lowest) / np.sqrt(12)


def _design(cells: _Cells, steps: tuple[_CellStep, ...], slow: bool) -> ComplexArray:
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
    result: ComplexArray = design - design.mean(axis=0)
    return result


def _likely_cells(cells: _Cells, fit: _Fit) -> list[_CellStep]:
    """For each sweep, and for gain and resistance, the step that would explain most of what is left in that sweep."""
    courses = _courses(cells.moment, fit.slow)
    smooth = (courses[:, :, None] * cells.by[:, None, :]).reshape(cells.moment.size, -1)
    after = np.tri(cells.moment.size)[:, 3:-3]  # column j: 1 from cell j + 3 on
    likely: list[_CellStep] = []
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
