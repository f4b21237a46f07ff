"""Tables of published values a second time: typed again, or derived anew, and compared cell by cell."""

from __future__ import annotations

import re
from decimal import Decimal

import numpy as np
import pytest
from places import ROOT
from scipy import optimize, special

from reference import wild_air
from reference.derived_again import (
    bessel,
    box_with,
    butterworth,
    chebyshev,
    clamped_beam,
    clamped_plate,
    closed_box,
    flanged_end,
    limit,
    quasi_butterworth,
    quasi_butterworth_of,
    supported_plate,
    three_db_point,
    unflanged_end,
)
from reference.published import AIR, B4, BL4, C4, CLOSED, GUM_H2, HARMONIC_DELAYS, LEISSA, LOSSLESS, QB3, THIELE
from stillbox.analysis.cautions import CAUTIONS
from stillbox.analysis.enclosure import box_model
from stillbox.analysis.physics import air, alignments, cavity, plates, volume

HERE = ROOT / "tests" / "reference"

# Air


CRAMER_AGAIN = """
0  331.5024      1  0.603055      2  -0.000528    3  51.471935    4  0.1495874   5  -0.000782   6  -1.82E-7  7  3.73E-8
8  -2.93E-10     9  -85.20931    10  -0.228525   11  5.91E-5     12  -2.835149  13  -2.15E-13  14  29.179762
15  0.000486
"""
SATURATION_AGAIN = {"cramer": "1.2811805e-5 -1.9509874e-2 34.04926034 -6353.6311"}
SATURATION_AGAIN["cipm"] = "1.2378847e-5 -1.9121316e-2 33.93711047 -6343.1645"
ENHANCEMENT_AGAIN = "1.00062 3.14e-8 5.6e-7"
COMPRESSIBILITY_AGAIN = "1.58123e-6 -2.9331e-8 1.1043e-10 5.707e-6 -2.051e-8 1.9898e-4 -2.376e-6 1.83e-11 -0.765e-8"


def numbers(text: str) -> tuple[float, ...]:
    return tuple(float(word) for word in text.split())


def test_coefficients_of_the_air() -> None:
    words = CRAMER_AGAIN.split()
    assert [int(word) for word in words[::2]] == list(range(16)), "no index is left out or shifted"
    assert tuple(map(float, words[1::2])) == air.CRAMER
    assert numbers(SATURATION_AGAIN["cramer"]) == air.CRAMER_SATURATION
    assert numbers(SATURATION_AGAIN["cipm"]) == air.CIPM_SATURATION
    assert numbers(ENHANCEMENT_AGAIN) == air.ENHANCEMENT
    assert numbers(COMPRESSIBILITY_AGAIN) == air.CIPM_COMPRESSIBILITY
    assert (air.DRY_KG_MOL, air.WATER_KG_MOL) == (0.02896546, 0.01801528)
    assert pytest.approx(0.0120107, rel=1e-4) == air.CARBON_KG_MOL, "a mole of carbon in the place of nothing"


