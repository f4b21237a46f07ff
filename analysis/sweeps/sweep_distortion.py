"""What a loudspeaker that bends does to its own impedance: told by the harmonics that the same sweep shows.

Where a suspension or a magnet bends, the impedance depends on the level, and within a sweep, which is over before a
peak has settled, on what went before: a part of it is no property of any one level. What bends makes harmonics too,
and those stand in the response to the sweep at times of their own (``-L ln k``, Novak, Lotton, Simon, JAES 63(10),
2015).

- Of a force that grows with the third power, the third harmonic is a third of the change of the fundamental
  (``cos^3 = 3/4 cos + 1/4 cos 3``). Both show as voltages at the clips, each by the motional impedance at its own
  frequency. That tells how far the impedance is bent; of this a part is doubtful (``_DOUBTFUL``, measured on computed
  sweeps of drivers that bend: 0.01 to 0.14).
- A sweep passes a peak in less time than the peak rings. The force of what bends then begins and ends with the peak and
  spreads to frequencies that are swept before and after it: a cubic force of the motion in the sweep, computed over
  time, says how far (first kernel beyond the linear one of a Volterra series), and the third harmonic how strong it is.
- The second harmonic rings into the window of the fundamental where that must be long, at the lowest frequencies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft, interpolate

from stillbox.analysis.maths.stopping import checked
from stillbox.analysis.maths.windows import means_over
from stillbox.analysis.sweeps.deconvolution import band_filter, inverse_filter, lead_weight
from stillbox.analysis.sweeps.hum import Hum
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.recording.take import JigKind, Recording
from stillbox.capture.sweep.excitation import Excitation

_DOUBTFUL = 0.1
"""Standard deviation of what a sweep says of a bent impedance, over the bend."""
_RINGING_IN, _RINGING_AT = 0.5, 0.75
"""Part of the second harmonic that still rings within half of its advance, and where that is before the impulse."""
_OVER_NOISE = 14.0
"""A harmonic counts where its power is so many times what noise has there: by chance once in a million places."""
_SMOOTHED_OCTAVES, _LEAST_WIDTH_HZ = 1 / 12, 6.0
"""Power of harmonics is the mean over so much, and over so many hertz at least: a few bins where they are coarse."""
_STRONG = 0.2
"""The force is taken from where the power of the swing is at least this part of its highest."""
_SOUND_HZ = (20.0, 1_000.0)
"""Between these the impedance comes down to that of the coil at rest."""
_BLOCK = 2**18
"""Bins worked on at once: of a long take a whole spectrum is 90 MB."""
_LEAST_MOTIONAL = 0.02
"""Motional impedance is not taken for less than this part of the coil's: what is left of it is not known better."""


@dataclass(frozen=True)
class _Harmonics:
    """Power of what each order adds to the ratio, by the frequency that it lies at, noise taken out."""

    frequency_hz: FloatArray
    second: FloatArray
    third: FloatArray


def bent_variance(
    recording: Recording, hum: Hum | None, frequency_hz: FloatArray, ratio: ComplexArray, noise: FloatArray
) -> FloatArray:
    """Variance of the ratio for what bends, shape (n,); nothing where no harmonic stands above the noise.

    Parameters
    ----------
    recording : Recording
        Without jumps.
    hum : Hum or None
    frequency_hz : ndarray, shape (n,)
    ratio : complex ndarray, shape (n,)
        Of the channels.
    noise : ndarray, shape (n,)
        E|noise|^2 of the ratio.
    """
    excitation = recording.info.excitation
    first, harmonics = _harmonics_of(recording, hum, frequency_hz, ratio, noise)
    peak = _Peak.of(frequency_hz, ratio, recording.info.jig)
    bend = peak.bend_by_third(harmonics)
    late_s = _RINGING_AT * excitation.harmonic_advance_s(2)
    ringing = _RINGING_IN * lead_weight(frequency_hz, excitation, late_s)
    second = ringing**2 * np.interp(frequency_hz, harmonics.frequency_hz, harmonics.second)
    variance: FloatArray = (_DOUBTFUL * bend) ** 2 + peak.spread(bend, first, excitation) ** 2 + second
    return variance


