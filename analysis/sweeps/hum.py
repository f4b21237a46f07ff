"""Mains hum: found in the silences of a recording as harmonics of a slowly wandering mains, taken out below the sweep.

The mains wanders by some millihertz a second. Over a take of 7 s that turns the hum in the middle of the sweep by a
tenth of a radian against a steady one, enough to spoil the ohms at 50 Hz. Two silences of a second each tell phase
and frequency before and after the sweep, and so a phase of third order in time between them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import Legendre, Polynomial, legendre
from numpy.polynomial.polynomial import polyval
from numpy.typing import NDArray
from scipy import fft, optimize

from stillbox.analysis.maths.stopping import checked
from stillbox.capture.arrays import ComplexArray, FloatArray

Span = tuple[int, int]
"""First frame and last frame + 1."""

HARMONICS = 20
SEARCH_HARMONICS = 6
RANGES_HZ = ((49.0, 51.0), (59.0, 61.0))
_BLOCK = 1_024
_FIT_RATE_HZ = 3_000
_SEARCH_RATE_HZ = 1_000
_VISIBLE_RATIO = 8.0
"""Hum is taken out when its strongest three harmonics together stand above the noise floor by this power ratio."""
_PHASE_STEPS = 2
_WANDERS = 30.0
"""The mains is taken as wandering when that explains so much more chi-square (of two numbers)."""


@dataclass(frozen=True)
class Hum:
    """Harmonics of the mains in both channels.

    Attributes
    ----------
    fundamental_hz : float
        Mean over the recording.
    amplitude : complex ndarray, shape (harmonics, 2)
        ``Re[amplitude exp(2 pi j k turns)]`` with ``turns`` the phase of the mains.
    turns : ndarray, shape (4,)
        Coefficients of the phase of the mains, in turns, by rising powers of the time in s from the first frame.
    turns_std : float
        Root mean square over the recording of the standard deviation of that phase, turns.
    silent_frames : int
        Frames that the amplitudes were fitted to.
    """

    fundamental_hz: float
    amplitude: ComplexArray
    turns: FloatArray
    turns_std: float
    silent_frames: int

    @property
    def rms(self) -> FloatArray:
        """Root mean square of each channel, full scale = 1, shape (2,)."""
        result: FloatArray = np.sqrt(0.5 * np.sum(np.abs(self.amplitude) ** 2, axis=0))
        return result

    @property
    def harmonics_hz(self) -> FloatArray:
        return self.fundamental_hz * np.arange(1, len(self.amplitude) + 1)

    def samples(self, span: Span, channel: int, sample_rate_hz: int) -> FloatArray:
        """The hum of one channel in the frames of ``span``, shape (n,)."""
        count = span[1] - span[0]
        orders = np.arange(1, len(self.amplitude) + 1)
        starts_s = (span[0] + _BLOCK * np.arange(-(-count // _BLOCK) + 1)) / sample_rate_hz
        phasors = self.amplitude[:, channel] * np.exp(2j * np.pi * np.outer(polyval(starts_s, self.turns), orders))
        turn = 2j * np.pi * self.fundamental_hz / sample_rate_hz * orders
        within = np.exp(np.outer(turn, np.arange(_BLOCK)))
        hum = _real_product(phasors[:-1], within)
        if np.any(self.turns[2:]):
            # What the mains wanders from its mean within a block, linearly.
            change = phasors[1:] * np.exp(-turn * _BLOCK) - phasors[:-1]
            hum += _real_product(change, within * (np.arange(_BLOCK) / _BLOCK))
        return hum.reshape(-1)[:count]

    def rest_power(self, channel: int, noise_variance: FloatArray) -> FloatArray:
        """Mean square that taking out leaves at each harmonic, from the noise that the fit had to bear.

        Parameters
        ----------
        channel : int
        noise_variance : ndarray, shape (harmonics,)
            Noise at the harmonics, as variance per sample of white noise of that density.
        """
        orders = np.arange(1, len(self.amplitude) + 1)
        # Cosine and sine of a tone fitted to n frames have a variance of 2 sigma^2 / n each.
        by_amplitude = 2 * noise_variance / self.silent_frames
        turned = 2 * np.pi * orders * self.turns_std * np.abs(self.amplitude[:, channel])
        return by_amplitude + 0.5 * turned**2


def _real_product(left: ComplexArray, right: ComplexArray) -> FloatArray:
    """Real part of the matrix product."""
    return left.real @ right.real - left.imag @ right.imag


def _block_means(samples: NDArray[np.floating], spans: list[Span], block: int) -> tuple[FloatArray, FloatArray]:
    """Means over blocks of frames: their centre (in frames) and values, shapes (n,) and (n, 2)."""
    centres, values = [], []
    for first, last in spans:
        count = (last - first) // block
        centres.append(first + (np.arange(count) + 0.5) * block - 0.5)
        values.append(samples[first : first + count * block].reshape(count, block, 2).mean(axis=1, dtype=float))
    return np.concatenate(centres), np.concatenate(values)


def _basis(turns: FloatArray, harmonics: int) -> FloatArray:
    """Columns cos and -sin of each harmonic and a constant, shape (n, 2 harmonics + 1)."""
    phasor = np.exp(2j * np.pi * turns)
    powers = np.cumprod(np.broadcast_to(phasor[:, None], (turns.size, harmonics)), axis=1)
    return np.concatenate([powers.real, -powers.imag, np.ones((turns.size, 1))], axis=1)


def _unexplained(fundamental_hz: float, time_s: FloatArray, values: FloatArray) -> float:
    basis = _basis(fundamental_hz * time_s, SEARCH_HARMONICS)
    projected = basis.T @ values
    return float(-np.sum(projected * np.linalg.solve(basis.T @ basis, projected)))


def _coarse_fundamental(samples: NDArray[np.floating], span: Span, sample_rate_hz: int) -> tuple[float, float]:
    """Fundamental with most power at its harmonics in one silence, and that power over the noise floor."""
    block = max(1, sample_rate_hz // _SEARCH_RATE_HZ)
    _, values = _block_means(samples, [span], block)
    length = 16 * fft.next_fast_len(len(values))
    values = (values - values.mean(axis=0)) * np.hanning(len(values))[:, None]
    power = np.sum(np.abs(fft.rfft(values, length, axis=0)) ** 2, axis=1)
    step_hz = sample_rate_hz / block / length
    candidates = np.concatenate([np.arange(low, high, step_hz / 2) for low, high in RANGES_HZ])
    orders = np.arange(1, SEARCH_HARMONICS + 1)
    bins = np.rint(candidates[:, None] * orders / step_hz).astype(int)
    floor = np.median(power[bins.min() // 2 :]) / np.log(2)
    if floor == 0:  # digital silence
        return float(candidates[0]), 0.0
    height = power[np.minimum(bins, power.size - 1)] / floor
    score = np.sort(height, axis=1)[:, -3:].sum(axis=1)
    best = int(np.argmax(score))
    return float(candidates[best]), float(score[best])


def find_hum(samples: NDArray[np.floating], sample_rate_hz: int, spans: list[Span]) -> Hum | None:
    """Hum that fits all silences at once, or None where none shows above the noise.

    The phases in the silences before and after a sweep together fix the fundamental to far below a millihertz,
    so that the hum can be taken out below the sweep too; where the silences show that the frequency changes, a
    phase of third order leads from one to the other. A hum whose strength changes leaves a rest in the silences,
    which the noise spectra then show.

    Parameters
    ----------
    samples : ndarray, shape (frames, 2)
    sample_rate_hz : int
    spans : list of (first, last + 1)
        Silences, each at least 0.1 s long.
    """
    longest = max(spans, key=lambda span: span[1] - span[0])
    coarse_hz, visibility = _coarse_fundamental(samples, longest, sample_rate_hz)
    if visibility < 3 * _VISIBLE_RATIO:
        return None
    block = max(1, sample_rate_hz // _SEARCH_RATE_HZ)
    centres, values = _block_means(samples, spans, block)
    time_s = centres / sample_rate_hz
    # The silences lie seconds apart: the misfit oscillates with the fundamental at the inverse of that distance.
    step_hz = 0.1 / (time_s[-1] - time_s[0])
    half_width_hz = 0.5 * sample_rate_hz / (longest[1] - longest[0])
    trials = np.arange(coarse_hz - half_width_hz, coarse_hz + half_width_hz, step_hz)
    start = trials[np.argmin([_unexplained(f, time_s, values) for f in trials])]
    fitted = optimize.minimize_scalar(
        _unexplained,
        args=(time_s, values),
        bounds=(start - step_hz, start + step_hz),
        method="bounded",
        options={"xatol": 1e-6},
    )
    block = max(1, sample_rate_hz // _FIT_RATE_HZ)
    centres, values = _block_means(samples, spans, block)
    fit = _chosen_fit(float(fitted.x), centres / sample_rate_hz, values)
    return _hum_of_fit(fit, block, sample_rate_hz)


@dataclass(frozen=True)
class _PhaseFit:
    """Amplitudes for a given phase of the mains, and what a change of that phase would explain.

    ``phase`` are Legendre coefficients of the turns over the steady mains, from order 1 on; ``step`` is the change
    of the first so many that explains most, and ``covariance`` theirs for noise of unit variance.
    """

    time_s: FloatArray
    steady_hz: float
    phase: FloatArray
    amplitude: ComplexArray
    chi_square: float
    step: FloatArray
    covariance: FloatArray


def _phase_fit(steady_hz: float, time_s: FloatArray, values: FloatArray, phase: FloatArray) -> _PhaseFit:
    powers = legendre.legvander(np.interp(time_s, time_s[[0, -1]], [-1.0, 1.0]), phase.size)[:, 1:]
    basis = _basis(steady_hz * time_s + powers @ phase, HARMONICS)
    gram = basis.T @ basis
    solution = np.linalg.solve(gram, basis.T @ values)
    rest = values - basis @ solution
    in_turns = 2 * np.pi * np.arange(1, HARMONICS + 1)[:, None]
    cosine, sine = solution[:HARMONICS], solution[HARMONICS : 2 * HARMONICS]
    slope = basis[:, :-1] @ np.concatenate([-in_turns * sine, in_turns * cosine])
    columns = (slope[:, :, None] * powers[:, None, :]).reshape(time_s.size, -1)
    columns -= basis @ np.linalg.solve(gram, basis.T @ columns)
    columns = columns.reshape(-1, phase.size)
    covariance = np.linalg.inv(columns.T @ columns)
    return _PhaseFit(
        time_s=time_s,
        steady_hz=steady_hz,
        phase=phase,
        amplitude=cosine + 1j * sine,
        chi_square=float(np.sum(rest**2)),
        step=covariance @ (columns.T @ rest.ravel()),
        covariance=covariance,
    )


def _chosen_fit(steady_hz: float, time_s: FloatArray, values: FloatArray) -> _PhaseFit:
    """A steady mains, or one whose phase has square and cubic terms where they explain more than chance would."""
    steady = _phase_fit(steady_hz, time_s, values, np.zeros(1))
    steady = _phase_fit(steady_hz, time_s, values, steady.step)
    wandering = _phase_fit(steady_hz, time_s, values, np.concatenate([steady.phase, [0.0, 0.0]]))
    for _ in range(_PHASE_STEPS):
        checked()
        wandering = _phase_fit(steady_hz, time_s, values, wandering.phase + wandering.step)
    variance = wandering.chi_square / values.size
    return wandering if steady.chi_square - wandering.chi_square > _WANDERS * variance else steady


def _hum_of_fit(fit: _PhaseFit, block: int, sample_rate_hz: int) -> Hum:
    first_s, last_s = fit.time_s[[0, -1]]
    wandering = Legendre(np.concatenate([[0.0], fit.phase]), [first_s, last_s])
    turns = np.zeros(4)
    turns[: fit.phase.size + 1] = wandering.convert(kind=Polynomial).coef
    turns[1] += fit.steady_hz
    fundamental_hz = fit.steady_hz + float(wandering(last_s) - wandering(first_s)) / (last_s - first_s)
    # Legendre polynomials: orthogonal over the recording, mean squares 1/(2 n + 1).
    mean_squares = 1 / (2 * np.arange(1, fit.phase.size + 1) + 1)
    variance = fit.chi_square / (2 * fit.time_s.size)
    # The mean over a block weakens a tone: undo it (Dirichlet kernel).
    half_turn = np.pi * fundamental_hz * np.arange(1, HARMONICS + 1) / sample_rate_hz
    weakened = np.sin(block * half_turn) / (block * np.sin(half_turn))
    return Hum(
        fundamental_hz=fundamental_hz,
        amplitude=fit.amplitude / weakened[:, None],
        turns=turns,
        turns_std=float(np.sqrt(variance * np.sum(np.diag(fit.covariance) * mean_squares))),
        silent_frames=block * fit.time_s.size,
    )
