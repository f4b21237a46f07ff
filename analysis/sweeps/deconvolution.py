"""From the recording of a sweep to the spectra of both channels' responses, harmonics cut away.

Each channel is deconvolved with the known sweep. The harmonics that the loudspeaker adds then lie at negative times
(``-L ln k``, Novak, Lotton, Simon, JAES 63(10), 2015) and are cut away; what follows the direct sound stays, as long
as the record allows or as the gate says.

The lower edge of the band makes the response begin before time 0, some cycles of that edge: at the lowest
frequencies it must be kept from so early on that the second harmonic comes in. But that has no content below twice
the sweep's lowest frequency. So the spectrum is put together from bands, half an octave each at the low end, with a
lower edge and a window of their own: every band keeps only what its own edge needs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import fft

from stillbox.analysis.maths.stopping import checked
from stillbox.analysis.sweeps.hum import Hum
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import Recording
from stillbox.capture.sweep.excitation import Excitation, sweep_samples

_CYCLES_OF_LEAD = 4.0
"""This many cycles of a band's lower edge are kept before the impulse: the edge's ringing is complete to 1e-6."""

_HARMLESS_LEAD = 0.25
"""A lead that is at most this part of the second harmonic's advance keeps nothing of it, nor of its ringing."""

_BAND_RATIO = 2**0.5
"""Of the lower edges of two bands: the narrower, the less of the second harmonic's ringing comes in."""
_MOST_BANDS = 8
_MOST_STEP = 256
_LOW_BANDS_RATE_HZ = 16.0
"""Sample rate of the low bands' responses, in units of their highest edge."""

_LOWEST_SHOULDER_HZ = 13.5
"""The lower edge of the band filter ends here if the sweep starts low enough."""

_LONGEST_RESPONSE_S = 8.0
"""No speaker rings longer (Q 30 at 15 Hz has fallen by 100 dB); what a long sweep gives beyond is noise only."""

_LONGEST_KEPT = 2**19
"""Frames up to which the filters of a sweep are kept for the next take."""
_FEWEST_BINS = 16
_HIGHEST_HARMONIC = 12
"""Harmonics up to this order are cut away from the end of the (circular) record."""


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
    result: FloatArray = fft.irfft(spectrum, size, overwrite_x=True)
    return result


def inverse_filter(sweep_spectrum: ComplexArray, band_filter: FloatArray) -> ComplexArray:
    """``band_filter / sweep_spectrum``, zero where the band filter is; that is 1 inside the band, 0 outside."""
    inverse = np.zeros_like(sweep_spectrum)
    np.divide(band_filter, sweep_spectrum, out=inverse, where=band_filter > 0)
    return inverse


def usable_band_hz(excitation: Excitation) -> tuple[float, float]:
    """Band in which the ratio is given: full level, and above the edge that the window needs, Hz."""
    low_hz, high_hz = excitation.full_level_band_hz
    return max(low_hz, min(_LOWEST_SHOULDER_HZ, 2.7 * excitation.low_hz)), high_hz


def band_filter(frequency_hz: FloatArray, excitation: Excitation, edge_hz: float | None = None) -> FloatArray:
    """1 in the usable band from ``edge_hz`` on, smooth edges below and above.

    The lower edge is the integral of a Blackman window: its ringing dies out within the time that is kept
    before the impulse (measured: with a raised cosine the ratio is wrong by 8e-5 at 20 Hz, with this one by 2e-6).
    """
    low_hz, high_hz = usable_band_hz(excitation)
    low_hz = low_hz if edge_hz is None else edge_hz
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


def lead_weight(frequency_hz: FloatArray, excitation: Excitation, before_s: float) -> FloatArray:
    """Weight that what comes ``before_s`` before the impulse has in the spectrum, shape of ``frequency_hz``."""
    plan = _Plan.of(excitation, None)
    frame = -min(round(before_s * plan.rate_hz), plan.size)
    weights = np.array([plan.window(edge_hz, 1)[frame] for edge_hz in plan.edges_hz])
    return weights[np.maximum(np.searchsorted(plan.edges_hz, frequency_hz, side="right") - 1, 0)]


@dataclass(frozen=True)
class SweepSpectra:
    """Spectra of the windowed responses of both channels, one row a sweep.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n,)
    channel_1, channel_2 : complex ndarray, shape (sweeps, n)
    noise_gain : ndarray, shape (n,)
        E|noise|^2 of a bin for white noise of variance 1 a sample.
    low_bins : int
        So many bins, from the lowest on, lie in bands that are cut off while their edge still rings a little.
    """

    frequency_hz: FloatArray
    channel_1: ComplexArray
    channel_2: ComplexArray
    noise_gain: FloatArray
    low_bins: int

    @property
    def ratios(self) -> ComplexArray:
        """Channel 2 over channel 1 in each sweep, shape (sweeps, n)."""
        return self.channel_2 / self.channel_1

    def ratio_variance(self, noise: FloatArray) -> FloatArray:
        """E|noise|^2 of each ratio, shape (sweeps, n), from E|N2 - m N1|^2 a sample."""
        result: FloatArray = noise * self.noise_gain / np.abs(self.channel_1) ** 2
        return result


