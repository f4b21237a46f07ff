"""Decay against closed-form resonators, a directly summed definition, and published numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import invented_speaker
import numpy as np
import pytest
from reference.analytic import impedance_ohm as exact_impedance_ohm
from reference.random_speakers import random_speaker, to_be_found
from reference.truth import TrueResonance
from scipy import signal

from stillbox.analysis.impedance.findings import Resonance
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.waterfall.decay import (
    cumulative_spectral_decay,
    decay_at_frequencies,
    slope_db_per_s,
    window_energy_s,
)
from stillbox.analysis.waterfall.decay_response import decay_of_response, decay_on_log_grid, decay_response
from stillbox.analysis.waterfall.ridges import find_ridges, follow_ridges, standing_out
from stillbox.capture.errors import StillboxError

ACCURACY_DB = 0.2
DEPTH_DB = 50.0


def ringing(frequency_hz: float, q: float, rate_hz: float, seconds: float, phase: float = 0.0) -> np.ndarray:
    """A damped sine of natural frequency f0, in closed form."""
    time_s = np.arange(round(rate_hz * seconds)) / rate_hz
    damped = 2 * np.pi * frequency_hz * np.sqrt(1 - 1 / (4 * q * q))
    return np.exp(-np.pi * frequency_hz / q * time_s) * np.cos(damped * time_s + phase)


@pytest.mark.parametrize(
    ("q", "db_per_period"),
    [(5, 5.458), (10, 2.729), (30, 0.910)],  # check-values, section 6 [R]: 27.2875/Q dB per period
)
def test_slope_of_a_resonance(q: float, db_per_period: float) -> None:
    assert slope_db_per_s(1_000.0, q) / 1_000.0 == pytest.approx(db_per_period, abs=5e-4)


@pytest.mark.parametrize("phase", [0.0, 1.0, np.pi / 2])
@pytest.mark.parametrize("q", [5.0, 12.0, 60.0])
@pytest.mark.parametrize("frequency_hz", [40.0, 173.0, 1_000.0, 5_000.0])
def test_decay_follows_the_resonator(frequency_hz: float, q: float, phase: float) -> None:
    """27.2875 f0/Q dB per second (check-values, section 6) within 0.2 dB down to -50 dB."""
    fall = 27.2875 * frequency_hz / q
    rate_hz = 16 * frequency_hz
    response = ringing(frequency_hz, q, rate_hz, 2.4 * DEPTH_DB / fall + 4 / frequency_hz, phase)
    by_fft = cumulative_spectral_decay(
        response, rate_hz, slices=200, duration_s=DEPTH_DB / fall, rise_s=1 / frequency_hz
    )
    column = int(np.argmin(np.abs(by_fft.frequency_hz - frequency_hz)))
    expected = by_fft.level_db[0, column] - fall * by_fft.time_s
    assert np.max(np.abs(by_fft.level_db[:, column] - expected)) < ACCURACY_DB
    direct = decay_at_frequencies(
        response,
        rate_hz,
        np.array([frequency_hz]),
        slice_times_s=by_fft.time_s,
        rise_cycles=1.0,
    )
    expected = direct.level_db[0, 0] - fall * direct.time_s
    assert np.max(np.abs(direct.level_db[:, 0] - expected)) < ACCURACY_DB


def test_decay_in_cycles_falls_alike_at_all_frequencies() -> None:
    """Resonators of one Q fall by 27.2875/Q dB per cycle wherever they lie."""
    q, rate_hz = 10.0, 16_000.0
    cycles = np.linspace(0.0, 15.0, 31)
    for frequency_hz in (100.0, 800.0):
        decay = decay_at_frequencies(
            ringing(frequency_hz, q, rate_hz, 0.6),
            rate_hz,
            np.array([frequency_hz]),
            cycles=cycles,
            rise_cycles=1.0,
        )
        fall_db = decay.level_db[0, 0] - decay.level_db[:, 0]
        assert decay.time_s[-1, 0] == pytest.approx(15.0 / frequency_hz, abs=1 / rate_hz)
        np.testing.assert_allclose(fall_db, 27.2875 / q * decay.time_s[:, 0] * frequency_hz, atol=ACCURACY_DB)


def definition(
    response: np.ndarray, rate_hz: float, tau: int, frequency_hz: np.ndarray, rise: int, fall: int
) -> np.ndarray:
    """|sum of h(t) w(t - tau) exp(-2 pi i f t)|, sample by sample as the module's head defines it."""
    magnitude = np.empty(frequency_hz.size)
    window = np.zeros(response.size)
    for sample in range(response.size):
        opened = (sample - tau + 0.5) / rise
        window[sample] = 0.0 if opened < 0 else 1.0 if opened > 1 else np.sin(np.pi * opened / 2) ** 2
        left = (response.size - sample - 0.5) / fall
        window[sample] *= np.sin(np.pi * min(left, 1.0) / 2) ** 2
    time_s = np.arange(response.size) / rate_hz
    for place, frequency in enumerate(frequency_hz):
        magnitude[place] = abs(np.sum(response * window * np.exp(-2j * np.pi * frequency * time_s)))
    return magnitude


