"""Mains hum: found in the silences of a recording as steady harmonics, and taken out below the sweep."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft, optimize

from capture.arrays import ComplexArray, FloatArray

Span = tuple[int, int]
"""First frame and last frame + 1."""

HARMONICS = 20
SEARCH_HARMONICS = 6
RANGES_HZ = ((49.0, 51.0), (59.0, 61.0))
_BLOCK = 1_024
_FIT_RATE_HZ = 6_000
_SEARCH_RATE_HZ = 1_000
_VISIBLE_RATIO = 8.0
"""Hum is taken out when its strongest three harmonics together stand above the noise floor by this power ratio."""


@dataclass(frozen=True)
class Hum:
    """Steady harmonics of the mains in both channels.

    Attributes
    ----------
    fundamental_hz : float
    amplitude : complex ndarray, shape (harmonics, 2)
        ``Re[amplitude exp(2 pi j k f t)]`` with t counted from the first frame of the recording.
    """

    fundamental_hz: float
    amplitude: ComplexArray

    @property
    def rms(self) -> FloatArray:
        """Root mean square of each channel, full scale = 1, shape (2,)."""
        return np.sqrt(0.5 * np.sum(np.abs(self.amplitude) ** 2, axis=0))

    def samples(self, span: Span, channel: int, sample_rate_hz: int) -> FloatArray:
        """The hum of one channel in the frames of ``span``, shape (n,)."""
        count = span[1] - span[0]
        turn = 2j * np.pi * self.fundamental_hz / sample_rate_hz * np.arange(1, len(self.amplitude) + 1)
        starts = span[0] + _BLOCK * np.arange(-(-count // _BLOCK))
        phasors = self.amplitude[:, channel] * np.exp(np.outer(starts, turn))
        within = np.exp(np.outer(turn, np.arange(_BLOCK)))
        return (phasors.real @ within.real - phasors.imag @ within.imag).reshape(-1)[:count]


def _block_means(samples: FloatArray, spans: list[Span], block: int) -> tuple[FloatArray, FloatArray]:
    """Means over blocks of frames: their centre (in frames) and values, shapes (n,) and (n, 2)."""
    centres, values = [], []
    for first, last in spans:
        count = (last - first) // block
        centres.append(first + (np.arange(count) + 0.5) * block - 0.5)
        values.append(samples[first : first + count * block].reshape(count, block, 2).mean(axis=1))
    return np.concatenate(centres), np.concatenate(values)


def _basis(time_s: FloatArray, fundamental_hz: float, harmonics: int) -> FloatArray:
    """Columns cos and -sin of each harmonic and a constant, shape (n, 2 harmonics + 1)."""
    phasor = np.exp(2j * np.pi * fundamental_hz * time_s)
    powers = np.cumprod(np.broadcast_to(phasor[:, None], (time_s.size, harmonics)), axis=1)
    return np.concatenate([powers.real, -powers.imag, np.ones((time_s.size, 1))], axis=1)


def _unexplained(fundamental_hz: float, time_s: FloatArray, values: FloatArray) -> float:
    basis = _basis(time_s, fundamental_hz, SEARCH_HARMONICS)
    projected = basis.T @ values
    return float(-np.sum(projected * np.linalg.solve(basis.T @ basis, projected)))


def _coarse_fundamental(samples: FloatArray, span: Span, sample_rate_hz: int) -> tuple[float, float]:
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


def find_hum(samples: FloatArray, sample_rate_hz: int, spans: list[Span]) -> Hum | None:
    """Hum that fits all silences at once, or None where none shows above the noise.

    The phases in the silences before and after a sweep together fix the fundamental to about a millihertz, so
    that the hum can be taken out below the sweep too. A hum that is not steady leaves a rest in the silences,
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
    return _fit_amplitudes(samples, sample_rate_hz, spans, float(fitted.x))


def _fit_amplitudes(samples: FloatArray, sample_rate_hz: int, spans: list[Span], fundamental_hz: float) -> Hum:
    block = max(1, sample_rate_hz // _FIT_RATE_HZ)
    centres, values = _block_means(samples, spans, block)
    basis = _basis(centres / sample_rate_hz, fundamental_hz, HARMONICS)
    solution = np.linalg.solve(basis.T @ basis, basis.T @ values)
    amplitude: ComplexArray = solution[:HARMONICS] + 1j * solution[HARMONICS : 2 * HARMONICS]
    # The mean over a block weakens a tone: undo it (Dirichlet kernel).
    half_turn = np.pi * fundamental_hz * np.arange(1, HARMONICS + 1) / sample_rate_hz
    return Hum(fundamental_hz, amplitude * (block * np.sin(half_turn) / np.sin(block * half_turn))[:, None])
