"""Deconvolution against pyfar, harmonics cut away, hum taken out, and noise that is what it is said to be."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pyfar
import pytest
from recorded import recording
from reference.analytic import impedance_ohm
from reference.jig_circuit import Jig, node_voltages
from reference.random_speakers import random_speaker
from reference.recordings import CLEAN, Chain, record
from scipy import fft, signal

from stillbox.analysis.sweeps.deconvolution import (
    band_filter,
    deconvolved,
    inverse_filter,
    sweep_spectra,
    usable_band_hz,
)
from stillbox.analysis.sweeps.transfer import ChannelRatio, channel_ratio
from stillbox.capture.errors import StillboxError
from stillbox.capture.sweep.excitation import Excitation, sweep_samples, sweep_starts

SPEAKER = random_speaker(3, "null").in_box
SHORT = Excitation(seconds=1.0, silence_before_s=0.5, silence_after_s=0.4, repeats=1)
QUIET = Chain(noise_dbfs=(-130.0, -130.0))


def true_ratio(frequency_hz: np.ndarray) -> np.ndarray:
    first, second = node_voltages(Jig(), impedance_ohm(SPEAKER, frequency_hz))
    return second / first


def measured(samples: np.ndarray, excitation: Excitation = SHORT, gate_s: float | None = None) -> ChannelRatio:
    return channel_ratio(recording(samples, excitation), gate_s)


def squared_error_over_variance(ratio: ChannelRatio) -> np.ndarray:
    return np.abs(ratio.ratio - true_ratio(ratio.frequency_hz)) ** 2 / ratio.noise_variance


def uncut_ratio(samples: np.ndarray, excitation: Excitation, frequency_hz: np.ndarray) -> np.ndarray:
    """Spectrum over spectrum of all that was recorded from the start of the sweep on."""
    spectra = fft.rfft(samples[sweep_starts(excitation)[0] :], axis=0)
    step_hz = excitation.sample_rate_hz / (len(samples) - sweep_starts(excitation)[0])
    return (spectra[:, 1] / spectra[:, 0])[np.rint(frequency_hz / step_hz).astype(int)]


# Deconvolution


@pytest.mark.parametrize("channel", [0, 1])
def test_deconvolution_equals_that_of_pyfar(channel: int) -> None:
    samples = record(SPEAKER, SHORT, CLEAN, seed=1)
    segment = samples[sweep_starts(SHORT)[0] :, channel]
    rate_hz, sweep = SHORT.sample_rate_hz, sweep_samples(SHORT)
    frequency_hz = fft.rfftfreq(segment.size, 1 / rate_hz)
    response = deconvolved(segment, inverse_filter(fft.rfft(sweep, segment.size), band_filter(frequency_hz, SHORT)))

    padded = pyfar.Signal(np.pad(sweep, (0, segment.size - sweep.size)), rate_hz)
    # A wider band than is compared: pyfar's regularisation sets in gently within its limits.
    inverse = pyfar.dsp.RegularizedSpectrumInversion.from_frequency_range(padded, (5.0, 24_000.0)).invert
    theirs = (pyfar.Signal(segment, rate_hz) * inverse).freq[0]

    low_hz, high_hz = usable_band_hz(SHORT)
    inside = (frequency_hz >= low_hz) & (frequency_hz <= min(high_hz, 20_000.0))
    np.testing.assert_allclose(fft.rfft(response)[inside], theirs[inside], rtol=1e-9)


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "seconds", "advances_s"),
    [
        (20.0, 20_000.0, 10.0, (1.00343, 1.59040, 2.00687, 2.32990)),
        (20.0, 20_000.0, 1.0, (0.10034, 0.15904, 0.20069, 0.23299)),
        (10.0, 24_000.0, 5.0, (0.44528, 0.70576, 0.89057, 1.03391)),
    ],
)
def test_harmonics_come_as_much_earlier_as_published(
    low_hz: float, high_hz: float, seconds: float, advances_s: tuple[float, ...]
) -> None:
    """dt = L ln k (Farina, AES preprint 5093, 2000 [M]; digits re-derived), and so in a recording."""
    excitation = Excitation(low_hz=low_hz, high_hz=high_hz, seconds=seconds, silence_after_s=0.5, repeats=1)
    for order, advance_s in enumerate(advances_s, start=2):
        assert excitation.harmonic_advance_s(order) == pytest.approx(advance_s, abs=6e-6)
    sweep = sweep_samples(excitation)
    length = fft.next_fast_len(2 * sweep.size)
    frequency_hz = fft.rfftfreq(length, 1 / excitation.sample_rate_hz)
    for order, advance_s in enumerate(advances_s, start=2):
        # Chebyshev polynomials make one harmonic each; what of it lies above the band is not looked at.
        peak = 10 ** (excitation.level_dbfs / 20)
        harmonic = np.cos(order * np.arccos(np.clip(sweep / peak, -1, 1)))
        low = np.where(frequency_hz < 0.4 * high_hz / order, band_filter(frequency_hz, excitation), 0.0)
        response = deconvolved(np.pad(harmonic, (0, length - sweep.size)), inverse_filter(fft.rfft(sweep, length), low))
        late = (length - int(np.argmax(np.abs(response)))) / excitation.sample_rate_hz
        assert late == pytest.approx(advance_s, abs=1e-3)


def test_response_keeps_its_low_end() -> None:
    """A steady offset and everything else aside: without noise the ratio is exact to a few parts in a million."""
    ratio = measured(record(SPEAKER, SHORT, Chain(), seed=1))
    error = np.abs(ratio.ratio / true_ratio(ratio.frequency_hz) - 1)
    assert error.max() < 1e-5
    assert ratio.frequency_hz[0] < 14.0 + (ratio.frequency_hz[1] - ratio.frequency_hz[0])
    assert ratio.frequency_hz[-1] > 21_700


def test_a_long_sweep_is_no_finer_than_a_speaker_rings() -> None:
    """Of a sweep of 20 s 8 s of response are kept: the rest would be noise."""
    excitation = Excitation(seconds=20.0, repeats=1, silence_after_s=1.0)
    ratio = measured(record(8.0, excitation, CLEAN, seed=1), excitation)
    assert 8 < 1 / (ratio.frequency_hz[1] - ratio.frequency_hz[0]) < 9.01  # and up to 1 s before the impulse
    usual = Excitation(seconds=5.0, repeats=1, silence_after_s=1.0)
    short = measured(record(8.0, usual, CLEAN, seed=1), usual)
    gain = np.median(short.noise_variance) / np.median(ratio.noise_variance)
    kept = [1 / (one.frequency_hz[1] - one.frequency_hz[0]) for one in (short, ratio)]
    # Four times the energy, spread over so much more response.
    assert gain == pytest.approx(4 * kept[0] / kept[1], rel=0.15)


# Distortion


def test_harmonics_of_the_speaker_do_not_disturb() -> None:
    """Voltage in series with the coil that goes with the current squared: 2.4 % second harmonic, cut away.

    The band ends at 11 kHz, so that the circuit's harmonics end below half of the sample rate.
    """
    excitation = Excitation(high_hz=11_000.0, seconds=5.0, silence_before_s=0.5, silence_after_s=0.5, repeats=1)
    samples = record(SPEAKER, excitation, replace(QUIET, emf_v_per_a2=10.0), seed=1)
    ratio = measured(samples, excitation)
    inside = (ratio.frequency_hz > 20) & (ratio.frequency_hz < 10_000)
    frequency_hz, truth = ratio.frequency_hz[inside], true_ratio(ratio.frequency_hz[inside])
    uncut = np.abs(uncut_ratio(samples, excitation, frequency_hz) / truth - 1)
    cut = np.abs(ratio.ratio[inside] / truth - 1)
    assert np.median(uncut) > 1e-3
    assert np.median(cut) < 2e-5
    assert np.quantile(cut, 0.95) < 5e-5
    assert cut.max() < 2e-4


# Hum


@pytest.mark.parametrize("mains_hz", [49.93, 50.037, 60.0, 60.041])
def test_steady_hum_is_found_and_taken_out(mains_hz: float) -> None:
    humming = replace(CLEAN, hum_hz=mains_hz, hum_dbfs=(-50.0, -53.0))
    ratio = measured(record(SPEAKER, SHORT, humming, seed=4))
    assert ratio.hum_hz == pytest.approx(mains_hz, abs=1e-3)
    # Peak of the fundamental and its ten harmonics as the chain lays them on, as rms.
    shares = [1 / order if order % 2 else 0.3 / order for order in range(1, 11)]
    rms_dbfs = -50 + 10 * np.log10(0.5 * np.sum(np.square(shares)))
    assert ratio.hum_dbfs == pytest.approx(rms_dbfs, abs=0.02)
    assert ratio.noise_dbfs == pytest.approx((-100.0, -100.0), abs=0.2)

    frequency_hz = ratio.frequency_hz
    order = np.rint(frequency_hz / mains_hz)
    near = (np.abs(frequency_hz - order * mains_hz) < 1.5) & (order >= 1) & (order <= 10)
    assert np.mean(squared_error_over_variance(ratio)[near]) < 3
    assert np.mean(squared_error_over_variance(ratio)[~near]) == pytest.approx(1, abs=0.08)


def test_hum_left_in_would_be_seen() -> None:
    """The same hum without taking it out: what the test above rests on."""
    humming = replace(CLEAN, hum_hz=50.037, hum_dbfs=(-50.0, -53.0))
    ratio = measured(record(SPEAKER, SHORT, humming, seed=4))
    near = np.abs(ratio.frequency_hz - 50.037) < 0.75
    uncut = uncut_ratio(record(SPEAKER, SHORT, humming, seed=4), SHORT, ratio.frequency_hz[near])
    left_in = np.abs(uncut - true_ratio(ratio.frequency_hz[near])) ** 2 / ratio.noise_variance[near]
    assert np.mean(left_in) > 100


def laid_on(samples: np.ndarray, turns: np.ndarray, strength: np.ndarray) -> np.ndarray:
    """Hum with a third harmonic, weaker in channel 2 and turned there."""
    hum = [np.cos(2 * np.pi * (turns + p)) + 0.3 * np.cos(2 * np.pi * (3 * turns + 2 * p)) for p in (0.1, 0.35)]
    return samples + np.stack(hum, axis=1) * strength[:, None] * np.array([1.0, 0.6])


@pytest.mark.parametrize("drift_hz_per_s", [0.003, -0.02])
def test_a_wandering_mains_is_followed(drift_hz_per_s: float) -> None:
    """A steady hum fitted to the silences would be off by up to 0.1 rad and more in the middle of the sweep."""
    excitation = Excitation(seconds=3.0, repeats=1, silence_after_s=1.0)
    samples = record(SPEAKER, excitation, CLEAN, seed=5)
    time_s = np.arange(len(samples)) / excitation.sample_rate_hz
    turns = 50.02 * time_s + drift_hz_per_s * (time_s - 2.5) ** 2 / 2
    ratio = measured(laid_on(samples, turns, np.full(time_s.size, 10 ** (-50 / 20))), excitation)
    near = (np.abs(ratio.frequency_hz - 50.02) < 1.0) | (np.abs(ratio.frequency_hz - 150.06) < 1.0)
    assert np.mean(squared_error_over_variance(ratio)[near]) < 2.5
    assert ratio.noise_dbfs == pytest.approx((-100.0, -100.0), abs=0.2)


def test_a_hum_that_fades_is_in_the_variance() -> None:
    """Strength that falls by a tenth cannot be taken out: the noise near it must say so."""
    steady = record(SPEAKER, SHORT, CLEAN, seed=5)
    time_s = np.arange(len(steady)) / SHORT.sample_rate_hz
    strength = 10 ** (-50 / 20) * (1 - 0.1 * time_s / time_s[-1])
    with_hum, without = measured(laid_on(steady, 50.02 * time_s, strength)), measured(steady)
    near = np.abs(with_hum.frequency_hz - 50) < 1.0
    far = with_hum.frequency_hz > 1_100
    assert np.min(with_hum.noise_variance[near] / without.noise_variance[near]) > 3
    np.testing.assert_allclose(with_hum.noise_variance[far], without.noise_variance[far], rtol=0.1)
    assert np.mean(squared_error_over_variance(with_hum)[near]) < 10


def test_no_hum_is_no_hum() -> None:
    for seed in range(6):
        assert measured(record(8.0, SHORT, CLEAN, seed=seed)).hum_hz is None


def test_digital_silence_is_no_fault() -> None:
    ratio = measured(record(8.0, SHORT, Chain(bits=24), seed=1))
    assert ratio.hum_hz is None
    assert np.all(ratio.noise_variance > 0)
    np.testing.assert_allclose(ratio.ratio, 8 / 18, rtol=1e-5)


# Noise


def shaped(generator: np.random.Generator, frames: int, slope: float) -> np.ndarray:
    """Noise whose power density goes with frequency to ``slope``, rms about 1 over the band from 10 Hz."""
    frequency = fft.rfftfreq(frames)
    shape = np.maximum(frequency, 10 / 48_000) ** (slope / 2)
    noise = fft.irfft(fft.rfft(generator.standard_normal(frames)) * shape, frames)
    return noise / noise.std()


@pytest.mark.parametrize("case", ["white, unequal", "pink", "common to both channels", "with gate"])
def test_stated_noise_is_the_scatter_over_seeds(case: str) -> None:
    level = 10 ** (-85 / 20)
    silent = record(SPEAKER, SHORT, Chain(bits=0), seed=0)
    found = []
    for seed in range(10):
        generator = np.random.default_rng(seed)
        noise = np.stack([shaped(generator, len(silent), -1.0 if case == "pink" else 0.0) for _ in range(2)], axis=1)
        if case == "white, unequal":
            noise *= np.array([1.0, 5.0])
        if case == "common to both channels":
            noise[:, 1] = 0.8 * noise[:, 0] + 0.6 * noise[:, 1]
        ratio = measured(silent + level * noise, gate_s=0.3 if case == "with gate" else None)
        found.append(squared_error_over_variance(ratio))
    by_frequency = np.mean(found, axis=0)
    edges = np.searchsorted(ratio.frequency_hz, [14, 60, 250, 1_000, 4_000, 21_000])
    for first, last in itertools.pairwise(edges):
        # Relative standard deviation of the mean of n exponential values: 1/sqrt(n); that of the noise comes to it.
        spread = np.hypot(1 / np.sqrt(len(found) * (last - first)), 0.07)
        assert by_frequency[first:last].mean() == pytest.approx(1, abs=3 * spread)


def test_a_gate_takes_noise_away() -> None:
    # One sweep alone has more of its noise to find (`analysis.sweeps.sweep_alone`).
    twice = SHORT.model_copy(update={"repeats": 2})
    samples = record(SPEAKER, twice, replace(CLEAN, noise_dbfs=(-80.0, -80.0)), seed=2)
    whole, gated = measured(samples, twice), measured(samples, twice, gate_s=0.3)
    step_hz = [ratio.frequency_hz[1] - ratio.frequency_hz[0] for ratio in (whole, gated)]
    assert 1 / step_hz[0] > 1.0
    assert 0.3 < 1 / step_hz[1] < 0.7
    at_hz = np.geomspace(200, 20_000, 50)
    whole_variance, gated_variance = (
        np.interp(at_hz, ratio.frequency_hz, ratio.noise_variance) for ratio in (whole, gated)
    )
    # Noise goes with the length that is kept.
    np.testing.assert_allclose(gated_variance / whole_variance, step_hz[0] / step_hz[1], rtol=0.1)


# Repeats

REPEATED = SHORT.model_copy(update={"repeats": 4})


def test_repeats_divide_the_variance() -> None:
    chain = replace(CLEAN, noise_dbfs=(-85.0, -85.0))
    once = measured(record(SPEAKER, SHORT, chain, seed=1))
    often = measured(record(SPEAKER, REPEATED, chain, seed=1), REPEATED)
    assert np.median(often.noise_variance / once.noise_variance) == pytest.approx(1 / 4, rel=0.05)
    assert np.mean(squared_error_over_variance(often)) == pytest.approx(1, abs=0.05)
    assert often.warnings == ()


def test_a_gain_that_differs_is_shared_by_all_bins_and_no_noise() -> None:
    """The third of four sweeps 1 % louder in channel 2: said, and in the interval of every bin together."""
    chain = replace(CLEAN, noise_dbfs=(-85.0, -85.0))
    samples = record(SPEAKER, REPEATED, chain, seed=1)
    alike = measured(samples, REPEATED)
    start = sweep_starts(REPEATED)[2]
    samples[start - 500 : start + REPEATED.sweep_frames + 500, 1] *= 1.01
    differing = measured(samples, REPEATED)
    assert alike.common == ()
    assert any("in gain" in text for text in differing.warnings)
    # Of four values of which one lies d apart: standard deviation d/2 each; of the mean, as Student's, 0.81 of that.
    np.testing.assert_allclose(np.abs(differing.common[0] / differing.ratio), 0.81 * 0.005, rtol=0.1)
    assert np.median(differing.noise_variance / alike.noise_variance) < 1.3
    assert np.median(np.abs(differing.ratio / true_ratio(differing.frequency_hz) - 1)) < 0.005


def three(chain: Chain = CLEAN, seed: int = 1) -> np.ndarray:
    return record(SPEAKER, Excitation(), chain, seed)


def errors_over_std(ratio: ChannelRatio) -> np.ndarray:
    """Error of means over 1/24 octave, in their standard deviations."""
    error = ratio.ratio - true_ratio(ratio.frequency_hz)
    edges = np.searchsorted(ratio.frequency_hz, np.geomspace(20, 20_000, 240))
    parts = list(itertools.pairwise(np.unique(edges)))
    means = np.array([error[first:last].mean() for first, last in parts])
    variances = np.array([ratio.noise_variance[first:last].sum() / (last - first) ** 2 for first, last in parts])
    return np.abs(means) / np.sqrt(variances)


@pytest.mark.parametrize("sweep", [0, 1, 2])
def test_a_sound_in_one_sweep_counts_for_less_there(sweep: int) -> None:
    """A burst of 100 ms, 40 dB above the noise, while the sweep is at about 300 Hz."""
    samples = three()
    quiet = measured(samples, Excitation())
    excitation, generator = Excitation(), np.random.default_rng(5)
    at = sweep_starts(excitation)[sweep] + round(excitation.rate_constant_s * np.log(30) * 48_000)
    band = signal.butter(2, [200, 450], "bandpass", fs=48_000, output="sos")
    burst = signal.sosfilt(band, generator.standard_normal(4_800)) * np.hanning(4_800)
    samples[at - 2_400 : at + 2_400, 1] += 1e-3 * burst / burst.std()
    loud = measured(samples, excitation)
    assert [f"sweep {sweep + 1} of 3 was disturbed" in text for text in loud.warnings].count(True) == 1
    plain = sweep_mean(samples, excitation, loud.frequency_hz)
    near = (loud.frequency_hz > 200) & (loud.frequency_hz < 450)
    truth = true_ratio(loud.frequency_hz)
    ours, theirs = (np.sqrt(np.mean(np.abs(smoothed(one - truth))[near] ** 2)) for one in (loud.ratio, plain))
    assert ours < 0.1 * theirs
    assert np.mean(errors_over_std(loud) > 2.5) < 0.02
    far = loud.frequency_hz > 3_000
    assert np.median(loud.noise_variance[far] / quiet.noise_variance[far]) < 1.2


def sweep_mean(samples: np.ndarray, excitation: Excitation, frequency_hz: np.ndarray) -> np.ndarray:
    """The plain mean of the sweeps."""
    spectra = sweep_spectra(recording(samples, excitation), None, None)
    np.testing.assert_array_equal(spectra.frequency_hz, frequency_hz)
    return spectra.ratios.mean(axis=0)


def smoothed(values: np.ndarray) -> np.ndarray:
    return np.convolve(values, np.ones(9) / 9, mode="same")


@pytest.mark.parametrize(("sweep", "at_hz"), [(0, 90.0), (1, 700.0), (2, 4_000.0)])
def test_a_step_of_gain_is_no_feature_of_the_speaker(sweep: int, at_hz: float) -> None:
    """1 % in channel 2 from a moment on: the ratio has a gain too much or none, but the same one everywhere."""
    excitation = Excitation()
    samples = three()
    at = sweep_starts(excitation)[sweep] + round(excitation.rate_constant_s * np.log(at_hz / 10) * 48_000)
    samples[at:, 1] *= 1.01
    ratio = measured(samples, excitation)
    assert any(f"the gain jumped in sweep {sweep + 1}" in text for text in ratio.warnings)
    off = ratio.ratio / true_ratio(ratio.frequency_hz) - 1
    apart = np.abs(np.log(ratio.frequency_hz / at_hz)) > 0.2
    assert np.ptp(smoothed(off.real)[5:-5][apart[5:-5]]) < 5e-4
    assert np.all(np.abs(off.real[apart]) < 1.96 * np.abs(ratio.common[0] / ratio.ratio)[apart] + 2e-4)
    plain = sweep_mean(samples, excitation, ratio.frequency_hz) / true_ratio(ratio.frequency_hz) - 1
    assert np.ptp(smoothed(plain.real)[5:-5][apart[5:-5]]) > 3e-3


# What cannot be used


@pytest.mark.parametrize("gate_s", [0.01, -1.0, 1e300, float("inf"), float("nan")])
def test_gate_out_of_range(gate_s: float) -> None:
    with pytest.raises(StillboxError, match=r"gate .* s is not 0\.02 to 1000 s"):
        measured(record(8.0, SHORT, CLEAN), gate_s=gate_s)


def test_band_too_narrow() -> None:
    for high_hz in (2.5, 3.0):
        narrow = Excitation(low_hz=1.0, high_hz=high_hz, seconds=2.0, repeats=1, silence_after_s=1.0)
        with pytest.raises(StillboxError, match="too narrow to give an impedance"):
            measured(record(8.0, narrow, CLEAN), narrow)


def test_one_channel() -> None:
    with pytest.raises(StillboxError, match="one channel only"):
        measured(record(8.0, SHORT, CLEAN)[:, :1])


def test_no_silence() -> None:
    first = sweep_starts(SHORT)[0]
    samples = record(8.0, SHORT, CLEAN)[first : first + SHORT.sweep_frames]
    with pytest.raises(StillboxError, match=r"no silence of 0\.1 s"):
        channel_ratio(recording(samples, SHORT, -first))


def test_dead_channel() -> None:
    samples = record(8.0, SHORT, CLEAN)
    samples[:, 0] = 0
    with pytest.raises(StillboxError, match="channel 1 carries no signal"):
        measured(samples)