def test_both_ways_agree_with_the_definition() -> None:
    rng = np.random.default_rng(7)
    rate_hz, rise, fall = 2_000.0, 24, 40
    response = rng.standard_normal(500) * np.exp(-np.arange(500) / 120)
    starts = np.array([-24, -10, 0, 3, 60, 300, 470, 495])
    by_fft = cumulative_spectral_decay(
        response,
        rate_hz,
        slice_times_s=starts / rate_hz,
        fft_length=640,
        rise_s=rise / rate_hz,
        fall_s=fall / rate_hz,
    )
    direct = decay_at_frequencies(
        response,
        rate_hz,
        by_fft.frequency_hz[1:],
        slice_times_s=starts / rate_hz,
        rise_s=rise / rate_hz,
        fall_s=fall / rate_hz,
    )
    for row, tau in enumerate(starts):
        exact = definition(response, rate_hz, int(tau), by_fft.frequency_hz, rise, fall)
        np.testing.assert_allclose(by_fft.magnitude[row], exact, atol=2e-6 * exact.max())
        np.testing.assert_allclose(direct.magnitude[row], exact[1:], rtol=1e-5, atol=1e-6 * exact.max())


def test_first_slice_holds_the_whole_response() -> None:
    rng = np.random.default_rng(3)
    response = rng.standard_normal(600)
    decay = cumulative_spectral_decay(response, 6_000.0, start_s=-2e-3, rise_s=2e-3, fall_s=0.0)
    np.testing.assert_allclose(decay.magnitude[0], np.abs(np.fft.rfft(response)), rtol=1e-4, atol=1e-4)


def test_what_the_record_cannot_support_is_marked() -> None:
    """Nothing below 1/(T - tau) means anything (check-values, section 6 [M])."""
    decay = cumulative_spectral_decay(np.ones(1_000), 10_000.0, slices=3, duration_s=0.08)
    lowest_hz = [decay.frequency_hz[row].min() for row in decay.valid]
    assert lowest_hz == [10.0, 20.0, 50.0]  # 1/0.1 s, 1/0.06 s rounded up to the grid of 10 Hz, 1/0.02 s


def test_window_energy_against_the_windows_themselves() -> None:
    record, rise, fall = 4_000, 400, 200
    impulses = np.eye(record)[::50]
    for tau in (-400, -150, 0, 1_000, 3_700):
        shares = [
            cumulative_spectral_decay(
                impulse,
                1.0,
                slice_times_s=[float(tau)],
                rise_s=rise,
                fall_s=fall,
            ).magnitude[0, 0]
            for impulse in impulses
        ]
        summed = 50 * np.sum(np.square(shares))
        if tau <= 3_000:  # where rise and fall do not overlap
            assert window_energy_s(np.array(tau), record, np.array(rise), fall) == pytest.approx(summed, rel=0.02)
        else:
            assert window_energy_s(np.array(tau), record, np.array(rise), fall) >= summed


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"slices": 1}, "at least 2 slices"),
        ({"duration_s": 5.0}, "below the record's end at 0.1 s"),
        ({"slice_times_s": [0.02, 0.01]}, "rising"),
        ({"slice_times_s": [-0.5, 0.01]}, "the rise"),
        ({"fft_length": 512}, "would cut the record of 1000 samples"),
        ({"rise_s": -1.0}, "rise"),
        ({"fall_s": 0.2}, "fall"),
        ({"record_s": 0.5}, "at most the 0.1 s"),
    ],
)
def test_settings_out_of_range_are_named(settings: dict[str, object], words: str) -> None:
    with pytest.raises(StillboxError, match=words):
        cumulative_spectral_decay(np.ones(1_000), 10_000.0, **settings)


@pytest.mark.parametrize("response", [np.ones((4, 4)), np.array([1.0, np.nan, 0.0]), np.array([1.0])])
def test_responses_that_are_none(response: np.ndarray) -> None:
    with pytest.raises(StillboxError, match="impulse response"):
        cumulative_spectral_decay(response, 10_000.0)


