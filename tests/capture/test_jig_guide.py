"""Preferred values, limits of the output, the best reference resistor, the attenuator, and the rig's speakers."""

from __future__ import annotations

import math
import os
import subprocess
import sys
import tomllib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from places import ROOT

from stillbox.capture.build.build_description import BuildDescription, Limits, description_template
from stillbox.capture.errors import StillboxError
from stillbox.capture.jig.e_series import values_between
from stillbox.capture.jig.jig_guide import (
    JigLevels,
    attenuator_for,
    best_reference,
    evaluate_reference,
    proposed_reference,
    typical_impedance_ohm,
)
from stillbox.capture.jig.jig_text import jig_text
from stillbox.capture.practice.practice_jig import RigParts
from stillbox.capture.practice.practice_rig import rig_named
from stillbox.capture.practice.practice_speakers import (
    ADDED_MASS_KG,
    CONE_MM,
    DRIVER_M,
    FORMER_NAMES,
    INSIDE_M,
    PORT_DIAMETER_M,
    PORT_LENGTH_M,
    SPEAKERS,
    SPEED_OF_SOUND_M_S,
    TEST_BOX_M3,
    PracticeBox,
    PracticeDriver,
    PracticeSpeaker,
    driver_impedance_ohm,
)
from stillbox.capture.sound.audio_device import Clips
from stillbox.capture.sound.safety import output_limit


@given(
    loudest=st.floats(0.01, 100),
    reference_ohm=st.floats(0.5, 200),
    clips=st.floats(0.01, 40),
    resistor_watts=st.floats(1e-4, 50),
    speaker_watts=st.floats(1e-4, 50),
    device=st.complex_numbers(max_magnitude=1e4),
)
def test_no_load_whatever_gets_more_than_the_limits(
    loudest: float, reference_ohm: float, clips: float, resistor_watts: float, speaker_watts: float, device: complex
) -> None:
    """Against the circuit: source, reference resistor, any passive device."""
    limits = Limits(clips_volts=clips, resistor_watts=resistor_watts, speaker_watts=speaker_watts)
    limit = output_limit(limits, loudest, reference_ohm)
    volts = limit.peak * loudest
    device = complex(abs(device.real), device.imag)
    current = volts / abs(reference_ohm + device)
    assert 0 < limit.peak <= 1
    assert current * abs(device) <= volts * (1 + 1e-9)
    assert volts <= clips * (1 + 1e-9)
    assert current**2 * reference_ohm <= resistor_watts * (1 + 1e-9)
    assert current**2 * device.real <= speaker_watts * (1 + 1e-9)


def test_an_output_that_was_never_measured_is_held_at_40_db_below_full_scale() -> None:
    limit = output_limit(Limits(clips_volts=50.0), None, 10.0)
    assert (limit.dbfs, limit.volts) == (pytest.approx(-40.0), None)


def test_limits_in_build_toml() -> None:
    text = description_template("x", None, None)
    assert BuildDescription.model_validate(tomllib.loads(text)).limits.of("in-box") == Limits()
    text += "clips_volts = 1\nlowest_hz = 500\n[limits.free-air]\nclips_volts = 0.25\n"
    text += "[limits.part]\nspeaker_watts = 0.1\n"
    limits = BuildDescription.model_validate(tomllib.loads(text)).limits
    assert limits.of("free-air") == Limits(clips_volts=0.25, lowest_hz=500)
    assert limits.of("part") == Limits(clips_volts=1, lowest_hz=500, speaker_watts=0.1)
    for wrong in ("[limits]\nclips_volts = 900", "[limits.tweeter]\nlowest_hz = 3", "[limits]\nlowest_hz = 'a'"):
        with pytest.raises(ValueError, match="limits"):
            BuildDescription.model_validate(tomllib.loads(wrong))


