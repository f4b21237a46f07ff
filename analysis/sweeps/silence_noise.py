"""The noise of a recording as its silences show it: density over frequency, and what taking out the hum leaves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from stillbox.analysis.maths.windows import sums_over
from stillbox.analysis.sweeps.hum import Hum, Span
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.sweep.excitation import Excitation

_SHORTEST_PART = 0.4
"""Silences shorter than this part of the longest blur the noise's low end too much to be used."""
_NOISE_AVERAGE_OCTAVES = 1 / 3
_NOISE_AVERAGE_BINS = 20
_LINE_OVER_FLOOR = 12.0
"""A line of the noise spectrum is kept apart from the floor when it stands above it by this power ratio."""


@dataclass(frozen=True)
class NoiseSpectra:
    """Spectral matrix of the noise of both channels, from the silences.

    ``power_1``, ``power_2``, ``cross_21`` = E[N2 conj(N1)]: as variance per sample of white noise of that density.
    """

    frequency_hz: FloatArray
    power_1: FloatArray
    power_2: FloatArray
    cross_21: ComplexArray

    def of_ratio(self, frequency_hz: FloatArray, ratio: ComplexArray) -> FloatArray:
        """E|N2 - m N1|^2 per sample for the channel ratio m, shape of ``frequency_hz``."""
        power_1 = np.interp(frequency_hz, self.frequency_hz, self.power_1)
        power_2 = np.interp(frequency_hz, self.frequency_hz, self.power_2)
        cross = np.interp(frequency_hz, self.frequency_hz, self.cross_21)
        quantum = 2.0**-46 / 12  # never less than the rounding of 24 bits
        variance = power_2 - 2 * (np.conj(ratio) * cross).real + np.abs(ratio) ** 2 * power_1
        return np.maximum(variance, quantum * (1 + np.abs(ratio) ** 2))


def silent_spans(frames: int, starts: tuple[int, ...], excitation: Excitation) -> list[Span]:
    """Spans without sweep or ringing: before the first sweep, and late after each one."""
    guard = max(64, excitation.sample_rate_hz // 200)
    after = excitation.silence_after_frames
    spans = [(max(0, starts[0] - 10 * excitation.sample_rate_hz), starts[0] - guard)]
    for start in starts:
        end = start + excitation.sweep_frames
        spans.append((end + after // 2, min(end + after - guard, frames)))
    shortest = excitation.sample_rate_hz // 10
    return [span for span in spans if span[1] - span[0] >= shortest]


def noise_spectra(
    samples: NDArray[np.floating], sample_rate_hz: int, spans: list[Span], hum: Hum | None
) -> NoiseSpectra:
    """Noise of both channels from the silences, hum taken out, smoothed over a third of an octave.

    The longest silence (up to 2 s) sets the resolution; shorter ones, if not by far, are padded to it. Lines that
    stand far above the floor (hum that is not steady, other tones) are kept as lines.
    """
    length = min(max(last - first for first, last in spans), 2 * sample_rate_hz)
    power, weight = np.zeros((length // 2 + 1, 2)), 0.0
    cross: ComplexArray = np.zeros(length // 2 + 1, dtype=complex)
    for first, last in spans:
        size = min(last - first, length)
        if size < _SHORTEST_PART * length:
            continue
        piece = samples[first:last].astype(float)
        if hum is not None:
            for channel in (0, 1):
                piece[:, channel] -= hum.samples((first, last), channel, sample_rate_hz)
        window = np.hanning(size + 2)[1:-1]
        for offset in range(0, len(piece) - size + 1, max(1, size // 2)):
            part = piece[offset : offset + size]
            spectrum = fft.rfft((part - part.mean(axis=0)) * window[:, None], length, axis=0)
            # Each piece counts by its length: window energy times density.
            power += np.abs(spectrum) ** 2
            cross += spectrum[:, 1] * np.conj(spectrum[:, 0])
            weight += np.sum(window**2)
    frequency_hz = np.arange(len(power)) * sample_rate_hz / length
    return _smoothed_with_lines(frequency_hz, power / weight, cross / weight)


def _smoothed_with_lines(frequency_hz: FloatArray, power: FloatArray, cross: ComplexArray) -> NoiseSpectra:
    count = frequency_hz.size
    index = np.arange(count)
    half = np.maximum(_NOISE_AVERAGE_BINS, (index * (2 ** (_NOISE_AVERAGE_OCTAVES / 2) - 1)).astype(int))
    # Below the 3rd bin a window's main lobe holds the offset.
    low, high = np.maximum(3, index - half), np.minimum(count, np.maximum(index, 3) + half + 1)

    def averaged(values: NDArray[Any], use: NDArray[np.bool_]) -> NDArray[Any]:
        counts = sums_over(use.astype(int), (low, high))
        result: NDArray[Any] = sums_over(np.where(use, values, 0), (low, high)) / np.maximum(counts, 1)
        return result

    use = np.ones(count, dtype=bool)
    for _ in range(3):
        floors = [averaged(power[:, channel], use) for channel in (0, 1)]
        use = np.all([power[:, c] < _LINE_OVER_FLOOR * floors[c] for c in (0, 1)], axis=0)
    floor_1, floor_2 = (averaged(power[:, channel], use) for channel in (0, 1))
    floor_cross = averaged(cross, use)
    return NoiseSpectra(
        frequency_hz,
        np.where(use, floor_1, np.maximum(power[:, 0], floor_1)),
        np.where(use, floor_2, np.maximum(power[:, 1], floor_2)),
        np.where(use, floor_cross, cross),
    )


def hum_rest(
    hum: Hum, noise: NoiseSpectra, frequency_hz: FloatArray, ratio: ComplexArray, sample_rate_hz: int
) -> FloatArray:
    """What taking out the hum leaves at its harmonics, as E|N2 - m N1|^2 per sample, shape of ``frequency_hz``.

    A tone of mean square P in n frames stands n P / 2 high in the bin at its frequency, and falls off beside it with
    the square of the sinc function.
    """
    step_hz = frequency_hz[1] - frequency_hz[0]
    bin_frames = sample_rate_hz / step_hz
    harmonics_hz = hum.harmonics_hz
    rest_1, rest_2 = (
        hum.rest_power(channel, np.interp(harmonics_hz, noise.frequency_hz, power))
        for channel, power in enumerate((noise.power_1, noise.power_2))
    )
    total = np.zeros(frequency_hz.size)
    for order, centre_hz in enumerate(harmonics_hz):
        first, last = np.searchsorted(frequency_hz, [centre_hz - 5 * step_hz, centre_hz + 5 * step_hz])
        beside = np.sinc((frequency_hz[first:last] - centre_hz) / step_hz) ** 2
        rest = rest_2[order] + np.abs(ratio[first:last]) ** 2 * rest_1[order]
        total[first:last] += 0.5 * bin_frames * rest * beside
    return total
