"""Absolute parameters from an added mass and from a test box: published numbers, random drivers, disagreements."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from circuit_takes import fitted_box, fitted_driver
from reference.random_drivers import RHO_C2, random_driver, true_driver, with_mass
from reference.speaker_circuit import Cavity, Coil, Driver, SpeakerCircuit

from stillbox.analysis.enclosure.box_quantities import closed_quantities
from stillbox.analysis.enclosure.box_verdicts import leak_verdict
from stillbox.analysis.lumped.driver import scale_covariance
from stillbox.analysis.system.absolute import AddedMassTake, Air, Known, KnownBoxTake, sensitivity_db
from stillbox.analysis.system.second_take import SecondTake, second_take
from stillbox.capture.errors import StillboxError

AIR = Air(1.2, 343.7)
"""That of the reference circuits."""
MASS_B, FS_B, RE_B = 9.3e-3, 60.9, 5.9
"""Data set B (es.scribd.com/document/700105709; project check values, section 1) with fs 60.9 taken as exact."""


def driver_b(area_m2: float = float(np.pi * 0.0525**2)) -> Driver:
    """The numbers of data set B as the check values use them: fs 60.9, Mms 9.3 g, Qms 3.35, Qes 0.796."""
    omega = 2 * np.pi * FS_B
    return Driver(
        coil=Coil(RE_B, 1.01e-3),
        force_factor_tm=float(np.sqrt(omega * MASS_B * RE_B / 0.796)),
        moving_mass_kg=MASS_B,
        compliance_m_per_n=float(1 / (omega**2 * MASS_B)),
        resistance_ns_per_m=float(omega * MASS_B / 3.35),
        area_m2=area_m2,
    )


def diameter_m(driver: Driver) -> float:
    return float(2 * np.sqrt(driver.area_m2 / np.pi))


# Published numbers


@pytest.mark.parametrize(("grams", "fs_hz"), [(5.0, 49.1124), (10.0, 42.2747)])
def test_added_mass_of_data_set_b(grams: float, fs_hz: float) -> None:
    driver = driver_b()
    free = fitted_driver(driver, 1, noise=1e-6)
    loaded = fitted_driver(with_mass(driver, grams / 1000), 2, noise=1e-6)
    assert loaded.fs_hz.value == pytest.approx(fs_hz, abs=5.1e-5 + 4 * loaded.fs_hz.std)
    found = second_take(free, Known(diameter_m(driver), 0.0), AIR, AddedMassTake(loaded, Known(grams / 1000, 0.0)))
    assert 1000 * found.combined.mms_kg.value == pytest.approx(9.300, abs=5e-4)


@pytest.mark.parametrize(
    ("litres", "alpha", "fc", "qtc", "qec"),
    [(5.0, 1.548, 97.211, 1.0264, 1.2706), (10.0, 0.774, 81.114, 0.8564, 1.0602)],
)
def test_test_box_of_data_set_b(litres: float, alpha: float, fc: float, qtc: float, qec: float) -> None:
    # Vas 7.74 L: the area that goes with it at rho c^2 of the circuits.
    compliance = driver_b().compliance_m_per_n
    driver = driver_b(float(np.sqrt(7.74e-3 / (RHO_C2 * compliance))))
    free = fitted_driver(driver, 1, noise=1e-6)
    box = fitted_box(SpeakerCircuit(driver, Cavity(litres / 1000)), free, False, 2, noise=1e-6)
    seen = closed_quantities(box)
    assert seen.alpha.value == pytest.approx(alpha, abs=5.1e-4)
    assert seen.fc_hz.value == pytest.approx(fc, abs=5.1e-4 + 4 * seen.fc_hz.std)
    assert seen.qec.value == pytest.approx(qec, abs=1.1e-4)
    # The check values take Qts = 0.643 as the sheet rounds it; from Qms 3.35 and Qes 0.796 it is 0.64317.
    assert seen.qtc.value * 0.643 / 0.64317 == pytest.approx(qtc, abs=1.1e-4)
    assert seen.textbook.alpha == pytest.approx(alpha, abs=5.1e-4)
    assert seen.textbook.alpha_equal_mass == pytest.approx(alpha, abs=5.1e-4)
    found = second_take(
        free, Known(diameter_m(driver), 0.0), AIR, test_box=KnownBoxTake(box, Known(litres / 1000, 0.0))
    )
    assert 1000 * found.combined.vas_m3.value == pytest.approx(7.74, abs=5e-3)


def test_vas_and_efficiency_of_data_set_b() -> None:
    # Vas with rho 1.2, c 343: 7.780 L (sheet 7.74) from the sheet's Cms; eta0 0.209 % and 85.3 dB are the sheet's.
    driver = replace(driver_b(), compliance_m_per_n=0.735e-3)
    free = fitted_driver(driver, 1, noise=1e-6)
    loaded = fitted_driver(with_mass(driver, 5e-3), 2, noise=1e-6)
    air = Air(1.2, 343.0)
    found = second_take(free, Known(0.105, 0.0), air, AddedMassTake(loaded, Known(5e-3, 0.0))).combined
    assert 1000 * found.vas_m3.value == pytest.approx(7.780, abs=2e-3)
    # eta0 = 4 pi^2/c^3 fs^3 Vas/Qes (Small 1972 [M]).
    eta0 = 4 * np.pi**2 / 343.0**3 * free.fs_hz.value**3 * found.vas_m3.value / free.qes.value
    assert found.efficiency.value == pytest.approx(eta0, rel=1e-4)
    assert 100 * found.efficiency.value == pytest.approx(0.209, rel=0.04)  # the sheet does not say how it got it
    # 112.1 to 112.2 + 10 log10 eta0 (project check values, section 1).
    assert 112.1 < sensitivity_db(1.0, air) < 112.25
    assert found.sensitivity_db.value == pytest.approx(85.3, abs=0.2)
    assert found.sensitivity_2v83_db.value == pytest.approx(
        found.sensitivity_db.value + 10 * np.log10(8 / free.re_ohm.value), abs=1e-9
    )


# Random drivers


def taken(driver: Driver, seed: int, mass_error: float = 0.0, volume_error: float = 0.0) -> SecondTake:
    """Both second takes; what is told of mass and volume may be off."""
    true = true_driver(driver)
    mass, volume = 0.7 * true.mms_kg, 0.8 * true.vas_m3
    free = fitted_driver(driver, seed)
    loaded = fitted_driver(with_mass(driver, mass), seed + 1)
    box = fitted_box(SpeakerCircuit(driver, Cavity(volume)), free, False, seed + 2)
    return second_take(
        free,
        Known(diameter_m(driver), 1e-3),
        AIR,
        AddedMassTake(loaded, Known(mass * (1 + mass_error), 0.5)),
        KnownBoxTake(box, Known(volume * (1 + volume_error), 1.0), leak_verdict(box).probability),
    )


@pytest.mark.parametrize("seed", range(4))
def test_random_drivers(seed: int) -> None:
    generator = np.random.default_rng(700 + seed)
    driver = random_driver(generator)
    true = true_driver(driver)
    found = taken(driver, 10 * seed, generator.uniform(-0.005, 0.005), generator.uniform(-0.01, 0.01))
    for way in (found.combined, found.by_mass, found.by_box):
        assert way is not None
        for name in ("mms_kg", "cms_m_per_n", "bl_tm", "vas_m3"):
            quantity, expected = getattr(way, name), getattr(true, name)
            assert quantity.value == pytest.approx(expected, rel=0.02)
            assert abs(quantity.value - expected) < 3 * quantity.std
            assert quantity.std < 0.011 * expected
    assert found.combined.rms_kg_per_s.value == pytest.approx(driver.resistance_ns_per_m, rel=0.02)
    assert found.disagreement_sigma is not None
    assert abs(found.disagreement_sigma) < 2.5
    # Two ways are surer than one.
    assert found.combined.mms_kg.std < min(found.by_mass.mms_kg.std, found.by_box.mms_kg.std)


def test_a_tolerance_is_rectangular() -> None:
    found = taken(random_driver(np.random.default_rng(3)), 1).by_mass
    assert found is not None
    mass = found.mms_kg
    assert mass.std == pytest.approx(0.005 / 3**0.5 * mass.value, rel=0.02)
    assert mass.half_width_95 == pytest.approx(0.95 * 0.005 * mass.value, rel=0.02)  # not 1.96 std
    assert found.bl_tm.std == pytest.approx(0.5 * 0.005 / 3**0.5 * found.bl_tm.value, rel=0.02)


def test_both_ways_disagree_when_the_volume_is_wrong() -> None:
    found = taken(random_driver(np.random.default_rng(3)), 1, volume_error=0.06)
    assert found.disagreement_percent == pytest.approx(100 * (1 / 1.06 - 1), abs=0.5)
    assert found.disagreement_sigma is not None
    assert found.disagreement_sigma < -5
    sentence = next(s for s in found.warnings if "test box" in s)
    assert "cone diameter" in sentence


def test_a_suspension_that_changes_is_seen_and_does_not_harm() -> None:
    driver = random_driver(np.random.default_rng(4))
    true = true_driver(driver)
    mass = 0.7 * true.mms_kg
    softer = replace(with_mass(driver, mass), compliance_m_per_n=1.08 * driver.compliance_m_per_n)
    found = second_take(
        fitted_driver(driver, 1),
        Known(diameter_m(driver), 1e-3),
        AIR,
        AddedMassTake(fitted_driver(softer, 2), Known(mass, 0.5)),
    )
    assert any("+8.0 % softer" in sentence and "level" in sentence for sentence in found.warnings)
    assert found.combined.mms_kg.value == pytest.approx(true.mms_kg, rel=0.005)
    # The textbook's formula, which takes equal compliance, is off.
    fs, loaded = true.fs_hz, true_driver(softer).fs_hz
    assert mass / ((fs / loaded) ** 2 - 1) < 0.92 * true.mms_kg


# Warnings and errors


def test_too_small_a_mass() -> None:
    driver = random_driver(np.random.default_rng(5))
    mass = 0.05 * true_driver(driver).mms_kg
    found = second_take(
        fitted_driver(driver, 1),
        Known(diameter_m(driver)),
        AIR,
        AddedMassTake(fitted_driver(with_mass(driver, mass), 2), Known(mass)),
    )
    assert any("lowers the resonance by 2 % only" in sentence for sentence in found.warnings)
    assert any(sentence.startswith("tolerances not given") for sentence in found.warnings)
    assert found.by_box is None
    assert found.disagreement_sigma is None


def test_a_mass_that_raises_the_resonance() -> None:
    driver = random_driver(np.random.default_rng(5))
    free, loaded = fitted_driver(driver, 1), fitted_driver(with_mass(driver, 0.5 * driver.moving_mass_kg), 2)
    with pytest.raises(StillboxError, match="it must fall"):
        second_take(loaded, Known(0.13), AIR, AddedMassTake(free, Known(0.01)))


def test_too_large_a_box_and_a_leaking_one() -> None:
    driver = random_driver(np.random.default_rng(6))
    free = fitted_driver(driver, 1)
    volume = 5 * true_driver(driver).vas_m3
    box = fitted_box(SpeakerCircuit(driver, Cavity(volume)), free, False, 2)
    found = second_take(
        free, Known(diameter_m(driver)), AIR, test_box=KnownBoxTake(box, Known(volume), leak_probability=0.99)
    )
    assert any("so large" in sentence for sentence in found.warnings)
    assert any("test box leaks" in sentence for sentence in found.warnings)


def test_values_out_of_range_and_nothing_at_all() -> None:
    driver = random_driver(np.random.default_rng(6))
    free = fitted_driver(driver, 1)
    loaded = fitted_driver(with_mass(driver, 0.5 * driver.moving_mass_kg), 2)
    with pytest.raises(StillboxError, match="second take"):
        second_take(free, Known(0.13), AIR)
    with pytest.raises(StillboxError, match="added mass of 5000 g must be"):
        second_take(free, Known(0.13), AIR, AddedMassTake(loaded, Known(5.0)))
    with pytest.raises(StillboxError, match="diameter of the cone of 5000 mm"):
        second_take(free, Known(5.0), AIR, AddedMassTake(loaded, Known(0.01)))


def test_the_uncertainty_of_re_is_in_the_level() -> None:
    """Re of a jig that knows its ohm to 3 % only is uncertain, and so is the level."""
    driver = random_driver(np.random.default_rng(5))
    free = fitted_driver(driver, 1)
    rough = replace(
        free,
        scale_std=0.03,
        reported_covariance=free.reported_covariance + 0.03**2 * scale_covariance(free.model),
    )
    mass = 0.7 * true_driver(driver).mms_kg
    added = AddedMassTake(fitted_driver(with_mass(driver, mass), 2), Known(mass, 0.01))
    levels = [second_take(one, Known(0.13, 0.01), AIR, added).combined for one in (free, rough)]
    # Bl goes with the root of the ohm and Re with the ohm: the level at a voltage with one over its root, that at a
    # power in Re not at all.
    assert levels[1].sensitivity_2v83_db.std == pytest.approx(0.5 * 8.686 * 0.03, rel=0.1)
    assert levels[1].sensitivity_db.std < 0.1