def test_inputs_stay_as_they_are() -> None:
    response = np.ones(1_000)
    cumulative_spectral_decay(response, 10_000.0)
    decay_at_frequencies(response, 10_000.0, np.array([100.0]), slice_times_s=[0.0])
    assert np.all(response == 1.0)


@pytest.mark.parametrize("motional", [invented_speaker.CLOSED, invented_speaker.VENTED], ids=["closed", "vented"])
def test_a_speaker_without_resonances_lies_flat_and_falls_at_once(motional: tuple) -> None:
    fit = invented_speaker.fit((), motional)
    response = decay_response(invented_speaker.spectrum(fit), fit)
    for decay in (decay_of_response(response), decay_on_log_grid(response, slices=60, points=200)):
        assert np.max(np.abs(decay.level_db[0, decay.frequency_hz > 0])) < 0.2
        later = decay.time_s > 0
        assert np.max(decay.level_db[later]) < -35.0
    assert find_ridges(decay_on_log_grid(response)) == ()


@pytest.mark.parametrize("motional", [invented_speaker.CLOSED, invented_speaker.VENTED], ids=["closed", "vented"])
def test_every_resonance_stands_as_its_own_ridge(motional: tuple) -> None:
    fit = invented_speaker.fit(invented_speaker.BARE, motional)
    decay = decay_on_log_grid(decay_response(invented_speaker.spectrum(fit), fit))
    found = find_ridges(decay)
    assert [ridge.frequency_hz for ridge in found] == pytest.approx([178, 287, 512, 1180], rel=0.012)


def test_decay_times_are_true_within_their_uncertainty() -> None:
    """T60 of a resonator: 60 dB / (27.2875 f0/Q dB/s) = 2.1988 Q/f0 (check-values, section 6)."""
    fit = invented_speaker.fit()
    inside, errors = [], []
    for seed in range(8):
        spectrum = invented_speaker.spectrum(fit, seed=seed)
        ridges = follow_ridges(decay_on_log_grid(decay_response(spectrum, fit)), fit.resonances)
        for (frequency_hz, q, _), ridge in zip(invented_speaker.BARE, ridges, strict=True):
            expected_s = 60 * q / (27.2875 * frequency_hz)
            assert ridge.decay_time_s is not None and ridge.decay_time_std_s is not None and ridge.q is not None
            assert ridge.q_std is not None and ridge.q_std < 0.2 * q
            errors.append(ridge.decay_time_s / expected_s - 1)
            inside.append(abs(ridge.decay_time_s - expected_s) < 2 * ridge.decay_time_std_s)
    assert np.max(np.abs(errors)) < 0.06
    assert np.mean(inside) >= 0.9


@pytest.mark.parametrize(("seed", "kind"), [(1, "standing wave"), (2, "wall"), (4, "mixed"), (5, "driver")])
def test_ridges_of_simulated_speakers(seed: int, kind: str) -> None:
    """Circuits whose impedance ngspice confirms and whose poles are known: Q out of the ridge against the pole's."""
    speaker = random_speaker(seed, kind)
    fundamentals = tuple(one for one in speaker.truth if one.cause == "fundamental")
    others = tuple(one for one in speaker.truth if one.cause != "fundamental")
    frequency_hz = np.arange(84, 7 * 9_000) / 7.0
    impedance_ohm = exact_impedance_ohm(speaker.in_box, frequency_hz)
    bare = replace(invented_speaker.fit((), ()), motional=as_resonances(fundamentals), resonances=as_resonances(others))
    some_hz = frequency_hz[::40]
    pairs_ohm = bare.impedance_ohm(some_hz) - bare.coil_ohm(some_hz)
    fit = invented_speaker.with_coil(bare, impedance_ohm[::40] - pairs_ohm, some_hz)
    rng = np.random.default_rng(seed)
    noise = 1.4e-3 * (rng.standard_normal(frequency_hz.size) + 1j * rng.standard_normal(frequency_hz.size))
    spectrum = ImpedanceSpectrum(
        frequency_hz=frequency_hz,
        impedance_ohm=impedance_ohm + noise,
        noise_variance_ohm2=np.full(frequency_hz.size, 2 * 1.4e-3**2),
        calibration_variance_ohm2=np.zeros(frequency_hz.size),
        scale_std=0.0,
    )
    expected = [one for one in to_be_found(speaker.truth) if one.q > 6]
    ridges = follow_ridges(decay_on_log_grid(decay_response(spectrum, fit)), as_resonances(expected))
    measured = [(one.q, ridge) for one, ridge in zip(expected, ridges, strict=True) if ridge.q is not None]
    assert len(measured) >= max(1, len(expected) - 1)  # one may lie under its neighbour's skirt
    for q, ridge in measured:
        assert ridge.q is not None and ridge.q_std is not None
        assert ridge.q_std < 0.15 * q
        assert abs(ridge.q - q) < 3 * ridge.q_std


