"""Contacts of the clips: what they scatter from one clipping to the next is in the ohms, once, and nowhere else."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from circuit_takes import random_speaker, shared_air, spectrum
from recorded import RecordedBuild
from reference.random_drivers import random_driver
from reference.recordings import CLEAN, Chain
from reference.speaker_circuit import SpeakerCircuit

from stillbox.analysis.bench import Bench
from stillbox.analysis.calibration_report import calibration_report, resistor_check
from stillbox.analysis.enclosure.box import fit_box
from stillbox.analysis.impedance.contact import USUAL_OHM, contact_std_ohm
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.impedance.resonances import fit_resonances
from stillbox.analysis.lumped.driver import MeterReading, fit_driver
from stillbox.analysis.lumped.driver_model import CONE, cone_of
from stillbox.capture.sweep.excitation import Excitation

SHORT_SWEEP = Excitation(seconds=1.0, repeats=1, silence_before_s=0.3, silence_after_s=0.5)
WIRES_OHM = 0.05
CONTACT_OHM = 0.02


def clipped(more_ohm: float) -> Chain:
    """The chain with so much more resistance in the clips."""
    return Chain(jig=replace(CLEAN.jig, lead_ohm=WIRES_OHM + more_ohm), noise_dbfs=CLEAN.noise_dbfs)


def with_shorts(path: Path, contacts_ohm: list[float], of_take_ohm: float = 0.0) -> tuple[Bench, ImpedanceSpectrum]:
    """A build with a take of short for each clipping, and the spectrum of a resistor of 8 ohm."""
    build = RecordedBuild.create(path, SHORT_SWEEP)
    for contact_ohm in contacts_ohm:
        build.chain = clipped(contact_ohm)
        build.add_standard("short")
    build.chain = clipped(of_take_ohm)
    take = build.add(8.0, "in-box", state="stock")
    bench = Bench(build.folder)
    return bench, bench.spectrum(take)


def test_the_scatter_of_repeated_shorts_is_common_to_all_frequencies(tmp_path: Path) -> None:
    contacts_ohm = [0.0, 0.04, 0.01, 0.03]
    bench, taken = with_shorts(tmp_path / "build", contacts_ohm, 0.05)
    among = np.var(contacts_ohm, ddof=1)
    (contact,) = taken.common_ohm
    np.testing.assert_allclose(contact, np.sqrt(2 * among), rtol=0.01)
    # It is in no noise against which a resonance is told.
    _, steady = with_shorts(tmp_path / "steady", [0.0] * len(contacts_ohm))
    for noise in ("noise_variance_ohm2", "calibration_variance_ohm2"):
        assert np.median(getattr(taken, noise) / getattr(steady, noise)) == pytest.approx(1.0, abs=0.05)
    curve = bench.curve(bench.takes[-1])
    error = curve.impedance_ohm.real - 8.0
    assert np.all(np.abs(error) < 1.96 * curve.resistance_std_ohm)
    assert np.median(error) == pytest.approx(0.05 - contacts_ohm[-1], abs=1e-3)
    said = [text for text in calibration_report(bench) if "takes of short" in text]
    assert len(said) == 1 and "the 4 takes of short lie within 0.04 ohm" in said[0]


@pytest.mark.parametrize(("shorts", "expected_ohm"), [([], ()), ([0.0], (np.sqrt(2) * USUAL_OHM,))])
def test_one_short_has_the_usual_size_and_none_has_nothing(
    tmp_path: Path, shorts: list[float], expected_ohm: tuple[float, ...]
) -> None:
    """Without a take of short wires and clips are left in the ohms whole, and a warning says so."""
    bench, taken = with_shorts(tmp_path / "build", shorts)
    assert len(taken.common_ohm) == len(expected_ohm)
    for contact, wanted in zip(taken.common_ohm, expected_ohm, strict=True):
        np.testing.assert_allclose(contact, wanted)
    said = " ".join(calibration_report(bench))
    assert ("0.0071 ohm, a usual size (common practice, no source)" in said) == bool(shorts)
    assert any("the jig's own faults are left" in text and "leads" in text for text in taken.warnings) != bool(shorts)


@pytest.mark.parametrize("count", [2, 3, 6])
def test_the_stated_scatter_is_that_between_two_clippings(count: int) -> None:
    generator = np.random.default_rng(count)
    drawn = CONTACT_OHM * generator.standard_normal((4_000, count + 1))
    stated = np.array([contact_std_ohm(list(row[:-1])) for row in drawn])
    between = np.sqrt(np.mean((drawn[:, -1] - drawn[:, -2]) ** 2))
    assert np.sqrt(np.mean(stated**2)) == pytest.approx(between, rel=0.05)
    # Clips that seem perfect by chance are not believed to be.
    assert contact_std_ohm([0.0] * count) == pytest.approx(np.sqrt(2 / count) * USUAL_OHM)


def test_shorts_of_other_wires_are_asked_to_be_set_aside(tmp_path: Path) -> None:
    _, taken = with_shorts(tmp_path / "build", [0.0, 0.25])
    assert sum("set aside the takes of short" in text for text in taken.warnings) == 1


def test_a_check_resistor_has_contacts_too(tmp_path: Path) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT_SWEEP)
    for contact_ohm in (0.0, 0.06, 0.0):
        build.chain = clipped(contact_ohm)
        build.add_standard("short")
    build.chain = clipped(0.06)
    take = build.add(8.2, "check-resistor", load_ohm=8.2, load_tolerance_percent=0.1)
    check = resistor_check(Bench(build.folder), take)
    assert check.measured_ohm == pytest.approx(8.26, abs=2e-3)
    assert check.measured_std_ohm > 0.03
    assert check.verdict == "agrees"


def test_a_gain_enters_a_height_as_its_share_and_a_contact_does_not() -> None:
    _, circuit = random_speaker(3, vented=False, leak=False, standing_waves=False)
    plain = spectrum(circuit, 1)
    contact = replace(plain, common_ohm=(np.full(plain.frequency_hz.size, CONTACT_OHM, dtype=complex),))
    gain = replace(plain, common_ohm=(0.01 * plain.impedance_ohm,))
    (one,), (clips,), (drift,) = (fit_resonances(each, port=False).motional for each in (plain, contact, gain))
    assert clips.height_std_ohm == pytest.approx(one.height_std_ohm, rel=1e-3)
    of_gain = np.sqrt(drift.height_std_ohm**2 - one.height_std_ohm**2)
    assert of_gain == pytest.approx(0.01 * one.height_ohm, rel=0.01)
    # A gain differs from take to take: it counts where takes are compared, as the tolerance of a resistor does not.
    assert drift.height_noise_std_ohm == pytest.approx(drift.height_std_ohm)
    assert drift.frequency_std_hz == pytest.approx(one.frequency_std_hz, rel=0.01)
    assert drift.q_std == pytest.approx(one.q_std, rel=0.01)


def test_the_dc_resistance_is_known_no_better_than_the_contacts() -> None:
    driver = random_driver(np.random.default_rng(7))
    plain = spectrum(SpeakerCircuit(driver), 2)
    contact = replace(plain, common_ohm=(np.full(plain.frequency_hz.size, CONTACT_OHM, dtype=complex),))
    fits = [fit_driver(each, fit_resonances(each, port=False)) for each in (plain, contact)]
    before, after = fits
    assert before.re_ohm.std < 0.2 * CONTACT_OHM
    assert after.re_ohm.std == pytest.approx(np.hypot(before.re_ohm.std, CONTACT_OHM), rel=0.02)
    assert after.fs_hz.std == pytest.approx(before.fs_hz.std, rel=0.02)
    assert after.qms.std == pytest.approx(before.qms.std, rel=0.02)
    meter = MeterReading(before.re_ohm.value + CONTACT_OHM, 0.1)
    with_meter = [fit_driver(each, fit_resonances(each, port=False), meter).re_ohm.value for each in (plain, contact)]
    nearer = np.abs(np.array(with_meter) - meter.resistance_ohm)
    assert nearer[1] < nearer[0]


def test_the_box_knows_its_resistance_no_better_than_the_contacts() -> None:
    driver, circuit = random_speaker(3, vented=True, leak=False, standing_waves=False)
    free = spectrum(SpeakerCircuit(driver), 4)
    free_fit = fit_driver(free, fit_resonances(free, port=False))
    plain = spectrum(circuit, 5)
    contact = replace(plain, common_ohm=(np.full(plain.frequency_hz.size, CONTACT_OHM, dtype=complex),))
    found = fit_resonances(plain, port=True)
    fits = [fit_box(each, found, free_fit, True, shared_air(circuit)) for each in (plain, contact)]
    stds = [fit.covariance[CONE.ln_re, CONE.ln_re] ** 0.5 * np.exp(cone_of(fit.parameters).ln_re) for fit in fits]
    assert stds[0] < 0.5 * CONTACT_OHM
    assert stds[1] == pytest.approx(np.hypot(stds[0], CONTACT_OHM), rel=0.05)
