"""The reference circuits themselves: closed form, ngspice, poles, jig and recordings against each other."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from reference.analytic import characteristic, coil_ohm, impedance_ohm
from reference.jig_circuit import Jig, emf_voltages, matched_voltages, node_voltages
from reference.ngspice_run import bins, jig_netlist, logarithmic, ngspice_there, run_netlist, speaker_impedance
from reference.recordings import BAD, Chain, record, record_standard, write_recording
from reference.speaker_circuit import (
    Cavity,
    Coil,
    Driver,
    HungMass,
    Leak,
    Line,
    Port,
    SpeakerCircuit,
    Wall,
    lossy_semi_inductance,
    semi_inductance,
)
from reference.truth import true_resonances
from stillbox.capture.sweep.excitation import excitation_samples, make_excitation

needs_ngspice = pytest.mark.skipif(not ngspice_there(), reason="ngspice is not installed (apt install ngspice)")

DRIVER = Driver(
    coil=Coil(6.0, 0.2e-3, semi_inductance(0.02, 0.6)),
    force_factor_tm=7.0,
    moving_mass_kg=0.015,
    compliance_m_per_n=1e-3,
    resistance_ns_per_m=1.2,
    area_m2=0.0133,
    hung=(HungMass(0.001, 900.0, 8.0), HungMass(0.0005, 2400.0, 5.0)),
)
LINES = (Line("height", 0.45, 0.12, 60.0), Line("width", 0.25, 0.09, 90.0), Line("depth", 0.27, 0.0, 60.0))
EVERYTHING = SpeakerCircuit(
    DRIVER,
    Cavity(0.03, LINES),
    (Port(0.003, 0.12, 0.05, 300.0, (0.38, 0.1, 0.0), pipe=True), Leak(2e5, 10.0), Wall(160.0, 15.0, 1e-8)),
)
LUMPED = SpeakerCircuit(DRIVER, Cavity(0.03), (Port(0.003, 0.12, 0.05, 300.0), Leak(2e5), Wall(160.0, 15.0, 1e-8)))
ONE_LINE = SpeakerCircuit(DRIVER, Cavity(0.03, LINES[:1]), (Wall(210.0, 25.0, 1e-8, (0.3,)), Leak(2e5)))
CASES = {
    "free air": SpeakerCircuit(DRIVER),
    "lumped": LUMPED,
    "one line": ONE_LINE,
    "two lines": SpeakerCircuit(DRIVER, Cavity(0.03, LINES[:2]), (Port(0.003, 0.12, 0.05, 300.0, (0.38, 0.1)),)),
    "everything": EVERYTHING,
}


def test_ladder_follows_the_published_coil() -> None:
    """L parallel to K sqrt(s) parallel to R (Thorborg, Futtrup, JAES 59(9), 2011 [M]), written down directly."""
    s = 2j * np.pi * np.geomspace(5.0, 24e3, 200)
    for inductance_h, factor, resistance_ohm in ((1.4e-3, 0.075, 60.0), (2.0e-3, 0.06, 40.0), (0.5e-3, 0.02, 8.0)):
        sections = lossy_semi_inductance(inductance_h, factor, resistance_ohm)
        ladder = sum(1 / (1 / resistance + 1 / (s * inductance)) for resistance, inductance in sections)
        published = 1 / (1 / (s * inductance_h) + 1 / (factor * np.sqrt(s)) + 1 / resistance_ohm)
        assert np.max(np.abs(ladder / published - 1)) < 1e-4


@needs_ngspice
@pytest.mark.parametrize("damping_per_s", [3.0, 60.0, 3000.0])
def test_ltra_line_follows_coth_and_tanh(damping_per_s: float) -> None:
    """Input impedance of a uniform line: Zc coth(gamma l) closed, Zc tanh(gamma l) open (line theory)."""
    mass, compliance, length_m = 40.0, 2e-7, 0.3
    model = f".model line ltra rel=1 r={damping_per_s * mass} l={mass} g=0 c={compliance} len={length_m}"
    netlist = "\n".join([
        "* line", model, "i1 0 closed ac 1", "o1 closed 0 end 0 line", "rend end 0 1e14",
        "i2 0 open ac 1", "o2 open 0 out 0 line", "vout out 0 0",
    ])  # fmt: skip
    frequency, closed, open_ended = run_netlist(netlist, logarithmic(100, 5.0, 24e3), ("closed", "open"))
    s = 2j * np.pi * frequency.real
    gamma = np.sqrt(s * compliance * (damping_per_s * mass + s * mass))
    wave = gamma / (s * compliance)
    assert np.max(np.abs(closed / (wave / np.tanh(gamma * length_m)) - 1)) < 1e-6
    assert np.max(np.abs(open_ended / (wave * np.tanh(gamma * length_m)) - 1)) < 1e-6


def _vented_box_of_known_peaks() -> SpeakerCircuit:
    """fs 33, Qms 2.0, Qes 0.45, RE 6.5, alpha 1.4905, h 1.0834, QL 7, as a circuit."""
    natural, resistance_dc, qms, qes = 2 * math.pi * 33, 6.5, 2.0, 0.45
    mass, area, density, speed = 0.03, 0.022, 1.2, 343.0
    compliance = 1 / (natural**2 * mass)
    box_compliance = compliance * area**2 / 1.4905
    tuning = 1.0834 * natural
    port_mass = 1 / (tuning**2 * box_compliance)
    driver = Driver(
        coil=Coil(resistance_dc),
        force_factor_tm=math.sqrt(natural * mass * resistance_dc / qes),
        moving_mass_kg=mass,
        compliance_m_per_n=compliance,
        resistance_ns_per_m=natural * mass / qms,
        area_m2=area,
    )
    port_area = 0.004
    port = Port(port_area, port_mass * port_area / density - 0.03, 0.03, 1e-9)
    leak = Leak(7 * tuning * port_mass)
    return SpeakerCircuit(driver, Cavity(box_compliance * density * speed**2, (), density, speed), (port, leak))


@needs_ngspice
def test_vented_box_peaks_in_ngspice() -> None:
    """Project check values, section 2, row QL = 7: re-derived there, and there seen in ngspice."""
    circuit = _vented_box_of_known_peaks()
    frequency, impedance = speaker_impedance(circuit, bins(10_000, 70_000, 1e-3))
    magnitude = np.abs(impedance)
    inner = (magnitude[1:-1] - magnitude[:-2]) * (magnitude[2:] - magnitude[1:-1]) < 0
    extremes = np.flatnonzero(inner) + 1
    assert frequency[extremes] == pytest.approx([19.4762, 35.5270, 60.6465], abs=6e-4)
    assert magnitude[extremes] == pytest.approx([29.83, 1.2191 * 6.5, 28.30], abs=6e-3)


@needs_ngspice
@pytest.mark.parametrize("name", CASES)
def test_closed_form_equals_ngspice(name: str) -> None:
    frequency, impedance = speaker_impedance(CASES[name], logarithmic(150, 5.0, 24e3))
    assert np.max(np.abs(impedance / impedance_ohm(CASES[name], frequency) - 1)) < 3e-7


@needs_ngspice
@pytest.mark.parametrize("kind", ["high-side", "low-side"])
def test_jig_equals_ngspice(kind: str) -> None:
    jig = Jig(kind, reference_ohm=22.0, source_ohm=3.0, lead_ohm=0.15, input_ohm=10e3)  # type: ignore[arg-type]
    grid = logarithmic(20, 5.0, 24e3)
    for device in (EVERYTHING, 0.0, 8.2, math.inf):
        frequency, first, second = run_netlist(jig_netlist(device, jig), grid)
        ohm = impedance_ohm(device, frequency.real) if isinstance(device, SpeakerCircuit) else np.full(
            frequency.shape, device
        )
        expected = node_voltages(jig, ohm)
        assert np.max(np.abs(np.array([first, second]) - np.array(expected))) < 1e-7
    _, first, second = run_netlist(jig_netlist(5.0, jig, both_on_source=True), grid)
    assert first[0] == second[0] == pytest.approx(matched_voltages(jig, np.array([5.0]))[0][0], rel=1e-7)


@needs_ngspice
@pytest.mark.parametrize("kind", ["high-side", "low-side"])
def test_voltage_inside_the_device_equals_ngspice(kind: str) -> None:
    jig = Jig(kind, reference_ohm=22.0, source_ohm=3.0, lead_ohm=0.15, input_ohm=10e3)  # type: ignore[arg-type]
    netlist = jig_netlist(math.inf, jig).replace("vdrive drive 0 ac 1", "vdrive drive 0 0")
    netlist += f"\nremf e0 emf 8.2\nvemf emf {'0' if kind == 'high-side' else 'low'} ac 1"
    _, first, second = run_netlist(netlist, logarithmic(1, 10.0, 1e3))
    expected = emf_voltages(jig, np.array([8.2]))
    assert [first[0], second[0]] == pytest.approx([expected[0][0], expected[1][0]], rel=1e-7)


@pytest.mark.parametrize("name", CASES)
def test_poles_and_residues_rebuild_the_impedance(name: str) -> None:
    """The impedance is the coil's plus the sum over all pole pairs; those above the limit are far and small.

    Without the leak, whose resistance brings a pole on the real axis that is no resonance.
    """
    circuit = replace(
        CASES[name], branches=tuple(one for one in CASES[name].branches if not isinstance(one, Leak))
    )
    truth = true_resonances(circuit, 40_000.0)
    frequency = np.geomspace(5.0, 10_000.0, 400)
    s = 2j * np.pi * frequency
    total = coil_ohm(circuit.driver.coil, s)
    for one in truth:
        pole, residue = one.pole_rad_s, one.residue_ohm_rad_s
        total = total + residue / (s - pole) + np.conj(residue) / (s - np.conj(pole))
    exact_to = 1e-10 if circuit.cavity is None or not circuit.cavity.lines else 3e-6
    assert np.max(np.abs(total - impedance_ohm(circuit, frequency))) < exact_to


@pytest.mark.parametrize("name", CASES)
def test_number_of_poles_by_the_argument_principle(name: str) -> None:
    """Turns of the characteristic function around a region are the poles in it: none missed, none invented."""
    circuit = CASES[name]
    left, right, low, high = -2000.0, 50.0, 2 * np.pi * 10.0, 2 * np.pi * 3005.0
    truth = true_resonances(circuit, 6000.0)
    inside = [one for one in truth if left < one.pole_rad_s.real < right and low < one.pole_rad_s.imag < high]
    up, along = np.linspace(low, high, 60_001), np.linspace(left, right, 4001)
    path = np.concatenate([along + 1j * low, right + 1j * up, along[::-1] + 1j * high, left + 1j * up[::-1]])
    sign, _ = characteristic(circuit, path)
    turns = np.angle(sign[1:] / sign[:-1])
    assert np.max(np.abs(turns)) < 1.5
    assert turns.sum() / (2 * np.pi) == pytest.approx(len(inside), abs=1e-6)


def test_causes_are_those_built_in() -> None:
    named = {(one.cause, one.place) for one in true_resonances(EVERYTHING, 3000.0)}
    assert named == {
        ("fundamental", ""), ("driver", ""), ("wall", ""), ("port", ""),
        ("standing wave", "height"), ("standing wave", "width"), ("standing wave", "depth"),
    }  # fmt: skip


def test_driver_resonance_alone_is_known() -> None:
    """A light mass on the cone: frequency shifted by half the mass ratio, height Bl^2 m Q/(w M^2) (by hand)."""
    hung = HungMass(1e-6, 900.0, 8.0)
    driver = Driver(Coil(6.0), 7.0, 0.015, 1.0, 1e-6, 0.0133, (hung,))
    found = true_resonances(SpeakerCircuit(driver))[-1]
    assert found.frequency_hz == pytest.approx(900 * (1 + 0.5 * 1e-6 / 0.015), rel=1e-6)
    assert found.q == pytest.approx(8.0, rel=1e-3)
    by_hand = 7.0**2 * 1e-6 * 8 / (2 * math.pi * 900 * 0.015**2)
    assert found.height_ohm == pytest.approx(by_hand, rel=0.02)


def test_standing_wave_lies_at_half_a_wavelength() -> None:
    """A heavy cone leaves the lines alone: c/2L and Q = w/damping."""
    heavy = Driver(Coil(6.0), 7.0, 5.0, 1e-3, 1.2, 0.0133)
    found = [one for one in true_resonances(SpeakerCircuit(heavy, Cavity(0.03, LINES[:1]))) if one.place == "height"]
    assert found[0].frequency_hz == pytest.approx(343.7 / 0.9, rel=1e-4)
    assert found[0].q == pytest.approx(2 * math.pi * 343.7 / 0.9 / 60.0, rel=1e-3)


SHORT_SWEEP = make_excitation(seconds=1.0, silence_before_s=0.3, silence_after_s=0.4, repeats=1)


def test_recording_holds_the_divider() -> None:
    """Ratio of the channels' spectra is the divider, read back with plain FFTs."""
    samples = record(LUMPED, SHORT_SWEEP, Chain(bits=0, tail_frames=96_000))
    spectra = np.fft.rfft(samples, axis=0)
    frequency = np.fft.rfftfreq(samples.shape[0], 1 / 48_000)
    band = (frequency > 15) & (frequency < 20_000)
    ratio = spectra[band, 1] / spectra[band, 0]
    impedance = impedance_ohm(LUMPED, frequency[band])
    assert np.max(np.abs(10.0 * ratio / (1 - ratio) / impedance - 1)) < 1e-6


