"""Cumulative spectral decay: how the spectrum of an impulse response dies away, slice by slice.

Definition (Berman & Fincham, JAES 25(6) 370-384, 1977; Bunton & Small, JAES 30(6) 386-395, 1982; from memory)::

    C(tau, f) = sum over t of  h(t) w(t - tau) exp(-2 pi i f t)

The window has a moving start and a fixed end. It begins to open at ``tau``, along half a raised cosine that lasts
``rise_s``; it closes along half a raised cosine in the last ``fall_s`` of the record. A slice at ``tau = -rise_s``
holds the whole response. A resonance of natural frequency f0 and quality Q falls by ``27.2875 f0 / Q`` dB/s.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.fft
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from stillbox.analysis.maths.stopping import checked
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError

SingleArray = NDArray[np.float32]
BoolArray = NDArray[np.bool_]

DB_PER_NEPER = 20.0 / np.log(10.0)
DEFAULT_SLICES = 200
DEFAULT_RISE_S = 1e-3
FALL_FRACTION = 0.05
"""Share of the record in which the window closes, where the caller states none."""
WORKERS = 2
LOWEST_MAGNITUDE = 1e-9
"""Magnitudes below it are shown as -180 dB: a response can be exactly zero."""
CLEAR_OF_NOISE_DB = 9.0
"""A level this far above the noise floor is taken as meaningful; noise alone exceeds it at 1 point in 2,800."""


@dataclass(frozen=True)
class CumulativeDecay:
    """Magnitude of the decay over time and frequency.

    Attributes
    ----------
    time_s : ndarray, shape (n_t,), or (n_t, n_f) where the axis runs in cycles of each frequency
        tau: where the window of each slice begins to open; fully open ``rise_s`` later. From ``-rise_s`` on.
    frequency_hz : ndarray, shape (n_f,)
    magnitude : float32 ndarray, shape (n_t, n_f)
        |C(tau, f)|, linear, in units of the spectrum of the response.
    valid : bool ndarray, shape (n_t, n_f)
        False below 1/(T - tau): what is left of the record is shorter than one period.
    record_s : float
        Length T of the record used.
    rise_s : ndarray, shape () or (n_f,)
        Length of the window's rise, at each frequency if it differs.
    cycles : ndarray, shape (n_t,), or None
        The axis in cycles of each frequency, if it runs in cycles.
    noise_floor : float32 ndarray, shape (n_t, n_f), or None
        Root mean square of what the measurement's noise alone would show; None if unknown.
    band_hz : tuple of float or None
        Where the response carries information; None if everywhere.
    """

    time_s: FloatArray
    frequency_hz: FloatArray
    magnitude: SingleArray
    valid: BoolArray
    record_s: float
    rise_s: FloatArray
    cycles: FloatArray | None = None
    noise_floor: SingleArray | None = None
    band_hz: tuple[float, float] | None = None

    @cached_property
    def level_db(self) -> SingleArray:
        """20 lg |C|, dB."""
        return _level_db(self.magnitude)

    @cached_property
    def noise_floor_db(self) -> SingleArray | None:
        """20 lg of the noise floor, dB; None if unknown."""
        return None if self.noise_floor is None else _level_db(self.noise_floor)

    @cached_property
    def meaningful(self) -> BoolArray:
        """Valid, inside the band, and clear of the noise; shape (n_t, n_f)."""
        meaningful = self.valid.copy()
        if self.noise_floor is not None:
            meaningful &= self.magnitude > self.noise_floor * 10 ** (CLEAR_OF_NOISE_DB / 20)
        if self.band_hz is not None:
            meaningful &= (self.frequency_hz >= self.band_hz[0]) & (self.frequency_hz <= self.band_hz[1])
        return meaningful


def slope_db_per_s(frequency_hz: float, q: float) -> float:
    """Rate at which a resonance falls: 20 lg(e) pi f0/Q = 27.2875 f0/Q dB per second."""
    return float(DB_PER_NEPER * np.pi * frequency_hz / q)


def cumulative_spectral_decay(
    impulse_response: FloatArray,
    sample_rate_hz: float,
    *,
    slices: int = DEFAULT_SLICES,
    start_s: float = 0.0,
    duration_s: float | None = None,
    slice_times_s: Sequence[float] | FloatArray | None = None,
    record_s: float | None = None,
    fft_length: int | None = None,
    rise_s: float = DEFAULT_RISE_S,
    fall_s: float | None = None,
) -> CumulativeDecay:
    """Decay on the even frequency grid of the FFT.

    Parameters
    ----------
    impulse_response : ndarray, shape (n,)
        Response from t = 0 on.
    sample_rate_hz : float
    slices, start_s, duration_s
        Number of slices, evenly spread from ``start_s`` (down to ``-rise_s``, where the whole response is in the
        window) to ``duration_s`` (default: half of the record).
    slice_times_s : sequence of float, optional
        Starts of the slices instead, s, in rising order; they are rounded to whole samples.
    record_s : float, optional
        Use only so much of the response (the fixed end of the window). Default: all.
    fft_length : int, optional
        At least the samples of the record. Default: the next fast length.
    rise_s : float
        Length of the raised-cosine rise, s. A rise of one period of the lowest resonance keeps the ripple from
        the negative frequencies below 0.05 dB; short rises show the first moments of high resonances better.
    fall_s : float, optional
        Length of the raised-cosine fall at the record's end, s. Default: 5 % of the record.

    Returns
    -------
    CumulativeDecay
        ``frequency_hz`` has ``fft_length // 2 + 1`` points; single precision (about 1e-6 of each slice's maximum).

    Raises
    ------
    StillboxError
        Response not one-dimensional or not finite; times, lengths or rates out of range.
    """
    record = _record(impulse_response, sample_rate_hz, record_s, fall_s)
    rise = _rise(rise_s, sample_rate_hz, record.size)
    record_length_s = record.size / sample_rate_hz
    if slice_times_s is None:
        slice_times_s = _even_times(slices, start_s, 0.5 * record_length_s if duration_s is None else duration_s)
    times = _checked_times(slice_times_s, rise_s, record_length_s)
    length = _fft_length(fft_length, record.size)
    starts = np.maximum(np.rint(times * sample_rate_hz).astype(int), -rise.size)
    spectra = scipy.fft.rfft(
        _windowed_slices(record.astype(np.float32), starts, rise.astype(np.float32), length),
        axis=1,
        workers=WORKERS,
        overwrite_x=True,
    )
    time_s = starts / float(sample_rate_hz)
    frequency_hz = np.asarray(np.arange(length // 2 + 1) * (sample_rate_hz / length), dtype=np.float64)
    return CumulativeDecay(
        time_s=time_s,
        frequency_hz=frequency_hz,
        magnitude=np.abs(spectra),
        valid=supported(time_s[:, None], frequency_hz, record_length_s),
        record_s=record_length_s,
        rise_s=np.asarray(rise.size / sample_rate_hz),
    )


def decay_at_frequencies(
    impulse_response: FloatArray,
    sample_rate_hz: float,
    frequency_hz: FloatArray,
    *,
    slice_times_s: Sequence[float] | FloatArray | None = None,
    cycles: Sequence[float] | FloatArray | None = None,
    record_s: float | None = None,
    rise_s: float = DEFAULT_RISE_S,
    rise_cycles: float | None = None,
    fall_s: float | None = None,
) -> CumulativeDecay:
    """The same decay at frequencies of one's own choice, summed directly instead of by FFT.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n_f,)
        Above 0, at most half of the rate.
    slice_times_s, cycles
        Exactly one of them: the start of each slice in seconds, or in cycles of each frequency. Starts that lie
        before the rise of a frequency are taken at its ``-rise_s``, where the whole response is in the window.
    rise_s : float
        Length of the rise, s, unless ``rise_cycles`` is given:
    rise_cycles : float, optional
        Length of the rise in cycles of each frequency. Three cycles keep the skirts of a strong resonance out of its
        neighbours at all frequencies alike, which no fixed length does on a logarithmic axis.

    Other parameters and errors as for `cumulative_spectral_decay`; double precision.
    """
    if (slice_times_s is None) == (cycles is None):
        raise StillboxError("give either slice_times_s or cycles for the decay, not both and not neither", "")
    frequency_hz = np.asarray(frequency_hz, dtype=np.float64)
    if frequency_hz.ndim != 1 or not np.all(frequency_hz > 0) or np.any(frequency_hz > sample_rate_hz / 2):
        raise StillboxError(
            f"frequencies of the decay must lie above 0 and up to half of the rate, {sample_rate_hz / 2:g} Hz", ""
        )
    record = _record(impulse_response, sample_rate_hz, record_s, fall_s)
    record_length_s = record.size / sample_rate_hz
    rises_s = rise_s + 0.0 * frequency_hz if rise_cycles is None else rise_cycles / frequency_hz
    rises = np.array([_rise_samples(value, sample_rate_hz, record.size) for value in rises_s])
    if slice_times_s is not None:
        axis = _checked_times(slice_times_s, float(rises_s.max()), record_length_s)
        wanted_s = np.maximum(axis[:, None], -rises / sample_rate_hz)
    else:
        axis = np.asarray(cycles, dtype=np.float64)
        wanted_s = np.maximum(axis[:, None] / frequency_hz, -rises / sample_rate_hz)
    starts = np.minimum(np.rint(wanted_s * sample_rate_hz).astype(int), record.size)
    magnitude = np.empty(starts.shape, dtype=np.float32)
    for column, frequency in enumerate(frequency_hz):
        checked()
        turned = record * _turns(-frequency / sample_rate_hz, record.size)
        magnitude[:, column] = np.abs(_sums_under_window(turned, starts[:, column], int(rises[column])))
    return CumulativeDecay(
        time_s=starts / float(sample_rate_hz) if cycles is not None else axis,
        frequency_hz=frequency_hz,
        magnitude=magnitude,
        valid=supported(starts / sample_rate_hz, frequency_hz, record_length_s),
        record_s=record_length_s,
        rise_s=rises / float(sample_rate_hz),
        cycles=axis if cycles is not None else None,
    )


def window_energy_s(time_s: FloatArray, record_s: float, rise_s: FloatArray, fall_s: float) -> FloatArray:
    """Integral of the squared window over the record, s, for slices starting at ``time_s``; broadcasts ``rise_s``.

    Half a raised cosine has a mean square of 3/8; the part of a rise that lies before t = 0 is not counted.
    """
    open_s = np.clip(record_s - fall_s - np.maximum(time_s + rise_s, 0.0), 0.0, None)
    rising_s = np.clip(rise_s + np.minimum(time_s, 0.0), 0.0, np.clip(record_s - time_s, 0.0, None))
    return np.asarray(open_s + 0.375 * (rising_s + fall_s))


def supported(time_s: FloatArray, frequency_hz: FloatArray, record_s: float) -> BoolArray:
    """Where at least one period fits into what is left of the record: f >= 1/(T - tau)."""
    return np.asarray((record_s - time_s) * frequency_hz >= 1.0)


def _level_db(magnitude: SingleArray) -> SingleArray:
    return np.asarray(20 * np.log10(np.maximum(magnitude, np.float32(LOWEST_MAGNITUDE))), dtype=np.float32)


def _record(
    impulse_response: FloatArray, sample_rate_hz: float, record_s: float | None, fall_s: float | None
) -> FloatArray:
    """The part of the response that is used, with the fall of the window's fixed end laid on."""
    response = np.asarray(impulse_response, dtype=float)
    if response.ndim != 1 or response.size < 2:
        raise StillboxError(f"the impulse response must be one row of at least 2 samples, not {response.shape}", "")
    if not np.all(np.isfinite(response)):
        raise StillboxError("the impulse response holds values that are not finite; no decay can be computed", "")
    if not sample_rate_hz > 0:
        raise StillboxError(f"the sample rate of the decay must be above 0 Hz, not {sample_rate_hz:g}", "")
    available_s = response.size / sample_rate_hz
    if record_s is not None and not 2 / sample_rate_hz <= record_s <= available_s * (1 + 1e-9):
        raise StillboxError(
            "the record of the decay must be longer than 2 samples and at most the "
            f"{available_s:g} s of the response, not {record_s:g} s",
            "",
        )
    size = response.size if record_s is None else min(round(record_s * sample_rate_hz), response.size)
    fall_s = FALL_FRACTION * size / sample_rate_hz if fall_s is None else fall_s
    if not 0 <= fall_s <= size / sample_rate_hz:
        raise StillboxError(
            f"the fall of the decay's window must be 0 to {size / sample_rate_hz:g} s (the record), not {fall_s:g} s",
            "",
        )
    record = response[:size].copy()
    fall = _rise(fall_s, sample_rate_hz, size)[::-1]
    record[size - fall.size :] *= fall
    return record


