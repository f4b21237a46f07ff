"""Speakers whose physics shares nothing with the project (`reference.wild_boxes`): coils, radiation, leaks."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from reference.wild_air import Air, piston_in_free_air
from reference.wild_boxes import KINDS, WildBox, wild_box
from reference.wild_drivers import driver_truth

from stillbox.analysis.driver.driver_fit import driver_fit_report
from stillbox.analysis.enclosure.box import BoxFit, fit_box
from stillbox.analysis.enclosure.box_verdicts import leak_verdict
from stillbox.analysis.impedance.cells import HIGHEST_HZ
from stillbox.analysis.impedance.findings import ResonanceFit
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.impedance.resonances import fit_resonances
from stillbox.analysis.lumped.driver import UNPUBLISHED_WARNING, DriverFit, MeterReading, fit_driver
from stillbox.analysis.system.described_box import described_shared_air, described_softening

NOISE, SPACING_HZ = 3e-5, 0.2
SEMI_INDUCTIVE, LADDER = 0, 500
"""Seeds whose coils are of a published kind, and of none."""


@cache
def take(seed: int, kind: str, name: str) -> tuple[ImpedanceSpectrum, ResonanceFit]:
    wild = wild_box(seed, kind)
    frequency_hz = SPACING_HZ * np.arange(50, 102_500)
    exact = wild.dense_impedance(name, frequency_hz)
    variance = (NOISE * 10 * np.abs(1 + exact / 10) ** 2) ** 2 * frequency_hz / 50
    generator = np.random.default_rng([seed, 3])
    drawn = generator.standard_normal(frequency_hz.size) + 1j * generator.standard_normal(frequency_hz.size)
    measured = exact + np.sqrt(variance / 2) * drawn
    spectrum = ImpedanceSpectrum(frequency_hz, measured, variance, np.zeros(frequency_hz.size), 0.0)
    return spectrum, fit_resonances(spectrum, port=kind.startswith("vented") and name == "in-box")


@cache
def driver(seed: int) -> DriverFit:
    return fit_driver(*take(seed, KINDS[0], "free-air"))


def boxed(seed: int, kind: str) -> tuple[WildBox, BoxFit]:
    wild, vented = wild_box(seed, kind), kind.startswith("vented")
    told = wild.described
    air = described_shared_air(told) if vented else None
    return wild, fit_box(*take(seed, kind, "in-box"), driver(seed), vented, air, described_softening(told, "stock"))


@pytest.mark.parametrize("seed", [SEMI_INDUCTIVE, LADDER, 501, 502])
def test_no_pair_stands_at_the_end_of_the_band(seed: int) -> None:
    """Pairs as tall as 1e12 ohm stood at 19.95 kHz once and took one another back."""
    spectrum, fit = take(seed, KINDS[0], "free-air")
    pairs = (*fit.motional, *fit.broad, *fit.resonances)
    assert all(pair.frequency_hz < 0.98 * HIGHEST_HZ for pair in pairs)
    assert all(pair.height_ohm < 10 * np.max(np.abs(spectrum.impedance_ohm)) for pair in pairs)
    assert not fit.warnings
    assert fit.reduced_chi_square < 1.1


def test_a_coil_of_no_published_kind_asks_for_the_multimeter() -> None:
    assert UNPUBLISHED_WARNING in driver(LADDER).warnings
    wild = wild_box(LADDER, KINDS[0])
    true_ohm = wild.driver_truth.re_ohm
    assert abs(driver(LADDER).re_ohm.value - true_ohm) < 2 * driver(LADDER).re_ohm.std
    metered = fit_driver(*take(LADDER, KINDS[0], "free-air"), MeterReading(true_ohm, 0.2))
    assert UNPUBLISHED_WARNING not in metered.warnings
    assert metered.re_ohm.std < 0.3 * driver(LADDER).re_ohm.std
    # One that is published does not.
    assert UNPUBLISHED_WARNING not in fit_driver(*take(501, KINDS[0], "free-air")).warnings


@pytest.mark.parametrize("seed", [29, 61, 62, 63, 64, 65])
def test_every_coil_is_followed_to_the_noise(seed: int) -> None:
    """Ladders left 400 times the noise once, and free air that radiates 20 times; Re and Qes follow from both."""
    fit, wild = driver(seed), wild_box(seed, KINDS[0])
    as_it_was = driver_truth(wild.driver_in("free-air"), wild.enclosure.air)
    assert fit.reduced_chi_square < 1.1
    assert driver_fit_report(fit).converged
    assert fit.fs_hz.value == pytest.approx(as_it_was.fs_hz, rel=1e-4)
    assert fit.re_ohm.value == pytest.approx(as_it_was.re_ohm, rel=5e-4)
    # Small resonances move a little more than the cone: what is counted as Mms, 0.2 % at most.
    assert fit.qes.value == pytest.approx(as_it_was.qes, rel=2.5e-3)


def test_the_front_radiates_as_a_piston_in_a_wall() -> None:
    """8/3 rho a^3 over the moving mass (Rayleigh); left out, stiffness and air load made up for it by 5 to 29 %."""
    wild, fit = boxed(0, "closed-bare")
    assert fit.alpha.value == pytest.approx(wild.truth.alpha, rel=0.03)
    air = 8 / 3 * 1.19 * wild.driver.radius_m**3 / wild.driver_truth.mms_kg
    assert fit.numbers.load.front == pytest.approx(air, rel=0.3)
    assert not fit.driver_changed


def test_a_leak_at_the_back_is_no_loss_of_the_lining() -> None:
    """QL 11.9: one start ended at none, and the box was called tight."""
    wild, fit = boxed(0, "vented-leaky")
    verdict = leak_verdict(fit)
    assert verdict.word == "leaks"
    low, high = fit.alpha.interval_95
    assert low < wild.truth.alpha < high
    assert fit.fb_hz is not None and wild.truth.fb_hz is not None
    low, high = fit.fb_hz.interval_95
    assert low < wild.truth.fb_hz < high


def test_the_load_of_free_air_is_causal() -> None:
    """Low frequencies as published for a disc, and no answer before the push (a kink in the resistance has one)."""
    air, radius = Air(), 0.06
    slow = 2 * np.pi * np.array([20.0])
    mechanical = piston_in_free_air(slow, radius, air) * (np.pi * radius**2) ** 2
    assert mechanical.imag / slow == pytest.approx(8 / 3 * air.density * radius**3, rel=1e-3)
    ka = slow * radius / air.speed
    published = air.density * air.speed * np.pi * radius**2 * 8 * ka**4 / (27 * np.pi**2)
    assert mechanical.real == pytest.approx(published, rel=1e-3)
    omega = 2 * np.pi * 5.0 * np.arange(1, 2**17)
    load = piston_in_free_air(omega, radius, air)
    rest = (load - load[-1].real) / load[-1].real
    answer = np.fft.irfft(np.concatenate([[-1.0], rest]))
    later, before = np.sum(answer[: answer.size // 2] ** 2), np.sum(answer[-answer.size // 4 :] ** 2)
    assert before < 1e-3 * later
