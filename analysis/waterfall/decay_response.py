"""The decay's input from the impedance alone: no microphone, no room.

The motional impedance (coil and DC resistance removed) is divided by that of the fitted lumped baseline (driver and
box without resonances)::

    q(f) = (Z - Z_coil) / Z_lumped = 1 + (Z - Z_baseline) / Z_lumped

Away from resonances q = 1: 0 dB, a single pulse at t = 0 in time. Each resonance stands out as its own ridge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from stillbox.analysis.impedance.findings import ResonanceFit, pairs_ohm
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.waterfall.decay import (
    DEFAULT_SLICES,
    FALL_FRACTION,
    CumulativeDecay,
    cumulative_spectral_decay,
    decay_at_frequencies,
    slope_db_per_s,
    window_energy_s,
)
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError

BoolArray = NDArray[np.bool_]

HIGHEST_HZ = 5_000.0
"""Above it the motional impedance of any cone driver is lost in the coil's."""
LARGEST_NOISE = 0.1
"""The band ends where the noise in the first slice exceeds this share of the baseline (-20 dB)."""
LARGEST_MISFIT = 0.2
"""The band ends where what the fit leaves unexplained exceeds this share of the lumped motional impedance."""
ABOVE_FUNDAMENTAL = 1.3
"""The band begins this far above the highest fundamental peak, where the quotient is not fed by the peak itself,"""
BELOW_RESONANCE = 0.8
"""but no higher than this share of the lowest resonance."""
LOW_TAPER = 1.3
HIGH_TAPER = 1.6
"""The quotient returns to 1 within these ratios of frequency outside the band; the wider the taper, the sooner its
own ringing is over."""
TAPER_DISTANCE = 1.12
"""Above the band the taper begins this far out, so that its ringing stays outside."""
HUM_RATIO = 10.0
"""A bin whose noise variance exceeds the median of its neighbourhood this many times is replaced."""
NEIGHBOURHOOD_BINS = 61
BANDS_PER_OCTAVE = 12
TIME_CONSTANTS = 9.0
"""The record lasts so many time constants of the slowest resonance (-78 dB), within the limits below."""
LEAST_FFT_LENGTH = 8_192
SHORTEST_RECORD_S = 0.4
LONGEST_RECORD_S = 3.0
RISE_S = 2e-3
"""Rise of the window: long enough to part the pulse at t = 0 from ridges above 100 Hz."""
RISE_CYCLES = 3.0
"""Rise of the window on a logarithmic grid, in cycles of each frequency."""
SHORTEST_SPAN_S = 0.05
LONGEST_SPAN_S = 0.25
SPAN_DB = 42.0
"""The slices span the time in which all ridges sink so far below the flat first slice."""
GRID_LOW_HZ = 20.0
GRID_POINTS = 480


@dataclass(frozen=True)
class DecayResponse:
    """Impulse response of the quotient, with what is needed to judge its decay.

    Attributes
    ----------
    impulse_response : ndarray, shape (n,)
        From t = 0 on; its spectrum is 1 away from resonances.
    sample_rate_hz : float
    band_hz : tuple of float
        Where the quotient is used as measured; outside it returns smoothly to 1.
    noise_frequency_hz, noise_variance : ndarray, shape (m,)
        E|noise|^2 of the quotient in a record of ``whole_record_s``.
    whole_record_s : float
        Length of the record the impedance comes from: 1 / resolution.
    suggested_span_s : float
        Time in which all ridges have sunk out of sight: for the slices. Two states to be compared need one span.
    replaced_bins : int
        Bins interpolated because hum stands in them.
    reasons : tuple of str
        Why the band ends where it ends, in words with numbers.
    """

    impulse_response: FloatArray
    sample_rate_hz: float
    band_hz: tuple[float, float]
    noise_frequency_hz: FloatArray
    noise_variance: FloatArray
    whole_record_s: float
    suggested_span_s: float
    replaced_bins: int
    reasons: tuple[str, ...]

    @property
    def record_s(self) -> float:
        return self.impulse_response.size / self.sample_rate_hz


