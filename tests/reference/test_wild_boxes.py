"""The wild boxes against what others have published or computed: a generator of truth must be true itself."""

from __future__ import annotations

import math
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from reference.wild_air import Air
from reference.wild_boxes import KINDS, TAKES, wild_box
from reference.wild_build import write_build
from reference.wild_drivers import Coil, Driver, driver_truth
from reference.wild_enclosure import Enclosure, Port, Slit, tube_mouth
from reference.wild_inside import Cavity, Chain, Opening
from reference.wild_speaker import closed_resonance_hz, tuning_hz
from stillbox.capture.build.build_description import read_description
from stillbox.capture.sweep.excitation import Excitation

NO_COIL = Coil("power", (1e-9, 0.9))


class StillAir(Air):
    """Air without viscosity (and so without exchange of heat)."""

    viscosity = 1e-15


class ThinAir(StillAir):
    """As stiff as air and a sixtieth of its density: its own mass and its waves hardly count."""

    density = 0.02


def rigid(cavity: Cavity | Chain, air: Air, **more: object) -> Enclosure:
    return Enclosure(cavity, (None,) * len(cavity.thicknesses), air, rigid_bare_walls=True, **more)


def test_helmholtz_has_both_ends() -> None:
    """A tube of 150 mm and 50 mm radius, flanged outside, free inside: 45.946 Hz in 50 litres at 343 m/s."""
    air = StillAir()

    def tuning(litres: float) -> float:
        side = (litres / 1000) ** (1 / 3)
        openings = (Opening(0.0, 0.3 * side, 0.25 * side, 0.06), tube_mouth(0.15, side / 2, side / 2, 0.05))
        found = tuning_hz(rigid(Cavity(side, side, side, (side,), openings), air, port=Port(0.05, 0.15)))
        assert found is not None
        return found * 343 / air.speed * np.sqrt(litres / 50)

    assert tuning(700.0) == pytest.approx(45.946, rel=0.006)
    # in its own 50 litres walls are near and shorten the inner end; the air of the box itself adds a little mass
    assert tuning(50.0) == pytest.approx(45.946, rel=0.015)


def textbook(ql: float, shape: type[Cavity | Chain] = Chain, closed: bool = False) -> tuple[Enclosure, Driver]:
    """Worked case of a vented box: fs 33, Qms 2, Qes 0.45, RE 6.5, alpha 1.4905, fB 35.7522, in thin air."""
    air, radius, mms = ThinAir(), 0.08, 0.03
    omega = 2 * np.pi * 33
    driver = Driver(6.5, NO_COIL, float(np.sqrt(omega * mms * 6.5 / 0.45)), mms - 8 / 3 * air.density * radius**3,
                    1 / (omega**2 * mms), omega * mms / 2, radius)  # fmt: skip
    volume = driver_truth(driver, air).vas_m3 / 1.4905
    side = volume ** (1 / 3)
    cone = Opening(0.0, side / 2, side / 3, radius)
    if closed:
        return rigid(shape(side, side, side, (side,), (cone,)), air), driver

    def tuned(length: float) -> Enclosure:
        mouth = tube_mouth(length, side / 2, 0.8 * side, 0.004)
        return rigid(shape(side, side, side, (side,), (cone, mouth)), air, port=Port(0.004, length))

    # the inverse square of the tuning grows in a line with the length of the tube
    lengths = np.array([0.6, 0.9]) * side
    length = float(np.interp(35.7522**-2, [tuning_hz(tuned(metres)) ** -2 for metres in lengths], lengths))
    box = tuned(length)
    if math.isinf(ql):
        return box, driver
    resistance = ql / (2 * np.pi * 35.7522 * volume / air.bulk_pa)
    gap, through = 1e-9, 0.01  # so narrow that it is all resistance
    leak = Slit(gap, 12 * air.viscosity * through / (resistance * gap**3), through, "corner")
    openings = (*box.inside.openings, Opening(0.0, 0.02, side - 0.02, 0.014))
    return replace(box, inside=replace(box.inside, openings=openings), leak=leak), driver


def impedance_of(box: Enclosure, driver: Driver, hz: np.ndarray) -> np.ndarray:
    omega = 2 * np.pi * hz
    return driver.electrical(omega, driver.mechanical(omega) + driver.sd_m2**2 * box.flows(omega).load)


@pytest.mark.parametrize(
    ("ql", "shape", "expected"),
    [
        (math.inf, Cavity, (19.6524, 35.7522, 60.0346)),
        (20, Chain, (19.5841, 35.6666, 60.2704)),
        (7, Chain, (19.4762, 35.5270, 60.6465)),
    ],
)
def test_vented_box_is_the_textbooks(
    ql: float, shape: type[Cavity | Chain], expected: tuple[float, float, float]
) -> None:
    box, driver = textbook(ql, shape)
    hz = np.geomspace(10, 120, 6000)
    size = np.abs(impedance_of(box, driver, hz))
    tops = hz[1:-1][(size[1:-1] > size[:-2]) & (size[1:-1] > size[2:])]
    dips = hz[1:-1][(size[1:-1] < size[:-2]) & (size[1:-1] < size[2:])]
    assert [*tops, dips[0]] == pytest.approx([expected[0], expected[2], expected[1]], rel=2e-3)