@dataclass(frozen=True)
class _Peak:
    """The linear answer: motional impedance over the reference, and how a voltage at the clips changes channel 2."""

    frequency_hz: FloatArray
    motional: ComplexArray
    coil: float
    seen: ComplexArray

    @staticmethod
    def of(frequency_hz: FloatArray, ratio: ComplexArray, jig: JigKind) -> _Peak:
        seen = 1 - ratio if jig == "high-side" else ratio
        impedance = 1 / seen - 1 if jig == "low-side" else ratio / seen
        inside = (frequency_hz >= _SOUND_HZ[0]) & (frequency_hz <= _SOUND_HZ[1])
        coil = float(np.min(impedance.real[inside])) if np.any(inside) else float(np.min(impedance.real))
        return _Peak(frequency_hz, impedance - coil, coil, seen)

    def bend_by_third(self, harmonics: _Harmonics) -> FloatArray:
        """By how much the ratio is bent, from the third harmonic, shape (n,)."""
        motional, seen = np.abs(self.motional), np.abs(self.seen)
        tripled_hz = 3 * self.frequency_hz
        there = np.interp(tripled_hz, self.frequency_hz, motional)
        there = np.maximum(there, _LEAST_MOTIONAL * abs(self.coil) + 1e-12)
        seen_there = np.interp(tripled_hz, self.frequency_hz, seen)
        third = np.sqrt(np.interp(tripled_hz, harmonics.frequency_hz, harmonics.third, right=0.0))
        bend: FloatArray = 3 * third * motional / there * seen / seen_there
        return bend

    def spread(self, bend: FloatArray, first: ComplexArray, excitation: Excitation) -> FloatArray:
        """By how much the ratio is changed by what bends while other frequencies are swept, shape (n,).

        ``first`` is the spectrum of channel 1 in the even steps of the padded sweep.
        """
        if not np.any(bend):
            return np.zeros(bend.size)
        # As far as the cone moves: a spectrum without negative frequencies gives swing and its envelope at once.
        step_hz = 0.5 * excitation.sample_rate_hz / (first.size - 1)
        hz = np.arange(1, math.ceil(_SOUND_HZ[1] / step_hz)) * step_hz
        answer = np.interp(hz, self.frequency_hz, self.motional * self.seen, left=0.0)
        excited = first[1 : hz.size + 1]
        moved = np.concatenate([[0.0], answer * excited / hz])
        swing = fft.ifft(moved, 2 * moved.size)
        power = np.abs(swing) ** 2
        force = fft.fft(power * swing)[1 : moved.size]
        # What a frequency feels of it at the moment at which it is swept is no spread.
        when_s = excitation.rate_constant_s * np.log(hz / excitation.low_hz)
        power_then = np.interp(when_s, np.arange(power.size) / (power.size * step_hz), power)
        at_once = power_then * moved[1:]
        with np.errstate(divide="ignore"):
            to_ratio = np.where(hz > excitation.full_level_band_hz[0], np.abs(answer / excited), 0.0)
        spread, at_once, power_then = (
            np.interp(self.frequency_hz, hz, values, right=0.0)
            for values in (to_ratio * np.abs(force - at_once), to_ratio * np.abs(at_once), power_then)
        )
        told = (bend > 0) & (at_once > 0) & (power_then > _STRONG * np.max(power_then))
        if not np.any(told):
            return np.zeros(bend.size)
        strength = float(np.median(bend[told] / at_once[told]))
        return np.asarray(strength * spread)