def decay_response(
    spectrum: ImpedanceSpectrum,
    fit: ResonanceFit,
    *,
    highest_hz: float = HIGHEST_HZ,
    record_s: float | None = None,
) -> DecayResponse:
    """Impulse response of the motional impedance over that of the lumped baseline.

    Parameters
    ----------
    spectrum : ImpedanceSpectrum
        Bins at whole multiples of the resolution.
    fit : ResonanceFit
        At least one motional peak.
    highest_hz : float
        The band ends here at the latest, Hz; earlier where noise or the fit's misfit make the quotient meaningless.
    record_s : float, optional
        Length of the response kept, s. Default: nine time constants of the slowest resonance, 0.4 to 3 s, at most
        half of the record the impedance comes from.

    Raises
    ------
    StillboxError
        No motional peak in the fit; no band left; spectrum not on multiples of its resolution.
    """
    if not fit.motional:
        raise StillboxError(
            "the fit has no motional peak, so there is nothing to divide by",
            "a decay needs a take of a driver, free or in a box",
        )
    first_bin = _first_bin(spectrum)
    spectrum = _cut(spectrum, 1.05 * TAPER_DISTANCE * HIGH_TAPER * highest_hz)
    # The fundamental peaks alone: a broad pair of the fit may stand for a part of the coil.
    lumped = pairs_ohm(fit.motional, spectrum.frequency_hz)
    unexplained, variance, replaced = _without_hum(spectrum, fit)
    whole_record_s = 1.0 / spectrum.resolution_hz
    record_s = _record_length(fit, whole_record_s) if record_s is None else record_s
    band_hz, reasons = _band(
        spectrum.frequency_hz, unexplained, variance, lumped, fit, highest_hz, record_s / whole_record_s
    )
    resonant = pairs_ohm(fit.resonances, spectrum.frequency_hz)
    weight = _taper(spectrum.frequency_hz, band_hz)
    excess = weight * (resonant + unexplained) / lumped
    samples = _even_length(2.1 * TAPER_DISTANCE * HIGH_TAPER * band_hz[1] / spectrum.resolution_hz)
    quotient = np.ones(samples // 2 + 1, dtype=complex)
    used = min(spectrum.frequency_hz.size, quotient.size - first_bin)
    quotient[first_bin : first_bin + used] += excess[:used]
    sample_rate_hz = samples * spectrum.resolution_hz
    return DecayResponse(
        impulse_response=scipy.fft.irfft(quotient, samples)[: round(record_s * sample_rate_hz)],
        sample_rate_hz=sample_rate_hz,
        band_hz=band_hz,
        noise_frequency_hz=spectrum.frequency_hz[:used],
        noise_variance=(weight**2 * variance / np.abs(lumped) ** 2)[:used],
        whole_record_s=whole_record_s,
        suggested_span_s=_span(fit, record_s, band_hz),
        replaced_bins=replaced,
        reasons=reasons,
    )


def decay_of_response(
    response: DecayResponse,
    *,
    slices: int = DEFAULT_SLICES,
    span_s: float | None = None,
    rise_s: float = RISE_S,
    fft_length: int | None = None,
) -> CumulativeDecay:
    """Cumulative spectral decay of the quotient on the FFT's grid, with noise floor and band.

    The first slice, at ``-rise_s``, holds the whole response and lies flat at 0 dB but for the resonances. Parameters
    as for `cumulative_spectral_decay`; ``span_s`` is the start of the last slice (default: the response's own) and
    the FFT has at least 8,192 points.
    """
    if fft_length is None and response.impulse_response.size <= LEAST_FFT_LENGTH:
        fft_length = LEAST_FFT_LENGTH
    decay = cumulative_spectral_decay(
        response.impulse_response,
        response.sample_rate_hz,
        slices=slices,
        start_s=-rise_s,
        duration_s=response.suggested_span_s if span_s is None else span_s,
        rise_s=rise_s,
        fft_length=fft_length,
    )
    return _with_noise(decay, response)


def decay_on_log_grid(
    response: DecayResponse,
    *,
    slices: int = DEFAULT_SLICES,
    span_s: float | None = None,
    cycles: Sequence[float] | FloatArray | None = None,
    rise_cycles: float = RISE_CYCLES,
    low_hz: float = GRID_LOW_HZ,
    high_hz: float | None = None,
    points: int = GRID_POINTS,
) -> CumulativeDecay:
    """The same decay on a logarithmic frequency grid, for pictures and ridges.

    The rise lasts ``rise_cycles`` cycles of each frequency. The first slice holds the whole response; the others
    start evenly from 0 to ``span_s``, or where ``cycles`` puts them.
    """
    if cycles is not None and cycles[0] > -rise_cycles:
        cycles = np.concatenate([[-rise_cycles], cycles])
    high_hz = 0.5 * response.sample_rate_hz if high_hz is None else min(high_hz, 0.5 * response.sample_rate_hz)
    span_s = response.suggested_span_s if span_s is None else span_s
    times_s = np.concatenate([[-rise_cycles / low_hz], np.linspace(0.0, span_s, slices - 1)])
    decay = decay_at_frequencies(
        response.impulse_response,
        response.sample_rate_hz,
        np.geomspace(low_hz, high_hz, points),
        slice_times_s=times_s if cycles is None else None,
        cycles=cycles,
        rise_cycles=rise_cycles,
    )
    return _with_noise(decay, response)


def _cut(spectrum: ImpedanceSpectrum, highest_hz: float) -> ImpedanceSpectrum:
    """The spectrum up to a frequency; what lies above would only cost time."""
    kept = int(np.searchsorted(spectrum.frequency_hz, highest_hz))
    return spectrum.part(slice(kept))


def _first_bin(spectrum: ImpedanceSpectrum) -> int:
    place = spectrum.frequency_hz[0] / spectrum.resolution_hz
    if abs(place - round(place)) > 1e-3:
        raise StillboxError(
            f"the spectrum's first frequency, {spectrum.frequency_hz[0]:g} Hz, is no multiple of its resolution of "
            f"{spectrum.resolution_hz:g} Hz; a decay needs the bins of an FFT",
            "",
        )
    result: int = round(place)
    return result


def _without_hum(spectrum: ImpedanceSpectrum, fit: ResonanceFit) -> tuple[ComplexArray, FloatArray, int]:
    """What the fit leaves unexplained and its noise variance, with the bins that hum stands in interpolated.

    Interpolating the remainder and not the impedance keeps the fitted resonances whole under the hum.
    """
    unexplained = spectrum.impedance_ohm - fit.impedance_ohm(spectrum.frequency_hz)
    variance = spectrum.noise_variance_ohm2
    usual = median_filter(variance, size=min(NEIGHBOURHOOD_BINS, variance.size), mode="nearest")
    hum: BoolArray = variance > HUM_RATIO * usual
    if not hum.any() or hum.all():
        return unexplained, variance, 0
    bins = np.arange(variance.size)
    mended = unexplained.copy()
    mended[hum] = np.interp(bins[hum], bins[~hum], unexplained[~hum])
    return mended, np.where(hum, usual, variance), int(hum.sum())


def _record_length(fit: ResonanceFit, whole_record_s: float) -> float:
    slowest = min((abs(part.pole_rad_s.real) for part in fit.resonances), default=np.inf)
    return float(min(np.clip(TIME_CONSTANTS / slowest, SHORTEST_RECORD_S, LONGEST_RECORD_S), 0.5 * whole_record_s))


def _span(fit: ResonanceFit, record_s: float, band_hz: tuple[float, float]) -> float:
    """When the last ridge has sunk below ``SPAN_DB``: it starts at its height over the lumped impedance there."""
    ends_s = [
        (20 * np.log10(part.height_ohm / lumped_ohm) + SPAN_DB) / slope_db_per_s(part.frequency_hz, part.q)
        for part, lumped_ohm in zip(
            fit.resonances,
            np.abs(pairs_ohm(fit.motional, np.array([part.frequency_hz for part in fit.resonances]))),
            strict=True,
        )
        if band_hz[0] <= part.frequency_hz <= band_hz[1]
    ]
    return float(min(np.clip(max(ends_s, default=0.0), SHORTEST_SPAN_S, LONGEST_SPAN_S), 0.5 * record_s))


def _band(
    frequency_hz: FloatArray,
    unexplained: ComplexArray,
    variance: FloatArray,
    lumped: ComplexArray,
    fit: ResonanceFit,
    highest_hz: float,
    share_of_record: float,
) -> tuple[tuple[float, float], tuple[str, ...]]:
    """Where the quotient means something, and why no further."""
    fundamental_hz = max(part.frequency_hz for part in fit.motional)
    low_hz = ABOVE_FUNDAMENTAL * fundamental_hz
    low_reason = f"below {low_hz:.0f} Hz the fundamental peak at {fundamental_hz:.1f} Hz itself would show"
    lowest_hz = min((part.frequency_hz for part in fit.resonances), default=np.inf)
    if lowest_hz * BELOW_RESONANCE < low_hz:
        low_hz = BELOW_RESONANCE * lowest_hz
        low_reason = f"begins at {low_hz:.0f} Hz, just below the lowest resonance at {lowest_hz:.1f} Hz"
    low_hz = max(low_hz, LOW_TAPER * fit.band_hz[0], LOW_TAPER * frequency_hz[0])
    end_hz = min(highest_hz, min(fit.band_hz[1], frequency_hz[-1]) / (TAPER_DISTANCE * HIGH_TAPER))
    high_hz, high_reason = end_hz, f"ends at {end_hz:.0f} Hz, as far as a decay is asked for or was measured"
    for edge_hz, noise, misfit in _shares(frequency_hz, unexplained, variance, lumped, low_hz, end_hz, share_of_record):
        if noise > LARGEST_NOISE or misfit > LARGEST_MISFIT:
            cause = "the noise" if noise > LARGEST_NOISE else "what the fit cannot explain"
            share = noise if noise > LARGEST_NOISE else misfit
            high_hz = edge_hz
            high_reason = f"ends at {edge_hz:.0f} Hz: above it {cause} is {share:.0%} of the motional impedance"
            break
    if high_hz < 1.5 * low_hz:
        raise StillboxError(
            f"no decay can be computed: between {low_hz:.0f} Hz and {high_hz:.0f} Hz no band is left "
            f"({high_reason})",
            "take a longer or louder sweep",
        )
    return (float(low_hz), float(high_hz)), (low_reason, high_reason)


def _shares(
    frequency_hz: FloatArray,
    unexplained: ComplexArray,
    variance: FloatArray,
    lumped: ComplexArray,
    low_hz: float,
    high_hz: float,
    share_of_record: float,
) -> list[tuple[float, float, float]]:
    """Lower edge of each twelfth of an octave, with noise and misfit there as shares of the lumped impedance.

    Medians, so that a resonance that the fit has missed is not taken for a misfit of the coil.
    """
    edges_hz = low_hz * 2 ** (np.arange(int(BANDS_PER_OCTAVE * np.log2(high_hz / low_hz)) + 1) / BANDS_PER_OCTAVE)
    places = np.searchsorted(frequency_hz, edges_hz)
    shares = []
    for edge_hz, begin, end in zip(edges_hz[:-1], places[:-1], places[1:], strict=True):
        size = np.median(np.abs(lumped[begin:end]))
        noise_ohm2 = np.median(variance[begin:end])
        # The median of |noise|^2 is ln 2 of its mean.
        left_ohm2 = np.median(np.abs(unexplained[begin:end]) ** 2) / np.log(2)
        noise = np.sqrt(noise_ohm2 * share_of_record) / size
        misfit = np.sqrt(max(left_ohm2 - noise_ohm2, 0.0)) / size
        shares.append((float(edge_hz), float(noise), float(misfit)))
    return shares


def _taper(frequency_hz: FloatArray, band_hz: tuple[float, float]) -> FloatArray:
    """1 in the band, falling along half a raised cosine of log frequency outside it."""
    below = np.log(band_hz[0] / np.asarray(frequency_hz)) / np.log(LOW_TAPER)
    above = np.log(np.asarray(frequency_hz) / (TAPER_DISTANCE * band_hz[1])) / np.log(HIGH_TAPER)
    result: FloatArray = 0.5 + 0.5 * np.cos(np.pi * np.clip(np.maximum(below, above), 0.0, 1.0))
    return result


def _even_length(samples: float) -> int:
    length = int(scipy.fft.next_fast_len(int(np.ceil(samples)), real=True))
    return length if length % 2 == 0 else _even_length(length + 1)


def _with_noise(decay: CumulativeDecay, response: DecayResponse) -> CumulativeDecay:
    """Lay the noise floor on: the share of the record's noise energy that the window lets through."""
    time_s = decay.time_s[:, None] if decay.time_s.ndim == 1 else decay.time_s
    energy_s = window_energy_s(time_s, decay.record_s, decay.rise_s, FALL_FRACTION * decay.record_s)
    variance = np.interp(decay.frequency_hz, response.noise_frequency_hz, response.noise_variance)
    floor = np.sqrt(energy_s / response.whole_record_s * variance).astype(np.float32)
    return replace(decay, noise_floor=floor, band_hz=response.band_hz)
