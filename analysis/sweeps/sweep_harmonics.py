"""Harmonics that what is on the clips adds to the current, order by order, from the sweep that gives the impedance.

What channel 2 has besides the linear answer to channel 1 was made behind channel 1: an amplifier's own harmonics stand
in both channels as the linear answer has them, and cancel. After division by the sweep, harmonic k of what is excited
at f stands at ``-L ln k`` with the frequency k f and a phase of its own (Novak, Lotton, Simon, JAES 63(10) 786-798,
2015). Each order is cut out there, and its amplitude at k f is that of a local fit in the logarithm of frequency,
complex, so that noise averages out: harmonics are smooth where resonances are not sharp.

The floor is what the noise has in a third of an octave there, as an analyser would show it beside a steady tone, and
never less than what noise could pass for a harmonic.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from stillbox.analysis.maths.local_fit import local_weights
from stillbox.analysis.maths.stopping import checked
from stillbox.analysis.sweeps.deconvolution import sweep_spectra
from stillbox.analysis.sweeps.hum import find_hum
from stillbox.analysis.sweeps.silence_noise import silent_spans
from stillbox.analysis.sweeps.sweep_distortion import left_over, mean_spectrum
from stillbox.analysis.sweeps.transfer import ChannelRatio
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.recording.take import Recording
from stillbox.capture.sweep.excitation import Excitation

ORDERS = (2, 3, 4, 5)
HIGHEST_HZ, POINTS_PER_OCTAVE = 2500.0, 12
_HALF_WIDTHS = (math.log(2) / 3, 2 * math.log(2) / 3, math.log(2))
"""Of local fits, in the logarithm of frequency: the widest that agrees with the narrower ones within their noise counts
(Lepski, Theory Probab. Appl. 35, 454-466, 1990 [M])."""
_AGREES = 1.0
_OVER_NOISE = 14.0**0.5
"""A harmonic counts where it is so many times what noise leaves of the estimate: by chance once in a million places."""
_LEAST_BINS = 7
"""Of a local fit; where the record has fewer within its width it is wider."""
_WIDEST_FOR_BINS = math.log(2) * 0.75
_CYCLES_OF_EDGE = 6.0
"""What the lower edge of the band rings, in cycles, that may not reach into the cut of an order (measured: with 4 a
coil far in saturation showed a second harmonic of -82 dB at 30 Hz that it has not)."""
_THIRD_OCTAVE = 2 ** (1 / 6) - 2 ** (-1 / 6)


@dataclass(frozen=True)
class Harmonic:
    """One order, over the frequencies that excite it.

    Attributes
    ----------
    ratio : complex ndarray, shape (n,)
        What channel 2 has at k f besides the linear answer, over channel 1 at f; NaN where the sweep does not tell.
    std : ndarray, shape (n,)
        Root of E|noise|^2 of it.
    floor : ndarray, shape (n,)
        Below it noise masks: see the head of the module; over channel 1 at f.
    """

    ratio: ComplexArray
    std: FloatArray
    floor: FloatArray


@dataclass(frozen=True)
class SweepHarmonics:
    """Harmonics of a take.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n,)
        That excite, 12 in an octave.
    orders : mapping of Harmonic
    level : ndarray, shape (n,)
        Peak of channel 1 there, full scale = 1.
    """

    frequency_hz: FloatArray
    orders: Mapping[int, Harmonic]
    level: FloatArray


def sweep_harmonics(recording: Recording, measured: ChannelRatio) -> SweepHarmonics:
    """Second to fifth harmonic of a take whose ratio is known, in the mean of its sweeps."""
    info = recording.info
    excitation, rate_hz = info.excitation, info.excitation.sample_rate_hz
    spans = silent_spans(info.frames, info.sweep_starts, excitation)
    hum = find_hum(recording.samples, rate_hz, spans)
    length = fft.next_fast_len(excitation.sweep_frames + excitation.silence_after_frames, real=True)
    first = mean_spectrum(recording, hum, length, 0)
    left = left_over(recording, hum, first, length, measured.frequency_hz, measured.ratio)
    response = fft.irfft(left, length)
    spectra = sweep_spectra(recording, hum, None)
    level = np.abs(spectra.channel_1.mean(axis=0))
    hz = _grid(measured.frequency_hz)
    level_at = np.interp(hz, spectra.frequency_hz, level)
    noise = _Noise.of(measured, len(info.sweep_starts), np.abs(first), length, rate_hz)
    orders = {}
    for order in ORDERS:
        checked()
        cut = _Cut.of(order, excitation, length)
        # As they stand there harmonics are over channel 1 at their own frequency; wanted is that at the exciting one.
        there = np.interp(order * hz, spectra.frequency_hz, level, left=np.nan, right=np.nan)
        ratio, std = cut.estimates(response, order * hz, noise.density(order * hz))
        low = (order * hz < cut.lowest_hz) | (order * hz < 2 * measured.frequency_hz[0])
        scale = np.where(low, np.nan, there / level_at)
        floor = np.fmax(noise.in_third_octave(order * hz, level_at), _OVER_NOISE * std * scale)
        orders[order] = Harmonic(ratio * scale, std * scale, floor)
    return SweepHarmonics(hz, orders, level_at)


def _grid(known_hz: FloatArray) -> FloatArray:
    top = min(HIGHEST_HZ, float(known_hz[-1]) / 2)
    low = math.ceil(POINTS_PER_OCTAVE * math.log2(float(known_hz[0]) / 1000))
    high = math.floor(POINTS_PER_OCTAVE * math.log2(top / 1000))
    return np.asarray(1000.0 * 2 ** (np.arange(low, high + 1) / POINTS_PER_OCTAVE))


@dataclass(frozen=True)
class _Noise:
    """Of what is left over: ``per_sample`` as white noise of that density has it, in one sweep."""

    frequency_hz: FloatArray
    per_sample: FloatArray
    of_bin: FloatArray
    rate_hz: int

    @staticmethod
    def of(measured: ChannelRatio, sweeps: int, first_size: FloatArray, length: int, rate_hz: int) -> _Noise:
        hz = measured.frequency_hz
        bent = 0.0 if measured.bent_variance is None else measured.bent_variance
        # The window that made it is flat over nearly all of one over the step.
        of_bin = np.maximum(measured.noise_variance - bent, 0.0) * (hz[1] - hz[0]) / rate_hz
        excited = np.interp(hz, np.arange(first_size.size) * rate_hz / length, first_size)
        return _Noise(hz, of_bin * sweeps * excited**2, of_bin, rate_hz)

    def density(self, at_hz: FloatArray) -> FloatArray:
        """E|noise|^2 of a bin of the ratio for a window of energy 1."""
        return np.asarray(np.interp(at_hz, self.frequency_hz, self.of_bin))

    def in_third_octave(self, at_hz: FloatArray, level: FloatArray) -> FloatArray:
        """Rms over that of a tone of peak ``level``."""
        power = np.interp(at_hz, self.frequency_hz, self.per_sample) * 2 * _THIRD_OCTAVE * at_hz / self.rate_hz
        return np.asarray(np.sqrt(2 * power) / level)


@dataclass(frozen=True)
class _Cut:
    """Where an order is cut out of the response: its frames, their weights, and their times from its own zero."""

    frames: NDArray[np.int_]
    weights: FloatArray
    time_s: FloatArray
    lowest_hz: float
    rate_hz: int

    @staticmethod
    def of(order: int, excitation: Excitation, length: int) -> _Cut:
        rate_hz = excitation.sample_rate_hz
        before, own, after = (excitation.harmonic_advance_s(k) for k in (order - 1, order, order + 1))
        earliest_s, latest_s = -0.5 * (own + after), -0.5 * (before + own)
        frames = np.arange(max(math.ceil(earliest_s * rate_hz), -(length // 2)), math.floor(latest_s * rate_hz) + 1)
        time_s = frames / rate_hz
        # Flat over the middle, so that the order's own ringing stays as it is.
        place = np.minimum(time_s - earliest_s, latest_s - time_s) / (latest_s - earliest_s)
        weights = np.where(place < 0.25, 0.5 - 0.5 * np.cos(np.pi * np.clip(place, 0.0, 0.25) / 0.25), 1.0)
        return _Cut(frames, weights, time_s + own, _CYCLES_OF_EDGE / (latest_s + own), rate_hz)

    def estimates(self, response: FloatArray, hz: FloatArray, density: FloatArray) -> tuple[ComplexArray, FloatArray]:
        """Local fits at the frequencies ``hz``, where the order lies, and the root of E|noise|^2 of them."""
        size = self.frames.size
        bins_hz = fft.rfftfreq(size, 1 / self.rate_hz)
        spectrum = fft.rfft(response[self.frames] * self.weights) * np.exp(-2j * np.pi * bins_hz * self.time_s[0])
        # E[N_j conj(N_i)] of two bins so many apart, for noise of density 1 a frame.
        shared = fft.fft(self.weights**2)
        step_hz = self.rate_hz / size
        found, std = np.full(hz.size, np.nan, dtype=complex), np.full(hz.size, np.nan)
        for index, at_hz in enumerate(hz):
            for width in _HALF_WIDTHS:
                near = _near(at_hz, width, step_hz, bins_hz.size)
                if near is None:
                    break
                kernel = local_weights(np.log(bins_hz[near] / at_hz))
                value = kernel @ spectrum[near]
                turned = kernel * np.exp(-2j * np.pi * bins_hz[near] * self.time_s[0])
                power = np.convolve(turned, np.conj(turned[::-1]))
                lags = np.arange(1 - turned.size, turned.size)
                noise = math.sqrt(max(float((power @ shared[-lags]).real), 0.0) * density[index])
                if width > _HALF_WIDTHS[0] and not abs(value - found[index]) <= _AGREES * std[index]:
                    break
                found[index], std[index] = value, noise
        return found, std


def _near(at_hz: float, width: float, step_hz: float, count: int) -> slice | None:
    """Bins of the fit at a frequency; None where there are too few."""
    half = max(width, math.log1p((_LEAST_BINS / 2) * step_hz / at_hz))
    first = max(1, math.ceil(at_hz * math.exp(-half) / step_hz))
    last = min(count, math.floor(at_hz * math.exp(half) / step_hz) + 1)
    return None if half > max(width, _WIDEST_FOR_BINS) or last - first < _LEAST_BINS - 1 else slice(first, last)

