"""What a search for a box costs, counted: times depend on the machine."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from circuit_takes import fitted_box, fitted_driver, random_speaker

from stillbox.analysis.enclosure.box_model import BoxModel
from stillbox.capture.arrays import ComplexArray, FloatArray

SEED = 4_005
"""A closed box with a leak and standing waves that no model of the list follows to the noise, so all are tried."""
MOST_EVALUATIONS = 330
"""Some 0.5 ms each; with all starts of a gap followed to their ends they were 381."""
MOST_DERIVATIVES = 0.6
"""Of the evaluations: about half of the steps that are tried lead nowhere."""


def test_a_box_that_no_model_follows_is_searched_in_few_evaluations(monkeypatch: pytest.MonkeyPatch) -> None:
    counts = {"impedance": 0, "derivatives": 0}
    cone = BoxModel.cone

    def counted(self: BoxModel, s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, Callable[[], ComplexArray]]:
        value, slopes = cone(self, s, x)
        counts["impedance"] += 1

        def counted_slopes() -> ComplexArray:
            counts["derivatives"] += 1
            return slopes()

        return value, counted_slopes

    driver, circuit = random_speaker(SEED, False, True, True)
    free = fitted_driver(driver, 5)
    monkeypatch.setattr(BoxModel, "cone", counted)
    found = fitted_box(circuit, free, False, 5)
    assert found.numbers.inside.leak > 0.0
    assert 100 < counts["impedance"] < MOST_EVALUATIONS
    assert counts["derivatives"] < MOST_DERIVATIVES * counts["impedance"]