def as_resonances(true: Sequence[TrueResonance]) -> tuple[Resonance, ...]:
    return tuple(Resonance(one.pole_rad_s, one.residue_ohm_rad_s, 0.01, 0.01, 0.01, 100.0) for one in true)


def test_noise_floor_is_what_noise_alone_shows() -> None:
    fit = invented_speaker.fit(())
    decays = [
        decay_on_log_grid(
            decay_response(invented_speaker.spectrum(fit, noise_ohm=0.01, seed=seed), fit),
            slices=40,
            span_s=0.1,
            low_hz=100.0,
            high_hz=3_000.0,
            points=120,
        )
        for seed in range(16)
    ]
    mean_power = np.mean([np.square(decay.magnitude[5:], dtype=float) for decay in decays], axis=0)
    floor = decays[0].noise_floor
    assert floor is not None
    ratio_db = 10 * np.log10(mean_power / np.square(floor[5:], dtype=float))
    assert abs(np.mean(ratio_db)) < 0.5
    assert np.percentile(np.abs(ratio_db), 95) < 3.0


def test_more_noise_ends_the_band_earlier_and_says_so() -> None:
    fit = invented_speaker.fit()
    quiet = decay_response(invented_speaker.spectrum(fit, noise_ohm=1e-3), fit)
    noisy = decay_response(invented_speaker.spectrum(fit, noise_ohm=0.1), fit)
    assert noisy.band_hz[1] < 0.7 * quiet.band_hz[1]
    assert "the noise is" in noisy.reasons[1]


def test_a_coil_that_does_not_fit_ends_the_band() -> None:
    fit = invented_speaker.fit()
    spectrum = invented_speaker.spectrum(fit, noise_ohm=1e-4)
    # A stray 10 uH beyond the model: 0.06 ohm at 1 kHz, more than a fifth of the motional impedance from there on.
    stray = 2j * np.pi * spectrum.frequency_hz * 1e-5
    bent = invented_speaker.replaced_impedance(spectrum, spectrum.impedance_ohm + stray)
    response = decay_response(bent, fit)
    assert 400.0 < response.band_hz[1] < 2_500.0
    assert "the fit cannot explain" in response.reasons[1]


def test_hum_is_bridged() -> None:
    fit = invented_speaker.fit()
    clean = decay_response(invented_speaker.spectrum(fit, noise_ohm=1e-3), fit)
    humming = decay_response(invented_speaker.spectrum(fit, noise_ohm=1e-3, hum_ohm=2.0), fit)
    assert humming.replaced_bins == 40
    assert clean.replaced_bins == 0
    difference_db = 20 * np.log10(
        np.abs(np.fft.rfft(humming.impulse_response)) / np.abs(np.fft.rfft(clean.impulse_response))
    )
    assert np.max(np.abs(difference_db)) < 0.5


def test_no_ridge_where_the_noise_hides_it() -> None:
    fit = invented_speaker.fit(((420.0, 12.0, 0.002),))
    spectrum = invented_speaker.spectrum(fit, noise_ohm=0.05)
    (ridge,) = follow_ridges(decay_on_log_grid(decay_response(spectrum, fit)), fit.resonances)
    assert ridge.decay_time_s is None and ridge.q is None
    assert ridge.reason


def test_ridges_need_time_in_seconds() -> None:
    fit = invented_speaker.fit()
    decay = decay_on_log_grid(decay_response(invented_speaker.spectrum(fit), fit), cycles=np.arange(0.0, 20.0))
    with pytest.raises(StillboxError, match="cycles"):
        find_ridges(decay)


def test_a_take_without_a_driver_has_no_decay() -> None:
    fit = invented_speaker.fit((), ())
    with pytest.raises(StillboxError, match="no motional peak"):
        decay_response(invented_speaker.spectrum(fit), fit)


@pytest.mark.parametrize("seed", range(12))
def test_crests_are_those_of_scipy(seed: int) -> None:
    generator = np.random.default_rng(seed)
    levels = np.cumsum(generator.standard_normal(200)) if seed % 2 else 5 * generator.standard_normal(400)
    levels = np.maximum(levels, np.median(levels))  # what is not meaningful is set to the lowest
    assert standing_out(levels, 3.0) == signal.find_peaks(levels, prominence=3.0)[0].tolist()
