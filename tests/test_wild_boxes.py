"""The wild boxes against what others have published or computed: a generator of truth must be true itself."""

from __future__ import annotations

import math
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from reference.wild_air import Air, Fibres, air_at_height, plain_fluid, slit_impedance, tube_line
from reference.wild_boxes import KINDS, TAKES, wild_box
from reference.wild_drivers import Coil, Driver, driver_truth
from reference.wild_enclosure import Enclosure, Port, Slit, tube_mouth
from reference.wild_inside import Cavity, Chain, Opening
from reference.wild_speaker import closed_resonance_hz, tuning_hz

from capture.build_description import read_description
from capture.excitation import Excitation

NO_COIL = Coil("power", (1e-9, 0.9))


class StillAir(Air):
    """Air without viscosity (and so without exchange of heat)."""

    viscosity = 1e-15


class ThinAir(StillAir):
    """As stiff as air and a sixtieth of its density: its own mass and its waves hardly count."""

    density = 0.02


def rigid(cavity: Cavity | Chain, air: Air, **more: object) -> Enclosure:
    return Enclosure(cavity, (None,) * len(cavity.thicknesses), air, rigid_bare_walls=True, **more)


def bare(cavity: Cavity | Chain, hz: np.ndarray, air: Air, loss: float = 0.0) -> np.ndarray:
    """Impedance matrix of a cavity of air with a loss factor and rigid walls."""
    omega = 2 * np.pi * hz
    density, bulk = plain_fluid(omega, air)
    nothing = np.zeros(omega.size, complex)
    return cavity.impedance(omega, [(density, bulk * (1 + 1j * loss))] * len(cavity.thicknesses), nothing, nothing)


@pytest.mark.parametrize(
    ("celsius", "humidity", "speed", "density"),
    [(0, 0, 331.45, 1.2930), (15, 0.5, 340.88, 1.2216), (20, 0, 343.36, 1.2046), (20, 0.5, 343.99, 1.1993),
     (25, 0.5, 347.13, 1.1773), (30, 0.9, 351.24, 1.1482)],
)  # fmt: skip
def test_air_is_that_of_the_tables(celsius: float, humidity: float, speed: float, density: float) -> None:
    """Cramer 1993 and CIPM-2007; an ideal gas is 0.1 % from them."""
    air = Air(101_325, celsius, humidity)
    assert air.speed == pytest.approx(speed, rel=1e-3)
    assert air.density == pytest.approx(density, rel=1e-3)


def test_air_is_thinner_up_there() -> None:
    """Standard atmosphere at 1500 m: 84.56 kPa."""
    assert air_at_height(1500, 15).pressure_pa == pytest.approx(84_556, rel=1e-3)
    assert air_at_height(500, 20).bulk_pa == pytest.approx(0.942 * Air().bulk_pa, rel=1e-3)


def test_fibres_go_from_isothermal_to_adiabatic() -> None:
    """Zwikker and Kosten: K phi/P is 1 at low frequencies and gamma at high ones."""
    fibres = Fibres(30.0, 10e-6)
    air = Air()
    _, bulk = fibres.fluid(2 * np.pi * np.array([10.0, 1e6]), air)
    assert bulk[0].real * fibres.porosity / air.pressure_pa == pytest.approx(1.0, abs=0.005)
    assert bulk[1].real * fibres.porosity / air.pressure_pa == pytest.approx(air.gamma, abs=0.02)
    middle = fibres.fluid(2 * np.pi * np.geomspace(10, 1e5, 50), air)[1]
    assert np.all(middle.imag > 0)


def test_flow_resistivity_has_the_published_size() -> None:
    """Polyester of 30 um and 20 kg/m3: 1931 Pa s/m2 by the formula; Tarnow's cylinders within a factor of 2."""
    air = Air()
    assert Fibres(20, 30e-6, law="polyester").resistivity(air) == pytest.approx(1931, rel=2e-3)
    assert 0.5 < Fibres(20, 30e-6, law="tarnow").resistivity(air) / 1931 < 2
    slow = Fibres(20, 30e-6).fluid(np.array([1.0]), air)[0]
    assert (1j * slow).real == pytest.approx(Fibres(20, 30e-6).resistivity(air), rel=0.01)