def simulated_uncertainty(levels: JigLevels, reference_ohm: float, seed: int = 1) -> float:
    """Rms relative scatter of |Z| when noise of the same size falls on both voltages: no formula, only the circuit."""
    rng = np.random.default_rng(seed)
    device = typical_impedance_ohm(levels.rated_ohm)
    source = min(levels.output_volts, 0.5 * levels.input_volts / np.max(
        np.abs((reference_ohm + device) / (reference_ohm + device + levels.source_ohm))
    ))
    source = min(source, 2.0, math.sqrt(0.25 * reference_ohm), math.sqrt(4 * reference_ohm))
    current = source / (reference_ohm + device + levels.source_ohm)
    first = current * (reference_ohm + device)
    second = current * (device if levels.jig == "high-side" else reference_ohm)
    noise = 1e-5 * (rng.standard_normal((4, 400, device.size)))
    ratio = (second + noise[0] + 1j * noise[1]) / (first + noise[2] + 1j * noise[3])
    measured = reference_ohm * (ratio / (1 - ratio) if levels.jig == "high-side" else (1 - ratio) / ratio)
    return float(np.sqrt(np.mean((np.abs(measured) / np.abs(device) - 1) ** 2)))


@pytest.mark.parametrize("jig", ["high-side", "low-side"])
@pytest.mark.parametrize(
    ("rated_ohm", "source_ohm", "output_volts"), [(4, 0.5, 1.0), (8, 1, 1.0), (8, 40, 2), (16, 1, 5)]
)
def test_best_reference_is_best_in_a_simulation(
    jig: str, rated_ohm: float, source_ohm: float, output_volts: float
) -> None:
    levels = JigLevels(rated_ohm, output_volts, source_ohm, input_volts=2.0, jig=jig)  # type: ignore[arg-type]
    exact, standard = best_reference(levels)
    at_best = simulated_uncertainty(levels, exact)
    for factor in (0.25, 0.5, 0.7, 1.4, 2.0, 4.0):
        assert simulated_uncertainty(levels, exact * factor) > at_best * (1 - 0.01)
    assert simulated_uncertainty(levels, exact * 4) > 1.2 * at_best
    assert standard.reference_ohm in values_between(0.1, 1000)
    # The ratio of two uncertainties is that of the simulation.
    rule = evaluate_reference(levels, rated_ohm).uncertainty / standard.uncertainty
    simulated = simulated_uncertainty(levels, rated_ohm) / simulated_uncertainty(levels, standard.reference_ohm)
    assert rule == pytest.approx(simulated, rel=0.02)


@given(watts=st.floats(0.1, 2000), load_ohm=st.floats(2, 16), input_volts=st.floats(0.5, 10))
def test_attenuator_keeps_inputs_safe_and_divides_little_more_than_needed(
    watts: float, load_ohm: float, input_volts: float
) -> None:
    divider = attenuator_for(watts, load_ohm, input_volts)
    volts = math.sqrt(watts * load_ohm)
    behind = volts * divider.shunt_ohm / (divider.series_ohm + divider.shunt_ohm)
    assert behind <= 0.5 * input_volts * (1 + 1e-9)
    needed = volts / (0.5 * input_volts)
    # A divider of at least 8 kohm with at most 2.2 kohm to ground divides by 3.6 or more.
    assert divider.division <= max(1.2 * needed, 4.6)
    assert divider.series_ohm + divider.shunt_ohm >= 8000
    assert {divider.series_ohm, divider.shunt_ohm} <= set(values_between(100, 1e6, "E24"))
    assert divider.series_watts == pytest.approx((volts - behind) ** 2 / divider.series_ohm)


def test_guide_says_what_it_must_and_refuses_nonsense() -> None:
    text = jig_text(JigLevels(), (100.0, 8.0))
    wanted = ("input 1", "input 2", "rule of thumb", "V rms", "channel-match", "short", "open", "load", "Attenuator")
    for words in wanted:
        assert words in text
    for wrong in ({"rated_ohm": 0.0}, {"output_volts": -1.0}, {"input_volts": 0.0}, {"noise_dbfs": 10.0}):
        with pytest.raises(StillboxError, match="is outside"):
            JigLevels(**wrong)
    with pytest.raises(StillboxError, match="power of the amplifier"):
        attenuator_for(0.0, 8.0, 1.0)


