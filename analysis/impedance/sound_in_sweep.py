"""A sound in the room during the only sweep of a take: what cannot be told from it is no resonance.

Beside what the fit takes for driver and coil, a response is only ringing: it starts at time 0 and falls. A sound at one
moment of the sweep lies later at each frequency, the later the lower that is, as a hump after a valley; the fit makes
many resonances of it that cancel each other until then. So the rest is looked at over time in bands:

- Where it exceeds what ringing of the highest Q leaves of all that was before, it is a sound. Where nothing beats,
  below the air of a box, each valley counts as well: it leaves less.
- Where a sound is known to be, every valley counts at all frequencies.
- Nothing of a speaker rings below its lowest peak: two resonances there are none.

The noise is raised by what was heard, and the resonances are looked for again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage, special

from stillbox.analysis.impedance.findings import ResonanceFit, pairs_ohm
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.maths.number_words import frequency_words, short_number
from stillbox.analysis.maths.stopping import checked
from stillbox.analysis.sweeps.sweep_alone import NOTHING_BEATS_BELOW_HZ, highest_q
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.sweep.excitation import Excitation

_BANDS_PER_OCTAVE = 24
_HALF_BAND = 0.3
"""Half width of a band over its frequency."""
_HIGHEST_HZ = 4_000.0
_STEEP, _FLAT = (15.0, 1e-11), (8.0, 1e-6)
"""Kaiser's beta of the bands, and the power that they leave beside their peak in time: in the lowest bands a sound
follows so early that the peak must be narrow."""
_FLAT_BELOW_HZ = 40.0
_LONGEST = 0.7
"""Part of the response in which is listened: what lies later is faded out, or before time 0."""
_OVER_NOISE = 25.0
"""Power of noise exceeds so many times its mean with the probability of 1e-11; 1e5 values are looked at."""
_OVER_VALLEY, _OVER_VALLEY_IN_SOUND = 4.0, 2.0
_STEP_S, _AROUND_S = 0.02, 0.1
"""Moments of the sweep are told apart so finely; a sound begins and ends within so much of where it is found."""
_OF_ITS_MEAN = 2.0
"""Noise is taken for so many times the power that a sound has in the mean from time 0 to where it lies."""
_NEIGHBOURS = 4
"""Bands to both sides that share the noise of the loudest."""
_LOW_OCTAVES = 0.5
_ROUNDS = 3
_MORE = 1.2


@dataclass(frozen=True)
class _Band:
    """Power of the rest around one frequency over time, in units of the noise of the silences.

    ``ringing`` is what the highest Q leaves at most of all that was before, ``valley`` of the least that was before;
    ``clear`` tells where time 0 is far enough.
    """

    frequency_hz: float
    time_s: FloatArray
    power: FloatArray
    ringing: FloatArray
    valley: FloatArray
    clear: NDArray[np.bool_]

    @classmethod
    def of(cls, spectrum: ImpedanceSpectrum, rest_ohm: ComplexArray, variance: FloatArray, centre_hz: float) -> _Band:
        checked()
        beta, leak = _FLAT if centre_hz < _FLAT_BELOW_HZ else _STEEP
        half_hz, length_s = _HALF_BAND * centre_hz, 1 / spectrum.resolution_hz
        first, last = np.searchsorted(spectrum.frequency_hz, [centre_hz - half_hz, centre_hz + half_hz])
        place = (spectrum.frequency_hz[first:last] - centre_hz) / half_hz
        window = special.i0(beta * np.sqrt(np.maximum(1 - place**2, 0.0)))
        size = fft.next_fast_len(4 * window.size)
        let_through = fft.ifft(rest_ohm[first:last] * window, size) * size
        power = np.abs(let_through[: int(_LONGEST * size)]) ** 2 / np.sum(window**2 * variance[first:last])
        time_s = np.arange(power.size) * length_s / size
        lobe_s = np.hypot(beta, np.pi) / np.pi / (2 * half_hz)
        before = max(1, int(np.ceil(0.6 * lobe_s / time_s[1])))
        decay = 2 * np.pi * centre_hz / highest_q((1 + _HALF_BAND) * centre_hz) * time_s

        def left(accumulate: np.ufunc, values: FloatArray) -> FloatArray:
            level = accumulate.accumulate(np.log(np.maximum(values, 1e-12)) + decay)
            result: FloatArray = np.exp(np.concatenate([np.full(before, 700.0), level[:-before] - decay[before:]]))
            return result

        smooth = ndimage.uniform_filter1d(power, before)
        valley = left(np.minimum, smooth) + leak * power.max()
        return cls(centre_hz, time_s, power, left(np.maximum, power), valley, time_s > 1.1 * lobe_s)

    def moments(self, excitation: Excitation) -> NDArray[np.int64]:
        """Which moment of the sweep each time is, in steps."""
        checked()
        swept_s = excitation.rate_constant_s * np.log(self.frequency_hz / excitation.low_hz)
        result: NDArray[np.int64] = np.maximum((swept_s + self.time_s) / _STEP_S, 0).astype(int)
        return result

    def is_sound(self) -> NDArray[np.bool_]:
        if self.frequency_hz >= NOTHING_BEATS_BELOW_HZ:
            return self.power > _OVER_NOISE * (1 + self.ringing)
        return self.clear & (self.power > _OVER_VALLEY * self.valley + _OVER_NOISE)

    def loudness(self, excitation: Excitation, sounding: NDArray[np.bool_]) -> float:
        """Noise power for what is heard, over that of the silences."""
        known = sounding[self.moments(excitation)]
        over_valley = self.power > _OVER_VALLEY_IN_SOUND * self.valley + _OVER_NOISE
        heard = self.is_sound() | (known & self.clear & over_valley)
        if not heard.any():
            return 1.0
        power, time_s = self.power[heard], self.time_s[heard]
        late_s = np.sum(power * time_s) / np.sum(power)
        return max(1.0, float(_OF_ITS_MEAN * np.sum(power) * self.time_s[1] / late_s))


def fit_beside_sounds(
    spectrum: ImpedanceSpectrum, excitation: Excitation, fitted: Callable[[ImpedanceSpectrum], ResonanceFit]
) -> tuple[ImpedanceSpectrum, ResonanceFit]:
    """Resonances that are no sound, and the spectrum with the noise that they were held against.

    Parameters
    ----------
    spectrum : ImpedanceSpectrum
        With ``silent_variance_ohm2`` in a take of one sweep; that of another is fitted as it is.
    excitation : Excitation
    fitted : callable
        Finds the resonances of a spectrum.
    """
    fit = fitted(spectrum)
    if spectrum.silent_variance_ohm2 is None:
        return spectrum, fit
    told = spectrum
    for _ in range(_ROUNDS):
        variance = np.maximum(variance_of_sounds(spectrum, excitation, fit), _below_all_peaks(spectrum, fit))
        louder = variance > _MORE * told.noise_variance_ohm2
        if not louder.any():
            break
        told = replace(told, noise_variance_ohm2=np.maximum(told.noise_variance_ohm2, variance))
        fit = fitted(told)
    if told is spectrum:
        return spectrum, fit
    return told, replace(fit, warnings=(*fit.warnings, _said(spectrum, told)))


def variance_of_sounds(spectrum: ImpedanceSpectrum, excitation: Excitation, fit: ResonanceFit) -> FloatArray:
    """Variance for sounds, ohm^2, shape (n,)."""
    assert spectrum.silent_variance_ohm2 is not None
    listened = slice(0, int(np.searchsorted(spectrum.frequency_hz, (1 + _HALF_BAND) * _HIGHEST_HZ)))
    rest_ohm = spectrum.impedance_ohm[listened] - fit.baseline_ohm(spectrum.frequency_hz[listened])
    silent = (spectrum.silent_variance_ohm2 + spectrum.calibration_variance_ohm2)[listened]
    lowest_hz = spectrum.frequency_hz[0] / (1 - _HALF_BAND)
    highest_hz = min(spectrum.frequency_hz[-1] / (1 + _HALF_BAND), _HIGHEST_HZ)
    octaves = np.arange(0, np.log2(highest_hz / lowest_hz), 1 / _BANDS_PER_OCTAVE)
    bands = [_Band.of(spectrum, rest_ohm, silent, centre_hz) for centre_hz in lowest_hz * 2**octaves]
    latest_s = excitation.seconds + 1 / spectrum.resolution_hz
    sounding = np.zeros(int(latest_s / _STEP_S) + 2, dtype=bool)
    for band in bands:
        sounding[band.moments(excitation)[band.is_sound()]] = True
    sounding = ndimage.maximum_filter1d(sounding, 2 * round(_AROUND_S / _STEP_S) + 1)
    loudness = np.array([band.loudness(excitation, sounding) for band in bands])
    loudness = ndimage.maximum_filter1d(loudness, 2 * _NEIGHBOURS + 1)
    place = np.log2(spectrum.frequency_hz / lowest_hz)
    found = np.interp(place, octaves, loudness, right=1.0)
    return np.where(found > 1, found * spectrum.silent_variance_ohm2, 0.0)


def _below_all_peaks(spectrum: ImpedanceSpectrum, fit: ResonanceFit) -> FloatArray:
    """Variance for what rings below the lowest peak, where nothing of a speaker does, ohm^2, shape (n,)."""
    lowest_hz = min((peak.frequency_hz for peak in fit.motional), default=0.0)
    below = [resonance for resonance in fit.resonances if resonance.frequency_hz < lowest_hz]
    if len(below) < 2:
        return np.zeros(spectrum.frequency_hz.size)
    power = np.abs(pairs_ohm(below, spectrum.frequency_hz)) ** 2
    reach = 2**_LOW_OCTAVES
    first = np.searchsorted(spectrum.frequency_hz, spectrum.frequency_hz / reach)
    last = np.searchsorted(spectrum.frequency_hz, spectrum.frequency_hz * reach)
    shown = spectrum.frequency_hz < lowest_hz * reach
    highest = [float(power[low:high].max()) for low, high in zip(first[shown], last[shown], strict=True)]
    return np.concatenate([highest, np.zeros(np.count_nonzero(~shown))])


def _said(spectrum: ImpedanceSpectrum, told: ImpedanceSpectrum) -> str:
    ratio = told.noise_variance_ohm2 / spectrum.noise_variance_ohm2
    places = spectrum.frequency_hz[ratio > _MORE]
    return (
        f"a sound in the room looks like resonances between {frequency_words(places[0])} and "
        f"{frequency_words(places[-1])}, up to {short_number(np.sqrt(ratio.max()))} times the noise of the sweep: what "
        "does not stand above it is not told there; keep quiet and sweep again, or record several sweeps"
    )
