"""Impedance from recordings: accuracy through clean and bad chains, true uncertainty, and the logarithmic grid."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from recorded import RecordedBuild, remembered, spectrum_of
from reference.analytic import impedance_ohm
from reference.jig_circuit import Jig
from reference.random_speakers import random_speaker
from reference.recordings import BAD, CLEAN, Chain
from reference.speaker_circuit import SpeakerCircuit

from stillbox.analysis.bench import Bench
from stillbox.analysis.impedance.impedance import ImpedanceCurve, ImpedanceSpectrum, curve_of_spectrum, logarithmic_grid
from stillbox.analysis.maths.uncertainty import covariance_of_impedance
from stillbox.capture.errors import StillboxError
from stillbox.capture.sweep.excitation import Excitation, default_high_hz

CIRCUIT = random_speaker(5, "mixed").in_box
SPEAKER = remembered(CIRCUIT)


def error_95(curve: ImpedanceCurve, circuit: SpeakerCircuit = CIRCUIT) -> float:
    """95th percentile of the relative error, 15 Hz to 20 kHz."""
    assert curve.frequency_hz[0] < 15.1
    assert curve.frequency_hz[-1] > 19_800
    inside = curve.frequency_hz >= 15
    truth = impedance_ohm(circuit, curve.frequency_hz[inside])
    return float(np.quantile(np.abs(curve.impedance_ohm[inside] / truth - 1), 0.95))


def covered(curve: ImpedanceCurve, circuit: SpeakerCircuit = CIRCUIT) -> float:
    """Share of resistances and reactances whose 95 % interval holds the truth, 15 Hz to 20 kHz."""
    inside = curve.frequency_hz >= 15
    error = (curve.impedance_ohm - impedance_ohm(circuit, curve.frequency_hz))[inside]
    resistance = np.abs(error.real) < 1.96 * curve.resistance_std_ohm[inside]
    reactance = np.abs(error.imag) < 1.96 * curve.reactance_std_ohm[inside]
    return float(np.mean([resistance, reactance]))


def curve_through(
    path: Path, chain: Chain, excitation: Excitation, seed: int = 0, standards: tuple = ("open", "short", "load")
) -> ImpedanceCurve:
    build = RecordedBuild.create(path, excitation, chain, 100 * seed, standards=standards)
    return Bench(build.folder).curve(build.add(SPEAKER, "in-box"))


# Accuracy


@pytest.mark.parametrize("kind", ["high-side", "low-side"])
def test_clean_chain(kind: str) -> None:
    """24 bit, noise at -100 dBFS, the usual take: at most 0.05 %."""
    chain = replace(CLEAN, jig=Jig(kind))  # type: ignore[arg-type]
    assert error_95(curve_of_spectrum(spectrum_of(SPEAKER, Excitation(), chain, seed=1))) < 5e-4


@pytest.mark.parametrize("kind", ["high-side", "low-side"])
def test_bad_chain_with_three_standards(tmp_path: Path, kind: str) -> None:
    """3 % gain, one frame of delay, 10 kohm loading, 0.15 ohm leads: at most 0.1 %, and far off without."""
    chain = replace(BAD, jig=replace(BAD.jig, kind=kind))
    assert error_95(curve_through(tmp_path / "three", chain, Excitation())) < 1e-3
    assert error_95(curve_through(tmp_path / "none", chain, Excitation(), standards=())) > 0.03


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 192_000])
def test_sample_rates(tmp_path: Path, rate_hz: int) -> None:
    excitation = Excitation(sample_rate_hz=rate_hz, high_hz=min(22_800.0, default_high_hz(rate_hz)))
    if rate_hz > 100_000:  # three standards more would only take time
        assert error_95(curve_of_spectrum(spectrum_of(SPEAKER, excitation, CLEAN, seed=3))) < 5e-4
    else:
        assert error_95(curve_through(tmp_path / "build", BAD, excitation)) < 1e-3


# Uncertainty


def test_intervals_cover_the_truth_in_a_clean_chain() -> None:
    shares = [covered(curve_of_spectrum(spectrum_of(SPEAKER, Excitation(), CLEAN, seed))) for seed in range(4)]
    assert 0.93 < np.mean(shares) < 0.97


def test_intervals_cover_the_truth_behind_three_standards(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The noise of the standards is smoothed over 1/12 octave, so one take has far fewer independent points.

    The clips of this chain are alike each time: their usual scatter would only widen the intervals.
    """
    monkeypatch.setattr("stillbox.analysis.impedance.contact.USUAL_OHM", 0.0)
    shares = [covered(curve_through(tmp_path / str(seed), BAD, Excitation(), seed)) for seed in range(3)]
    assert 0.91 < np.mean(shares) < 0.98


