"""What differs between two networks: values and losses by name, places whatever nodes are called."""

from __future__ import annotations

from dataclasses import replace

import pytest
from reference.random_networks import random_network

from stillbox.analysis.network.changes import exchanged, with_values
from stillbox.analysis.network.differences import network_differences
from stillbox.analysis.network.netlist import network_from_text
from stillbox.analysis.network.network import GROUND, INPUT, Network

TEXT = """* two-way
C1 in a 6.8u
L1 a b 0.5m
RL1 b 0 0.2
R1 a t 2.2
L2 in w 1.5m
C2 w 0 12u
Xtweeter 0 t T
Xwoofer w 0 W
"""
NETWORK = network_from_text(TEXT)


def words(before: Network, after: Network) -> list[str]:
    return [one.words for one in network_differences(before, after)]


def renamed(network: Network) -> Network:
    """The same with other names of nodes, in another order."""

    def other(node: str) -> str:
        return node if node in (INPUT, GROUND) else f"z{node}"

    parts = tuple(replace(one, nodes=(other(one.nodes[0]), other(one.nodes[1]))) for one in network.parts)
    drivers = tuple(
        replace(one, positive=other(one.positive), negative=other(one.negative)) for one in network.drivers
    )
    return replace(network, parts=parts[::-1], drivers=drivers)


@pytest.mark.parametrize("seed", range(20))
def test_one_network_with_other_names_of_nodes_is_the_same(seed: int) -> None:
    network = network_from_text(random_network(seed).netlist)
    assert words(network, renamed(network)) == []
    name = network.parts[seed % len(network.parts)].name
    changed = with_values(network, {name: network.part(name).value * 1.3})
    (one,) = network_differences(network, renamed(changed))
    assert (one.name, one.what) == (name, "value")
    assert one.before is not None and one.after == pytest.approx(1.3 * one.before)


def test_values_and_losses_are_told_in_the_units_of_the_trade() -> None:
    after = with_values(NETWORK, {"C1": 8.2e-6, "L1.loss": 0.4, "R1": 1000.0, "L2.loss": 0.1})
    assert words(NETWORK, after) == [
        "C1 6.8 → 8.2 µF",
        "L1's loss 0.2 → 0.4 ohm",
        "R1 2.2 ohm → 1 kohm",
        "L2's loss none → 0.1 ohm",
    ]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("Xtweeter 0 t T", "Xtweeter t 0 T", ["tweeter has the other polarity"]),
        ("C2 w 0 12u\n", "", ["C2 removed"]),
        ("R1 a t 2.2\n", "R1 a t 2.2\nR2 t 0 8.2\n", ["R2 (8.2 ohm) added"]),
        ("C2 w 0 12u", "C2 t 0 12u", ["C2 sits elsewhere: between t and 0"]),
        ("C1 in a 6.8u", "c1 IN a 0.0068m", []),
    ],
)
def test_places_and_parts_that_came_or_went(old: str, new: str, said: list[str]) -> None:
    assert words(NETWORK, network_from_text(TEXT.replace(old, new))) == said


def test_exchanged_parts_sit_elsewhere() -> None:
    found = network_differences(NETWORK, exchanged(NETWORK, "L1", "L2"))
    assert {one.name for one in found if one.what == "place"} == {"L1", "L2"}