def test_walls_exchange_heat_as_published() -> None:
    """ISO 9053-2:2020 A.3: kappa is 1.370 instead of 1.4 for 0.7854 litres in 0.0471 m2 at 2 Hz."""
    air, omega = Air(humidity=0.0), np.array([4 * np.pi])
    tin = Cavity(0.1, 0.1, 0.07854, (0.1,), (Opening(0.0, 0.05, 0.04, 0.02),))
    box = Enclosure(tin, (None,), air)
    area = tin.side_area + tin.end_area
    softer = box.compliance(omega)[0].real * air.pressure_pa / 0.7854e-3 - 1 / air.gamma
    assert 1 / (1 / air.gamma + softer * 0.0471 / area) == pytest.approx(1.370, abs=0.002)


def test_narrow_ways_are_poiseuilles_and_kirchhoffs() -> None:
    """Tube: 8 mu L/(pi a^4) and 4/3 of the mass when slow; Kirchhoff's attenuation when wide. Slit: 12 mu d/(w g^3)."""
    air, slow = Air(), np.array([2.0])
    own, mutual = tube_line(slow, 0.1, 0.5e-3, air)
    short = (own - mutual**2 / own)[0]
    assert short.real == pytest.approx(8 * air.viscosity * 0.1 / (np.pi * 0.5e-3**4), rel=1e-3)
    assert short.imag == pytest.approx(2.0 * 4 / 3 * air.density * 0.1 / (np.pi * 0.5e-3**2), rel=0.01)
    omega, radius, long = np.array([2 * np.pi * 500]), 0.03, 0.7
    own, mutual = tube_line(omega, long, radius, air)
    attenuation = np.arccosh(own / mutual)[0].real / long
    skin = np.sqrt(omega[0] * air.viscosity / (2 * air.density)) / (radius * air.speed)
    assert abs(attenuation) == pytest.approx(skin * (1 + (air.gamma - 1) / np.sqrt(air.prandtl)), rel=0.02)
    slit = slit_impedance(slow, 0.2e-3, 0.03, 0.018, air)[0]
    assert slit.real == pytest.approx(12 * air.viscosity * 0.018 / (0.03 * 0.2e-3**3), rel=1e-4)
    assert slit.imag == pytest.approx(2.0 * 1.2 * air.density * 0.018 / (0.03 * 0.2e-3), rel=1e-3)


def brute_force(cavity: Cavity, hz: float, air: Air, loss: float, one: int, other: int) -> complex:
    """The sum over modes in all three directions as Morse writes it, with openings that are rings of points."""
    sides = (cavity.depth, cavity.width, cavity.height)
    counts = (250, 50, 50)
    waves = [np.pi * np.arange(count) / side for count, side in zip(counts, sides, strict=True)]
    weights = [np.where(wave > 0, 2.0, 1.0) / side for wave, side in zip(waves, sides, strict=True)]
    shape = weights[0][:, None, None] * weights[1][:, None] * weights[2]
    nodes, parts = np.polynomial.legendre.leggauss(30)
    angles = 2 * np.pi * (np.arange(90) + 0.5) / 90
    for opening in (cavity.openings[one], cavity.openings[other]):
        radii = opening.radius * np.sqrt((nodes + 1) / 2)
        y = (opening.across + radii[:, None] * np.cos(angles)).ravel()
        z = (opening.down + radii[:, None] * np.sin(angles)).ravel()
        each = np.repeat(parts / 2, angles.size) / angles.size
        mean = (np.cos(np.outer(waves[1], y)) * each) @ np.cos(np.outer(z, waves[2]))
        shape = shape * mean * np.cos(waves[0] * opening.depth)[:, None, None]
    omega = 2 * np.pi * hz
    squared = waves[0][:, None, None] ** 2 + waves[1][:, None] ** 2 + waves[2] ** 2
    travelling = omega**2 * air.density / (air.bulk_pa * (1 + 1j * loss))
    return complex(np.sum(shape * 1j * omega * air.density / (squared - travelling)))