def test_chain_lays_its_faults_on() -> None:
    chain = Chain(gain=(1.0, 1.02), delay_frames=(0.0, 2.0), bits=0, offset_frames=100, output_gain=0.5)
    samples = record_standard("channel-match", SHORT_SWEEP, chain)
    signal = excitation_samples(SHORT_SWEEP)
    assert samples.shape == (signal.size + 100, 2)
    assert np.max(np.abs(samples[100:, 0] - 0.5 * signal)) < 1e-12
    assert np.max(np.abs(samples[102:, 1] - 0.51 * signal[:-2])) < 1e-12


def test_noise_hum_and_rounding() -> None:
    chain = Chain(noise_dbfs=(-80.0, -100.0), hum_hz=60.0, hum_dbfs=(-math.inf, -70.0))
    samples = record_standard("short", SHORT_SWEEP, chain, seed=3)
    silence = samples[: SHORT_SWEEP.silence_before_frames]
    assert 20 * np.log10(silence[:, 0].std()) == pytest.approx(-80.0, abs=0.3)
    tone = np.abs(np.exp(-2j * np.pi * 60 / 48_000 * np.arange(12_000)) @ samples[:12_000, 1]) / 6_000
    assert 20 * np.log10(tone) == pytest.approx(-70.0, abs=0.3)
    assert np.array_equal(samples * 2**23, np.round(samples * 2**23))
    assert not np.array_equal(samples, record_standard("short", SHORT_SWEEP, chain, seed=4))