def _even_times(slices: int, start_s: float, duration_s: float) -> FloatArray:
    if slices < 2:
        raise StillboxError(f"a decay needs at least 2 slices, not {slices}", "")
    return np.linspace(start_s, duration_s, slices)


def _checked_times(slice_times_s: Sequence[float] | FloatArray, rise_s: float, record_s: float) -> FloatArray:
    times = np.asarray(slice_times_s, dtype=float)
    if times.ndim != 1 or times.size == 0 or not np.all(np.diff(times) >= 0):
        raise StillboxError("the slices of a decay must start at rising times in one row", "")
    if times[0] < -rise_s * (1 + 1e-9) or not times[-1] < record_s:
        raise StillboxError(
            f"the slices of the decay must lie from {-rise_s:g} s (the rise) to below the record's end at "
            f"{record_s:g} s",
            f"{times[0]:g} to {times[-1]:g} s were asked for",
        )
    return times


def _fft_length(fft_length: int | None, record_samples: int) -> int:
    if fft_length is None:
        return int(scipy.fft.next_fast_len(record_samples, real=True))
    if fft_length < record_samples:
        raise StillboxError(
            f"an FFT of {fft_length} points would cut the record of {record_samples} samples",
            f"shorten the record or use at least {record_samples} points",
        )
    return int(fft_length)


