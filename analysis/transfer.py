"""From a two-channel recording of the sweep to the ratio of the channels, with its noise.

Each channel is deconvolved with the known sweep. The harmonics that the loudspeaker adds then lie at negative
times (``-L ln k``, Novak, Lotton, Simon, JAES 63(10), 2015) and are cut away; what follows the direct sound stays,
as long as the record allows or as the gate says. The ratio of the two spectra needs no knowledge of the level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from threadpoolctl import threadpool_limits

from analysis.hum import Hum, Span, find_hum
from capture.arrays import ComplexArray, FloatArray
from capture.errors import StillboxError
from capture.excitation import Excitation, sweep_samples
from capture.take import Recording

_LEAD_FRACTION = 0.75
"""The response is kept from this fraction of the second harmonic's advance on."""

_CYCLES_OF_LEAD = 4.0
"""This many cycles of the lower band edge are kept before the impulse: the edge's ringing is complete to 1e-6.

A sweep under about 4 s then keeps its second harmonic too; that is the lesser evil (without it: wrong by 1e-3).
"""

_LOWEST_SHOULDER_HZ = 13.5
"""The lower edge of the band filter ends here if the sweep starts low enough."""

_LONGEST_RESPONSE_S = 8.0
"""No speaker rings longer (Q 30 at 15 Hz has fallen by 100 dB); what a long sweep gives beyond is noise only."""

_FEWEST_BINS = 16
_HIGHEST_HARMONIC = 12
"""Harmonics up to this order are cut away from the end of the (circular) record."""

_SHORTEST_GATE_S, _LONGEST_GATE_S = 0.02, 1_000.0

_SHORTEST_PART = 0.4
"""Silences shorter than this part of the longest blur the noise's low end too much to be used."""
_NOISE_AVERAGE_OCTAVES = 1 / 3
_NOISE_AVERAGE_BINS = 20
_LINE_OVER_FLOOR = 12.0
"""A line of the noise spectrum is kept apart from the floor when it stands above it by this power ratio."""


@dataclass(frozen=True)
class ChannelRatio:
    """Voltage of channel 2 over voltage of channel 1.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n,)
        Even steps over the band in which the sweep has its full level.
    ratio : complex ndarray, shape (n,)
    noise_variance : ndarray, shape (n,)
        E|noise|^2 of the ratio; circular; independent between bins.
    noise_dbfs : tuple of float
        Level of the noise without hum in each channel, dB re full scale (rms).
    hum_hz, hum_dbfs : float or None
        Mains hum that was taken out: fundamental and the louder channel's rms level.
    common : tuple of complex ndarray, shape (n,) each
        Scatter that all bins share, as in ``ImpedanceSpectrum.common_ohm``.
    """

    frequency_hz: FloatArray
    ratio: ComplexArray
    noise_variance: FloatArray
    noise_dbfs: tuple[float, float]
    hum_hz: float | None
    hum_dbfs: float | None
    warnings: tuple[str, ...] = ()
    common: tuple[ComplexArray, ...] = ()


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


def deconvolved(segment: FloatArray, inverse: ComplexArray) -> FloatArray:
    """Response of one channel to a band-limited impulse, by division of the spectra.

    Parameters
    ----------
    segment : ndarray, shape (n,)
        The recording from the start of the sweep on.
    inverse : complex ndarray, shape (n // 2 + 1,)
        Inverse filter of the sweep, see ``inverse_filter``.

    Returns
    -------
    ndarray, shape (n,): circular; negative times lie at the end.
    """
    size = segment.size
    spectrum = fft.rfft(segment)
    del segment  # of a long take it is 90 MB, and often nobody else's
    spectrum *= inverse
    return fft.irfft(spectrum, size, overwrite_x=True)


def inverse_filter(sweep_spectrum: ComplexArray, band_filter: FloatArray) -> ComplexArray:
    """``band_filter / sweep_spectrum``, zero where the band filter is; that is 1 inside the band, 0 outside."""
    inverse = np.zeros_like(sweep_spectrum)
    np.divide(band_filter, sweep_spectrum, out=inverse, where=band_filter > 0)
    return inverse


def usable_band_hz(excitation: Excitation) -> tuple[float, float]:
    """Band in which the ratio is given: full level, and above the edge that the window needs, Hz."""
    low_hz, high_hz = excitation.full_level_band_hz
    return max(low_hz, min(_LOWEST_SHOULDER_HZ, 2.7 * excitation.low_hz)), high_hz


