"""Volume budget: what takes how much, the isothermal limit, and measured against written down."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillbox.analysis.maths.quantity import Quantity
from stillbox.analysis.physics.volume import (
    Stuffing,
    VolumeItem,
    compare_volumes,
    effective_volume_m3,
    isothermal_factor,
    port_volume_m3,
    volume_budget,
)
from stillbox.capture.errors import StillboxError

INSIDE = (0.6, 0.35, 0.28)
AIR = 1.2


def test_solid_sheet_counts_whole_and_foam_by_its_porosity() -> None:
    budget = volume_budget(
        INSIDE, [VolumeItem("bitumen", 2e-3), VolumeItem("foam", 4e-3, 0.97), VolumeItem("driver", 1.5e-3)], [], AIR
    )
    assert budget.gross_m3 == pytest.approx(0.0588)
    assert budget.air_m3 == pytest.approx(0.0588 - 2e-3 - 0.03 * 4e-3 - 1.5e-3)
    assert budget.most_factor == 1.0
    assert budget.effective_m3.value == pytest.approx(budget.air_m3)
    # 1 mm for each of three sides.
    assert budget.effective_m3.std / budget.air_m3 == pytest.approx((1 / 600**2 + 1 / 350**2 + 1 / 280**2) ** 0.5)


def test_isothermal_limit_of_very_much_fibre() -> None:
    # Small, JAES 20(10), 1972 [M]: isothermal air is 1.4 times as compliant as adiabatic air, not more.
    assert isothermal_factor([], 0.05, AIR) == 1.0
    assert isothermal_factor([Stuffing(1e6, "polyester")], 0.05, AIR) == pytest.approx(1.4, abs=1e-4)


def test_factor_of_equal_heat_capacities_by_hand() -> None:
    # m_f c_f = m_a c_p: gamma' = 2/(1/1.4 + 1), factor = 1.4/gamma' = 1.2.
    fibre = 0.05 * AIR * 1006.0 / 1360.0
    assert isothermal_factor([Stuffing(fibre, "wool")], 0.05, AIR) == pytest.approx(1.2)


@given(st.floats(0, 50), st.floats(1e-3, 1.0), st.sampled_from(["polyester", "wool", "glass wool"]))
def test_factor_stays_between_one_and_gamma_and_grows(mass: float, volume: float, material: str) -> None:
    first = isothermal_factor([Stuffing(mass, material)], volume, AIR)
    second = isothermal_factor([Stuffing(mass + 0.1, material)], volume, AIR)
    assert 1.0 <= first < second <= 1.4


def test_stuffing_takes_its_fibres_and_widens_the_prediction() -> None:
    bare = volume_budget(INSIDE, [], [], AIR)
    filled = volume_budget(INSIDE, [], [Stuffing(0.4, "polyester")], AIR)
    assert bare.air_m3 - filled.air_m3 == pytest.approx(0.4 / 1380)
    low, high = filled.air_m3, filled.most_factor * filled.air_m3
    assert filled.effective_m3.value == pytest.approx((low + high) / 2)
    assert filled.effective_m3.tolerance_std == pytest.approx((high - low) / 2 / 3**0.5)
    inside_low, inside_high = filled.effective_m3.interval_95
    assert low - 1e-3 < inside_low < low + 1e-3
    assert high - 1e-3 < inside_high < high + 1e-3


def test_port_takes_bore_and_wall() -> None:
    assert port_volume_m3(0.07, 0.15, 0.003) == pytest.approx(3.14159265 / 4 * 0.076**2 * 0.15)


def test_nonsense_is_refused_in_words() -> None:
    with pytest.raises(StillboxError, match=r"takes 70\.0 litres, but the box has 58\.8"):
        volume_budget(INSIDE, [VolumeItem("stone", 0.07)], [], AIR)
    with pytest.raises(StillboxError, match="porosity"):
        volume_budget(INSIDE, [VolumeItem("foam", 1e-3, 1.5)], [], AIR)
    with pytest.raises(StillboxError, match="'straw' is not known; choose one of polyester"):
        volume_budget(INSIDE, [], [Stuffing(0.1, "straw")], AIR)


def test_measured_and_predicted() -> None:
    predicted = volume_budget(INSIDE, [VolumeItem("driver", 1.5e-3)], [], AIR).effective_m3
    good = effective_volume_m3(Quantity(0.0600, 0.0006, "m³"), Quantity(1.05, 0.01))
    verdict = compare_volumes(predicted, good)
    assert verdict.agrees
    assert good.std == pytest.approx(good.value * (0.01**2 + (0.01 / 1.05) ** 2) ** 0.5)
    small = compare_volumes(predicted, Quantity(0.049, 0.0006, "m³"))
    assert not small.agrees
    assert "the budget lacks" in small.sentence
    large = compare_volumes(predicted, Quantity(0.066, 0.0006, "m³"))
    assert "leak" in large.sentence