@pytest.mark.parametrize("hz", [60.0, 900.0])
def test_cavity_is_the_sum_of_its_modes(hz: float) -> None:
    air = Air()
    openings = (Opening(0.0, 0.12, 0.15, 0.07), Opening(0.11, 0.1, 0.33, 0.05, 4 / (3 * np.pi)))
    cavity = Cavity(0.25, 0.22, 0.42, (0.07, 0.18), openings)
    matrix = bare(cavity, np.array([hz]), air, 0.01)[0]
    assert matrix[0, 1] == matrix[1, 0]
    for one, other in ((0, 0), (0, 1), (1, 1)):
        expected = brute_force(cavity, hz, air, 0.01, one, other)
        assert abs(matrix[one, other] - expected) < 0.015 * abs(expected)


def test_cavity_rings_where_published() -> None:
    """0.60 x 0.35 x 0.28 m at 343 m/s: 285.8, 490.0, 567.3, 571.7, 612.5, 675.9 Hz."""
    air = Air()
    scale = air.speed / 343
    cavity = Cavity(0.28, 0.35, 0.60, (0.28,), (Opening(0.0, 0.05, 0.08, 0.02), Opening(0.28, 0.04, 0.55, 0.02)))
    hz = np.arange(200, 700, 0.1) * scale
    level = bare(cavity, hz, air, 2e-4)[:, 0, 0].real
    peaks = hz[1:-1][(level[1:-1] > level[:-2]) & (level[1:-1] > level[2:])] / scale
    assert peaks == pytest.approx([285.8, 490.0, 567.3, 571.7, 612.5, 675.9], abs=0.15)


def test_both_insides_agree_on_a_narrow_tower() -> None:
    """Far below the modes across, a tall cavity is a line."""
    air, hz = Air(), np.linspace(30, 600, 300)
    openings = (Opening(0.0, 0.05, 0.3, 0.03), Opening(0.04, 0.05, 1.1, 0.02, 0.6133))
    sizes = (0.1, 0.1, 1.5)
    three = bare(Cavity(*sizes, (0.1,), openings), hz, air, 0.02)
    one = bare(Chain(*sizes, (1.5,), openings), hz, air, 0.02)
    scale = np.median(np.abs(three[:, 0, 1]))
    assert np.max(np.abs(three[:, 0, 1] - one[:, 0, 1])) < 0.05 * scale
    assert np.max(np.abs(three[:, 0, 0] - one[:, 0, 0])) < 0.1 * scale


def test_piston_in_a_duct_has_the_published_end() -> None:
    """Alone 8/(3 pi) a; square walls take away 1.4092 s pi/4 a with s^2 the share of the area (Fok's function)."""
    air, radius, side = Air(), 0.02, 0.3
    long = 5.0
    cavity = Cavity(long, side, side, (long,), (Opening(0.0, side / 2, side / 2, radius),))
    hz = np.array([7.0])
    wave = 2 * np.pi * hz / air.speed
    plane = -1j * air.density * air.speed / side**2 / np.tan(wave * long)
    mass = (bare(cavity, hz, air)[0, 0, 0] - plane[0]).imag / (2 * np.pi * hz[0])
    share = np.sqrt(np.pi) * radius / side
    expected = 8 / (3 * np.pi) * radius - 1.4092 * share * np.pi / 4 * radius
    assert mass * np.pi * radius**2 / air.density == pytest.approx(expected, rel=3e-3)


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
        for take in TAKES:
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
    excitation = Excitation(seconds=2.0, level_dbfs=-6.0)
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
    excitation = Excitation(seconds=0.5)
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