def test_jig_command() -> None:
    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "stillbox", "jig", *arguments],
            capture_output=True, text=True, cwd=ROOT, check=False, env={**os.environ, "COLUMNS": "200"},
        )  # fmt: skip

    done = run("--rated-ohms", "4", "--amplifier-watts", "50", "--kind", "low-side")
    assert done.returncode == 0 and done.stderr == ""
    assert "rated 4 ohm" in done.stdout and "caution: Start at the lowest level" in done.stdout
    wrong = run("--kind", "sideways")
    assert wrong.returncode == 2 and "there is no jig 'sideways'" in wrong.stderr


# Data set B of the check values: a 5.5-inch woofer, sheet quoted in es.scribd.com/document/700105709.
SHEET_B = PracticeDriver(
    resistance_ohm=5.9,
    coil_factor=0.0,
    coil_exponent=1.0,
    force_factor_tm=5.13,
    moving_mass_kg=0.0093,
    compliance_m_per_n=0.735e-3,
    loss_ns_per_m=2 * math.pi * 60.874 * 0.0093 / 3.35,
    area_m2=math.pi * 0.0525**2,
)


def peak_hz(driver: PracticeDriver, box: PracticeBox | None, low: float, high: float) -> tuple[float, float]:
    frequency_hz = np.linspace(low, high, 40_001)
    size = np.abs(driver_impedance_ohm(driver, frequency_hz, box))
    best = int(size.argmax())
    return float(frequency_hz[best]), float(size[best])


def test_speakers_of_the_rig_against_a_published_sheet() -> None:
    resonance_hz, highest_ohm = peak_hz(SHEET_B, None, 40, 90)
    assert resonance_hz == pytest.approx(60.874, abs=0.01)
    # Zmax = RE (1 + Qms/Qes) with Qes = 2 pi fs Mms RE / Bl^2 = 0.7978 (Small, JAES 20(5), 1972).
    assert highest_ohm == pytest.approx(5.9 * (1 + 3.35 / 0.7978), rel=1e-3)
    # Closed box: fc = fs sqrt(1 + Vas / VB), Vas = rho c^2 Sd^2 Cms (Small, JAES 20(10), 1972).
    side = 0.01 ** (1 / 3)
    box = PracticeBox((side, side, side), (side / 2, side / 2, side / 2), 10.0)
    vas = 1.2 * 343.7**2 * SHEET_B.area_m2**2 * SHEET_B.compliance_m_per_n
    # In the middle of a box the first standing waves are not driven, so the lumped formula holds closely.
    assert peak_hz(SHEET_B, box, 70, 95)[0] == pytest.approx(60.874 * math.sqrt(1 + vas / 0.01), rel=0.02)


def test_standing_waves_of_the_rig_lie_where_the_room_formula_puts_them() -> None:
    """Box 0.60 x 0.35 x 0.28 m: 285.8, 490.0, 567.3, 571.7, 612.5 Hz at 343 m/s (check values, section 7)."""
    box = PracticeBox((0.60, 0.35, 0.28), (0.03, 0.03, 0.0), 3.0)
    driver = PracticeDriver(5.9, 0.0, 1.0, 5.13, 0.0093, 0.735e-3, 1.0, 0.0005)
    frequency_hz = np.arange(240.0, 640.0, 0.02)
    rest = np.abs(driver_impedance_ohm(driver, frequency_hz, box) - driver_impedance_ohm(driver, frequency_hz, None))
    inner = rest[1:-1]
    peaks = frequency_hz[1:-1][(inner > rest[:-2]) & (inner > rest[2:])]
    assert peaks == pytest.approx(np.array([285.8, 490.0, 567.3, 571.7, 612.5]) * 343.7 / 343, abs=0.4)


