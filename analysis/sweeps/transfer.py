"""From a two-channel recording of the sweep to the ratio of the channels, with its noise.

The ratio of the two spectra needs no knowledge of the level, and the converters' common response cancels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stillbox.analysis.maths.stopping import checked
from stillbox.analysis.sweeps.deconvolution import sweep_spectra
from stillbox.analysis.sweeps.hum import find_hum
from stillbox.analysis.sweeps.silence_noise import hum_rest, noise_spectra, silent_spans
from stillbox.analysis.sweeps.sweep_distortion import bent_variance
from stillbox.analysis.sweeps.sweep_drift import Jump
from stillbox.analysis.sweeps.sweep_jumps import without_jumps
from stillbox.analysis.sweeps.sweep_scatter import combine_sweeps
from stillbox.analysis.sweeps.sweep_words import said_of_sweeps
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import Recording

_WINDOW_ERROR = 0.7e-5
"""What is cut off before the impulse leaves so much of the ratio at low frequencies (measured)."""

_SHORTEST_GATE_S, _LONGEST_GATE_S = 0.02, 1_000.0


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
    jumps : tuple of Jump
        What jumped within a sweep and was taken out.
    bent_variance : ndarray, shape (n,), or None
        The part of ``noise_variance`` that is for what bends; neighbours share it.
    silent_variance : ndarray, shape (n,), or None
        Of one sweep alone: ``noise_variance`` had it been as quiet as the silences.
    """

    frequency_hz: FloatArray
    ratio: ComplexArray
    noise_variance: FloatArray
    noise_dbfs: tuple[float, float]
    hum_hz: float | None
    hum_dbfs: float | None
    warnings: tuple[str, ...] = ()
    common: tuple[ComplexArray, ...] = ()
    jumps: tuple[Jump, ...] = ()
    bent_variance: FloatArray | None = None
    silent_variance: FloatArray | None = None


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
            f"gate {gate_s:g} s is not {_SHORTEST_GATE_S:g} to {_LONGEST_GATE_S:g} s", "give such a one, or none"
        )
    if recording.samples.shape[1] < 2:
        raise StillboxError(f"take {info.number} has one channel only", "a ratio needs both inputs of the jig")
    spans = silent_spans(info.frames, info.sweep_starts, excitation)
    if not spans:
        raise StillboxError(
            f"take {info.number} has no silence of 0.1 s around the sweep to estimate the noise from",
            "record again with silence before and after",
        )
    hum = find_hum(recording.samples, rate, spans)
    checked()
    noise = noise_spectra(recording.samples, rate, spans, hum)
    if not np.any(recording.samples[:, 0]):
        raise StillboxError(f"take {info.number}: channel 1 carries no signal", "check the wiring and record again")
    spectra = sweep_spectra(recording, hum, gate_s)
    frequency_hz, mean = spectra.frequency_hz, spectra.ratios.mean(axis=0)
    quiet = noise.of_ratio(frequency_hz, mean)
    if hum is not None:
        quiet += hum_rest(hum, noise, frequency_hz, mean, rate)
    variance = spectra.ratio_variance(quiet)
    recording, spectra, jumps = without_jumps(recording, hum, gate_s, spectra, variance)
    windows = np.zeros(frequency_hz.size)
    windows[: spectra.low_bins] = (_WINDOW_ERROR * np.abs(mean[: spectra.low_bins])) ** 2
    combined = combine_sweeps(frequency_hz, spectra.ratios, variance, info.jig, jumps)
    variance = combined.variance + windows
    checked()
    alone, bent = len(combined.excess) == 1, None
    if gate_s is None:
        bent = bent_variance(recording, hum, frequency_hz, combined.ratio, combined.variance)
        variance = variance + bent
    return ChannelRatio(
        frequency_hz=frequency_hz,
        ratio=combined.ratio,
        noise_variance=variance,
        noise_dbfs=(_level_dbfs(noise.power_1), _level_dbfs(noise.power_2)),
        hum_hz=None if hum is None else hum.fundamental_hz,
        hum_dbfs=None if hum is None else float(20 * np.log10(np.max(hum.rms))),
        warnings=said_of_sweeps(frequency_hz, combined),
        common=combined.drift.common,
        jumps=jumps,
        bent_variance=bent,
        silent_variance=variance + combined.variance * (1 / combined.excess[0] - 1) if alone else None,
    )


def _level_dbfs(power: FloatArray) -> float:
    return float(10 * np.log10(max(float(np.mean(power)), 1e-30)))