def sweep_spectra(recording: Recording, hum: Hum | None, gate_s: float | None) -> SweepSpectra:
    """Spectra of all sweeps of a recording; StillboxError where the band is too narrow."""
    info = recording.info
    plan = _Plan.of(info.excitation, gate_s)
    if plan.bins_hz.size < _FEWEST_BINS:
        raise StillboxError(
            f"the sweep of take {info.number}, {info.excitation.low_hz:g} to {info.excitation.high_hz:g} Hz, is too "
            "narrow to give an impedance",
            "record with a wider one, or give a longer gate",
        )
    filters, noise_gain = plan.filters() if plan.length > _LONGEST_KEPT else _kept_filters(info.excitation, gate_s)

    def segment(start: int, channel: int) -> FloatArray:
        checked()
        last = min(start + plan.frames, info.frames)
        samples = np.zeros(plan.length)
        samples[: last - start] = recording.samples[start:last, channel]
        if hum is not None:
            samples[: last - start] -= hum.samples((start, last), channel, plan.rate_hz)
        return samples

    rows_1 = [plan.spectrum(segment(start, 0), filters) for start in info.sweep_starts]
    rows_2 = [plan.spectrum(segment(start, 1), filters) for start in info.sweep_starts]
    return SweepSpectra(plan.bins_hz, np.stack(rows_1), np.stack(rows_2), noise_gain, plan.low_bins)


@dataclass(frozen=True)
class _BandFilter:
    """Inverse filter of a band, weight of each frame of its window (time 0 first), and how much of that is lead."""

    inverse: ComplexArray
    window: FloatArray
    lead: int


_Filters = tuple[list[_BandFilter], FloatArray]
"""Of all bands, and the noise gain (see SweepSpectra)."""


def _kept_filters(excitation: Excitation, gate_s: float | None) -> _Filters:
    """Filters of a sweep at full level, made once for all takes that are swept alike."""
    return _filters_at_full_level(excitation.model_copy(update={"level_dbfs": 0.0, "repeats": 1}), gate_s)


@lru_cache(maxsize=3)
def _filters_at_full_level(excitation: Excitation, gate_s: float | None) -> _Filters:
    return _Plan.of(excitation, gate_s).filters()