def band_filter(frequency_hz: FloatArray, excitation: Excitation) -> FloatArray:
    """1 in the usable band, smooth edges below and above.

    The lower edge is the integral of a Blackman window: its ringing dies out within the time that is kept
    before the impulse (measured: with a raised cosine the ratio is wrong by 8e-5 at 20 Hz, with this one by 2e-6).
    """
    low_hz, high_hz = usable_band_hz(excitation)
    lower_foot = 0.1 * excitation.low_hz
    upper_foot = min(1.02 * excitation.high_hz, 0.5 * excitation.sample_rate_hz)
    result = np.zeros(frequency_hz.size)
    feet = np.searchsorted(frequency_hz, [lower_foot, low_hz, high_hz, upper_foot])
    result[feet[1] : feet[2]] = 1.0
    rise = (frequency_hz[feet[0] : feet[1]] - lower_foot) / (low_hz - lower_foot)
    result[feet[0] : feet[1]] = (
        rise - np.sin(2 * np.pi * rise) * 0.25 / (0.42 * np.pi) + np.sin(4 * np.pi * rise) * 0.02 / (0.42 * np.pi)
    )
    fall = (upper_foot - frequency_hz[feet[2] : feet[3]]) / (upper_foot - high_hz)
    result[feet[2] : feet[3]] = 0.5 - 0.5 * np.cos(np.pi * fall)
    return result


@dataclass(frozen=True)
class _Window:
    """Part of the circular response that is kept: ``lead`` frames before time 0 and ``keep`` frames from it on."""

    lead: int
    keep: int
    weight: FloatArray

    def apply(self, response: FloatArray) -> FloatArray:
        """Windowed response with time 0 at index 0 (circular in the length of the window)."""
        kept = np.concatenate([response[: self.keep], response[response.size - self.lead :]])
        kept *= self.weight
        return kept