def test_closed_box_is_smalls() -> None:
    """fc = fs sqrt(1 + alpha); response that of Qtc."""
    box, driver = textbook(math.inf, closed=True)
    fc = closed_resonance_hz(box, driver)
    assert fc == pytest.approx(33 * math.sqrt(1 + 1.4905), rel=2e-3)


@pytest.mark.parametrize("ql", [7.0, 20.0])
def test_truth_is_what_was_built(ql: float) -> None:
    """The worked case again: its numbers come back, and its level is Small's fourth-order response."""
    box, driver = textbook(ql)
    wild = replace(wild_box(0, "vented-bare"), driver=driver, enclosure=box)
    truth = wild.truth
    assert truth.fb_hz == pytest.approx(35.7522, rel=5e-4)
    assert truth.alpha == pytest.approx(1.4905, rel=1e-3)
    assert truth.ql_leak == pytest.approx(ql, rel=2e-3)
    # of a mass in series with compliance and leak side by side, by half of f dX/df over R
    assert truth.q_total == pytest.approx((ql + 1 / ql + ql * (ql**2 - 1) / (ql**2 + 1)) / 2, rel=3e-3)
    assert (truth.driver.fs_hz, truth.driver.qms, truth.driver.qes) == pytest.approx((33, 2.0, 0.45), rel=1e-3)
    hz, qt, h = np.geomspace(15, 200, 60), truth.driver.qts, 35.7522 / 33
    s = 1j * hz / (33 * np.sqrt(h))
    a1 = (ql + h * qt) / (np.sqrt(h) * ql * qt)
    a2 = (h + (1.4905 + 1 + h**2) * ql * qt) / (h * ql * qt)
    a3 = (h * ql + qt) / (np.sqrt(h) * ql * qt)
    small = 20 * np.log10(np.abs(s**4 / (s**4 + a1 * s**3 + a2 * s**2 + a3 * s + 1)))
    assert np.max(np.abs(wild.level_db(hz) - truth.reference_db - small)) < 0.03
    expected = np.interp(-3, small[:40], hz[:40])
    assert truth.f3_hz == pytest.approx(expected, rel=0.01)


def test_lumped_limit_is_that_of_ngspice(tmp_path: Path) -> None:
    """The same worked case with QL 7 as a circuit: box as inductor, leak as resistor, port as capacitor in series."""
    box, driver = textbook(7)
    free = driver_truth(driver, box.air)
    lces = free.cms * free.bl**2
    lceb, wb = lces / 1.4905, 2 * np.pi * 35.7522
    netlist = f"""box
I1 0 a AC 1
RE a b 6.5
RES b 0 {free.bl**2 / free.rms}
CMES b 0 {free.mms_kg / free.bl**2}
LCES b 0 {lces}
LCEB b c {lceb}
RL c d {wb * lceb / 7}
CP d 0 {1 / (wb**2 * lceb)}
RDC d 0 1e9
.ac dec 40 10 200
.control
run
wrdata {tmp_path / "z"} v(a)
quit
.endc
.end
"""
    (tmp_path / "box.cir").write_text(netlist)
    subprocess.run(["ngspice", "-b", str(tmp_path / "box.cir")], check=True, capture_output=True, timeout=60)
    hz, real, imaginary = np.loadtxt(tmp_path / "z", usecols=(0, 1, 2)).T
    expected = real + 1j * imaginary
    assert np.max(np.abs(impedance_of(box, driver, hz) - expected) / np.abs(expected)) < 0.003


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_passive_and_reciprocal(kind: str) -> None:
    hz = np.geomspace(8, 20_000, 80)
    for seed in (3, 4):
        wild = wild_box(seed, kind)
        for take in set(TAKES) - {"channel-match"}:
            assert np.all(wild.impedance(take, hz).real > 0), (seed, take)
        matrix = wild.enclosure.inner_impedance(2 * np.pi * hz[hz < 4000])
        assert np.allclose(matrix, np.swapaxes(matrix, 1, 2), rtol=1e-9)
        least = np.linalg.eigvalsh(matrix.real)
        assert np.all(least[:, 0] > -1e-6 * np.abs(matrix).max(axis=(1, 2))), seed


@pytest.mark.parametrize("kind", ["closed-stuffed", "vented-lined-leaky"])
def test_power_is_accounted_for(kind: str) -> None:
    """What the cone gives the air is what leaves through half space, port, leak, filling and walls: all positive."""
    wild = wild_box(5, kind)
    omega = 2 * np.pi * np.geomspace(15, 500, 80)
    flows = wild.enclosure.flows(omega)
    total = np.abs(1 + flows.port + flows.leak) ** 2
    radiated = total * omega**2 * wild.enclosure.air.density / (2 * np.pi * wild.enclosure.air.speed)
    assert np.all(flows.load.real > 0.5 * radiated)


