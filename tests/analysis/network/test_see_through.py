"""A driver's impedance from that at the terminals: what was put in comes out, with the doubts of all else."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from reference.random_networks import random_network

from stillbox.analysis.network.netlist import network_from_text
from stillbox.analysis.network.network import LOSS, Network
from stillbox.analysis.network.nodal import circuit_at
from stillbox.analysis.network.see_through import SeenThrough, see_through

FREQUENCY_HZ = np.geomspace(20.0, 10_000.0, 41)
VISIBLE = 0.05
"""Share of the terminals' current from which on digits are asked for."""


def drawn(seed: int) -> tuple[Network, dict[str, NDArray[np.complex128]], NDArray[np.complex128]]:
    """Network, impedances of its drivers, impedance at the terminals."""
    made = random_network(seed)
    network = network_from_text(made.netlist)
    drivers = {name: driver.impedance_ohm(FREQUENCY_HZ) for name, driver in made.drivers.items()}
    return network, drivers, circuit_at(network, FREQUENCY_HZ, drivers).input_impedance_ohm


@pytest.mark.parametrize("seed", range(30))
def test_what_was_put_in_comes_out(seed: int) -> None:
    network, drivers, terminals = drawn(seed)
    for name in drivers:
        others = {other: one for other, one in drivers.items() if other != name}
        seen = see_through(network, FREQUENCY_HZ, terminals, name, others)
        # How much rounding at the terminals becomes behind the network is told by the derivative itself.
        error = np.abs(seen.impedance_ohm - drivers[name])
        assert (error < 1e-12 * (np.abs(seen.by_terminals * terminals) + np.abs(drivers[name]))).all()
        assert np.allclose(seen.by_terminals, 1 / seen.share**2 * np.exp(1j * np.angle(seen.by_terminals)), rtol=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_derivatives_are_those_of_differences(seed: int) -> None:
    network, drivers, terminals = drawn(seed)
    name = next(iter(drivers))
    others = {other: one for other, one in drivers.items() if other != name}

    def seen_with(values: dict[str, float] | None = None, **moved: NDArray[np.complex128]) -> SeenThrough:
        at_terminals = moved.pop("terminals", terminals)
        return see_through(network, FREQUENCY_HZ, at_terminals, name, others | moved, values)

    seen = seen_with()
    clear = seen.share > VISIBLE
    size = np.abs(seen.impedance_ohm)
    own = {part.name: part.value for part in network.parts}
    own |= {part.name + LOSS: part.loss_ohm for part in network.parts if part.kind != "resistor"}
    for value_name, value in own.items():
        step = 1e-5 * (value or 1.0)
        high, low = (seen_with({value_name: value + sign * step}).impedance_ohm for sign in (1, -1))
        error = np.abs((high - low) / (2 * step) - seen.by_others.by_value[value_name])
        scale = np.abs(seen.by_others.by_value[value_name]) + 1e-4 * size / step
        assert (error < 1e-5 * scale)[clear].all(), value_name
    for other, impedance in others.items():
        high, low = (seen_with(**{other: impedance + sign * 1e-4}).impedance_ohm for sign in (1, -1))
        error = np.abs((high - low) / 2e-4 - seen.by_others.by_driver[other])
        assert (error < 1e-5 * (np.abs(seen.by_others.by_driver[other]) + 1.0))[clear].all()
    high, low = (seen_with(terminals=terminals * (1 + sign * 1e-6)).impedance_ohm for sign in (1, -1))
    error = np.abs((high - low) / (2e-6 * terminals) - seen.by_terminals)
    assert (error < 1e-4 * np.abs(seen.by_terminals))[clear].all()


def test_parts_in_doubt_move_all_frequencies_together() -> None:
    """The spread over draws of the parts is what the derivatives say, as one change of all points."""
    text = "* two-way\nL2 in w1 1.5m\nRL2 w1 w 0.4\nC2 w 0 12u\nXwoofer w 0 W\nC1 in t 6.8u\nXtweeter 0 t T\n"
    network = network_from_text(text)
    drivers = {
        "woofer": 6.0 + 2j * np.pi * FREQUENCY_HZ * 8e-4 + 30 / (1 + 5j * (FREQUENCY_HZ / 40 - 40 / FREQUENCY_HZ)),
        "tweeter": 5.5 + 2j * np.pi * FREQUENCY_HZ * 5e-5,
    }
    terminals = circuit_at(network, FREQUENCY_HZ, drivers).input_impedance_ohm
    rng = np.random.default_rng(5)
    planned = dict(network.values())
    moved = {name: value * (1 + 1e-3 * rng.standard_normal(4000)) for name, value in planned.items()}
    tweeter = {"tweeter": drivers["tweeter"]}
    spread = see_through(network, FREQUENCY_HZ, terminals, "woofer", tweeter, moved).impedance_ohm
    assert spread.shape == (4000, FREQUENCY_HZ.size)
    seen = see_through(network, FREQUENCY_HZ, terminals, "woofer", tweeter)
    slopes = np.stack([1e-3 * value * seen.by_others.by_value[name] for name, value in planned.items()])
    expected = slopes.T @ slopes.conj()
    found = np.cov(spread.T)
    clear = seen.share > 0.3
    correlation = expected / np.sqrt(np.outer(np.diag(expected).real, np.diag(expected).real))
    assert clear.sum() > 20
    assert np.allclose(np.sqrt(np.diag(found).real)[clear], np.sqrt(np.diag(expected).real)[clear], rtol=0.06)
    of_draws = found / np.sqrt(np.outer(np.diag(found).real, np.diag(found).real))
    # `np.cov` conjugates the other one.
    assert np.allclose(of_draws[np.ix_(clear, clear)], correlation[np.ix_(clear, clear)], atol=0.06)