@dataclass(frozen=True)
class _Plan:
    """How one sweep is deconvolved.

    Attributes
    ----------
    frames, length : int
        Of a sweep with the silence after it, and of the circular record that it is padded to.
    size : int
        Frames of the window: time 0 at its first frame, the lead at its end. The same for all bands, so that bins
        are independent: what a band saves of lead it keeps at the other end.
    edges_hz : tuple of float
        Lower edges of the bands; the last one reaches to the top.
    step : int
        Frames per sample of the responses of all bands but the last.
    """

    excitation: Excitation
    frames: int
    length: int
    size: int
    edges_hz: tuple[float, ...]
    step: int
    bins_hz: FloatArray

    @classmethod
    def of(cls, excitation: Excitation, gate_s: float | None) -> _Plan:
        rate_hz = excitation.sample_rate_hz
        frames = excitation.sweep_frames + excitation.silence_after_frames
        # With a gate, whose resolution is coarse anyway, all bins must have the same end: one band.
        edges_hz = _edges_hz(excitation)[: None if gate_s is None else 1]
        step = 1
        while len(edges_hz) > 1 and step < _MOST_STEP and rate_hz / (2 * step) > _LOW_BANDS_RATE_HZ * edges_hz[-1]:
            step *= 2
        length = step * fft.next_fast_len(-(-frames // step), real=True)
        latest = frames - round(excitation.harmonic_advance_s(_HIGHEST_HARMONIC) * rate_hz)
        keep = min(max(latest, frames // 2), round(_LONGEST_RESPONSE_S * rate_hz))
        if gate_s is not None:
            keep = min(keep, round(gate_s * rate_hz))
        # A length that the FFT likes; even, also where only every step-th frame is there.
        unit = 2 * step
        count = (keep + _lead_frames(excitation, edges_hz[-1])) // unit
        while fft.next_fast_len(count, real=True) > count:
            count -= 1
        size = count * unit
        bins_hz = fft.rfftfreq(size, 1 / rate_hz)
        low_hz, high_hz = usable_band_hz(excitation)
        inside = (bins_hz >= low_hz) & (bins_hz <= high_hz)
        return cls(excitation, frames, length, size, edges_hz, step, bins_hz[inside])

    @property
    def rate_hz(self) -> int:
        return self.excitation.sample_rate_hz

    def filters(self) -> _Filters:
        """Of the sweep at the level of the excitation, which every ratio is free of."""
        sweep = fft.rfft(sweep_samples(self.excitation), self.length)
        bands = []
        for edge_hz in self.edges_hz:
            step = 1 if edge_hz == self.edges_hz[-1] else self.step
            lead = _lead_frames(self.excitation, edge_hz) // step
            bands.append(_BandFilter(self.inverse(sweep, edge_hz), self.window(edge_hz, step), lead))
        return bands, self.noise_gain(sweep)

    def inverse(self, sweep_spectrum: ComplexArray, edge_hz: float) -> ComplexArray:
        """Inverse filter of one band; where the band is not the last one, with a soft upper edge and no longer."""
        filter_hz = fft.rfftfreq(self.length, 1 / self.rate_hz)
        if edge_hz == self.edges_hz[-1]:
            return inverse_filter(sweep_spectrum, band_filter(filter_hz, self.excitation, edge_hz))
        count = self.length // self.step // 2 + 1
        filter_hz = filter_hz[:count]
        fall = np.clip((filter_hz[-1] - filter_hz) / (filter_hz[-1] - self.edges_hz[-1]), 0.0, 1.0)
        band = band_filter(filter_hz, self.excitation, edge_hz) * (0.5 - 0.5 * np.cos(np.pi * fall))
        return inverse_filter(sweep_spectrum[:count], band)

    def window(self, edge_hz: float, step: int) -> FloatArray:
        """Weight of each (or each ``step``-th) frame of the window, time 0 first."""
        lead, rate_hz = _lead_frames(self.excitation, edge_hz), self.rate_hz
        keep = self.size - lead
        fall = max(2, min(keep // 8, rate_hz // 4))
        rise = max(2, lead // 3)
        weight = np.ones(self.size)
        weight[keep - fall : keep] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(fall) + 0.5) / fall)
        weight[keep : keep + rise] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(rise) + 0.5) / rise)
        return weight[::step]

    def noise_gain(self, sweep_spectrum: ComplexArray) -> FloatArray:
        """See SweepSpectra."""
        filter_hz = fft.rfftfreq(self.length, 1 / self.rate_hz)
        band = band_filter(filter_hz, self.excitation)
        inverse = np.divide(band, np.abs(sweep_spectrum), out=np.zeros_like(band), where=band > 0)
        density = np.interp(self.bins_hz, filter_hz, inverse) ** 2
        for edge_hz, (first, last) in zip(self.edges_hz, self._bands(), strict=True):
            density[first:last] *= np.sum(self.window(edge_hz, 1) ** 2)
        return density

    def spectrum(self, segment: FloatArray, filters: list[_BandFilter]) -> ComplexArray:
        """Spectrum at ``bins_hz`` of the windowed response to one channel's recording of a sweep."""
        recorded = fft.rfft(segment)
        del segment  # of a long take it is 90 MB, and often nobody else's
        result = np.empty(self.bins_hz.size, dtype=complex)
        first_bin = round(self.bins_hz[0] * self.size / self.rate_hz)
        for edge_hz, band, (first, last) in zip(self.edges_hz, filters, self._bands(), strict=True):
            checked()
            step = 1 if edge_hz == self.edges_hz[-1] else self.step
            # The last band may have the recorded spectrum itself: of a long take it is 90 MB.
            product = recorded[: band.inverse.size]
            product = np.multiply(product, band.inverse, out=product if edge_hz == self.edges_hz[-1] else None)
            response = fft.irfft(product, self.length // step, overwrite_x=True)
            del product
            kept = np.concatenate([response[: self.size // step - band.lead], response[response.size - band.lead :]])
            kept *= band.window
            result[first:last] = fft.rfft(kept)[first_bin + first : first_bin + last]
        return result

    @property
    def low_bins(self) -> int:
        """See SweepSpectra."""
        return self._bands()[-1][0]

    def _bands(self) -> list[tuple[int, int]]:
        """First bin and last + 1 of each band."""
        firsts = [0, *np.searchsorted(self.bins_hz, self.edges_hz[1:]).tolist()]
        return list(zip(firsts, [*firsts[1:], self.bins_hz.size], strict=True))


def _edges_hz(excitation: Excitation) -> tuple[float, ...]:
    """Lower edges of the bands, half an octave apart, until the lead is short against the second harmonic's advance."""
    edges_hz = [usable_band_hz(excitation)[0]]
    harmless_s = _HARMLESS_LEAD * excitation.harmonic_advance_s(2)
    while _CYCLES_OF_LEAD / edges_hz[-1] > harmless_s and len(edges_hz) < _MOST_BANDS:
        edges_hz.append(_BAND_RATIO * edges_hz[-1])
    return tuple(edge for edge in edges_hz if edge < 0.25 * usable_band_hz(excitation)[1]) or (edges_hz[0],)


def _lead_frames(excitation: Excitation, edge_hz: float) -> int:
    harmless_s = _HARMLESS_LEAD * excitation.harmonic_advance_s(2)
    lead_s = min(max(harmless_s, _CYCLES_OF_LEAD / edge_hz), 1.0)
    return _MOST_STEP * math.ceil(lead_s * excitation.sample_rate_hz / _MOST_STEP)