def air_again(celsius: float, humidity: float, pascal: float = 101_325.0) -> tuple[float, float]:
    """Speed and density from what is typed above, with all digits that were typed."""
    t, p, carbon = Decimal(celsius), Decimal(pascal), Decimal("0.0004")
    kelvin = t + Decimal("273.15")
    alpha, beta, gamma = (Decimal(one) for one in ENHANCEMENT_AGAIN.split())

    def vapour(key: str) -> Decimal:
        a, b, c, d = (Decimal(one) for one in SATURATION_AGAIN[key].split())
        saturated = (a * kelvin**2 + b * kelvin + c + d / kelvin).exp()
        return Decimal(humidity) * (alpha + beta * p + gamma * t**2) * saturated / p

    a = [Decimal(word) for word in CRAMER_AGAIN.split()[1::2]]
    wet = vapour("cramer")
    terms = [Decimal(1), t, t**2, wet, t * wet, t**2 * wet, p, t * p, t**2 * p, carbon, t * carbon, t**2 * carbon]
    terms += [wet**2, p**2, carbon**2, wet * p * carbon]
    speed = sum(one * term for one, term in zip(a, terms, strict=True))
    a0, a1, a2, b0, b1, c0, c1, d, e = (Decimal(one) for one in COMPRESSIBILITY_AGAIN.split())
    wet = vapour("cipm")
    second = a0 + a1 * t + a2 * t**2 + (b0 + b1 * t) * wet + (c0 + c1 * t) * wet**2
    z = 1 - p / kelvin * second + (p / kelvin) ** 2 * (d + e * wet**2)
    dry, water = Decimal("28.96546e-3"), Decimal("18.01528e-3")
    density = p * (dry * (1 - wet) + water * wet) / (z * Decimal("8.314472") * kelvin)
    return float(speed), float(density)


@pytest.mark.parametrize(("celsius", "humidity", "speed", "density"), AIR)
def test_rows_of_the_air(celsius: float, humidity: float, speed: float, density: float) -> None:
    again = air_again(celsius, humidity)
    assert again == (pytest.approx(speed, abs=0.0051), pytest.approx(density, abs=5.1e-5))
    found = air.speed_of_sound_m_s(celsius, humidity), air.density_kg_m3(celsius, humidity)
    assert found == pytest.approx(again, rel=1e-12)


@pytest.mark.parametrize(("celsius", "pascal"), [(-30, 60_000), (60, 110_000), (15, 75_000), (30, 102_000)])
def test_the_air_of_other_places(celsius: float, pascal: float) -> None:
    """All of the formulas at the ends of their ranges."""
    found = air.speed_of_sound_m_s(celsius, 0.7, pascal), air.density_kg_m3(celsius, 0.7, pascal)
    assert found == pytest.approx(air_again(celsius, 0.7, pascal), rel=1e-12)


def test_the_standard_atmosphere_is_that_of_its_gas() -> None:
    """ISO 2533: the power is g M/(R L) with its own constants; 1500 m have 84 556 Pa."""
    power = 9.80665 * 28.964420e-3 / (8.31432 * 0.0065)
    assert pytest.approx(power, abs=6e-6) == air.ATMOSPHERE_POWER
    assert (air.LAPSE_K_M, air.SEA_LEVEL_K) == (6.5e-3, 15 + 273.15)
    assert air.pressure_at_pa(1500) == pytest.approx(84_556, abs=1)


def test_air_of_the_wild_boxes() -> None:
    """Sutherland's viscosity: 18.2e-6 Pa s at 20 degrees; Magnus' vapour is that of CIPM-2007; ends as elsewhere."""
    assert wild_air.Air().viscosity == pytest.approx(1.82e-5, rel=0.01)
    for celsius in (0, 10, 20, 30, 40):
        a, b, c, d = numbers(SATURATION_AGAIN["cipm"])
        kelvin = celsius + 273.15
        saturated_pa = np.exp(a * kelvin**2 + b * kelvin + c + d / kelvin)
        fraction = wild_air.Air(100_000.0, celsius, 1.0)._water_fraction
        assert fraction * 100_000 == pytest.approx(saturated_pa, rel=4e-3)
    assert (wild_air.FLANGED_END, wild_air.UNFLANGED_END) == (cavity.FLANGED_END, cavity.FREE_END)


# Tubes, radiation, filling


def test_ends_of_tubes() -> None:
    few, more = flanged_end(15), flanged_end(30)
    assert few > more > cavity.FLANGED_END, "Kelvin's principle comes from above"
    assert limit(few, more) == pytest.approx(cavity.FLANGED_END, abs=1.5e-4)
    assert unflanged_end() == pytest.approx(0.61270, abs=5.1e-6)
    assert unflanged_end() == pytest.approx(cavity.FREE_END, abs=1e-3)


