"""Air pressure: told by height or barometer, else carried as uncertainty."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from circuit_takes import fitted_driver
from reference.random_drivers import random_driver, true_driver, with_mass

from stillbox.analysis.physics.air import pressure_at_pa
from stillbox.analysis.system.absolute import AddedMassTake, Known
from stillbox.analysis.system.described_box import air_of, pressure_question
from stillbox.analysis.system.second_take import second_take
from stillbox.capture.build.build_description import BuildDescription
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError


def test_height_or_pressure_moves_vas_and_its_interval() -> None:
    """Standard atmosphere: 954.6 hPa at 500 m, 5.8 % less than at the sea; Vas is gamma p Sd^2 Cms."""
    assert pressure_at_pa(500) == pytest.approx(95_461, abs=2)
    assert pressure_at_pa(0) == 101_325
    told = {"unknown": {}, "sea": {"metres_above_sea": 0.0}, "high": {"metres_above_sea": 500.0}}
    told["barometer"] = {"pressure_hpa": 954.6}
    airs = {name: air_of(BuildDescription.model_validate(keys)) for name, keys in told.items()}
    assert airs["high"].stiffness_pa / airs["sea"].stiffness_pa == pytest.approx(0.9421, abs=3e-4)
    assert airs["barometer"].stiffness_pa == pytest.approx(airs["high"].stiffness_pa, rel=1e-4)
    driver = random_driver(np.random.default_rng(3))
    mass = 0.6 * true_driver(driver).mms_kg
    free, loaded = fitted_driver(driver, 1), fitted_driver(with_mass(driver, mass), 2)
    diameter = Known(float(2 * np.sqrt(driver.area_m2 / np.pi)), 0.1)
    vas = {
        name: second_take(free, diameter, air, AddedMassTake(loaded, Known(mass, 0.1))).combined.vas_m3
        for name, air in airs.items()
    }
    assert vas["high"].value / vas["sea"].value == pytest.approx(0.9421, abs=3e-4)
    assert vas["unknown"].value == pytest.approx(vas["sea"].value, rel=1e-9)
    low, high = vas["unknown"].interval_95
    assert low < vas["high"].value < high
    assert vas["barometer"].half_width_95 < vas["high"].half_width_95 < vas["unknown"].half_width_95
    assert pressure_question(BuildDescription()) and not pressure_question(BuildDescription(pressure_hpa=990.0))


def test_start_asks_for_the_height(tmp_path: Path) -> None:
    made = BuildFolder.create(tmp_path / "high", metres_above_sea=640.0)
    assert made.description.metres_above_sea == 640.0
    with pytest.raises(StillboxError, match="4300"):
        BuildFolder.create(tmp_path / "moon", metres_above_sea=9_000.0)
