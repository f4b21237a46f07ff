"""Fits of random speakers of other physics, straight from their impedance: where lumps and pairs do not follow."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from reference.wild_boxes import WildBox, wild_box

from stillbox.analysis.enclosure.box import BoxFit, fit_box
from stillbox.analysis.enclosure.box_priors import waves_loss
from stillbox.analysis.enclosure.box_verdicts import leak_verdict
from stillbox.analysis.impedance.findings import Resonance, ResonanceFit
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.impedance.resonances import fit_resonances
from stillbox.analysis.lumped.cone_resonances import cone_resonances
from stillbox.analysis.lumped.driver import fit_driver
from stillbox.analysis.system.box_sound import Origin, bass_system, hatched_hz, is_hatched, level_db
from stillbox.analysis.system.described_box import described_shared_air, described_softening

BIN_HZ, BINS = 5 / 9, (26, 39_272)
NOISE = 1.4e-5
"""Relative to the impedance at the lowest frequency; it rises with the root of the frequency, as a sweep's does."""


def as_measured(wild: WildBox, take: str) -> ImpedanceSpectrum:
    """A take in the ohms of a perfect jig."""
    frequency_hz = BIN_HZ * np.arange(*BINS)
    exact_ohm = wild.dense_impedance(take, frequency_hz)
    std_ohm = NOISE * np.abs(exact_ohm) * np.sqrt(frequency_hz / frequency_hz[0])
    noise = np.random.default_rng(wild.seed).standard_normal((2, frequency_hz.size)) * std_ohm / np.sqrt(2)
    return ImpedanceSpectrum(
        frequency_hz=frequency_hz,
        impedance_ohm=exact_ohm + noise[0] + 1j * noise[1],
        noise_variance_ohm2=std_ohm**2,
        calibration_variance_ohm2=np.zeros(frequency_hz.size),
        scale_std=0.0,
    )


@cache
def fitted(seed: int, kind: str) -> BoxFit:
    """Driver and box of a wild speaker."""
    wild = wild_box(seed, kind)
    vented = wild.enclosure.port is not None
    free_air, in_box = (as_measured(wild, take) for take in ("free-air", "in-box"))
    bare = fit_resonances(free_air, port=False)
    driver = fit_driver(free_air, bare)
    found = fit_resonances(in_box, vented, bare.motional[0].frequency_hz)
    described = wild.described
    shared = described_shared_air(described) if vented else None
    return fit_box(in_box, found, driver, vented, shared, described_softening(described, "stock"))


@cache
def on_a_ladder() -> tuple[ImpedanceSpectrum, ResonanceFit]:
    """A driver in free air whose coil is a ladder."""
    spectrum = as_measured(wild_box(210, "closed-bare"), "free-air")
    return spectrum, fit_resonances(spectrum, port=False)


def test_no_pair_is_higher_than_what_there_is() -> None:
    """A coil of a ladder and the air's load on the cone are smooth: no pairs that cancel each other follow them."""
    spectrum, fit = on_a_ladder()
    heights_ohm = [one.height_ohm for one in (*fit.motional, *fit.broad, *fit.resonances)]
    assert max(heights_ohm) < 10 * np.abs(spectrum.impedance_ohm).max()
    assert fit.motional[0].frequency_hz == pytest.approx(28.1, abs=0.1)
    assert [one.frequency_hz for one in fit.resonances] == pytest.approx([901, 1282, 1540], rel=0.03)  # the springs'
    assert [one.q for one in fit.resonances] == pytest.approx([23.8, 11.0, 10.7], rel=0.1)


def test_without_mass_on_the_cone_the_motional_peak_counts_alone() -> None:
    _, fit = on_a_ladder()
    peak = fit.motional[0]
    coils = Resonance(2 * np.pi * 5000 * (-0.2 + 0.98j), -1e6 + 0j, 1.0, 0.1, 1.0, 1e4)
    small = cone_resonances(replace(fit, broad=(coils,)))
    assert small.scale_ohm_rad_s == pytest.approx(2 * peak.residue_ohm_rad_s.real)
    assert small.size == 0


@pytest.mark.parametrize(("seed", "kind"), [(3, "closed-bare"), (3, "vented-leaky"), (1, "closed-leaky")])
def test_what_stands_above_the_lumps_does_not_move_them(seed: int, kind: str) -> None:
    """Coil and standing waves are not what alpha, tuning and leak are told from."""
    fit, true = fitted(seed, kind), wild_box(seed, kind).truth
    assert fit.alpha.value == pytest.approx(true.alpha, rel=0.02)
    assert leak_verdict(fit).word == ("leaks" if true.leaks else "tight")
    if fit.fb_hz is not None:
        assert fit.fb_hz.value == pytest.approx(true.fb_hz, rel=0.01)


@pytest.mark.parametrize("seed", [0, 110])
def test_filling_on_the_way_to_the_port_is_neither_air_nor_driver(seed: int) -> None:
    """It moves with the air at low frequency and resists above: less air and another tuning do not make up for it."""
    fit, true = fitted(seed, "vented-blocked"), wild_box(seed, "vented-blocked").truth
    assert fit.fb_hz is not None
    assert fit.reduced_chi_square < 40  # six times a noise of 14 ppm
    assert fit.alpha.value == pytest.approx(true.alpha, rel=0.02)
    assert fit.fb_hz.value == pytest.approx(true.fb_hz, rel=0.01)
    for found, is_true in ((fit.alpha, true.alpha), (fit.fb_hz, true.fb_hz)):
        low, high = found.interval_95
        assert low < is_true < high


@pytest.mark.parametrize(("seed", "kind"), [(218, "vented-leaky"), (223, "closed-leaky")])
def test_the_level_follows_what_no_lump_is(seed: int, kind: str) -> None:
    """No misfit is made up for by shared air, by a leak with more than the cone's pressure, by air that drives."""
    fit, wild = fitted(seed, kind), wild_box(seed, kind)
    box = fit.numbers
    assert abs(box.inside.leak_place) <= 1
    if box.port is not None:
        told = described_shared_air(wild.described)
        assert told is not None
        assert box.port.kappa == pytest.approx(told.value * fit.model.reference_rad_s**2, abs=0.002)
    else:
        # Below zero only by what the standing waves count already: the air as a whole loses.
        assert box.inside.absorption + waves_loss(fit.model, fit.parameters) >= 0
    system = bass_system(fit)
    hertz = np.geomspace(20, 300, 60)
    hertz = hertz[~is_hatched(hatched_hz(system), hertz)]
    error_db = level_db(system, hertz) - (wild.level_db(hertz) - wild.truth.reference_db)
    assert np.median(np.abs(error_db)) < 0.4


def test_a_standing_wave_at_a_leak_is_hatched() -> None:
    """A wave drives what leaks, forward or backward: around it nobody knows how it sounds."""
    fit, wild = fitted(613, "closed-leaky"), wild_box(613, "closed-leaky")
    origins = [Origin(282.0, "standing wave", 1.0)]
    system = bass_system(fit, origins)
    hertz = np.geomspace(20, 300, 200)
    error_db = np.abs(level_db(system, hertz) - (wild.level_db(hertz) - wild.truth.reference_db))
    assert error_db.max() > 3  # at the wave
    assert error_db[~is_hatched(hatched_hz(system), hertz)].max() < 0.8
