"""What is printed of parts and wire a second time: typed again, or derived by another way; see the module beside it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from stillbox.analysis.parts.part_codes import LOPSIDED, TOLERANCE_PERCENT
from stillbox.analysis.physics import coils, wire
from stillbox.capture.jig.e_series import SERIES

E24_AGAIN = "10 11 12 13 15 16 18 20 22 24 27 30 33 36 39 43 47 51 56 62 68 75 82 91"
E96_AGAIN = """
100 102 105 107 110 113 115 118 121 124 127 130 133 137 140 143 147 150 154 158 162 165 169 174
178 182 187 191 196 200 205 210 215 221 226 232 237 243 249 255 261 267 274 280 287 294 301 309
316 324 332 340 348 357 365 374 383 392 402 412 422 432 442 453 464 475 487 499 511 523 536 549
562 576 590 604 619 634 649 665 681 698 715 732 750 768 787 806 825 845 866 887 909 931 953 976
"""
"""IEC 60063, as tables on resistors print it."""


def test_preferred_values() -> None:
    coarse, fine = [int(word) for word in E24_AGAIN.split()], [int(word) for word in E96_AGAIN.split()]
    assert [round(10 * value) for value in SERIES["E24"]] == coarse
    assert [round(10 * value) for value in SERIES["E12"]] == coarse[::2]
    assert [round(10 * value) for value in SERIES["E6"]] == coarse[::4]
    assert [round(10 * value) for value in SERIES["E3"]] == coarse[::8]
    assert [round(100 * value) for value in SERIES["E96"]] == fine
    assert [round(100 * value) for value in SERIES["E48"]] == fine[::2]
    assert [round(100 * value) for value in SERIES["E192"][::2]] == fine


def test_coarse_series_are_no_powers_of_ten() -> None:
    """What many texts say; the fine ones are, but for one value."""
    off = [value for index, value in enumerate(map(int, E24_AGAIN.split())) if value != round(10 * 10 ** (index / 24))]
    assert off == [27, 30, 33, 36, 39, 43, 47, 82]
    off = [value for index, value in enumerate(SERIES["E192"]) if value != round(100 * 10 ** (index / 192)) / 100]
    assert off == [9.2]


def test_letters_of_tolerances() -> None:
    """IEC 60062:2016, table 6 [M]."""
    told = [
        "E",
        ".005",
        "L",
        ".01",
        "P",
        ".02",
        "W",
        ".05",
        "B",
        ".1",
        "C",
        ".25",
        "D",
        ".5",
        "F",
        "1",
        "G",
        "2",
        "H",
        "3",
        "J",
        "5",
        "K",
        "10",
        "M",
        "20",
        "N",
        "30",
    ]
    assert dict(zip(told[::2], map(float, told[1::2]), strict=True)) == dict(TOLERANCE_PERCENT)
    assert dict(zip("QTSZ", ("-10/+30", "-10/+50", "-20/+50", "-20/+80"), strict=True)) == LOPSIDED


def test_copper_and_gauges() -> None:
    """Gauge 36 has 5 mil and gauge 0000, 39 steps on, 460 mil; 1000 ft of 1 mil square circular have 10.371 kohm."""
    assert pytest.approx(0.017241e-6, rel=3e-5) == wire.COPPER_OHM_M
    step = (460 / 5) ** (1 / 39)
    for gauge in range(wire.GAUGES[0], wire.GAUGES[1] + 1):
        mil = 5 * step ** (36 - gauge)
        diameter_m = wire.gauge_diameter_m(gauge)
        assert diameter_m == pytest.approx(25.4e-6 * mil, rel=1e-12)
        ohm = wire.wire_resistance_ohm(304.8, np.pi / 4 * diameter_m**2)
        assert ohm == pytest.approx(10_371 / mil**2, rel=2e-4), gauge


def test_flexible_cable() -> None:
    """IEC 60228, table 3, plain: typed again."""
    told = dict(zip(["1", "1.5", "2.5", "4", "6"], ["19.5", "13.3", "7.98", "4.95", "3.30"], strict=True))
    assert {float(section): float(ohm) for section, ohm in told.items()} == wire.FLEXIBLE_OHM_PER_KM


@pytest.mark.parametrize(("diameter_mm", "told"), [(1.0, 1.0267), (1.4, 1.0968), (2.0, 1.3267)])
def test_skin_effect_by_kelvins_functions(diameter_mm: float, told: float) -> None:
    q = diameter_mm * 1e-3 / np.sqrt(2) / wire.skin_depth_m(20e3)
    ber, bei, berp, beip = special.ber(q), special.bei(q), special.berp(q), special.beip(q)
    factor = q / 2 * (ber * beip - bei * berp) / (berp**2 + beip**2)
    assert factor == pytest.approx(told, abs=5.1e-5)
    assert wire.skin_effect_factor(diameter_mm * 1e-3, 20e3) == pytest.approx(factor, rel=1e-9)


def test_brooks_number() -> None:
    """Mean of the mutual inductance of two circles over a square section whose mean radius is 1.5 sides.

    By elliptic integrals at two sets of Gauss' places that never meet; what they miss falls as their number squared.
    """

    def mean(places: int) -> float:
        grids = []
        for count in (places, places + 1):
            at, weight = np.polynomial.legendre.leggauss(count)
            at, weight = at / 2, weight / 2
            grids.append([np.repeat(1.5 + at, count), np.tile(at, count), np.outer(weight, weight).ravel()])
        (r, z, w), (other_r, other_z, other_w) = grids
        together = (r[:, None] + other_r) ** 2 + (z[:, None] - other_z) ** 2
        m = 4 * r[:, None] * other_r / together
        k = np.sqrt(m)
        each = np.sqrt(r[:, None] * other_r) * ((2 / k - k) * special.ellipk(m) - 2 / k * special.ellipe(m))
        return float(4e-7 * np.pi * (w @ each @ other_w) / 1.5)

    few, more = mean(15), mean(30)
    limit = more + (more - few) / 3
    assert limit == pytest.approx(coils.BROOKS_H_PER_M, rel=1e-4)