def test_truth_hangs_together() -> None:
    """Small's fc = fs sqrt(1 + alpha), with the mass of the air that the box adds, in real air and real walls."""
    for seed in range(3):
        wild = wild_box(seed, "closed-bare")
        truth, free = wild.truth, wild.driver_truth
        small = free.fs_hz * np.sqrt((1 + truth.alpha) * free.mms_kg / truth.mms_in_box_kg)
        assert truth.fc_hz == pytest.approx(small, rel=0.015)
        assert truth.mms_in_box_kg > 1.005 * free.mms_kg
        assert truth.fb_hz is None and truth.qp_port is None and not truth.leaks


@pytest.mark.parametrize("take", ["in-box", "test-box"])
def test_lines_between_are_as_computed(take: str) -> None:
    """What a recording is made of agrees with the impedance itself, sharp standing waves too."""
    wild = wild_box(2, "closed-leaky", "cavity")
    lines = np.arange(0.5, 24_000, 1 / 7)
    some = np.sort(np.random.default_rng(1).choice(np.flatnonzero((lines > 10) & (lines < 5000)), 1500, replace=False))
    dense, exact = wild.dense_impedance(take, lines)[some], wild.impedance(take, lines[some])
    assert np.max(np.abs(dense / exact - 1)) < 2e-5


def test_recording_holds_the_impedance() -> None:
    """Quotient of the two channels, taken without the project's analysis."""
    excitation = Excitation(seconds=2.0, level_dbfs=-6.0, repeats=1, silence_after_s=1.0)
    wild = wild_box(1, "vented-lined")
    quiet = replace(wild, jig=replace(wild.jig, noise_dbfs=-200.0))
    recording = quiet.recording("in-box", excitation, 5)
    assert recording.samples.shape == (excitation.total_frames, 2)
    assert (recording.info.subject, recording.info.state) == ("in-box", "stock")
    source, clips = np.fft.rfft(recording.samples[:, 0]), np.fft.rfft(recording.samples[:, 1])
    hz = np.fft.rfftfreq(excitation.total_frames, 1 / excitation.sample_rate_hz)
    some = np.flatnonzero((hz > 20) & (hz < 20_000))[::997]
    ratio = clips[some] / source[some]
    measured = quiet.jig.reference_ohm * ratio / (1 - ratio)
    expected = quiet.impedance("in-box", hz[some])
    assert np.max(np.abs(measured / expected - 1)) < 2e-4


def test_the_same_seed_is_the_same_speaker() -> None:
    excitation = Excitation(seconds=0.5, repeats=1, silence_after_s=1.0)
    one, two = (wild_box(7, "vented-stuffed").samples("in-box", excitation, 3) for _ in range(2))
    assert np.array_equal(one, two)
    other = wild_box(7, "vented-stuffed").samples("in-box", excitation, 4)
    assert not np.array_equal(one, other)
    assert wild_box(7, "closed-bare").driver == wild_box(7, "vented-stuffed").driver


@pytest.mark.parametrize("kind", KINDS)
def test_what_a_person_states_is_near_the_truth(kind: str, tmp_path: Path) -> None:
    wild = wild_box(2, kind)
    path = tmp_path / "build.toml"
    path.write_text(wild.build_toml(), encoding="utf-8")
    stated = read_description(path)
    assert stated == wild.described
    inside = wild.enclosure.inside
    assert stated.inside_mm is not None
    assert stated.inside_mm.height == pytest.approx(1000 * inside.height, abs=1.1)
    assert stated.driver.re_ohm == pytest.approx(wild.driver.re_ohm, rel=0.006)
    assert (stated.port.diameter_mm is not None) == (wild.enclosure.port is not None)
    assert bool(stated.stuffing) == ("stuffed" in kind or "blocked" in kind)
    assert bool(stated.lining) == ("lined" in kind)
    assert wild.truth.leaks == kind.endswith("leaky")


def test_a_build_on_disk_holds_all_takes(tmp_path: Path) -> None:
    wild = wild_box(4, "vented-lined")
    takes = ("channel-match", "load", "free-air", "in-box-bare", "in-box", "in-box-closed")
    folder = write_build(wild, tmp_path / "build", Excitation(seconds=0.3, silence_before_s=0.2, repeats=1), 1, takes)
    kept = [(info.subject, info.state) for info in folder.takes()]
    assert kept[0] == ("channel-match", "")
    assert kept[1:] == [
        ("load", ""),
        ("free-air", ""),
        ("in-box", "bare"),
        ("in-box", "stock"),
        ("in-box", "port closed"),
    ]
    assert folder.description == wild.described
    assert not folder.damaged()