def test_a_piston_in_a_wall() -> None:
    """Rayleigh's 1 - J1(2 ka)/ka + j H1(2 ka)/ka at low frequencies: mass 8/3 rho a^3, and 9 pi/48 a/c for its loss."""
    ka = 1e-3
    resistance, reactance = 1 - special.j1(2 * ka) / ka, special.struve(1, 2 * ka) / ka
    assert np.pi * reactance / ka == pytest.approx(8 / 3, rel=1e-6)
    assert resistance / (reactance * ka) == pytest.approx(9 * np.pi / 48, rel=1e-6)


def test_heat_that_comes_late() -> None:
    """The relaxations of the box model against the function that they stand for."""
    x = 1j * np.geomspace(0.02, 100, 400)
    v = np.sqrt(1 + x / 2)
    told = sum(part / (1 + x / turn) for part, turn in box_model.HEAT)
    assert np.max(np.abs(told - v / (x + v))) < 0.0125


FIBRES_AGAIN = {
    "polyester": ((1370, 1400), (1000, 1350)),
    "wool": ((1300, 1320), (1300, 1400)),
    "cotton": ((1500, 1560), (1200, 1350)),
    "glass wool": ((2450, 2600), (750, 850)),
    "rock wool": ((2600, 2900), (750, 900)),
}
"""Density and heat capacity as handbooks have them, from least to most [M]."""


def test_fibres() -> None:
    assert set(FIBRES_AGAIN) == set(volume.FIBRES)
    for name, both in volume.FIBRES.items():
        for value, (least, most) in zip(both, FIBRES_AGAIN[name], strict=True):
            assert least <= value <= most, name
    assert pytest.approx(3.5 * 8.314472 / 28.96546e-3, rel=2e-3) == volume.AIR_CP_J_KG_K, "air of two atoms"
    assert volume.GAMMA == 7 / 5


# Plates


HOPKINS_AGAIN = {"chipboard": (2200, 760), "mdf": (2560, 760), "osb": (2570, 590), "birch": (3850, 710)}
"""Speed of quasi-longitudinal waves in m/s, density (Hopkins, Sound Insulation, 2007, table A2)."""
WOOD_HANDBOOK_AGAIN = {"osb": (1.92e9, 6.31e9)}
"""Young's modulus across and along (USDA Wood Handbook, table 12-3)."""


def test_materials_of_panels_hold_the_published_ones() -> None:
    for key, (speed, density) in HOPKINS_AGAIN.items():
        material = plates.MATERIALS[key]
        modulus = speed**2 * density * (1 - 0.3**2)
        assert material.modulus_pa[0] <= modulus <= material.modulus_pa[1], (key, modulus)
        assert material.density_kg_m3[0] <= density <= material.density_kg_m3[1], key
    for key, (least, most) in WOOD_HANDBOOK_AGAIN.items():
        assert plates.MATERIALS[key].modulus_pa == pytest.approx((least, most), rel=0.011)
    assert plates.MATERIALS["particle"].modulus_pa == plates.MATERIALS["chipboard"].modulus_pa


@pytest.mark.parametrize("order", [1, 2, 3, 4])
def test_beams(order: int) -> None:
    """Warburton's numbers are rounded; his H of the first mode is 0.12 % high."""
    assert plates.beam(order) == pytest.approx(clamped_beam(order), rel=2e-3)


PRINTED_BY_LEISSA = {
    0.4: (23.648, 27.817, 35.446),
    2 / 3: (27.010, 41.716, 66.143),
    1.0: (35.992, 73.413, 73.413),
    1.5: (60.772, 93.860, 148.82),
    2.5: (147.80, 173.85, 221.54),
}