def _response_window(excitation: Excitation, frames: int, gate_s: float | None) -> _Window:
    rate = excitation.sample_rate_hz
    harmonic_lead_s = _LEAD_FRACTION * excitation.harmonic_advance_s(2)
    edge_lead_s = _CYCLES_OF_LEAD / usable_band_hz(excitation)[0]
    lead = round(min(max(harmonic_lead_s, edge_lead_s), 1.0) * rate)
    latest = frames - round(excitation.harmonic_advance_s(_HIGHEST_HARMONIC) * rate)
    keep = min(max(latest, frames // 2), round(_LONGEST_RESPONSE_S * rate))
    if gate_s is not None:
        keep = min(keep, round(gate_s * rate))
    # A length that the FFT likes; even.
    total = fft.next_fast_len(keep + lead, real=True)
    while total > keep + lead or total % 2:
        keep -= 1
        total = fft.next_fast_len(keep + lead, real=True)
    fall = max(2, min(keep // 8, rate // 4))
    rise = max(2, lead // 3)
    weight = np.ones(keep + lead)
    weight[keep - fall : keep] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(fall) + 0.5) / fall)
    weight[keep : keep + rise] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(rise) + 0.5) / rise)
    return _Window(lead, keep, weight)


def noise_spectra(samples: FloatArray, sample_rate_hz: int, spans: list[Span], hum: Hum | None) -> NoiseSpectra:
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
        piece = samples[first:last].copy()
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

    def averaged(values: NDArray, use: NDArray[np.bool_]) -> NDArray:
        sums = np.concatenate([[0], np.cumsum(np.where(use, values, 0))])
        counts = np.concatenate([[0], np.cumsum(use)])
        return (sums[high] - sums[low]) / np.maximum(counts[high] - counts[low], 1)

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


@threadpool_limits.wrap(limits=1, user_api="blas")  # small matrices: threads only wait for each other
def channel_ratio(recording: Recording, gate_s: float | None = None) -> ChannelRatio:
    """Ratio of the channels over the band of the sweep, with its noise.

    Parameters
    ----------
    recording : Recording
        With ``sweep_starts`` in its sidecar.
    gate_s : float, optional
        Keep the response this long only: less noise, coarser resolution (1 / gate).

    Raises
    ------
    StillboxError
        If there is one channel only, the record is too short, the gate is shorter than 20 ms or no number, or
        channel 1 carries no signal.
    """
    info = recording.info
    excitation = info.excitation
    rate = excitation.sample_rate_hz
    if gate_s is not None and not _SHORTEST_GATE_S <= gate_s <= _LONGEST_GATE_S:
        raise StillboxError(
            f"gate {gate_s:g} s is not {_SHORTEST_GATE_S:g} to {_LONGEST_GATE_S:g} s; give such a one, or none"
        )
    if recording.samples.shape[1] < 2:
        raise StillboxError(f"take {info.number} has one channel only; a ratio needs both inputs of the jig")
    spans = silent_spans(info.frames, info.sweep_starts, excitation)
    if not spans:
        raise StillboxError(
            f"take {info.number} has no silence of 0.1 s around the sweep to estimate the noise from; "
            "record again with silence before and after"
        )
    hum = find_hum(recording.samples, rate, spans)
    noise = noise_spectra(recording.samples, rate, spans, hum)
    if not np.any(recording.samples[:, 0]):
        raise StillboxError(f"take {info.number}: channel 1 carries no signal; check the wiring and record again")
    spectra = _windowed_spectra(recording, hum, gate_s)
    frequency_hz, ratio = spectra.frequency_hz, spectra.ratio
    quiet = noise.of_ratio(frequency_hz, ratio)
    if hum is not None:
        quiet += _hum_rest(hum, noise, frequency_hz, ratio, rate)
    quiet *= spectra.noise_gain / spectra.power
    variance, warnings = _with_scatter(quiet, spectra)
    return ChannelRatio(
        frequency_hz=frequency_hz,
        ratio=ratio,
        noise_variance=variance,
        noise_dbfs=(_level_dbfs(noise.power_1), _level_dbfs(noise.power_2)),
        hum_hz=None if hum is None else hum.fundamental_hz,
        hum_dbfs=None if hum is None else float(20 * np.log10(np.max(hum.rms))),
        warnings=warnings,
    )


def _hum_rest(
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


def _level_dbfs(power: FloatArray) -> float:
    return float(10 * np.log10(max(float(np.mean(power)), 1e-30)))


@dataclass(frozen=True)
class _WindowedSpectra:
    """Spectra of the windowed responses of both channels, one row a sweep, and the noise gain of a bin."""

    frequency_hz: FloatArray
    channel_1: ComplexArray
    channel_2: ComplexArray
    noise_gain: FloatArray

    @property
    def power(self) -> FloatArray:
        return np.sum(np.abs(self.channel_1) ** 2, axis=0)

    @property
    def ratio(self) -> ComplexArray:
        return np.sum(self.channel_2 * np.conj(self.channel_1), axis=0) / self.power


def _windowed_spectra(recording: Recording, hum: Hum | None, gate_s: float | None) -> _WindowedSpectra:
    info = recording.info
    excitation = info.excitation
    rate = excitation.sample_rate_hz
    frames = excitation.sweep_frames + excitation.silence_after_frames
    length = fft.next_fast_len(frames, real=True)
    window = _response_window(excitation, frames, gate_s)
    size = window.weight.size
    bins_hz = fft.rfftfreq(size, 1 / rate)
    low_hz, high_hz = usable_band_hz(excitation)
    inside = (bins_hz >= low_hz) & (bins_hz <= high_hz)
    if np.count_nonzero(inside) < _FEWEST_BINS:
        raise StillboxError(
            f"the sweep of take {info.number}, {excitation.low_hz:g} to {excitation.high_hz:g} Hz, is too narrow "
            "to give an impedance; record with a wider one, or give a longer gate"
        )
    inverse, density = _inverse_and_density(excitation, length, bins_hz[inside])

    def segment(start: int, channel: int) -> FloatArray:
        last = min(start + frames, info.frames)
        samples = np.zeros(length)
        samples[: last - start] = recording.samples[start:last, channel]
        if hum is not None:
            samples[: last - start] -= hum.samples((start, last), channel, rate)
        return samples

    def windowed(start: int, channel: int) -> ComplexArray:
        return fft.rfft(window.apply(deconvolved(segment(start, channel), inverse)))[inside]

    rows_1 = [windowed(start, 0) for start in info.sweep_starts]
    rows_2 = [windowed(start, 1) for start in info.sweep_starts]
    return _WindowedSpectra(bins_hz[inside], np.stack(rows_1), np.stack(rows_2), density * np.sum(window.weight**2))


def _inverse_and_density(excitation: Excitation, length: int, bins_hz: FloatArray) -> tuple[ComplexArray, FloatArray]:
    """Inverse filter for records of ``length`` frames, and its power gain at ``bins_hz``."""
    filter_hz = fft.rfftfreq(length, 1 / excitation.sample_rate_hz)
    inverse = inverse_filter(fft.rfft(sweep_samples(excitation), length), band_filter(filter_hz, excitation))
    return inverse, np.interp(bins_hz, filter_hz, np.abs(inverse)) ** 2


def _with_scatter(variance: FloatArray, spectra: _WindowedSpectra) -> tuple[FloatArray, tuple[str, ...]]:
    """Raise the variance where the repeats scatter more than the noise in the silence explains."""
    repeats = spectra.channel_1.shape[0]
    if repeats < 2:
        return variance, ()
    frequency_hz = spectra.frequency_hz
    rest = np.abs(spectra.channel_2 - spectra.ratio * spectra.channel_1) ** 2
    scatter = np.sum(rest, axis=0) / (repeats - 1) / spectra.power
    excess = scatter / variance
    # Local mean over a third of an octave: the scatter of a few repeats is itself uncertain.
    half = np.maximum(10, (frequency_hz * 0.12 / (frequency_hz[1] - frequency_hz[0])).astype(int))
    index = np.arange(excess.size)
    low, high = np.maximum(0, index - half), np.minimum(excess.size, index + half + 1)
    sums = np.concatenate([[0.0], np.cumsum(excess)])
    mean = (sums[high] - sums[low]) / (high - low)
    spread = np.sqrt(1.0 / ((high - low) * (repeats - 1)))
    factor = np.where(mean > 1 + 3 * spread, mean, 1.0)
    worst = int(np.argmax(factor))
    warnings: tuple[str, ...] = ()
    if factor[worst] > 4:
        warnings = (
            f"the repeats scatter up to {np.sqrt(factor[worst]):.1f} times more than the noise in the silence "
            f"explains (at {frequency_hz[worst]:.0f} Hz); the uncertainty takes it in",
        )
    return variance * factor, warnings