def test_stories_of_the_rig_are_told_by_its_speakers() -> None:
    frequency_hz = np.geomspace(20, 2000, 20_000)

    def impedance(name: str, state: str, subject: str = "in-box") -> np.ndarray:
        speaker: PracticeSpeaker = SPEAKERS[name]
        return speaker.impedance_ohm(Clips(subject, state), frequency_hz)  # type: ignore[arg-type]

    half_wave_hz = SPEED_OF_SOUND_M_S / (2 * max(INSIDE_M))
    near = np.abs(frequency_hz / half_wave_hz - 1) < 0.1
    bump = [np.ptp(np.abs(impedance("bare box", state))[near]) for state in ("stock", "lined")]
    assert bump[0] > 2 * bump[1]
    tight, leaky = np.abs(impedance("leaky", "final")), np.abs(impedance("leaky", "stock"))
    assert tight.max() > 1.15 * leaky.max()
    part = impedance("wrong capacitor", "stock", "part")
    assert part[0].imag == pytest.approx(-1 / (2 * np.pi * 20 * 4.7e-6), rel=1e-6)


def test_a_former_name_of_a_speaker_says_the_new_one() -> None:
    for device in ("practice rig: boxy", "practice rig: boxy, noise"):
        with pytest.raises(StillboxError, match=r"'boxy' is called 'bare box' now.*'practice rig: bare box'"):
            rig_named(device)
    assert not set(FORMER_NAMES) & set(SPEAKERS)
    assert set(FORMER_NAMES.values()) <= set(SPEAKERS)


def test_the_readme_says_what_the_rig_is() -> None:
    words = " ".join((ROOT / "README.md").read_text(encoding="utf-8").split())
    height, width, depth = (1000 * length for length in INSIDE_M)
    assert f"{height:g} x {width:g} x {depth:g} mm inside" in words
    assert f"--inside {height:g}x{width:g}x{depth:g} " in words
    assert f"{1000 * DRIVER_M[0]:g} mm from top and {1000 * DRIVER_M[1]:g} mm from left" in words
    assert f"the port {1000 * PORT_DIAMETER_M:g} mm wide and {1000 * PORT_LENGTH_M:g} mm long" in words
    assert f"the cone {CONE_MM} mm across" in words
    assert np.pi * (CONE_MM / 2000) ** 2 == pytest.approx(SPEAKERS["bare box"].driver.area_m2, rel=0.005)
    assert f"{1000 * ADDED_MASS_KG:g} g, the `test-box` {1000 * TEST_BOX_M3:g} litres" in words


@pytest.mark.parametrize("jig", ["high-side", "low-side"])
@pytest.mark.parametrize("rated_ohm", [4.0, 8.0, 16.0])
def test_the_proposed_resistor_is_common_and_costs_little(jig: str, rated_ohm: float) -> None:
    levels = JigLevels(rated_ohm, jig=jig)  # type: ignore[arg-type]
    proposed, (exact_ohm, best) = proposed_reference(levels), best_reference(levels)
    assert proposed.reference_ohm in values_between(0.1, 1000, "E12") and proposed.reference_ohm <= 1.25 * exact_ohm
    assert best.uncertainty <= proposed.uncertainty <= 1.05 * best.uncertainty
    assert f"take {proposed.reference_ohm:g} ohm (E12)" in jig_text(levels)
    low, high = proposed.clips_volts
    assert high / low <= 1.001 * best.clips_volts[1] / best.clips_volts[0]


def test_guide_readme_and_window_propose_one_resistor() -> None:
    from stillbox.capture.practice.practice_build import REFERENCE_OHM
    from stillbox.gui.bench.first_start import SHOPPING

    ohm = proposed_reference(JigLevels()).reference_ohm
    assert f"--reference-ohms {ohm:g} " in (ROOT / "README.md").read_text(encoding="utf-8")
    assert f"<b>A reference resistor</b>: {ohm:g} Ω for 8 Ω speakers" in SHOPPING
    assert ohm == REFERENCE_OHM == RigParts().reference_ohm
