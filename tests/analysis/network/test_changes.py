"""Other values and faults: the same as parts of extreme values, and what is dead stays named and silent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reference.random_networks import random_network

from stillbox.analysis.network.changes import exchanged, opened, read_change, shorted, with_values
from stillbox.analysis.network.netlist import netlist_text, network_from_text
from stillbox.analysis.network.network import LOSS, Network
from stillbox.analysis.network.nodal import Circuit, circuit_at
from stillbox.analysis.network.sensitivity import input_impedance_sensitivity, transfer_sensitivity
from stillbox.capture.errors import StillboxError

FREQUENCY_HZ = np.geomspace(30.0, 15_000.0, 25)
TEXT = """* two-way
C1 in a 6.8u
L1 a b 0.5m
RL1 b 0 0.3
R1 a t 2.2
L2 in w 1.5m
C2 w 0 12u
R2 w 0 30
Xtweeter 0 t T
Xwoofer w 0 W
"""
NETWORK = network_from_text(TEXT)
DRIVERS = {
    "tweeter": 5.5 + 2j * np.pi * FREQUENCY_HZ * 5e-5,
    "woofer": 6.0 + 2j * np.pi * FREQUENCY_HZ * 8e-4,
}


def circuit(network: Network, **values: float) -> Circuit:
    return circuit_at(
        network, FREQUENCY_HZ, DRIVERS, {name.replace("_loss", LOSS): one for name, one in values.items()}
    )


def alike(one: Circuit, other: Circuit, tolerance: float) -> None:
    assert np.allclose(one.taken_apart.input_admittance, other.taken_apart.input_admittance, rtol=tolerance, atol=1e-12)
    for name in DRIVERS:
        assert np.allclose(one.transfer(name), other.transfer(name), rtol=tolerance, atol=1e-8)


@pytest.mark.parametrize(
    ("name", "extreme"),
    [("C1", {"C1": 1e-20}), ("L1", {"L1": 1e9}), ("R1", {"R1": 1e14}), ("L2", {"L2": 1e9}), ("C2", {"C2": 0.0})],
)
def test_an_open_part_is_one_of_no_admittance(name: str, extreme: dict[str, float]) -> None:
    alike(circuit(opened(NETWORK, name)), circuit(NETWORK, **extreme), 1e-8)


@pytest.mark.parametrize(
    ("name", "extreme"),
    [("C1", {"C1": 1e6}), ("L1", {"L1": 1e-16, "L1_loss": 1e-12}), ("R1", {"R1": 1e-11}), ("L2", {"L2": 1e-15})],
)
def test_a_shorted_part_is_one_of_no_impedance(name: str, extreme: dict[str, float]) -> None:
    alike(circuit(shorted(NETWORK, name)), circuit(NETWORK, **extreme), 1e-7)


def test_a_driver_that_is_not_connected() -> None:
    found = circuit(opened(NETWORK, "Tweeter"))
    far = circuit_at(NETWORK, FREQUENCY_HZ, DRIVERS | {"tweeter": np.full(FREQUENCY_HZ.size, 1e14 + 0j)})
    assert np.allclose(found.input_impedance_ohm, far.input_impedance_ohm, rtol=1e-9)
    assert not found.transfer("tweeter").any()
    assert np.allclose(found.transfer("woofer"), far.transfer("woofer"), rtol=1e-9)


def test_what_hangs_on_an_open_part_is_silent_too() -> None:
    network = opened(NETWORK, "C1")
    found = circuit(network)
    assert [part.name for part in network.parts if part.nodes == ("0", "0")] == ["C1", "L1", "R1"]
    assert not found.transfer("tweeter").any() and found.transfer("woofer").any()
    assert not found.resistor_watts(2.83)["R1"].any()
    slopes = input_impedance_sensitivity(found).by_value
    assert not slopes["C1"].any() and not slopes["L1.loss"].any() and slopes["L2"].any()
    assert not any(one.any() for one in transfer_sensitivity(found, "tweeter").by_value.values())
    written = netlist_text(network)
    assert [part.name for part in network_from_text(written).parts] == ["L2", "C2", "R2"]


def test_nothing_left_at_the_terminals() -> None:
    network = network_from_text("* t\nL1 in w 1m\nXwoofer w 0 W\n")
    found = circuit_at(opened(network, "L1"), FREQUENCY_HZ, DRIVERS)
    assert np.isinf(found.input_impedance_ohm.real).all() and not found.transfer("woofer").any()


def test_a_short_across_the_terminals_is_told() -> None:
    network = network_from_text("* t\nR1 in 0 100\nXwoofer in 0 W\n")
    for name in ("R1", "woofer"):
        with pytest.raises(StillboxError, match="shorts the speaker's terminals"):
            shorted(network, name)


@pytest.mark.parametrize(("one", "other"), [("C1", "c2"), ("L1", "L2"), ("R1", "C2")])
def test_exchanged_parts_take_each_others_place(one: str, other: str) -> None:
    found = exchanged(NETWORK, one, other)
    by_hand = {part.name: part for part in NETWORK.parts}
    first, second = NETWORK.part(one), NETWORK.part(other)
    by_hand[first.name] = replace(first, nodes=second.nodes)
    by_hand[second.name] = replace(second, nodes=first.nodes)
    assert {part.name: part for part in found.parts} == by_hand
    assert network_from_text(netlist_text(found)).parts == found.parts
    assert exchanged(found, other, one) == NETWORK


@pytest.mark.parametrize("seed", range(30))
def test_any_single_fault_can_be_solved(seed: int) -> None:
    drawn = random_network(seed)
    network = network_from_text(drawn.netlist)
    drivers = {name: driver.impedance_ohm(FREQUENCY_HZ) for name, driver in drawn.drivers.items()}
    before = circuit_at(network, FREQUENCY_HZ, drivers).input_impedance_ohm
    for element in (*network.parts, *network.drivers):
        for fault in (opened, shorted):
            try:
                changed = fault(network, element.name)
            except StillboxError:
                assert fault is shorted and set(element.nodes) == {"in", "0"}
                continue
            found = circuit_at(changed, FREQUENCY_HZ, drivers)
            assert not np.array_equal(found.input_impedance_ohm, before)
            assert not np.isnan(found.input_impedance_ohm).any()
            for name in drivers:
                assert np.isfinite(found.transfer(name)).all()


def test_other_values() -> None:
    changed = with_values(NETWORK, {"c1": 4.7e-6, "L1.loss": 0.5, "L2.LOSS": 0.25})
    assert dict(changed.values()) == dict(NETWORK.values()) | {"C1": 4.7e-6, "L1.loss": 0.5, "L2.loss": 0.25}
    assert network_from_text(netlist_text(changed)) == changed
    alike(circuit(changed), circuit(NETWORK, C1=4.7e-6, L1_loss=0.5, L2_loss=0.25), 1e-12)
    assert with_values(changed, {"L2.loss": 0.0}).part("L2") == NETWORK.part("L2")


@pytest.mark.parametrize(
    ("text", "name", "value"),
    [("C1=4u7", "C1", 4.7e-6), (" l2 = 1,2 mH ", "L2", 1.2e-3), ("L1.loss=0.2", "L1.loss", 0.2), ("r1=4R7", "R1", 4.7),
     ("L1.LOSS=0", "L1.loss", 0.0)],
)  # fmt: skip
def test_changes_as_they_are_written(text: str, name: str, value: float) -> None:
    assert read_change(NETWORK, text) == (name, pytest.approx(value, rel=1e-15))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("C1", "'C1' is no change of a part; write NAME=VALUE"),
        ("C9=1u", "the network has no part 'C9'; its parts are C1, L1"),
        ("R1.loss=1", "the network has no part 'R1.loss'"),
        ("C1=", "'': no value of a part"),
        ("C1=1mH", "is the value of a coil, not of a capacitor"),
    ],
)
def test_what_is_no_change_is_told(text: str, said: str) -> None:
    with pytest.raises(StillboxError) as raised:
        read_change(NETWORK, text)
    assert said in str(raised.value)


def test_values_out_of_reason_are_told() -> None:
    for name, value in (("C1", 4.7), ("C1", 0.0), ("L1", -1e-3), ("L1.loss", 1e9), ("R1", float("nan"))):
        with pytest.raises(StillboxError, match=f"{name} cannot be"):
            with_values(NETWORK, {name: value})
    taken = network_from_text("* t\nL1 in w 1m\nRL1 in w 50\nXwoofer w 0 W\n")
    with pytest.raises(StillboxError, match="the loss of L1 would be RL1, which is a part of its own"):
        with_values(taken, {"L1.loss": 0.3})
