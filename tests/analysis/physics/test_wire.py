"""Wire against printed tables, and what its resistance does."""

from __future__ import annotations

import math

import pytest

from stillbox.analysis.physics.wire import (
    COPPER_PER_K,
    FLEXIBLE_OHM_PER_KM,
    gauge_diameter_m,
    resistivity_ohm_m,
    series_effect,
    skin_depth_m,
    skin_effect_factor,
    wire_resistance_ohm,
)

# hyperphysics.phy-astr.gsu.edu/hbase/Tables/wirega.html: ohm per 1000 ft at 20 C; diameters and ohm/km re-derived.
GAUGES = {
    10: (2.588, 0.9989, 3.277),
    12: (2.053, 1.588, 5.211),
    14: (1.628, 2.525, 8.286),
    16: (1.291, 4.016, 13.174),
    18: (1.024, 6.385, 20.948),
    20: (0.812, 10.15, 33.309),
    22: (0.644, 16.14, 52.963),
    24: (0.511, 25.67, 84.215),
}


@pytest.mark.parametrize("gauge", GAUGES)
def test_gauges_are_as_printed(gauge: int) -> None:
    diameter_mm, per_1000_ft, per_km = GAUGES[gauge]
    assert round(1e3 * gauge_diameter_m(gauge), 3) == diameter_mm
    section_m2 = math.pi / 4 * gauge_diameter_m(gauge) ** 2
    assert round(wire_resistance_ohm(1000.0, section_m2), 3) == per_km
    assert wire_resistance_ohm(304.8, section_m2) == pytest.approx(per_1000_ft, rel=1e-3)


@pytest.mark.parametrize(
    ("diameter_mm", "mohm_per_m"), [(0.5, 87.81), (0.8, 34.30), (1.0, 21.95), (1.4, 11.20), (2.0, 5.488)]
)
def test_winding_wire(diameter_mm: float, mohm_per_m: float) -> None:
    """Check values of the project, section 11, re-derived there."""
    found = 1e3 * wire_resistance_ohm(1.0, math.pi / 4 * (1e-3 * diameter_mm) ** 2)
    assert found == pytest.approx(mohm_per_m, rel=3e-4)


@pytest.mark.parametrize(
    ("celsius", "ratio"), [(0, 0.9214), (20, 1.0), (60, 1.1572), (100, 1.3144), (120, 1.3930), (220, 1.7860)]
)
def test_warm_copper(celsius: float, ratio: float) -> None:
    """0.00393 /K: Industrial Power Engineering Handbook, p. 970; ratios re-derived in the project's check values."""
    assert COPPER_PER_K == 0.00393
    assert resistivity_ohm_m(celsius) / resistivity_ohm_m() == pytest.approx(ratio, abs=5e-5)


def test_flexible_cable_is_a_little_above_plain_copper() -> None:
    """IEC 60228, class 5: stranding and play cost 10 to 20 %; temperature factors 25 C 0.980, 50 C 0.893."""
    assert FLEXIBLE_OHM_PER_KM == {1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.30}
    for section_mm2, per_km in FLEXIBLE_OHM_PER_KM.items():
        assert 1.1 < per_km / wire_resistance_ohm(1000.0, 1e-6 * section_mm2) < 1.2
    for celsius, factor in ((25, 0.980), (50, 0.893)):
        assert resistivity_ohm_m() / resistivity_ohm_m(celsius) == pytest.approx(factor, abs=2e-3)


@pytest.mark.parametrize(("frequency_hz", "printed", "again"), [(60, 8.5, 8.53), (1e3, 2.1, 2.090), (5e3, 0.93, 0.935),
                                                                (20e3, 0.46, 0.467)])  # fmt: skip
def test_skin_depth(frequency_hz: float, printed: float, again: float) -> None:
    """launchloop.com/SkinDepth, mm, to two digits; and re-derived."""
    found_mm = 1e3 * skin_depth_m(frequency_hz)
    assert found_mm == pytest.approx(again, abs=1e-3 if again < 8 else 5e-3)
    assert found_mm == pytest.approx(printed, rel=0.016)


@pytest.mark.parametrize(("diameter_mm", "factor"), [(1.0, 1.0267), (1.4, 1.0968), (2.0, 1.3267)])
def test_skin_effect(diameter_mm: float, factor: float) -> None:
    """At 20 kHz; project check values, section 11."""
    assert skin_effect_factor(1e-3 * diameter_mm, 20e3) == pytest.approx(factor, abs=5e-5)


def test_skin_effect_at_its_ends() -> None:
    """Nothing at low frequencies; of thick wire a tube of one skin depth is left, and no function overflows."""
    assert skin_effect_factor(1e-3, 1.0) == pytest.approx(1.0, abs=1e-9)
    for frequency_hz in (1e7, 1e9):
        depth = skin_depth_m(frequency_hz)
        tube = 1e-3**2 / 4 / (1e-3 * depth - depth**2)
        assert skin_effect_factor(1e-3, frequency_hz) == pytest.approx(tube, rel=3 * depth / 1e-3)


def test_a_resistance_before_a_driver() -> None:
    effect = series_effect(0.56, 5.6, 0.4, 3.0)
    assert effect.level_db == pytest.approx(-20 * math.log10(1.1), rel=1e-12)
    assert effect.peak_level_db == pytest.approx(20 * math.log10(47.6 / 48.16), rel=1e-12)
    assert effect.qes == pytest.approx(0.44, rel=1e-12)
    assert effect.qts == pytest.approx(1 / (1 / 0.44 + 1 / 3.0), rel=1e-12)
    bare = series_effect(0.56, 5.6, None, 3.0)
    assert (bare.peak_level_db, bare.qes, bare.qts) == (None, None, None)
    assert series_effect(0.0, 5.6, 0.4, None).level_db == 0.0
