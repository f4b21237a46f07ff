"""Resonances of an impedance, found against its known noise and fitted jointly with the baseline.

The way: cells of 1/96 octave (their means corrected with the model, so that no resonance is rounded off); vector
fitting with more poles than needed; poles that the noise explains are taken out; all that remain are refined
together; what is left over is searched for resonators again. A resonator counts when the chi-square that it
explains is above a threshold set by the false-alarm rate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, optimize, stats
from threadpoolctl import threadpool_limits

from analysis.findings import DetectionLimit, Resonance, ResonanceFit
from analysis.impedance import ImpedanceSpectrum
from analysis.rational import (
    FitProblem,
    PairFit,
    WeightedData,
    inverse_gram,
    pair_basis,
    pole_derivatives,
    pole_from,
    refine,
    relocate_poles,
    resonators_ohm,
)
from analysis.uncertainty import CHAIN_FLOOR
from capture.arrays import ComplexArray, FloatArray
from capture.errors import StillboxError

CELLS_PER_OCTAVE = 96
HIGHEST_HZ = 20_000.0
FALSE_ALARM_RATE = 0.001
"""Probability that a speaker without resonances yields any finding."""
INDEPENDENT_PLACES = 5_000
"""Places (frequency and Q) that the search tries independently, 15 Hz to 20 kHz, Q 2 to 300."""
THRESHOLD = float(stats.chi2.isf(FALSE_ALARM_RATE / INDEPENDENT_PLACES, 4))
"""Chi-square that a resonator (two numbers for the pole, two for the residue) must explain."""
DETECTION_PROBABILITY = 0.95
LIMIT_Q = 10.0
LOWEST_Q = 2.0
LEAST_HEIGHT_IN_STD = 3.0

_CELLS_SHARING_CALIBRATION = CELLS_PER_OCTAVE / 12
"""The noise of the calibration takes is common to so many cells: a resonator as wide sees it that much stronger."""

HIGHEST_FUNDAMENTAL_HZ = 4_000.0
"""Tweeters included."""
HIGHEST_PARTNER_HZ = 500.0
LOWEST_FUNDAMENTAL_Q = 0.7

RELAXATIONS = (18, 28, 40)
"""Numbers of relaxations that are tried for the coil, fewest first."""
_GOOD_FIT = 1.1
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
_CELLS_OF_A_PLACE = CELLS_PER_OCTAVE // 3
_RELOCATIONS = 4
_SEARCH_Q = (2.5, 5.0, 10.0, 20.0, 40.0)


@dataclass(frozen=True)
class _Cells:
    """Bins gathered in cells of 1/96 octave (one bin a cell where bins are wider)."""

    spectrum: ImpedanceSpectrum
    first: NDArray[np.int64]
    weight: FloatArray
    frequency_hz: FloatArray
    std_ohm: FloatArray

    def mean(self, values: ComplexArray) -> ComplexArray:
        """Weighted mean over each cell, shape (cells,)."""
        total: ComplexArray = np.add.reduceat(values * self.weight, self.first)
        return total / np.add.reduceat(self.weight, self.first)

    def data(self, fit: PairFit | None = None, inflation: FloatArray | float = 1.0) -> WeightedData:
        """Cell means; with a fit, of what its resonators leave over, plus the resonators at the cell's frequency.

        So a resonance narrower than a cell is not rounded off; the coil is smooth enough to need no such care.
        """
        s = 2j * np.pi * self.frequency_hz
        if fit is None:
            return WeightedData(s, self.mean(self.spectrum.impedance_ohm), self.std_ohm * inflation)
        rest = self.spectrum.impedance_ohm - resonators_ohm(
            2j * np.pi * self.spectrum.frequency_hz, fit.poles_rad_s, fit.residues
        )
        mean = self.mean(rest) + resonators_ohm(s, fit.poles_rad_s, fit.residues)
        return WeightedData(s, mean, self.std_ohm * inflation)


def _cells(spectrum: ImpedanceSpectrum) -> _Cells:
    inside = spectrum.frequency_hz <= HIGHEST_HZ
    spectrum = spectrum.part(inside)
    number = np.floor(CELLS_PER_OCTAVE * np.log2(spectrum.frequency_hz))
    first = np.concatenate([[0], np.flatnonzero(np.diff(number) > 0) + 1])
    weight = 1 / spectrum.noise_variance_ohm2
    total = np.add.reduceat(weight, first)
    frequency_hz = np.add.reduceat(weight * spectrum.frequency_hz, first) / total
    magnitude = np.abs(np.add.reduceat(weight * spectrum.impedance_ohm, first) / total)
    shared = _CELLS_SHARING_CALIBRATION * spectrum.calibration_variance_ohm2[first]
    std = np.sqrt(0.5 * (1 / total + shared) + (CHAIN_FLOOR * magnitude) ** 2)
    return _Cells(spectrum, first, weight, frequency_hz, std)


# The matrices are small: threads of the linear algebra only get in each other's way (up to 20 times slower).
@threadpool_limits.wrap(limits=1, user_api="blas")
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
            f"the take covers {spectrum.frequency_hz[0]:.0f} to {spectrum.frequency_hz[-1]:.0f} Hz only; "
            "resonances need at least three octaves: record with a wider sweep"
        )
    cells = _cells(spectrum)
    relaxations, fit = _first_fit(cells)
    inflation = _misfit(fit, cells.frequency_hz.size)
    problem, fit = _finished(cells, relaxations, fit, inflation)
    left_over = _left_over(cells, fit, inflation)
    return _report(problem, fit, spectrum, port, free_air_hz, left_over)


def _first_fit(cells: _Cells) -> tuple[int, PairFit]:
    """Pairs by vector fitting, settled, with as few relaxations as leave no more than the noise.

    A broad pair may stand in for missing relaxations and be taken out when it settles: so the settled fit decides.
    """
    best: tuple[int, PairFit] | None = None
    poles = _spread_poles(cells.frequency_hz, *_FIRST_START)
    for relaxations in RELAXATIONS:
        poles, fit = _from_start(cells, relaxations, poles)
        if _is_good(fit) or relaxations == RELAXATIONS[-1]:
            fit = _settle(FitProblem.of(cells.data(fit), relaxations), fit.poles_rad_s)
        if best is None or fit.chi_square < best[1].chi_square:
            best = relaxations, fit
        if _is_good(fit):
            return best
    assert best is not None
    return _from_other_starts(cells, best)


def _finished(
    cells: _Cells, relaxations: int, first: PairFit, inflation: FloatArray
) -> tuple[FitProblem, PairFit]:
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


def _from_other_starts(cells: _Cells, best: tuple[int, PairFit]) -> tuple[int, PairFit]:
    """Again from other poles where one start left more than the noise: its minimum may be a wrong one."""
    for start in _OTHER_STARTS:
        if best[1].chi_square < _DOUBTFUL_FIT * best[1].rest.size:
            break
        poles = np.concatenate([best[1].poles_rad_s, _spread_poles(cells.frequency_hz, *start)])
        _, fit = _from_start(cells, RELAXATIONS[-1], poles)
        fit = _settle(FitProblem.of(cells.data(fit), RELAXATIONS[-1]), fit.poles_rad_s)
        if fit.chi_square < best[1].chi_square:
            best = RELAXATIONS[-1], fit
    return best


def _from_start(cells: _Cells, relaxations: int, poles: ComplexArray) -> tuple[ComplexArray, PairFit]:
    """Poles as vector fitting moves them, and the fit of those that are needed."""
    problem = FitProblem.of(cells.data(), relaxations)
    poles = _relocated(problem, poles)
    fit = problem.solve(poles[problem.free(poles)])
    return poles, _pruned(FitProblem.of(cells.data(fit), relaxations), fit.poles_rad_s, _FIRST_ITERATIONS)


def _is_good(fit: PairFit) -> bool:
    return fit.chi_square < _GOOD_FIT * fit.rest.size


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


def _pruned(problem: FitProblem, poles: ComplexArray, iterations: int = 30) -> PairFit:
    fit = _drop_weak(problem, problem.solve(poles))
    fit = _drop_weak(problem, refine(problem, fit.poles_rad_s, iterations))
    return _drop_split(problem, fit)


def _drop_weak(problem: FitProblem, fit: PairFit) -> PairFit:
    while fit.poles_rad_s.size:
        explained = np.where(problem.free(fit.poles_rad_s), fit.explained, 0.0)
        weakest = int(np.argmin(explained))
        if explained[weakest] >= THRESHOLD:
            break
        fit = problem.solve(np.delete(fit.poles_rad_s, weakest))
    return fit


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
        others = np.delete(poles, index)
        order, held = np.concatenate([others[~near], others[near]]), int(np.sum(~near))
        wanted = fit.chi_square + THRESHOLD
        trial = refine(problem, order, iterations=12, held=held, wanted=wanted)
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
        pairs = _with_uncertainty(fit, _tangent(problem, fit), 0.0)
        # What is too damped to be a resonance is part of the baseline, however little its height is known.
        ratio = np.array([p.height_ohm / p.height_std_ohm if p.q >= LOWEST_Q else np.inf for p in pairs])
        worst = int(np.argmin(ratio))
        if ratio[worst] >= LEAST_HEIGHT_IN_STD:
            break
        fit = refine(problem, np.delete(fit.poles_rad_s, worst), iterations=12)
    return fit


def _add_missing(problem: FitProblem, fit: PairFit) -> PairFit | None:
    """Fit with one more resonator where the rest shows one that is significant; None where it shows none."""
    for pole in _candidates(problem, fit):
        trial = refine(problem, np.append(fit.poles_rad_s, pole), _ITERATIONS_ALONE, held=fit.poles_rad_s.size)
        if problem.free(trial.poles_rad_s).all() and fit.chi_square - trial.chi_square >= THRESHOLD:
            return refine(problem, trial.poles_rad_s, _ITERATIONS_TOGETHER)
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
    octaves = fft.fftfreq(length, 1 / length) / CELLS_PER_OCTAVE
    signal_spectrum, weight_spectrum = fft.fft(signal, length), fft.fft(weight, length)
    found: list[tuple[float, complex]] = []
    for q in _SEARCH_Q:
        template = 1 / (1 + 2j * q * np.sinh(octaves * np.log(2)))
        matched = fft.ifft(signal_spectrum * np.conj(fft.fft(template)))[:size]
        power = fft.ifft(weight_spectrum * np.conj(fft.fft(np.abs(template) ** 2))).real[:size]
        explained = np.abs(matched) ** 2 / np.maximum(power, 1e-9 * power.max())
        best = int(np.argmax(explained))
        if explained[best] > 0.5 * THRESHOLD:
            found.append((float(explained[best]), pole_from(frequency_hz[0] * 2 ** (best / CELLS_PER_OCTAVE), q)))
    found.sort(key=lambda pair: -pair[0])
    return [pole for _, pole in found[:most]]


def _misfit(fit: PairFit, count: int) -> FloatArray:
    """Factor >= 1 on the noise where the model leaves more than the noise, over two thirds of an octave."""
    rest = 0.5 * (fit.rest[:count] ** 2 + fit.rest[count:] ** 2)
    half = CELLS_PER_OCTAVE // 3
    sums = np.concatenate([[0.0], np.cumsum(rest)])
    index = np.arange(rest.size)
    low, high = np.maximum(0, index - half), np.minimum(rest.size, index + half + 1)
    mean = (sums[high] - sums[low]) / (high - low)
    return np.sqrt(np.where(mean > 1 + 3 / np.sqrt(high - low), mean, 1.0))


def _left_over(cells: _Cells, fit: PairFit, inflation: FloatArray) -> tuple[str, ...]:
    """A warning where the model does not follow the take, however often it was tried."""
    count = cells.frequency_hz.size
    rest = 0.5 * inflation**2 * (fit.rest[:count] ** 2 + fit.rest[count:] ** 2)
    ratio = float(np.sqrt(np.mean(rest)))
    if ratio < _TOLD_MISFIT:
        return ()
    window = np.ones(_CELLS_OF_A_PLACE)
    worst_hz = cells.frequency_hz[int(np.argmax(np.convolve(rest, window, "same")))]
    return (
        f"no set of resonances follows this take within its noise: {ratio:.2g} times the noise is left over, most of "
        f"it near {worst_hz:.2g} Hz, from whatever start the fit was tried; a sound or a contact may have disturbed "
        "the sweep: take it again and compare",
    )


def _report(
    problem: FitProblem,
    fit: PairFit,
    spectrum: ImpedanceSpectrum,
    port: bool | None,
    free_air_hz: float | None,
    told: tuple[str, ...],
) -> ResonanceFit:
    tangent = _tangent(problem, fit)
    resonances = _with_uncertainty(fit, tangent, spectrum.scale_std)
    motional = _motional(resonances, port, free_air_hz)
    others = sorted((r for r in resonances if r not in motional), key=lambda r: r.frequency_hz)
    warnings = () if motional else ("no motional peak shows: is a driver on the clips?",)
    return ResonanceFit(
        motional=tuple(motional),
        broad=tuple(r for r in others if r.q < LOWEST_Q),
        resonances=tuple(r for r in others if r.q >= LOWEST_Q),
        real_coefficients=problem.real_coefficients(fit),
        detection_limit=_detection_limit(problem, tangent),
        band_hz=(float(problem.data.frequency_hz[0]), float(problem.data.frequency_hz[-1])),
        reduced_chi_square=fit.chi_square / (2 * problem.data.s_rad_s.size),
        warnings=(*spectrum.warnings, *warnings, *told),
    )


def _tangent(problem: FitProblem, fit: PairFit) -> FloatArray:
    """Derivatives of the model by all residues and all poles, in units of the noise; shape (2 n, 4 k)."""
    slopes = pole_derivatives(pair_basis(problem.data.s_rad_s, fit.poles_rad_s), fit.residues)
    return np.concatenate([fit.pairs, problem.project(slopes)], axis=1)


def _with_uncertainty(fit: PairFit, tangent: FloatArray, scale_std: float) -> list[Resonance]:
    """Each pair with the standard deviations of frequency, Q and height from the joint covariance."""
    count = fit.poles_rad_s.size
    covariance = inverse_gram(tangent)
    resonances = []
    for index, (pole, residue, explained) in enumerate(zip(fit.poles_rad_s, fit.residues, fit.explained, strict=True)):
        at = [2 * (count + index), 2 * (count + index) + 1, 2 * index, 2 * index + 1]
        gradient = _gradients(pole, residue)
        std = np.sqrt(np.diag(gradient @ covariance[np.ix_(at, at)] @ gradient.T))
        height_std = np.hypot(std[2], abs(residue) / abs(pole.real) * scale_std)
        resonances.append(
            Resonance(
                pole_rad_s=complex(pole),
                residue_ohm_rad_s=complex(residue),
                frequency_std_hz=float(std[0]),
                q_std=float(std[1]),
                height_std_ohm=float(height_std),
                significance=float(explained),
                scale_std=scale_std,
            )
        )
    return resonances


def _gradients(pole: complex, residue: complex) -> FloatArray:
    """Derivatives of natural frequency, Q and height by Re p, Im p, Re r, Im r; shape (3, 4)."""
    magnitude, damping = abs(pole), abs(pole.real)
    by_real, by_imag = pole.real / magnitude, pole.imag / magnitude
    frequency = np.array([by_real, by_imag, 0, 0]) / (2 * np.pi)
    # damping = -Re p, so d damping / d Re p = -1.
    q = np.array([by_real / (2 * damping) + magnitude / (2 * damping**2), by_imag / (2 * damping), 0, 0])
    size = abs(residue)
    height = np.array([size / damping**2, 0, residue.real / size / damping, residue.imag / size / damping])
    return np.stack([frequency, q, height])


def _motional(resonances: list[Resonance], port: bool | None, free_air_hz: float | None) -> list[Resonance]:
    """The fundamental peak; with it the second peak of a vented box, if there is one.

    Nothing but a port makes a peak below the fundamental, and a closed box only raises the driver's resonance: so
    what lies below free air is the lower peak of a vented box. An upper peak is told from a standing wave by its
    share in the cone's motion: a standing wave moves the cone little, however tall its narrow peak is.
    """
    low = [r for r in resonances if r.frequency_hz < HIGHEST_FUNDAMENTAL_HZ and r.q > LOWEST_FUNDAMENTAL_Q]
    if not low:
        return []
    first = max(low, key=lambda r: r.height_ohm)
    if port is False:
        return [first]
    below = [r for r in low if first.frequency_hz / 6 < r.frequency_hz < first.frequency_hz]
    below = [r for r in below if r.height_ohm > 0.03 * first.height_ohm]
    highest_hz = min(6 * first.frequency_hz, HIGHEST_PARTNER_HZ)
    above = [r for r in low if first.frequency_hz < r.frequency_hz < highest_hz]
    if free_air_hz is None:
        partners = below + [r for r in above if _share(r) > 0.2 * _share(first)]
    elif first.frequency_hz > 0.97 * free_air_hz:
        partners = [r for r in below if r.frequency_hz < 0.97 * free_air_hz]
    else:
        partners = [r for r in above if r.frequency_hz > free_air_hz and _share(r) > 0.05 * _share(first)]
    if not partners:
        return [first]
    return sorted([first, max(partners, key=_share)], key=lambda r: r.frequency_hz)


def _share(resonance: Resonance) -> float:
    """Share of a mode in the cone's motion: |residue| = Bl^2 / (2 modal mass)."""
    return abs(resonance.residue_ohm_rad_s)