def _rise_samples(rise_s: float, sample_rate_hz: float, record_samples: int) -> int:
    samples = round(rise_s * sample_rate_hz)
    if not 0 <= samples <= record_samples:
        raise StillboxError(
            f"the rise of the decay's window must be 0 to {record_samples / sample_rate_hz:g} s (the record), "
            f"not {rise_s:g} s",
            "",
        )
    return samples


def _rise(rise_s: float, sample_rate_hz: float, record_samples: int) -> FloatArray:
    """Half a raised cosine from just above 0 to just below 1."""
    samples = _rise_samples(rise_s, sample_rate_hz, record_samples)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * (np.arange(samples) + 0.5) / max(samples, 1)))


def _windowed_slices(record: SingleArray, starts: NDArray[np.int_], rise: SingleArray, length: int) -> SingleArray:
    """One windowed copy of the record's tail in each row, moved to the row's start: the magnitude does not mind."""
    padded = np.concatenate([record, np.zeros(length, dtype=record.dtype)])
    rows = sliding_window_view(padded, length)[np.maximum(starts, 0)]
    first_inside = int(np.searchsorted(starts, 0))
    rows[first_inside:, : rise.size] *= rise
    for row in range(first_inside):  # of a rise that begins before t = 0 only the end lies inside the record
        rows[row, : rise.size + starts[row]] *= rise[-starts[row] :]
    return rows