def _harmonics_of(
    recording: Recording, hum: Hum | None, frequency_hz: FloatArray, ratio: ComplexArray, noise: FloatArray
) -> tuple[ComplexArray, _Harmonics]:
    """Spectrum of channel 1, and second and third harmonic over it, in the mean of the sweeps."""
    excitation = recording.info.excitation
    rate_hz = excitation.sample_rate_hz
    length = fft.next_fast_len(excitation.sweep_frames + excitation.silence_after_frames, real=True)
    first = mean_spectrum(recording, hum, length, 0)
    rest = fft.irfft(left_over(recording, hum, first, length, frequency_hz, ratio), length)
    every_hz = fft.rfftfreq(length, 1 / rate_hz)
    powers = []
    for order in (2, 3):
        checked()
        advances_s = [excitation.harmonic_advance_s(k) for k in (order - 1, order, order + 1)]
        latest_s, earliest_s = -0.5 * (advances_s[0] + advances_s[1]), -0.5 * (advances_s[1] + advances_s[2])
        frame = np.arange(max(math.ceil(earliest_s * rate_hz), -(length // 2)), math.floor(latest_s * rate_hz) + 1)
        place = (frame / rate_hz - earliest_s) / (latest_s - earliest_s)
        window = np.sqrt(np.maximum(np.sin(np.pi * place), 0.0))
        there = np.zeros(length)
        there[frame] = rest[frame] * window
        smooth = _smoothed(every_hz, np.abs(fft.rfft(there)) ** 2, frequency_hz)
        # Noise goes with the length of the window in time.
        expected = noise * np.sum(window**2) * (frequency_hz[1] - frequency_hz[0]) / rate_hz
        powers.append(np.where(smooth > _OVER_NOISE * expected, smooth - expected, 0.0))
    return first, _Harmonics(frequency_hz, powers[0], powers[1])


def left_over(
    recording: Recording,
    hum: Hum | None,
    first: ComplexArray,
    length: int,
    frequency_hz: FloatArray,
    ratio: ComplexArray,
) -> ComplexArray:
    """Spectrum of what channel 2 has besides the linear answer, over channel 1, in the mean of the sweeps."""
    excitation = recording.info.excitation
    left = mean_spectrum(recording, hum, length, 1)
    linear = interpolate.CubicSpline(frequency_hz, ratio)
    for begin in range(0, left.size, _BLOCK):
        checked()
        block = slice(begin, begin + _BLOCK)
        every_hz = np.arange(begin, min(begin + _BLOCK, left.size)) * (excitation.sample_rate_hz / length)
        left[block] -= linear(np.clip(every_hz, frequency_hz[0], frequency_hz[-1])) * first[block]
        # Over the sweep as channel 1 has it, as the ratio and its noise are: a recording has a level of its own.
        left[block] *= inverse_filter(first[block], band_filter(every_hz, excitation))
        # Below, and near the lower end, the linear answer is not known; no harmonic lies there.
        rise = np.clip((every_hz / frequency_hz[0] - 1) / 0.9, 0.0, 1.0)
        left[block] *= 0.5 - 0.5 * np.cos(np.pi * rise)
    return left


def mean_spectrum(recording: Recording, hum: Hum | None, length: int, channel: int) -> ComplexArray:
    """Spectrum of the mean of the sweeps of one channel, hum taken out, padded to ``length``."""
    info, excitation = recording.info, recording.info.excitation
    frames = excitation.sweep_frames + excitation.silence_after_frames
    mean = np.zeros(length)
    for start in info.sweep_starts:
        last = min(start + frames, info.frames)
        mean[: last - start] += recording.samples[start:last, channel]
        if hum is not None:
            mean[: last - start] -= hum.samples((start, last), channel, excitation.sample_rate_hz)
    mean /= len(info.sweep_starts)
    result: ComplexArray = fft.rfft(mean)
    return result


def _smoothed(every_hz: FloatArray, power: FloatArray, at_hz: FloatArray) -> FloatArray:
    half_hz = 0.5 * np.maximum(_SMOOTHED_OCTAVES * np.log(2) * at_hz, _LEAST_WIDTH_HZ)
    low = np.searchsorted(every_hz, at_hz - half_hz)
    high = np.maximum(np.searchsorted(every_hz, at_hz + half_hz), low + 1)
    return means_over(power, (low, high))