def _detection_limit(problem: FitProblem, tangent: FloatArray) -> DetectionLimit:
    """Height at which a resonator of Q 10 would have been found with 95 % probability, over frequency.

    What the baseline and the fitted resonances can imitate does not count; the least favourable phase is taken.
    """
    data = problem.data
    frequency_hz = np.geomspace(1.1 * data.frequency_hz[0], 0.9 * data.frequency_hz[-1], 160)
    poles = np.array([pole_from(f, LIMIT_Q) for f in frequency_hz])
    unit = problem.project(pair_basis(data.s_rad_s, poles) * np.repeat(np.abs(poles.real), 2))
    unit -= tangent @ (inverse_gram(tangent) @ (tangent.T @ unit))
    real, imag = unit[:, 0::2], unit[:, 1::2]
    a, b, c = np.sum(real**2, axis=0), np.sum(real * imag, axis=0), np.sum(imag**2, axis=0)
    least = 0.5 * (a + c) - np.sqrt(0.25 * (a - c) ** 2 + b**2)
    needed = optimize.brentq(
        lambda explained: stats.ncx2.sf(THRESHOLD, 4, explained) - DETECTION_PROBABILITY, 1.0, 10 * THRESHOLD
    )
    return DetectionLimit(frequency_hz, np.sqrt(needed / np.maximum(least, 1e-300)), LIMIT_Q, FALSE_ALARM_RATE)