def test_intervals_cover_the_truth_beside_hum() -> None:
    chain = replace(CLEAN, hum_hz=50.02, hum_dbfs=(-60.0, -66.0))
    shares = [covered(curve_of_spectrum(spectrum_of(SPEAKER, Excitation(), chain, seed))) for seed in range(3)]
    assert 0.93 < np.mean(shares) < 0.97


def test_tolerance_of_the_resistor_is_part_of_the_covariance() -> None:
    """u(R), u(X) and their correlation for a common relative error of the scale (JCGM 100, 5.2)."""
    frequency_hz = np.arange(100, 4000) / 5
    impedance = 6 + 0.002j * frequency_hz
    spectrum = ImpedanceSpectrum(
        frequency_hz, impedance, np.full(frequency_hz.size, 1e-12), np.zeros(frequency_hz.size), 0.01
    )
    curve = curve_of_spectrum(spectrum)
    np.testing.assert_allclose(curve.resistance_std_ohm, 0.06, rtol=1e-6)
    np.testing.assert_allclose(curve.reactance_std_ohm, 0.01 * 0.002 * curve.frequency_hz, rtol=1e-3)
    np.testing.assert_allclose(curve.covariance_ohm2[:, 0, 1], 1e-4 * 6 * 0.002 * curve.frequency_hz, rtol=1e-3)


# The logarithmic grid


def test_grid() -> None:
    grid_hz = logarithmic_grid(15.0, 20_000.0)
    assert grid_hz[0] >= 15
    assert grid_hz[-1] <= 20_000
    assert 1000.0 in grid_hz
    np.testing.assert_allclose(np.diff(np.log2(grid_hz)), 1 / 96)
    assert logarithmic_grid(500.0, 1000.0).size == 97  # ends that are points of the grid belong to it


def resonator(frequency_hz: np.ndarray, natural_hz: float, q: float) -> np.ndarray:
    """6 ohm and a peak of 1 ohm."""
    return 6 + 1 / (1 + 1j * q * (frequency_hz / natural_hz - natural_hz / frequency_hz))


def exact_spectrum(q: float, natural_hz: float) -> ImpedanceSpectrum:
    frequency_hz = np.arange(84, 22_000 * 6) / 6
    quiet = np.full(frequency_hz.size, 1e-12)
    return ImpedanceSpectrum(frequency_hz, resonator(frequency_hz, natural_hz, q), quiet, 0 * quiet, 0.0)


@pytest.mark.parametrize("natural_hz", [45.0, 180.0, 700.0, 2_800.0, 11_000.0])
def test_interpolation_leaves_resonances_as_they_are(natural_hz: float) -> None:
    curve = curve_of_spectrum(exact_spectrum(30.0, natural_hz))
    error = np.abs(curve.impedance_ohm - resonator(curve.frequency_hz, natural_hz, 30.0))
    assert error.max() < 4e-5