def _turns(turns_per_sample: float, samples: int) -> ComplexArray:
    result: ComplexArray = np.exp(2j * np.pi * turns_per_sample * np.arange(samples))
    return result


def _tails(values: ComplexArray) -> ComplexArray:
    """Sum from each sample to the end; from the end, small late values first, so late slices stay precise."""
    return np.append(np.cumsum(values[::-1])[::-1], 0.0)


def _sums_under_window(turned: ComplexArray, starts: NDArray[np.int_], rise: int) -> ComplexArray:
    """Sum of a demodulated record under the window, for each start.

    The rise is a constant and a cosine, so three running sums give every slice, however long the rise::

        sum over k of x_k (1/2 - 1/4 e^{i a (k - s + 1/2)} - 1/4 e^{-i a (k - s + 1/2)}),  a = pi / rise
    """
    begins = np.clip(starts, 0, turned.size)
    ends = np.clip(starts + rise, 0, turned.size)
    plain = _tails(turned)
    sums = plain[ends]
    if rise == 0:
        return sums
    sums = sums + 0.5 * (plain[begins] - plain[ends])
    for sign in (1, -1):
        tails = _tails(turned * _turns(sign / (2 * rise), turned.size))
        back = np.exp(-1j * sign * np.pi * (starts - 0.5) / rise)
        sums -= 0.25 * back * (tails[begins] - tails[ends])
    return sums
