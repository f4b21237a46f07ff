"""The quiet burst before a sweep: tones, their levels in both channels, and the noise beside them.

A burst is a sum of tones that repeats with a fixed period; a window of two periods under a Hann window tells the
tones apart from each other and from mains hum. Where in the recording the burst lies is found by its power.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError
from stillbox.capture.sound.audio_device import (
    AudioDevice,
    Collected,
    Playback,
    RecordingStopped,
    StreamReport,
    StreamState,
)
from stillbox.capture.sound.sound_permit import SoundPermit

SILENCE_S = 0.26
TAIL_S = 0.25
PERIOD_S = 0.17
LOWEST_TONE_HZ = 30.0
TONES_PER_DECADE = 4
HIGHEST_TONE_OF_RATE = 0.40
TOP_TONE_OF_RATE = 0.468
"""The tone that a conversion of the sample rate takes away."""

MAINS_HZ = (50.0, 60.0)
ONSET_S = 0.02
STRONG_SHARE = 0.85
PHASE_DRAWS = 100
UNSTEADY_SHARE = 0.05
"""Part of the power by which two periods may differ: the first may still hold what rings from the onset."""


@dataclass(frozen=True)
class ToneBurst:
    """A burst at full level.

    Attributes
    ----------
    samples : ndarray, shape (frames,)
        Silence, burst, no tail; peak 1.
    window_frames : int
        Length of the window of analysis: two periods.
    bins : int ndarray, shape (tones,)
        Bins of the tones in that window; the last one is the top tone.
    amplitude : complex ndarray, shape (tones,)
        Of each tone, with its phase at the start of a period.
    """

    sample_rate_hz: int
    samples: FloatArray
    silence_frames: int
    window_frames: int
    bins: NDArray[np.int64]
    amplitude: ComplexArray

    @property
    def frequency_hz(self) -> FloatArray:
        return np.asarray(self.bins * (self.sample_rate_hz / self.window_frames), dtype=np.float64)


@dataclass(frozen=True)
class ToneReading:
    """What came back of a burst.

    Attributes
    ----------
    period_frames : int
        After so many frames the tones repeat.
    frequency_hz : ndarray, shape (tones,)
        The last one is the top tone.
    gain : complex ndarray, shape (tones, 2)
        Tone in each channel re the tone that was played, full scale to full scale, but for a delay common to all.
    noise_gain : ndarray, shape (tones, 2)
        What noise beside each tone would read as (rms).
    noise_density : ndarray, shape (tones, 2)
        Two-sided power density of that noise, full scale^2 / Hz.
    peak : ndarray, shape (2,)
        Largest sample of each channel.
    silence : ndarray, shape (frames, 2)
        Recording before the burst.
    steady : bool
        The second period is like the first but for a gain; where it is not, samples were lost or repeated.
    report : StreamReport
    """

    level_dbfs: float
    sample_rate_hz: int
    period_frames: int
    frequency_hz: FloatArray
    gain: ComplexArray
    noise_gain: FloatArray
    noise_density: FloatArray
    peak: FloatArray
    silence: FloatArray
    steady: bool
    report: StreamReport

    def sure(self, channel: int, times: float) -> NDArray[np.bool_]:
        """Tones, without the top one, that stand so many times above the noise beside them."""
        level = np.abs(self.gain[:-1, channel])
        return (level > times * self.noise_gain[:-1, channel]) & (level > 0)

    def clearness(self, channel: int) -> float:
        """Tones over the noise beside them, the median without the top one."""
        noise = np.maximum(self.noise_gain[:-1, channel], 1e-12)
        return float(np.median(np.abs(self.gain[:-1, channel]) / noise))


class BurstLost(StillboxError):
    """Too little of the recording came back to be read."""


@lru_cache(maxsize=16)
def tone_burst(sample_rate_hz: int, lowest_hz: float, strong: int | None = None) -> ToneBurst:
    """The burst whose tones lie above ``lowest_hz`` and apart from mains harmonics.

    Parameters
    ----------
    strong : int, optional
        Number of a tone that takes nearly all of the level, so that the burst is as strong as a sweep of its peak;
        without it all tones are alike.
    """
    period = 2 ** round(np.log2(PERIOD_S * sample_rate_hz))
    bin_hz = sample_rate_hz / period
    top = round(TOP_TONE_OF_RATE * period)
    low_hz, high_hz = max(LOWEST_TONE_HZ, lowest_hz + bin_hz), HIGHEST_TONE_OF_RATE * sample_rate_hz
    if low_hz > high_hz / 2:
        raise StillboxError(
            f"the lowest frequency allowed, {lowest_hz:g} Hz, leaves no band at a rate of {sample_rate_hz} Hz",
            "choose a higher rate, or mend [limits] in build.toml",
        )
    count = max(4, round(TONES_PER_DECADE * np.log10(high_hz / low_hz)))
    bins = sorted({_apart_from_mains(wanted / bin_hz, bin_hz) for wanted in np.geomspace(low_hz, high_hz, count)})
    bins.append(top)
    weight = np.ones(len(bins))
    if strong is not None:
        weight[:] = (1 - STRONG_SHARE) / (len(bins) - 1)
        weight[strong] = STRONG_SHARE
    tones, amplitude = _lowest_peak(np.array(bins), weight, period)
    silence = round(SILENCE_S * sample_rate_hz)
    onset = round(ONSET_S * sample_rate_hz)
    tones = np.resize(tones, 2 * period + period // 2 + onset)
    rise = 0.5 - 0.5 * np.cos(np.pi * np.arange(onset) / onset)
    tones[:onset] *= rise
    tones[-onset:] *= rise[::-1]
    samples = np.concatenate([np.zeros(silence), tones])
    return ToneBurst(sample_rate_hz, samples, silence, 2 * period, 2 * np.array(bins), amplitude)


def _lowest_peak(bins: NDArray[np.int64], weight: FloatArray, period: int) -> tuple[FloatArray, ComplexArray]:
    """One period of the tones with peak 1, and their amplitudes, with the best phases of some drawn ones."""
    rng = np.random.default_rng(1)
    best, tones, amplitude = np.inf, np.zeros(period), np.zeros(bins.size, dtype=np.complex128)
    for _ in range(PHASE_DRAWS):
        spectrum = np.zeros(period // 2 + 1, dtype=np.complex128)
        spectrum[bins] = drawn = weight * np.exp(2j * np.pi * rng.random(len(bins)))
        wave = np.fft.irfft(0.5 * period * spectrum, period)
        if (peak := float(np.abs(wave).max())) < best:
            best, tones, amplitude = peak, wave / peak, drawn / peak
    return tones, amplitude


def _apart_from_mains(place: float, bin_hz: float) -> int:
    """The bin near ``place`` that lies farthest from harmonics of both mains frequencies."""
    near = np.arange(int(np.ceil(place)), int(np.ceil(place)) + 3)
    distance = [min(abs(number * bin_hz - f * round(number * bin_hz / f)) for f in MAINS_HZ) for number in near]
    return int(near[int(np.argmax(distance))])


def read_tones(
    device: AudioDevice, permit: SoundPermit, burst: ToneBurst, level_dbfs: float, state: StreamState
) -> ToneReading:
    """Play the burst with its peak at ``level_dbfs`` and read what comes back.

    Raises
    ------
    RecordingStopped, DeviceLost
    BurstLost
        If the recording ended before the burst could have come back.
    """
    rate_hz = burst.sample_rate_hz
    played = (10 ** (level_dbfs / 20) * burst.samples).astype(np.float32)
    collected = Collected()
    playback = Playback(played, rate_hz, round(TAIL_S * rate_hz))
    report = device.play_and_record(permit, playback, collected, state)
    samples = collected.samples
    if report.stopped:
        raise RecordingStopped
    report.require_device(device.info.name)
    if len(samples) < burst.silence_frames + burst.window_frames:
        reasons = "; ".join(report.faults) or f"only {len(samples)} frames came"
        raise BurstLost(reasons, "")
    first = _burst_window(samples, burst)
    silence = samples[: burst.silence_frames]
    window = np.hanning(burst.window_frames + 1)[:-1]
    spectrum = np.fft.rfft(samples[first : first + burst.window_frames] * window[:, None], axis=0)
    scale = 2 / window.sum()
    played_amplitude = 10 ** (level_dbfs / 20) * burst.amplitude[:, None]
    noise_power = _beside(np.abs(spectrum) ** 2, burst.bins)
    return ToneReading(
        level_dbfs=level_dbfs,
        sample_rate_hz=rate_hz,
        period_frames=burst.window_frames // 2,
        frequency_hz=burst.frequency_hz,
        gain=spectrum[burst.bins] * scale / played_amplitude,
        noise_gain=np.sqrt(noise_power) * scale / np.abs(played_amplitude),
        noise_density=noise_power / (window**2).sum() / rate_hz,
        peak=np.abs(samples).max(axis=0),
        silence=silence,
        steady=_is_steady(samples[first : first + burst.window_frames], silence),
        report=report,
    )


def _burst_window(samples: FloatArray, burst: ToneBurst) -> int:
    """Start of the latest window that holds the burst as strongly as any."""
    step = burst.window_frames // 16
    starts = np.arange(burst.silence_frames, len(samples) - burst.window_frames + 1, step)
    windows = np.stack([samples[start : start + burst.window_frames] for start in starts])
    power = (np.abs(np.fft.rfft(windows, axis=1)[:, burst.bins]) ** 2).sum(axis=(1, 2))
    return int(starts[np.flatnonzero(power >= 0.97 * power.max())[-1]])


def _is_steady(window: FloatArray, silence: FloatArray) -> bool:
    """Whether the second period of the louder channel repeats the first, noise and a change of gain allowed for."""
    loud = int(np.argmax(np.var(window, axis=0)))
    one, other = np.split(window[:, loud] - window[:, loud].mean(), 2)
    noise, power = float(np.var(silence[:, loud])), float(np.mean(one**2))
    if power <= 4 * noise:
        return True
    gain = float(one @ other) / float(one @ one)
    return float(np.mean((other - gain * one) ** 2)) < UNSTEADY_SHARE * power + 4 * noise


def _beside(power: FloatArray, bins: NDArray[np.int64]) -> FloatArray:
    """Noise power at each tone, shape (tones, 2): mean of the bins beside it that no tone and no hum line fills."""
    result = np.empty((bins.size, power.shape[1]))
    free = np.ones(len(power), dtype=bool)
    for number in bins:
        free[max(0, number - 3) : number + 4] = False
    free[:3] = False
    for row, number in enumerate(bins):
        reach = max(12, number // 8)
        near = slice(max(0, number - reach), number + reach + 1)
        # The median of a chi-square with two degrees of freedom is ln 2 of its mean; hum lines do not move it much.
        result[row] = np.median(power[near][free[near]], axis=0) / np.log(2)
    return result