@pytest.mark.parametrize(("ratio", "supported", "clamped"), LEISSA)
def test_plates(ratio: float, supported: list[float], clamped: list[float]) -> None:
    last_digit = 5.1e-4 if ratio < 2 else 5.1e-3
    assert supported_plate(ratio)[:3] == pytest.approx(supported, abs=5.1e-4)
    for found, told in zip(clamped_plate(ratio)[:3], clamped, strict=True):
        assert found == pytest.approx(told, abs=last_digit if told < 100 else 5.1e-3)
    for found, printed in zip(clamped_plate(ratio)[:3], PRINTED_BY_LEISSA[ratio], strict=True):
        assert 1e-4 < printed / found - 1 < 1e-3, "an upper bound, 36 terms"


# Alignments


@pytest.mark.parametrize(("qtc", "f3", "peak", "at"), CLOSED)
def test_closed_boxes(qtc: float, f3: float, peak: float, at: float | None) -> None:
    exact = {0.5774: 3**-0.5, 0.7071: 2**-0.5}.get(qtc, qtc)
    again = closed_box(exact)
    assert again[:2] == (pytest.approx(f3, abs=5.1e-5), pytest.approx(peak, abs=5.1e-4))
    assert again[2] is None if at is None else again[2] == pytest.approx(at, abs=5.1e-4)


@pytest.mark.parametrize(("ql", "qt", "alpha"), B4)
def test_butterworth(ql: float, qt: float, alpha: float) -> None:
    again = box_with(butterworth(), ql)
    assert again == pytest.approx([qt, 1.0, alpha], abs=5.1e-5)
    assert three_db_point(again, ql) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(("ql", "qt", "alpha", "h", "f3"), BL4)
def test_bessel(ql: float, qt: float, alpha: float, h: float, f3: float) -> None:
    assert bessel() == pytest.approx(alignments.BESSEL_4, abs=6e-9)
    again = box_with(bessel(), ql)
    assert again == pytest.approx([qt, h, alpha], abs=5.1e-5)
    assert three_db_point(again, ql) == pytest.approx(f3, abs=5.1e-5)


@pytest.mark.parametrize(("ql", "qt", "h", "alpha", "f3"), QB3)
def test_quasi_butterworth(ql: float, qt: float, h: float, alpha: float, f3: float) -> None:
    again = quasi_butterworth(qt, ql)
    assert again == pytest.approx([qt, h, alpha], abs=5.1e-5)
    assert three_db_point(again, ql) == pytest.approx(f3, abs=5.1e-5)


@pytest.mark.parametrize(("qt", "h", "alpha", "f3"), THIELE)
def test_thieles_rows_are_of_a_q_with_more_digits(qt: float, h: float, alpha: float, f3: float) -> None:
    """The QT that belongs to his alpha rounds to what he printed; the rest is within one of its last digit."""
    box = quasi_butterworth_of(alpha, LOSSLESS, quasi_butterworth(qt, LOSSLESS))
    assert box[0] == pytest.approx(qt, abs=5.1e-4)
    assert (box[1], three_db_point(box, LOSSLESS)) == pytest.approx((h, f3), abs=0.01)


@pytest.mark.parametrize(("k", "lossless", "lossy", "ripple"), C4)
def test_chebyshev(k: float, lossless: tuple[float, ...], lossy: tuple[float, ...], ripple: float) -> None:
    target, ripple_db = chebyshev(k)
    assert ripple_db == pytest.approx(ripple, abs=5.1e-4)
    assert target[0] > target[2], "a1 stands at s^3"
    if k == 0.5:
        assert target[[0, 2]] == pytest.approx([2.255, 1.737], abs=5.1e-4)
    for ql, row in ((LOSSLESS, lossless), (7.0, lossy)):
        again = box_with(target, ql, (0.5, 0.8, 0.6))
        assert (*again, three_db_point(again, ql)) == pytest.approx(row, abs=5.1e-5)


# What else is printed somewhere