def test_distortion_makes_the_harmonic_it_should() -> None:
    """Second power of a sine of amplitude a is a^2/2 at twice the frequency; seen by the linear divider."""
    excitation = make_excitation(seconds=1.0, low_hz=100.0, high_hz=2_000.0, level_dbfs=0.0, repeats=1)
    linear = record(8.0, excitation, Chain(bits=0))
    distorted = record(8.0, excitation, Chain(bits=0, emf_v_per_a2=0.4))
    # 8 ohm + 10 ohm: current is 1/18 of the voltage, and of the extra voltage 10/18 appears across the clips.
    current = excitation_samples(excitation) / 18
    assert np.max(np.abs(distorted[:, 1] - linear[:, 1] - 0.4 * current**2 * 10 / 18)) < 1e-12
    assert np.max(np.abs(distorted[:, 0] - linear[:, 0])) < 1e-12


@pytest.mark.parametrize("suffix", [".wav", ".flac"])
def test_files_keep_every_bit(tmp_path: object, suffix: str) -> None:
    soundfile = pytest.importorskip("soundfile")
    samples = record(ONE_LINE, SHORT_SWEEP, BAD, seed=5)
    path = tmp_path / f"take{suffix}"  # type: ignore[operator]
    write_recording(path, samples, 48_000)
    read, rate = soundfile.read(path)
    assert rate == 48_000
    assert np.array_equal(read, samples)
