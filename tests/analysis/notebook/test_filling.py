"""What the notebook says of materials counts in volume budget and lining; what is typed in build.toml wins."""

from __future__ import annotations

import re
from typing import Any

import pytest

from stillbox.analysis.physics.volume import Stuffing, VolumeItem
from stillbox.analysis.system.described_box import described_budget, described_softening
from stillbox.analysis.system.filling import described_filling, entries_words, known_material, of_entry
from stillbox.capture.build.build_description import BuildDescription
from stillbox.capture.build.notebook import Entry

BOX = {"inside_mm": [460.0, 300.0, 230.0]}
FELT = Entry(number=2, material="wool felt", area_cm2=3500.0, thickness_mm=10.0, at="back")
FIBRE = Entry(number=3, material="polyester", mass_g=150.0)
TYPED_LINING = {"area_m2": 0.35, "thickness_mm": 10.0, "porosity": 0.9, "what": "felt", "states": ["lined"]}
TYPED_FIBRE = {"grams": 150.0, "material": "polyester", "states": ["lined"]}


def described(**more: Any) -> BuildDescription:
    return BuildDescription.model_validate({**BOX, **more})


def test_the_notebook_counts_as_the_same_typed_by_hand() -> None:
    typed = described(lining=[TYPED_LINING], stuffing=[TYPED_FIBRE])
    by_hand, logged = described_budget(typed, "lined"), described_budget(described(), "lined", (FELT, FIBRE))
    assert by_hand is not None and logged is not None
    assert logged.air_m3 == pytest.approx(by_hand.air_m3, rel=1e-12) and logged.air_m3 < logged.gross_m3 - 4e-4
    assert logged.effective_m3.value == pytest.approx(by_hand.effective_m3.value, rel=1e-12)
    softer = [described_softening(typed, "lined"), described_softening(described(), "lined", (FELT, FIBRE))]
    assert softer[0] is not None and softer[1] is not None
    assert softer[0].part.value == pytest.approx(softer[1].part.value) and softer[0].part.value > 0.05
    assert [item.name for item in logged.items] == ["wool felt at back (notebook, entry 2)"]
    assert described_filling(described(), "lined", (FELT, FIBRE)).logged == (2, 3)


def test_what_is_typed_for_the_state_wins_and_that_is_said_once() -> None:
    typed = described(lining=[TYPED_LINING])
    filling = described_filling(typed, "lined", (FELT, FIBRE, FELT.model_copy(update={"number": 5})))
    assert [item.name for item in filling.lining] == ["felt"] and filling.stuffing == (Stuffing(0.15, "polyester"),)
    assert filling.logged == (3,)
    (said,) = filling.notes
    assert "build.toml tells of lining in state 'lined'" in said and "(entries 2 and 5)" in said
    elsewhere = described_filling(typed, "final", (FELT,))
    assert elsewhere.logged == (2,) and not elsewhere.notes


@pytest.mark.parametrize(
    ("entry", "porosity", "litres"),
    [
        (Entry(material="bitumen", area_cm2=2000.0, thickness_mm=4.0), 0.0, 0.8),
        (Entry(material="acoustic foam", area_cm2=1000.0, thickness_mm=30.0), 0.97, 3.0),
        (Entry(material="felt", area_cm2=1000.0, thickness_mm=10.0, mass_g=270.0), 0.8, 1.0),
        (Entry(material="unheard of", area_cm2=1000.0, thickness_mm=10.0, porosity=0.5), 0.5, 1.0),
        (Entry(material="glass wool", area_cm2=1000.0, thickness_mm=50.0), 0.99, 5.0),
    ],
)
def test_porosity_is_told_known_or_follows_from_the_mass(entry: Entry, porosity: float, litres: float) -> None:
    found = of_entry(entry)
    assert isinstance(found, VolumeItem)
    assert found.porosity == pytest.approx(porosity) and found.volume_m3 == pytest.approx(litres / 1000)


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        (Entry(number=4, material="unheard of", area_cm2=10.0, thickness_mm=1.0), "give --porosity"),
        (Entry(number=4, material="felt", mass_g=10.0), "give --area and --thickness .*--correct 4"),
        (Entry(number=4, material="wool"), "give --mass, or --area and --thickness"),
    ],
)
def test_what_cannot_be_counted_says_why(entry: Entry, words: str) -> None:
    filling = described_filling(described(), "lined", (entry,))
    assert not filling.lining and not filling.stuffing and not filling.logged
    (said,) = filling.notes
    assert "entry 4 of the notebook" in said and re.search(words, said)


def test_materials_are_known_by_words() -> None:
    names = {"Wool Felt": "felt", "glass wool": "glass wool", "wool": "wool", "MDF": "mdf", "glasses": None}
    assert {name: known_material(name) for name in names} == names
    assert [entries_words(numbers) for numbers in ((2,), (2, 5), (1, 2, 3))] == [
        "entry 2", "entries 2 and 5", "entries 1, 2 and 3",
    ]  # fmt: skip