def test_readings_of_the_gum() -> None:
    voltage = "5.007 4.994 5.005 4.990 4.999"
    current = "19.663 19.639 19.640 19.685 19.678"
    phase = "1.0456 1.0438 1.0468 1.0428 1.0433"
    assert tuple(zip(*(numbers(column) for column in (voltage, current, phase)), strict=True)) == GUM_H2


def r_of_h2(stds: tuple[float, ...], correlations: tuple[float, ...]) -> tuple[float, float]:
    """u(R) and r(R, X) of R = V/I cos phi, X = V/I sin phi from uncertainties of V, I, phi and their correlations."""
    voltage, current, phase = 4.9990, 19.6610e-3, 1.04446
    resistance, reactance = voltage / current * np.cos(phase), voltage / current * np.sin(phase)
    slopes = np.array(
        [
            [resistance / voltage, -resistance / current, -reactance],
            [reactance / voltage, -reactance / current, resistance],
        ]
    )
    mixed = np.eye(3)
    mixed[[0, 0, 1], [1, 2, 2]] = mixed[[1, 2, 2], [0, 0, 1]] = correlations
    covariance = slopes @ (mixed * np.outer(stds, stds)) @ slopes.T
    return float(np.sqrt(covariance[0, 0])), float(covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1]))


def test_the_gums_rounded_inputs_do_not_give_its_results() -> None:
    """What it prints, 0.071 and -0.588, needs the readings."""
    readings = np.array(GUM_H2) * [1, 1e-3, 1]
    covariance = np.cov(readings.T) / 5
    stds = np.sqrt(np.diag(covariance))
    whole = (covariance / np.outer(stds, stds))[[0, 0, 1], [1, 2, 2]]
    assert r_of_h2(tuple(stds), tuple(whole)) == pytest.approx((0.07107, -0.58843), abs=6e-6)
    assert r_of_h2((0.0032, 0.0095e-3, 0.00075), (-0.36, 0.86, -0.65)) == pytest.approx((0.0700, -0.591), abs=6e-4)


@pytest.mark.parametrize(("low_hz", "high_hz", "seconds", "constant_s", "advances_s"), HARMONIC_DELAYS)
def test_delays_of_harmonics(
    low_hz: float, high_hz: float, seconds: float, constant_s: float, advances_s: tuple[float, ...]
) -> None:
    """The phase 2 pi f1 L exp(t/L): its derivative k times as fast comes where f is k times as high."""
    rate = optimize.brentq(
        lambda x: low_hz * np.exp(seconds / x) - high_hz, 0.5 * constant_s, 2 * constant_s, xtol=1e-13
    )
    assert rate == pytest.approx(constant_s, abs=5.1e-7)
    for order, advance_s in enumerate(advances_s, start=2):
        later = optimize.brentq(lambda t, k=order: np.exp(t / rate) - k, 0.0, seconds, xtol=1e-13)
        assert later == pytest.approx(advance_s, abs=5.1e-6)


def test_limits_of_hearing() -> None:
    """NIOSH: 480/2^((L - 85)/3) minutes."""
    told = re.findall(r"(\d+) (hours?|minutes) at (\d+) dBA", CAUTIONS["hearing"])
    assert len(told) == 3
    for count, unit, level in told:
        minutes = float(count) * (60 if unit.startswith("hour") else 1)
        assert minutes == pytest.approx(480 / 2 ** ((float(level) - 85) / 3), rel=1e-12)


# The register of faults


def test_every_fault_in_the_register_has_its_evidence() -> None:
    """Each row names tests, and they are there."""
    rows = [line for line in (HERE / "errata.md").read_text(encoding="utf-8").splitlines() if line.startswith("| ")]
    assert rows[0] == "| source | what it says | what is right | how we know |"
    for row in rows[1:]:
        named = re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", row)
        assert named and row.count("|") == 5, row
        for path, name in named:
            assert f"def {name}(" in (ROOT / path).read_text(encoding="utf-8"), (path, name)
