"""A cable before a network: its impedance is added, its share of the voltage taken off, whatever hangs behind."""

from __future__ import annotations

import numpy as np
import pytest
from reference.random_networks import random_network

from stillbox.analysis.network.cable import read_cable, with_cable
from stillbox.analysis.network.netlist import netlist_text, network_from_text
from stillbox.analysis.network.nodal import circuit_at
from stillbox.capture.errors import StillboxError

HZ = np.geomspace(30.0, 15_000.0, 25)


@pytest.mark.parametrize("text", ["0.3", "300 mohm", "5m,1.5mm2", "5 m x 1,5 mm2", "5m awg16", "2m;1.4mm"])
@pytest.mark.parametrize("seed", range(3))
def test_all_drivers_get_less_by_its_share(text: str, seed: int) -> None:
    drawn = random_network(seed)
    network, cable = network_from_text(drawn.netlist), read_cable(text)
    drivers = {name: driver.impedance_ohm(HZ) for name, driver in drawn.drivers.items()}
    behind = with_cable(network, cable)
    before, after = circuit_at(network, HZ, drivers), circuit_at(behind, HZ, drivers)
    own = cable.resistance_ohm + 2j * np.pi * HZ * cable.inductance_h
    assert after.input_impedance_ohm == pytest.approx(before.input_impedance_ohm + own, rel=1e-9)
    share = before.input_impedance_ohm / (before.input_impedance_ohm + own)
    for name in drivers:
        assert after.transfer(name) == pytest.approx(before.transfer(name) * share, rel=1e-9, abs=1e-12)
    assert network_from_text(netlist_text(behind)).parts == behind.parts


def test_ohms_of_a_length() -> None:
    """Two wires of 5 m and 1.5 mm2: 10 m at 17.241 ohm mm2/km (IEC 60028, annealed copper)."""
    assert read_cable("5m,1.5mm2").resistance_ohm == pytest.approx(10 * 0.017241 / 1.5, rel=1e-3)
    assert read_cable("5m,1.5mm2").inductance_h == pytest.approx(3e-6)
    assert read_cable("0.25").inductance_h == 0


@pytest.mark.parametrize("text", ["", "long", "3m", "3m,", "3m,9kg", "5000m,1.5mm2", "-1", "200 ohm"])
def test_what_is_no_cable_is_told(text: str) -> None:
    with pytest.raises(StillboxError, match=r"cable|wire"):
        read_cable(text)


def test_a_name_that_is_taken_is_told() -> None:
    network = network_from_text("* t\nRcable in a 1\nXwoofer a 0 W\n")
    with pytest.raises(StillboxError, match="has a part 'Rcable' already"):
        with_cable(network, read_cable("0.1"))
