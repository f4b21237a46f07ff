"""Driver parameters: published relations, random drivers, what disturbs them, and the textbook's method beside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from circuit_takes import fitted_driver, spectrum
from derivatives import assert_derivatives
from recorded import spectrum_of
from reference.random_boxes import random_box
from reference.random_drivers import random_driver, true_driver
from reference.speaker_circuit import Coil, Driver, HungMass, SpeakerCircuit, semi_inductance

from stillbox.analysis.impedance.impedance import ImpedanceSpectrum, curve_of_spectrum
from stillbox.analysis.impedance.resonances import fit_resonances
from stillbox.analysis.lumped.coil_models import CHAIN, COIL_MODELS, FREE, REFERENCE_RAD_S
from stillbox.analysis.lumped.cone_resonances import ConeResonances
from stillbox.analysis.lumped.driver import DriverFit, MeterReading, fit_driver
from stillbox.analysis.lumped.driver_model import FreeAirModel
from stillbox.analysis.lumped.lumped_fit import CellData, fit_lumped
from stillbox.analysis.lumped.parameters import Layout, Parameter
from stillbox.analysis.lumped.three_point import ThreePoint, disagreements, three_point, three_point_of_curve
from stillbox.analysis.maths.quantity import Quantity
from stillbox.capture.errors import StillboxError
from stillbox.capture.sweep.excitation import Excitation

COILS = {model.name: model for model in COIL_MODELS}

DATA_SET_B = Driver(
    coil=Coil(5.9, 1.01e-3),
    force_factor_tm=5.13,
    moving_mass_kg=9.3e-3,
    compliance_m_per_n=0.735e-3,
    # Qms 3.35 of the sheet at the resonance of Mms and Cms.
    resistance_ns_per_m=1 / 3.35 * float(np.sqrt(9.3e-3 / 0.735e-3)),
    area_m2=float(np.pi * 0.0525**2),
)
"""5.5-inch woofer quoted in es.scribd.com/document/700105709 (project check values, section 1)."""


# Published relations


def test_data_set_b() -> None:
    fit = fitted_driver(DATA_SET_B, 1, noise=1e-6)
    assert fit.fs_hz.value == pytest.approx(60.874, abs=5e-4)  # fs from Mms, Cms
    # Qes = 2 pi fs Mms Re / Bl^2 of the sheet's own fs, 60.9.
    assert fit.qes.value * 60.9 / fit.fs_hz.value == pytest.approx(0.7978, abs=5e-5)
    assert fit.qms.value == pytest.approx(3.35, abs=5e-4)
    zmax = fit.re_ohm.value * (1 + fit.qms.value / fit.qes.value)
    # With the sheet's rounded Qes of 0.796 the same formula gives 30.73 (next test); 5.9 (1 + 3.35/0.7975) = 30.68.
    assert zmax == pytest.approx(5.9 * (1 + 3.35 / 0.79747), abs=5e-3)
    assert pytest.approx(76.5, abs=0.05) == 60.9 / 0.796  # EBP printed on the page


def test_zmax_of_the_sheets_own_numbers() -> None:
    # Zmax = Re (1 + Qms/Qes) with the sheet's values: 30.73 (sheet 30.8).
    frequency = np.geomspace(20, 200, 40_001)
    x = 1j * (frequency / 60.9 - 60.9 / frequency)
    magnitude = np.abs(5.9 * (1 + 3.35 / 0.796 / (1 + 3.35 * x)))
    assert three_point(frequency, magnitude, 5.9).zmax_ohm == pytest.approx(30.73, abs=5e-3)


def test_round_trip_of_the_three_point_method() -> None:
    # Project check values, section 1 (derived there from Small 1972): r0 = 30.8/5.9, Qms 3.35, fs 60.9.
    frequency = np.geomspace(10, 1_000, 200_001)
    r0, qms, fs = 30.8 / 5.9, 3.35, 60.9
    x = 1j * (frequency / fs - fs / frequency)
    read = three_point(frequency, np.abs(5.9 * (1 + (r0 - 1) / (1 + qms * x))), 5.9)
    assert read.zmax_ohm / 5.9 == pytest.approx(5.22034, abs=5e-6)
    assert 5.9 * np.sqrt(read.zmax_ohm / 5.9) == pytest.approx(13.4804, abs=5e-5)
    assert read.f1_hz == pytest.approx(43.57585, abs=5e-6)
    assert read.f2_hz == pytest.approx(85.11158, abs=5e-6)
    assert read.fs_hz.value == pytest.approx(60.9, abs=1e-5)
    assert read.qms.value == pytest.approx(3.3500, abs=5e-5)
    assert read.qes.value == pytest.approx(0.79378, abs=5e-6)
    assert read.qts.value == pytest.approx(0.64172, abs=5e-6)
    # Without inductance all levels agree, so that the method has next to no uncertainty of its own.
    assert read.qms.std < 1e-6


def test_leach_and_semi_inductor_values() -> None:
    # Project check values, section 4: Leach, JAES 50(6), 2002; Vanderkooy, JAES 37(3), 1989.
    leach = COILS["semi-inductance K s^n"]
    for factor, exponent, hertz, expected in (
        (0.03, 0.7, 1_000.0, 6.2072 + 12.1823j),
        (0.04, 0.5, 1_000.0, 2.24200 + 2.24200j),
    ):
        x = np.array([np.log(factor * REFERENCE_RAD_S**exponent), np.log(exponent / (1 - exponent))])
        z, _ = leach.evaluate(np.array([2j * np.pi * hertz]), x)
        assert z[0].real == pytest.approx(expected.real, abs=5e-5 if factor == 0.03 else 5e-6)
        assert z[0].imag == pytest.approx(expected.imag, abs=5e-5 if factor == 0.03 else 5e-6)
        assert leach.values(x) == pytest.approx([factor, exponent])
    x = np.array([np.log(0.03 * REFERENCE_RAD_S**0.7), np.log(0.7 / 0.3)])
    z, _ = leach.evaluate(2j * np.pi * np.array([1e3, 1e4]), x)
    assert abs(z[0]) == pytest.approx(13.6725, abs=5e-5)
    assert np.degrees(np.angle(z[0])) == pytest.approx(63.0, abs=1e-6)
    assert abs(z[1]) == pytest.approx(68.5247, abs=5e-5)


def test_thorborg_futtrup_without_its_losses_is_two_inductances() -> None:
    # The network [M]: Leb in series with Le parallel to Ke sqrt(s) parallel to Rss.
    model = COILS["L and L2 parallel to K sqrt(s) parallel to R"]
    s = 2j * np.pi * np.geomspace(20, 20_000, 9)
    z, _ = model.evaluate(s, np.log([2e-4, 5e-4, 1e9, 1e9]))
    assert z == pytest.approx(7e-4 * s, rel=1e-4)
    z, _ = model.evaluate(s, np.log([1e-12, 1e6, 3.0, 1e12]))
    assert z == pytest.approx(3.0 * np.sqrt(s / REFERENCE_RAD_S), rel=1e-4)


@pytest.mark.parametrize("coil", [*COIL_MODELS, CHAIN, FREE], ids=lambda model: model.name)
def test_derivatives_are_those_of_the_model(coil) -> None:
    s = 2j * np.pi * np.geomspace(10, 20_000, 40)
    small = ConeResonances(3_000.0, np.array([-100 + 2_000j]), np.array([2e4 + 1e3j]))
    start = coil.start(s, 6 + 0.02 * s**0.7)
    x = np.concatenate([np.log([6.0, 250.0, 5.0, 3_000.0]), [0.1], start, [0.1, -0.1, 0.05, 0.2], [0.08, np.log(1e-4)]])
    model = FreeAirModel(coil, small)
    assert_derivatives(model, s, x)


# Random drivers


@pytest.mark.parametrize("kind", ["section", "two sections", "semi"])
@pytest.mark.parametrize("seed", range(4))
def test_random_drivers(kind: str, seed: int) -> None:
    driver = random_driver(np.random.default_rng(100 + seed), kind)
    true = true_driver(driver)
    fit = fitted_driver(driver, seed)
    assert fit.re_ohm.value == pytest.approx(true.re_ohm, rel=3e-3)
    assert fit.fs_hz.value == pytest.approx(true.fs_hz, rel=1e-3)
    for found, expected in ((fit.qms, true.qms), (fit.qes, true.qes)):
        assert found.value == pytest.approx(expected, rel=5e-3)
    for found, expected in ((fit.re_ohm, true.re_ohm), (fit.fs_hz, true.fs_hz), (fit.qms, true.qms)):
        assert abs(found.value - expected) < 4.5 * found.std
    wanted = {"section": "inductance and lossy", "two sections": "inductance and two", "semi": "semi-inductance"}
    assert fit.coil.name.startswith(wanted[kind])
    assert not fit.creep
    assert fit.reduced_chi_square < 1.3


def test_intervals_cover_the_truth() -> None:
    inside = []
    for seed in range(24):
        driver = random_driver(np.random.default_rng(300 + seed))
        true, fit = true_driver(driver), fitted_driver(driver, seed, noise=10 ** (-4.3 + seed / 30))
        pairs = (fit.re_ohm, true.re_ohm), (fit.fs_hz, true.fs_hz), (fit.qms, true.qms), (fit.qes, true.qes)
        inside += [low <= expected <= high for (low, high), expected in ((q.interval_95, t) for q, t in pairs)]
    assert 0.88 <= np.mean(inside) <= 1.0  # 96 of them: 95 % within three standard deviations


def test_through_a_recording() -> None:
    driver = random_driver(np.random.default_rng(9))
    take = spectrum_of(SpeakerCircuit(driver), Excitation())
    fit = fit_driver(take, fit_resonances(take, port=False))
    true = true_driver(driver)
    for found, expected in ((fit.re_ohm, true.re_ohm), (fit.fs_hz, true.fs_hz), (fit.qms, true.qms)):
        assert found.value == pytest.approx(expected, rel=1e-3)
        assert abs(found.value - expected) < 4.5 * found.std


def test_small_resonances_do_not_disturb() -> None:
    plain = random_driver(np.random.default_rng(5), "section", hung=False)
    mass = plain.moving_mass_kg
    ringing = replace(
        plain,
        moving_mass_kg=0.93 * mass,
        hung=(HungMass(0.05 * mass, 320.0, 6.0), HungMass(0.02 * mass, 1_400.0, 12.0)),
    )
    true, fit = true_driver(ringing), fitted_driver(ringing, 3)
    assert fit.small.poles_rad_s.size == 2
    assert fit.fs_hz.value == pytest.approx(true.fs_hz, rel=1e-4)
    assert fit.qms.value == pytest.approx(true.qms, rel=2e-3)
    assert fit.qes.value == pytest.approx(true.qes, rel=1e-3)
    # The same fit blind to them is wrong by far more than it says.
    take = spectrum(SpeakerCircuit(ringing), 3)
    found = fit_resonances(take, port=False)
    blind = fit_driver(take, replace(found, resonances=()))
    assert blind.reduced_chi_square > 20 * fit.reduced_chi_square
    assert abs(blind.qes.value - true.qes) > 5 * abs(fit.qes.value - true.qes)


@pytest.mark.parametrize("seed", range(3))
def test_a_coil_that_no_published_model_follows(seed: int) -> None:
    """A ladder that ends within the band, like a semi-inductance but for its ends: a chain follows it, Re included."""
    generator = np.random.default_rng(80 + seed)
    base = random_driver(generator, "section")
    resistance = base.coil.resistance_ohm
    exponent = float(generator.uniform(0.55, 0.75))
    factor = float(resistance * generator.uniform(0.3, 1.0) / REFERENCE_RAD_S**exponent)
    ladder = semi_inductance(factor, exponent, float(generator.uniform(10, 60)), 200e3, 2)
    cut = replace(base, coil=Coil(resistance, 5e-5, ladder))
    true, fit = true_driver(cut), fitted_driver(cut, seed, noise=3e-5)
    assert fit.coil is CHAIN
    published = [candidate for candidate in fit.candidates if candidate.coil != CHAIN.name]
    assert all(candidate.reduced_chi_square > 5 for candidate in published)
    assert fit.re_ohm.value == pytest.approx(true.re_ohm, rel=3e-3)
    assert fit.fs_hz.value == pytest.approx(true.fs_hz, rel=1e-4)
    for found, expected in ((fit.re_ohm, true.re_ohm), (fit.qms, true.qms), (fit.qes, true.qes)):
        assert found.value == pytest.approx(expected, rel=3e-3)
        assert abs(found.value - expected) < 4 * found.std


def creeping_ohm(frequency_hz: np.ndarray, factor: float) -> np.ndarray:
    """Knudsen and Jensen, JAES 41(1/2), 1993: C(s) = C0 (1 - lambda log10(s/ws)) [M]; written out for this test."""
    s = 2j * np.pi * frequency_hz
    mass, compliance, loss, force = 0.02, 5e-4, 1.2, 7.0
    ws = 1 / np.sqrt(mass * compliance)
    spring = 1 / (s * compliance * (1 - factor * np.log(s / ws) / np.log(10)))
    return 6.0 + s * 3e-4 + s * 4e-4 * 9.0 / (9.0 + s * 4e-4) + force**2 / (s * mass + loss + spring)


@pytest.mark.parametrize(("factor", "expected"), [(0.1, True), (0.0, False)])
def test_creep_of_the_suspension(factor: float, expected: bool) -> None:
    generator = np.random.default_rng(4)
    frequency = 0.2 * np.arange(50, 102_500)
    variance = (1e-3) ** 2 * frequency / 50
    noise = generator.standard_normal(frequency.size) + 1j * generator.standard_normal(frequency.size)
    take = ImpedanceSpectrum(
        frequency, creeping_ohm(frequency, factor) + np.sqrt(variance / 2) * noise, variance, 0 * variance, 0.0
    )
    fit = fit_driver(take, fit_resonances(take, port=False))
    assert fit.creep is expected
    if expected:
        assert fit.creep_factor is not None
        assert fit.creep_factor.value == pytest.approx(factor, rel=0.03)
        # The resonance is where the cone's reactance vanishes.
        s = 2j * np.pi * fit.fs_hz.value
        ws = 1 / np.sqrt(0.02 * 5e-4)
        reactance = (s * 0.02 + 1 / (s * 5e-4 * (1 - factor * np.log(s / ws) / np.log(10)))).imag
        assert abs(reactance) < 1e-3 * abs(s) * 0.02
    else:
        assert fit.creep_factor is None


@pytest.mark.parametrize("noise_ohm", [1e-4, 2e-3])
def test_creep_with_a_lossy_coil_and_a_surround(noise_ohm: float) -> None:
    """No coil follows this driver without creep; with it the right one does. Formulas written out for this test."""
    generator = np.random.default_rng(16)
    frequency = 0.2 * np.arange(50, 102_500)
    s = 2j * np.pi * frequency
    mass, hung, compliance, loss, force, creep = 0.115, 0.0028, 7.5e-4, 2.2, 5.2, 0.045
    spring_hung = hung * (2 * np.pi * 420) ** 2
    ws = 1 / np.sqrt((mass + hung) * compliance)
    coil = 9.7e-5 * s + 1 / (1 / (1.95e-3 * s) + 1 / (0.0617 * np.sqrt(s)) + 1 / 48.9)
    soft = compliance * (1 - creep * np.log(s / ws) / np.log(10))
    surround = 1 / (1 / (s * hung) + 1 / (spring_hung / s + hung * 2 * np.pi * 420 / 10.7))
    cone = s * mass + loss + 1 / (s * soft) + surround
    variance = noise_ohm**2 * frequency / 50
    noise = generator.standard_normal(frequency.size) + 1j * generator.standard_normal(frequency.size)
    exact = 3.06 + coil + force**2 / cone
    take = ImpedanceSpectrum(frequency, exact + np.sqrt(variance / 2) * noise, variance, 0 * variance, 0.0)
    fit = fit_driver(take, fit_resonances(take, port=False))
    assert fit.creep
    assert fit.coil.name == "L and L2 parallel to K sqrt(s) parallel to R"
    assert fit.reduced_chi_square < 1.5
    assert fit.re_ohm.value == pytest.approx(3.06, rel=1e-3)
    assert fit.creep_factor is not None
    assert fit.creep_factor.value == pytest.approx(creep, rel=0.05)


def test_a_parameter_that_hardly_matters_stops_no_other() -> None:
    """Resistance and inductance far from their start, and a third parameter of which the data see next to nothing."""

    class Coil:
        layout = Layout.of(coil=tuple(Parameter(name, "") for name in ("ln_re", "ln_l", "faint")))

        def __call__(self, s: np.ndarray, x: np.ndarray) -> tuple[np.ndarray, Callable[[], np.ndarray]]:
            resistance, inductance, faint = np.full(s.shape, np.exp(x[0]), dtype=complex), s * np.exp(x[1]), 1e-11 * s
            slopes = np.stack([resistance, inductance, faint], axis=1)
            return resistance + inductance + faint * x[2], lambda: slopes

    frequency = np.geomspace(10.0, 20e3, 400)
    measured = 7.4 + 0.9e-3 * 2j * np.pi * frequency * (1 + 1e-4)
    data = CellData(frequency, measured, np.full(frequency.size, 1e-3))
    fit = fit_lumped(data, Coil(), np.array([-1.0, -3.0, 0.0]))
    assert np.exp([fit.value("ln_re"), fit.value("ln_l")]) == pytest.approx([7.4, 0.9e-3], rel=1e-3)


# Ohm scale, multimeter, warnings


def test_the_ohm_scale_counts_in_ohms_and_not_in_q() -> None:
    driver = random_driver(np.random.default_rng(2), "section", hung=False)
    exact, loose = fitted_driver(driver, 1), fitted_driver(driver, 1, scale_std=0.01)
    assert loose.re_ohm.std == pytest.approx(0.01 * loose.re_ohm.value, rel=1e-2)
    for name in ("fs_hz", "qms", "qes", "qts"):
        assert getattr(loose, name).std == pytest.approx(getattr(exact, name).std, rel=1e-6)


def test_the_multimeter_is_weighed_in() -> None:
    driver = random_driver(np.random.default_rng(2), "section", hung=False)
    true = driver.coil.resistance_ohm
    meter = MeterReading(1.004 * true, 1.0)
    loose = fitted_driver(driver, 1, meter=meter, scale_std=0.02)
    # Two readings of one resistance: weights are the reciprocal variances.
    weights = np.array([1 / 0.02**2, 1 / (0.01 / np.sqrt(3)) ** 2])
    assert np.log(loose.re_ohm.value / true) == pytest.approx(np.log(1.004) * weights[1] / weights.sum(), rel=0.02)
    assert loose.re_ohm.std / true == pytest.approx(weights.sum() ** -0.5, rel=0.02)
    assert loose.qes.value == pytest.approx(fitted_driver(driver, 1).qes.value, rel=1e-6)  # Re and scale cancel
    sure = fitted_driver(driver, 1, meter=meter)
    assert sure.re_ohm.value == pytest.approx(true, rel=1e-4)
    assert not any("multimeter" in sentence for sentence in loose.warnings)
    wrong = fitted_driver(driver, 1, meter=MeterReading(1.1 * true, 1.0))
    assert any("multimeter" in sentence for sentence in wrong.warnings)


@pytest.mark.parametrize("ohm", [0.0, -3.0, 5e4, float("nan")])
def test_a_nonsense_multimeter_value_is_refused(ohm: float) -> None:
    with pytest.raises(StillboxError, match="multimeter"):
        fitted_driver(DATA_SET_B, 1, meter=MeterReading(ohm))


def test_a_vented_box_is_no_free_air() -> None:
    generator = np.random.default_rng(14)
    driver = random_driver(generator)
    take = spectrum(random_box(generator, driver, True, False, False), 1)
    fit = fit_driver(take, fit_resonances(take, port=False))
    assert any("free air" in sentence for sentence in fit.warnings)
    assert not any("free air" in sentence for sentence in fitted_driver(driver, 1).warnings)


def test_without_a_peak_there_is_a_clear_error() -> None:
    frequency = 0.2 * np.arange(50, 102_500)
    resistor = ImpedanceSpectrum(
        frequency, np.full(frequency.size, 8.0 + 0j), np.full(frequency.size, 1e-8), 0 * frequency, 0.0
    )
    with pytest.raises(StillboxError, match="no motional peak"):
        fit_driver(resistor, fit_resonances(resistor, port=False))


# The textbook beside the fit


def textbook_of(take: ImpedanceSpectrum, fit: DriverFit, re_ohm: Quantity) -> ThreePoint:
    curve = curve_of_spectrum(take)
    inductance = fit.coil_ohm(curve.frequency_hz) - fit.re_ohm.value
    return three_point_of_curve(curve, re_ohm, fit.fs_hz.value, inductance)


@pytest.mark.parametrize("seed", range(4))
def test_textbook_agrees_with_the_fit_within_its_own_uncertainty(seed: int) -> None:
    driver = random_driver(np.random.default_rng(40 + seed))
    take = spectrum(SpeakerCircuit(driver), seed)
    fit = fit_driver(take, fit_resonances(take, port=False))
    read = textbook_of(take, fit, fit.re_ohm)
    named = {"fs": fit.fs_hz, "qms": fit.qms, "qes": fit.qes, "qts": fit.qts}
    assert disagreements(named, read) == ()
    assert read.qts.value == pytest.approx(true_driver(driver).qts, rel=0.05)
    assert read.qts.std > 20 * fit.qts.std


def test_textbook_disagrees_when_re_is_wrong() -> None:
    take = spectrum(SpeakerCircuit(DATA_SET_B), 1)
    fit = fit_driver(take, fit_resonances(take, port=False))
    wrong = replace(fit.re_ohm, value=1.15 * fit.re_ohm.value)
    read = textbook_of(take, fit, wrong)
    sentences = disagreements({"qes": fit.qes}, read)
    assert len(sentences) == 1
    assert sentences[0].startswith("Qes by the three-point method")
    assert sentences[0].endswith("look at the peak for a second resonance, hum or rubbing")
    (with_creep,) = disagreements({"fs": replace(fit.fs_hz, value=2 * fit.fs_hz.value)}, read, creep=True)
    assert with_creep.startswith("fs by the three-point method")
    assert with_creep.endswith("knows no creep of the suspension, the fit does")


def test_textbook_says_when_it_cannot() -> None:
    frequency = np.geomspace(40, 400, 500)
    with pytest.raises(StillboxError, match="no peak"):
        three_point(frequency, frequency, 5.0)
    x = 1j * (frequency / 60 - 60 / frequency)
    magnitude = np.abs(6 * (1 + 4 / (1 + 3 * x)))
    with pytest.raises(StillboxError, match="well above"):
        three_point(frequency, magnitude, 28.0)
    with pytest.raises(StillboxError, match="does not fall"):
        three_point(frequency[60:], magnitude[60:], 6.0)