def test_variance_of_the_grid_is_the_scatter() -> None:
    """Uneven noise, a line in it: many seeds through the local polynomial."""
    exact = exact_spectrum(10.0, 300.0)
    frequency_hz = exact.frequency_hz
    inside = frequency_hz < 3_000
    variance = 1e-6 * (1 + (200 / frequency_hz) ** 2)
    variance[np.argmin(np.abs(frequency_hz - 150))] *= 1e4
    generator = np.random.default_rng(1)
    scatter, stated = [], []
    for _ in range(60):
        noise = generator.standard_normal((2, frequency_hz.size)) * np.sqrt(variance / 2)
        noisy = replace(
            exact,
            frequency_hz=frequency_hz[inside],
            impedance_ohm=(exact.impedance_ohm + noise[0] + 1j * noise[1])[inside],
            noise_variance_ohm2=variance[inside],
            calibration_variance_ohm2=np.zeros(int(inside.sum())),
        )
        curve = curve_of_spectrum(noisy)
        scatter.append(np.abs(curve.impedance_ohm - resonator(curve.frequency_hz, 300.0, 10.0)) ** 2)
        stated.append(curve.noise_variance_ohm2)
    ratio = np.mean(scatter, axis=0) / np.mean(stated, axis=0)
    assert ratio.mean() == pytest.approx(1, abs=0.03)
    near = np.abs(curve.frequency_hz - 150) < 2
    assert ratio[near].mean() == pytest.approx(1, abs=0.25)
    assert np.abs(ratio - 1).max() < 6 / np.sqrt(60)


def test_grid_stays_within_the_spectrum() -> None:
    exact = exact_spectrum(10.0, 300.0)
    part = slice(2_000, 9_000)
    zeros = np.zeros(7_000)
    cut = ImpedanceSpectrum(exact.frequency_hz[part], exact.impedance_ohm[part], zeros + 1e-12, zeros, 0.0)
    curve = curve_of_spectrum(cut)
    assert cut.frequency_hz[0] < curve.frequency_hz[0] < cut.frequency_hz[0] + 6
    assert cut.frequency_hz[-1] - 20 < curve.frequency_hz[-1] < cut.frequency_hz[-1]


@pytest.mark.parametrize("points", [0, 10_000])
def test_number_of_points(points: int) -> None:
    with pytest.raises(StillboxError, match="points an octave"):
        curve_of_spectrum(exact_spectrum(10.0, 300.0), points_per_octave=points)


def test_scatter_that_all_points_share_is_in_the_interval_of_the_curve() -> None:
    """1 % of gain and 20 mohm of contact: neither averaging nor many points make it smaller."""
    generator = np.random.default_rng(4)
    frequency_hz = np.arange(60, 80_000) * 0.25
    exact = 6 + 2j * np.pi * frequency_hz * 5e-4
    common = (0.01 * exact, np.full(exact.size, 0.02 + 0j))
    spectrum = ImpedanceSpectrum(
        frequency_hz=frequency_hz,
        impedance_ohm=exact,
        noise_variance_ohm2=np.full(exact.size, 1e-12),
        calibration_variance_ohm2=np.zeros(exact.size),
        scale_std=0.0,
        common_ohm=common,
    )
    curve = curve_of_spectrum(spectrum)
    np.testing.assert_allclose(curve.resistance_std_ohm, np.hypot(0.06, 0.02), rtol=1e-3)
    np.testing.assert_allclose(curve.reactance_std_ohm, 0.01 * np.abs(curve.impedance_ohm.imag), rtol=1e-3, atol=1e-5)
    drawn = [
        np.abs(np.abs(exact + sum(one * generator.standard_normal() for one in common)) - np.abs(exact))
        for _ in range(400)
    ]
    spread = np.sqrt(np.mean(np.square(drawn), axis=0))
    parts = np.stack([exact.real, exact.imag], axis=-1) / np.abs(exact)[:, None]
    stated = np.sqrt(
        np.einsum("ni,nij,nj->n", parts, covariance_of_impedance(np.zeros(exact.size), exact, 0.0, common), parts)
    )
    np.testing.assert_allclose(spread, stated, rtol=0.15)
    assert spectrum.part(slice(10)).common_ohm[1].size == 10
