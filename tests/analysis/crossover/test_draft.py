"""A crossover written by a person: as people write, without knowing how a netlist is written."""

from __future__ import annotations

import pytest
from reference.wild_two_ways import wild_two_way

from stillbox.analysis.crossover.draft import Draft, DraftRow, draft_of, network_of_draft, tolerances_of_draft
from stillbox.analysis.network.differences import network_differences
from stillbox.analysis.network.netlist import netlist_text, network_from_text
from stillbox.capture.errors import StillboxError

PARTS = (
    DraftRow("C1", "in", "Tweeter", "4.7u"),
    DraftRow("R1", "tweeter", "0", "4R7"),
    DraftRow("L1", "in", "woofer", "0,35 mH", "0.2 Ω", "10 %"),
    DraftRow("tweeter", "0", "tweeter", is_driver=True),
    DraftRow("woofer", "woofer", "0", is_driver=True),
)


def test_usual_units_and_names_of_ones_own() -> None:
    network = network_of_draft(Draft(PARTS))
    values = {part.name: (part.value, part.loss_ohm) for part in network.parts}
    assert values == {"C1": (4.7e-6, 0.0), "R1": (4.7, 0.0), "L1": (0.35e-3, 0.2)}
    assert [place.nodes for place in network.drivers] == [("0", "tweeter"), ("woofer", "0")]
    assert tolerances_of_draft(Draft(PARTS), {"C1": 5.0}) == {"C1": 5.0, "L1": 10.0}
    assert network_differences(network, network_from_text(netlist_text(network))) == ()


@pytest.mark.parametrize("seed", range(20))
def test_what_is_kept_comes_back_with_all_its_digits(seed: int) -> None:
    network = network_from_text(wild_two_way(seed).netlist())
    draft = draft_of(network, {part.name: 5.0 for part in network.parts})
    assert network_differences(network, network_of_draft(draft, network)) == ()
    place = next(place for place, row in enumerate(draft.rows) if row.kind == "capacitor")
    changed = draft.with_row(place, draft.rows[place].with_field("value", "34 µF"))
    (one,) = network_differences(network, network_of_draft(changed, network))
    assert one.name == draft.rows[place].name and one.after == 34e-6


def test_parts_are_added_across_the_terminals_and_taken_out() -> None:
    draft = Draft(PARTS)
    for kind, name in (("capacitor", "C2"), ("coil", "L2"), ("resistor", "R2")):
        more = draft.with_new_part(kind)  # type: ignore[arg-type]
        row = more.rows[3]
        assert (row.name, row.kind, row.start, row.end) == (name, kind, "in", "0")
        assert len(network_of_draft(more).parts) == 4
        assert more.without(3) == draft
    assert draft.with_new_driver(("woofer", "mid")).rows[-1].name == "mid"
    assert draft.with_new_driver(("woofer",)).rows[-1].name == "driver1"


@pytest.mark.parametrize(
    ("place", "field", "text", "said"),
    [
        (0, "value", "much", "value of C1: 'much'"),
        (0, "value", "", "value of C1"),
        (2, "loss", "5 mH", "loss of L1"),
        (1, "loss", "0.1", "R1 is a resistor and has a loss"),
        (0, "name", "Q1", "'Q1' does not say what kind of part it is; begin its name with C for a capacitor"),
        (0, "name", "L1", "L1 is there twice"),
        (0, "name", "C 1", "'C 1' cannot name a part"),
        (0, "end", "nowhere", "node nowhere of C1 floats"),
        (0, "end", "", "'' cannot name a place that C1 joins"),
        (0, "end", "in", "both ends of C1 are at node in"),
        (3, "end", "a b", "'a b' cannot name a place that tweeter joins"),
    ],
)
def test_what_is_wrong_is_told_with_the_part(place: int, field: str, text: str, said: str) -> None:
    draft = Draft(PARTS)
    with pytest.raises(StillboxError) as error:
        network_of_draft(draft.with_row(place, draft.rows[place].with_field(field, text)))
    assert said in str(error.value) and "line" not in str(error.value)


@pytest.mark.parametrize("text", ["0", "much", "60", "-5"])
def test_a_tolerance_is_percent(text: str) -> None:
    with pytest.raises(StillboxError, match="no tolerance of C1"):
        tolerances_of_draft(Draft((PARTS[0].with_field("tolerance", text),)), {})
