"""Resonances of an impedance, found against its known noise and fitted jointly with the baseline.

The way: cells of 1/96 octave (their means corrected with the model, so that no resonance is rounded off); vector
fitting with more poles than needed; poles that the noise explains are taken out; all that remain are refined
together; what is left over is searched for resonators again. A resonator counts when the chi-square that it
explains is above a threshold set by the false-alarm rate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft, special

from stillbox.analysis.impedance.cells import CELLS_PER_OCTAVE, Cells, cells_of
from stillbox.analysis.impedance.findings import ResonanceFit
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.impedance.resonance_report import LOWEST_Q, THRESHOLD, report_of, tangent_of, with_uncertainty
from stillbox.analysis.maths.number_words import frequency_words, short_number
from stillbox.analysis.maths.rational import ENOUGH, FitProblem, PairFit, pole_from, refine, relocate_poles
from stillbox.analysis.maths.windows import means_over, pair_squares, windows_around
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError

LEAST_HEIGHT_IN_STD = 3.0

RELAXATIONS = (18, 28, 40)
"""Numbers of relaxations that are tried for the coil, fewest first."""
_GOOD_FIT = 1.1
_TOO_FEW = 5.0
"""Chi-square over its expectation that all poles of vector fitting together leave where relaxations are missing: no
steps from there make the fit a good one."""
_DOUBTFUL_FIT = 1.5
"""Chi-square over its expectation from which the fit is tried again from other starts."""
_FIRST_START, _OTHER_STARTS = (20, 8.0), ((32, 20.0), (14, 3.0))
"""Numbers of poles, spread evenly over the octaves, and their Q."""
_TOLD_MISFIT = 2.0
"""Remainder over the noise (rms) from which a person is told of it."""
_MOST_ADDED = 8
_OVERLAPPING = 4.0
"""Pairs closer than so many times the sum of their half widths touch each other."""
_FIRST_ITERATIONS = 10
_ITERATIONS_ALONE, _ITERATIONS_TOGETHER = 8, 5
"""Steps of an added pair alone, and of all pairs after it, before the next one is looked for."""
_ROUGHLY = 0.3
"""Chi-square left to be gained at which poles are near enough to their places to look for others beside them."""
_CELLS_OF_A_PLACE = CELLS_PER_OCTAVE // 3
_RELOCATIONS = 4
_KNOWN_THRESHOLD = float(special.chdtri(4, 0.001))
"""Chi-square that a resonator must explain at a place at which another take has one: nothing was searched for."""
_KEPT_PLACE = 0.1
"""Relative distance up to which a pole that was offered may move and still be the same."""
_SEARCH_Q = (2.5, 5.0, 10.0, 20.0, 40.0, 80.0)
_MOST_HEIGHT = 10.0
"""Height of a pair over the largest impedance of the take, at most: higher ones only cancel each other."""


def fit_resonances(
    spectrum: ImpedanceSpectrum, port: bool | None = None, free_air_hz: float | None = None
) -> ResonanceFit:
    """Fit baseline and resonances.

    Parameters
    ----------
    spectrum : ImpedanceSpectrum
        At full resolution, with its noise.
    port : bool, optional
        Whether the box has a port (two motional peaks are then expected); None if not known.
    free_air_hz : float, optional
        Resonance of the driver in free air: a vented box has a peak below it.

    Raises
    ------
    StillboxError
        If the band is too narrow to hold a baseline (less than three octaves).
    """
    if spectrum.frequency_hz[-1] < 8 * spectrum.frequency_hz[0]:
        raise StillboxError(
            f"the take covers {spectrum.frequency_hz[0]:.0f} to {spectrum.frequency_hz[-1]:.0f} Hz only",
            "resonances need at least three octaves: record with a wider sweep",
        )
    cells = cells_of(spectrum)
    relaxations, fit = _first_fit(cells)
    cells, relaxations, fit = _shown_by_bins(cells, relaxations, fit)
    inflation = _misfit(fit, cells.frequency_hz.size)
    problem, fit = _finished(cells, relaxations, fit, inflation)
    left_over = _left_over(cells, fit, inflation)
    return report_of(problem, fit, spectrum, port, free_air_hz, left_over)


def fit_with_poles(
    spectrum: ImpedanceSpectrum,
    fit: ResonanceFit,
    offered_rad_s: Sequence[complex],
    port: bool | None = None,
    free_air_hz: float | None = None,
) -> ResonanceFit:
    """The fit again with poles of another take of the same thing as starts; ``fit`` itself where none is there.

    What both takes show is then modelled alike in both. A pole counts here from a lower threshold than in the search,
    for its place is known.

    Parameters
    ----------
    spectrum : ImpedanceSpectrum
    fit : ResonanceFit
        What `fit_resonances` has made of it.
    offered_rad_s : sequence of complex
        Poles that ``fit`` does not hold.
    port, free_air_hz
        As for `fit_resonances`.
    """
    relaxations = fit.real_coefficients.size - 2
    known = (*fit.motional, *fit.broad, *fit.resonances)
    own = np.array([resonance.pole_rad_s for resonance in known], dtype=complex)
    cells = cells_of(spectrum).parted(np.append(own, offered_rad_s))
    first = FitProblem.of(cells.data(), relaxations, keeps_damped=True).solve(own)
    # Narrow resonators are rounded off in the cells until they are known.
    first = FitProblem.of(cells.data(first), relaxations, keeps_damped=True).solve(own)
    problem = FitProblem.of(cells.data(first, _misfit(first, cells.frequency_hz.size)), relaxations, keeps_damped=True)
    grown = start = refine(problem, problem.solve(own), _ITERATIONS_TOGETHER)
    for pole in offered_rad_s:
        trial = refine(problem, _with(problem, grown, pole), _ITERATIONS_ALONE, held=grown.poles_rad_s.size)
        there = abs(trial.poles_rad_s[-1] - pole) < _KEPT_PLACE * abs(pole)
        if there and problem.free(trial.poles_rad_s)[-1] and grown.chi_square - trial.chi_square >= _KNOWN_THRESHOLD:
            grown = refine(problem, trial, _ITERATIONS_TOGETHER)
    grown = grown if grown is start else _drop_uncertain(problem, grown)
    if grown.poles_rad_s.size <= start.poles_rad_s.size:
        return fit
    return replace(report_of(problem, grown, spectrum, port, free_air_hz), warnings=fit.warnings)


def _first_fit(cells: Cells) -> tuple[int, PairFit]:
    """Pairs by vector fitting, settled, with as few relaxations as leave no more than the noise.

    A broad pair may stand in for missing relaxations and be taken out when it settles: so the settled fit decides.
    """
    best: tuple[int, PairFit] | None = None
    poles = _spread_poles(cells.frequency_hz, *_FIRST_START)
    for relaxations in RELAXATIONS:
        problem = FitProblem.of(cells.data(), relaxations)
        poles = _relocated(problem, poles)
        last = relaxations == RELAXATIONS[-1]
        if not last and _leaves_more_than(_TOO_FEW, problem.solve(poles)):
            continue
        fit = _from_poles(cells, problem, poles)
        if _is_good(fit) or last:
            fit = _settle(problem.with_data(cells.data(fit)), fit.poles_rad_s)
        if best is None or fit.chi_square < best[1].chi_square:
            best = relaxations, fit
        if _is_good(fit):
            return best
    assert best is not None
    return _from_other_starts(cells, best)


def _shown_by_bins(cells: Cells, relaxations: int, first: PairFit) -> tuple[Cells, int, PairFit]:
    """Cells parted around what is narrow, the pairs that they show, and how many relaxations that takes.

    What stood in for missing relaxations in the coarse cells may not do so in these, and is lost.
    """
    parted = cells.parted(first.poles_rad_s)
    if parted is cells:
        return cells, relaxations, first
    best: tuple[int, PairFit] | None = None
    for number in (number for number in RELAXATIONS if number >= relaxations):
        fit = _settle(FitProblem.of(parted.data(first), number), first.poles_rad_s)
        if best is None or fit.chi_square < best[1].chi_square:
            best = number, fit
        if _is_good(fit):
            break
    assert best is not None
    return parted, *best


def _finished(cells: Cells, relaxations: int, first: PairFit, inflation: FloatArray) -> tuple[FitProblem, PairFit]:
    """All pairs together once more, against what the first fit has shown to be noise.

    A damped pair that stood in for missing relaxations may be lost here, and the minimum then is a wrong one: more
    relaxations take its place, or else it stays.
    """
    best: tuple[FitProblem, PairFit] | None = None
    more = [number for number in RELAXATIONS if number > relaxations]
    for number, keeps_damped in [(relaxations, False), *((number, False) for number in more), (relaxations, True)]:
        problem = FitProblem.of(cells.data(first, inflation), number, keeps_damped)
        fit = _drop_uncertain(problem, _settle(problem, first.poles_rad_s))
        if best is None or fit.chi_square < best[1].chi_square:
            best = problem, fit
        if _is_good(fit):
            break
    assert best is not None
    return best


def _from_other_starts(cells: Cells, best: tuple[int, PairFit]) -> tuple[int, PairFit]:
    """Again from other poles where one start left more than the noise: its minimum may be a wrong one."""
    for start in _OTHER_STARTS:
        if not _leaves_more_than(_DOUBTFUL_FIT, best[1]):
            break
        poles = np.concatenate([best[1].poles_rad_s, _spread_poles(cells.frequency_hz, *start)])
        problem = FitProblem.of(cells.data(), RELAXATIONS[-1])
        fit = _from_poles(cells, problem, _relocated(problem, poles))
        fit = _settle(problem.with_data(cells.data(fit)), fit.poles_rad_s)
        if fit.chi_square < best[1].chi_square:
            best = RELAXATIONS[-1], fit
    return best


def _from_poles(cells: Cells, problem: FitProblem, poles: ComplexArray) -> PairFit:
    """The fit of those poles of vector fitting that are needed."""
    fit = problem.solve(poles[problem.free(poles)])
    return _pruned(problem.with_data(cells.data(fit)), fit.poles_rad_s, _FIRST_ITERATIONS, _ROUGHLY)


def _is_good(fit: PairFit) -> bool:
    return fit.chi_square < _GOOD_FIT * fit.rest.size


def _leaves_more_than(times: float, fit: PairFit) -> bool:
    return fit.chi_square >= times * fit.rest.size


def _spread_poles(frequency_hz: FloatArray, count: int, q: float) -> ComplexArray:
    low, high = frequency_hz[0], frequency_hz[-1]
    return np.array([pole_from(f, q) for f in np.geomspace(1.3 * low, 0.6 * high, count)])


def _relocated(problem: FitProblem, poles: ComplexArray) -> ComplexArray:
    for _ in range(_RELOCATIONS):
        poles = relocate_poles(problem, poles)
    return poles


def _settle(problem: FitProblem, poles: ComplexArray) -> PairFit:
    """Take out what the noise explains, refine the rest, add what is still left over, until nothing changes."""
    pruned = fit = _pruned(problem, poles)
    for _ in range(_MOST_ADDED):
        grown = _add_missing(problem, fit)
        if grown is None:
            break
        fit = grown
    return pruned if fit is pruned else _pruned(problem, fit.poles_rad_s)


def _pruned(problem: FitProblem, poles: ComplexArray, iterations: int = 30, enough: float = ENOUGH) -> PairFit:
    fit = _drop_weak(problem, problem.solve(poles))
    fit = _drop_weak(problem, refine(problem, fit, iterations, enough=enough))
    return _drop_split(problem, fit)


def _drop_weak(problem: FitProblem, fit: PairFit) -> PairFit:
    while fit.poles_rad_s.size:
        explained = np.where(problem.free(fit.poles_rad_s) & _of_its_size(problem, fit), fit.explained, 0.0)
        weakest = int(np.argmin(explained))
        if explained[weakest] >= THRESHOLD:
            break
        fit = _without(problem, fit, weakest)
    return fit


def _without(problem: FitProblem, fit: PairFit, index: int) -> PairFit:
    """The fit without one of its pairs, the others where they are."""
    return _of_some(problem, fit, np.delete(np.arange(fit.poles_rad_s.size), index))


def _of_some(problem: FitProblem, fit: PairFit, chosen: NDArray[np.int64]) -> PairFit:
    """The fit with some of its pairs alone, in that order."""
    return problem.solve(fit.poles_rad_s[chosen], fit.of_some(chosen))


def _with(problem: FitProblem, fit: PairFit, pole: complex) -> PairFit:
    """The fit with one more pair, the others where they are."""
    return problem.solve(np.append(fit.poles_rad_s, pole), fit.of_some(np.arange(fit.poles_rad_s.size)))


def _of_its_size(problem: FitProblem, fit: PairFit) -> NDArray[np.bool_]:
    """Whether each pair may be a part of this impedance: broad ones may cancel each other to follow what is smooth."""
    return fit.height_ohm < _MOST_HEIGHT * float(np.abs(problem.data.impedance_ohm).max())


def _drop_split(problem: FitProblem, fit: PairFit) -> PairFit:
    """Take out pairs that the others can stand in for once they are refined (one resonance split in two)."""
    tried: set[complex] = set()
    while fit.poles_rad_s.size > 1:
        poles = fit.poles_rad_s
        distance = np.abs(poles[:, None] - poles) / np.add.outer(np.abs(poles.real), np.abs(poles.real))
        nearest = np.min(distance + np.diag(np.full(poles.size, np.inf)), axis=1)
        doubtful = [i for i in range(poles.size) if nearest[i] < 1.0 and complex(poles[i]) not in tried]
        if not doubtful:
            break
        index = min(doubtful, key=lambda i: fit.height_ohm[i])
        # Only what overlaps with it can take its place: the others are held, which is several times faster.
        near = np.delete(distance[index] < _OVERLAPPING, index)
        others = np.delete(np.arange(poles.size), index)
        start = _of_some(problem, fit, np.concatenate([others[~near], others[near]]))
        wanted = fit.chi_square + THRESHOLD
        trial = refine(problem, start, iterations=12, held=int(np.sum(~near)), wanted=wanted)
        if trial.chi_square < wanted:
            fit = trial
        else:
            tried.add(complex(poles[index]))
    return fit


def _drop_uncertain(problem: FitProblem, fit: PairFit) -> PairFit:
    """Take out pairs so entangled with their neighbours that their height is not known to three deviations.

    Together they explain something, apart they say nothing; and each would hide what could be seen beside it.
    """
    while fit.poles_rad_s.size > 1:
        pairs = with_uncertainty(fit, tangent_of(problem, fit), 0.0)
        # What is too damped to be a resonance is part of the baseline, however little its height is known.
        ratio = np.array([p.height_ohm / p.height_std_ohm if p.q >= LOWEST_Q else np.inf for p in pairs])
        worst = int(np.argmin(ratio))
        if ratio[worst] >= LEAST_HEIGHT_IN_STD:
            break
        fit = refine(problem, _without(problem, fit, worst), iterations=12)
    return fit


def _add_missing(problem: FitProblem, fit: PairFit) -> PairFit | None:
    """Fit with one more resonator where the rest shows one that is significant; None where it shows none."""
    for pole in _candidates(problem, fit):
        trial = refine(problem, _with(problem, fit, pole), _ITERATIONS_ALONE, fit.poles_rad_s.size, enough=_ROUGHLY)
        if not (problem.free(trial.poles_rad_s).all() and fit.chi_square - trial.chi_square >= THRESHOLD):
            continue
        together = refine(problem, trial, _ITERATIONS_TOGETHER, enough=_ROUGHLY)
        if _of_its_size(problem, together).all():
            return together
    return None


def _candidates(problem: FitProblem, fit: PairFit, most: int = 3) -> list[complex]:
    """Poles whose resonators match the rest best: matched filters on the logarithmic axis, by convolution."""
    frequency_hz, std = problem.data.frequency_hz, problem.data.std_ohm
    rest = fit.rest[: std.size] + 1j * fit.rest[std.size :]
    place = np.rint(CELLS_PER_OCTAVE * np.log2(frequency_hz / frequency_hz[0])).astype(int)
    size = int(place[-1]) + 1
    signal, weight = np.zeros(size, dtype=complex), np.zeros(size)
    np.add.at(signal, place, rest / std)
    np.add.at(weight, place, 1 / std**2)
    length = fft.next_fast_len(3 * size)
    signal_spectrum, weight_spectrum = fft.fft(signal, length), fft.fft(weight, length)
    found: list[tuple[float, complex]] = []
    for q, template, squared in _templates(length):
        matched = fft.ifft(signal_spectrum * template)[:size]
        power = fft.ifft(weight_spectrum * squared).real[:size]
        explained = np.abs(matched) ** 2 / np.maximum(power, 1e-9 * power.max())
        best = int(np.argmax(explained))
        if explained[best] > 0.5 * THRESHOLD:
            found.append((float(explained[best]), pole_from(frequency_hz[0] * 2 ** (best / CELLS_PER_OCTAVE), q)))
    found.sort(key=lambda pair: -pair[0])
    return [pole for _, pole in found[:most]]


@lru_cache(maxsize=4)
def _templates(length: int) -> tuple[tuple[float, ComplexArray, ComplexArray], ...]:
    """Each Q that is looked for, with the spectra of its resonator on the logarithmic axis and of its square."""
    octaves = fft.fftfreq(length, 1 / length) / CELLS_PER_OCTAVE
    shapes = [(q, 1 / (1 + 2j * q * np.sinh(octaves * np.log(2)))) for q in _SEARCH_Q]
    return tuple((q, np.conj(fft.fft(shape)), np.conj(fft.fft(np.abs(shape) ** 2))) for q, shape in shapes)


def _misfit(fit: PairFit, count: int) -> FloatArray:
    """Factor >= 1 on the noise where the model leaves more than the noise, over two thirds of an octave."""
    low, high = windows_around(count, CELLS_PER_OCTAVE // 3)
    mean = means_over(pair_squares(fit.rest), (low, high))
    return np.sqrt(np.where(mean > 1 + 3 / np.sqrt(high - low), mean, 1.0))


def _left_over(cells: Cells, fit: PairFit, inflation: FloatArray) -> tuple[str, ...]:
    """A warning where the model does not follow the take, however often it was tried."""
    rest = inflation**2 * pair_squares(fit.rest)
    ratio = float(np.sqrt(np.mean(rest)))
    if ratio < _TOLD_MISFIT:
        return ()
    window = np.ones(_CELLS_OF_A_PLACE)
    worst_hz = cells.frequency_hz[int(np.argmax(np.convolve(rest, window, "same")))]
    return (
        f"no set of resonances follows this take within its noise: {short_number(ratio)} times the noise is left over, "
        f"most of it near {frequency_words(worst_hz)}, from whatever start the fit was tried; a sound or a contact may "
        "have disturbed the sweep: take it again and compare",
    )
