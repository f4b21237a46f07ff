"""Physics that the wild boxes are made of, against published numbers and sums done another way."""

from __future__ import annotations

import numpy as np
import pytest

from reference.wild_air import Air, Fibres, air_at_height, plain_fluid, slit_impedance, tube_line
from reference.wild_drivers import Coil, Driver, Edge, driver_truth
from reference.wild_enclosure import Enclosure
from reference.wild_inside import Cavity, Chain, Opening

NO_COIL = Coil("power", (1e-9, 0.9))


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


def test_driver_in_free_air_is_the_published_one() -> None:
    """Data set B: 9.3 g, fs 60.9, Qms 3.35, Qes 0.79378, RE 5.9 come back from three points; 5 g give 49.1124 Hz."""
    air, radius, mms, omega = Air(), 0.0525, 9.3e-3, 2 * np.pi * 60.9
    bl = float(np.sqrt(omega * mms * 5.9 / 0.79378))
    dry = mms - 8 / 3 * air.density * radius**3
    driver = Driver(5.9, NO_COIL, bl, dry, 1 / (omega**2 * mms), omega * mms / 3.35, radius)
    truth = driver_truth(driver, air)
    found = (truth.fs_hz, truth.qms, truth.qes, truth.qts, 1000 * truth.mms_kg)
    assert found == pytest.approx((60.9, 3.35, 0.79378, 0.64172, 9.3), rel=1e-4)
    hz = np.linspace(30, 120, 9001)

    def size(more_kg: float) -> np.ndarray:
        return np.abs(driver.electrical(2 * np.pi * hz, driver.in_free_air(2 * np.pi * hz, air, more_kg)))

    assert size(0.0).max() == pytest.approx(30.8, abs=0.02)
    assert hz[size(5e-3).argmax()] == pytest.approx(49.1124, abs=0.03)
    between = hz[size(0.0) > 13.4804]
    assert (between[0], between[-1]) == pytest.approx((43.57585, 85.11158), rel=5e-4)


def test_edge_and_creep_do_as_published() -> None:
    """A hung mass counts whole below its resonance and is m w0 Q of resistance there; creep is Knudsen's slope."""
    edge = Edge(1e-3, 500.0, 30.0)
    slow, own = edge.impedance(2 * np.pi * np.array([5.0, 500.0]))
    assert slow.imag == pytest.approx(2 * np.pi * 5 * 1e-3, rel=1e-3)
    assert own.real == pytest.approx(1e-3 * 2 * np.pi * 500 * 30, rel=2e-3)
    driver = Driver(6.0, NO_COIL, 6.0, 0.01, 1e-3, 0.0, 0.06, creep=0.1, creep_at_hz=50.0)
    omega = 2 * np.pi * np.array([0.5, 5.0, 50.0])
    soft = 1 / (1j * omega * (driver.mechanical(omega) - 1j * omega * 0.01))
    assert soft.real == pytest.approx([1.2e-3, 1.1e-3, 1e-3])
    assert soft.imag == pytest.approx(-1e-4 * np.pi / 2 / np.log(10))


def test_layers_are_those_of_a_line() -> None:
    """Air and fibres one behind the other: the cavity's plane wave is the chain's."""
    air, hz = Air(), np.linspace(30, 1000, 200)
    omega = 2 * np.pi * hz
    layers = [plain_fluid(omega, air), Fibres(10, 25e-6).fluid(omega, air)]
    side = np.full(hz.size, 1e-6 + 0j)
    ends = (Opening(0.0, 0.05, 0.05, 0.02), Opening(1.5, 0.05, 0.05, 0.02))
    three = Cavity(1.5, 0.1, 0.1, (0.5, 1.0), ends).impedance(omega, layers, side, side)
    points = (Opening(0.0, 0.05, 0.001, 0.001), Opening(0.0, 0.05, 1.499, 0.001))
    one = Chain(0.1, 0.1, 1.5, (0.5, 1.0), points).impedance(omega, layers, side, side)
    assert np.max(np.abs(three[:, 0, 1] / one[:, 0, 1] - 1)) < 0.01


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
