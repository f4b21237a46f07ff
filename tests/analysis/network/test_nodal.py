"""Nodal analysis: against ngspice, against dense solutions, power, derivatives, resonances without loss."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray
from reference.ngspice_run import ngspice_there, run_netlist
from reference.random_networks import DrawnNetwork, random_network

from stillbox.analysis.network.bands import bands_of_draws, drawn_values
from stillbox.analysis.network.netlist import network_from_text
from stillbox.analysis.network.network import LOSS
from stillbox.analysis.network.nodal import Circuit, circuit_at
from stillbox.analysis.network.sensitivity import input_impedance_sensitivity, transfer_sensitivity
from stillbox.capture.errors import StillboxError

FREQUENCY_HZ = np.geomspace(15.0, 21_000.0, 37)
SEEDS = range(24)


def circuit_of(drawn: DrawnNetwork, frequency_hz: NDArray[np.float64] = FREQUENCY_HZ, **values: object) -> Circuit:
    network = network_from_text(drawn.netlist)
    drivers = {name: driver.impedance_ohm(frequency_hz) for name, driver in drawn.drivers.items()}
    return circuit_at(
        network, frequency_hz, drivers, {name.replace("_loss", LOSS): one for name, one in values.items()}
    )


@pytest.mark.skipif(not ngspice_there(), reason="ngspice is not installed")
@pytest.mark.parametrize("seed", SEEDS)
def test_the_same_as_a_circuit_simulator(seed: int) -> None:
    """Within 1e-9 of every single value, with polarity."""
    drawn = random_network(seed)
    names = tuple(drawn.drivers)
    frequency, current, *across = run_netlist(
        drawn.for_ngspice(), "dec 9 15 21000", ("current", *(f"d_{name}" for name in names))
    )
    circuit = circuit_of(drawn, frequency.real)
    assert np.abs(circuit.input_impedance_ohm * current - 1).max() < 1e-9
    for name, voltage in zip(names, across, strict=True):
        assert np.abs(circuit.transfer(name) / voltage - 1).max() < 1e-9


def with_more_digits(circuit: Circuit, drivers: dict[str, NDArray[np.complex128]], at: int) -> dict[str, complex]:
    """Node voltages for 1 V at the input at one of the frequencies: elimination with pivots in extended precision."""
    s = np.clongdouble(2j) * np.pi * np.longdouble(circuit.s_rad_s[at].imag / (2 * np.pi))
    nodes = list(circuit.network.inner_nodes)
    matrix = np.zeros((len(nodes), len(nodes) + 1), dtype=np.clongdouble)
    elements = [(place.nodes, np.clongdouble(drivers[place.name][at])) for place in circuit.network.drivers]
    for part in circuit.network.parts:
        value, loss = np.longdouble(part.value), np.longdouble(part.loss_ohm)
        z = {"resistor": value, "coil": loss + s * value, "capacitor": loss + 1 / (s * value)}[part.kind]
        elements.append((part.nodes, np.clongdouble(z)))
    for ends, z in elements:
        for one, other in (ends, ends[::-1]):
            if one in nodes:
                row = nodes.index(one)
                matrix[row, row] += 1 / z
                if other in nodes:
                    matrix[row, nodes.index(other)] -= 1 / z
                elif other == "in":
                    matrix[row, -1] += 1 / z
    for row in range(len(nodes)):
        best = row + int(np.argmax(np.abs(matrix[row:, row])))
        matrix[[row, best]] = matrix[[best, row]]
        matrix[row] /= matrix[row, row]
        for other in range(len(nodes)):
            if other != row:
                matrix[other] -= matrix[other, row] * matrix[row]
    return dict(zip(nodes, matrix[:, -1], strict=True)) | {"in": 1.0, "0": 0.0}


@pytest.mark.skipif(np.finfo(np.longdouble).eps > 1e-18, reason="this system has no extended precision")
@pytest.mark.parametrize("seed", [1057, 1189, 1196, 182])
def test_weak_voltages_keep_their_digits(seed: int) -> None:
    """Drivers that get 1e-6 V of 1 V, as the difference of two nodes: there a simulator is 1e-9 and more off."""
    drawn = random_network(seed)
    drivers = {name: driver.impedance_ohm(FREQUENCY_HZ) for name, driver in drawn.drivers.items()}
    circuit = circuit_of(drawn)
    weakest = 1.0
    for at in range(0, FREQUENCY_HZ.size, 6):
        voltages = with_more_digits(circuit, drivers, at)
        for place in circuit.network.drivers:
            truth = voltages[place.positive] - voltages[place.negative]
            found = circuit.transfer(place.name)[at]
            assert abs(complex(found - truth)) < 1e-9 * abs(truth)
            weakest = min(weakest, float(abs(truth)))
    assert weakest < 5e-4


def test_polarity_turns_the_sign_and_nothing_else() -> None:
    drawn = random_network(3)
    name, (one, other) = next(iter(drawn.nodes.items()))
    turned = DrawnNetwork(
        tuple(line.replace(f"X{name} {one} {other} ", f"X{name} {other} {one} ") for line in drawn.lines),
        drawn.drivers,
        drawn.nodes,
    )
    assert turned.lines != drawn.lines
    before, after = circuit_of(drawn), circuit_of(turned)
    assert np.allclose(after.transfer(name), -before.transfer(name), rtol=1e-13, atol=0)
    assert np.allclose(after.input_impedance_ohm, before.input_impedance_ohm, rtol=1e-13, atol=0)


@pytest.mark.parametrize("seed", SEEDS)
def test_all_power_goes_into_resistors_and_drivers(seed: int) -> None:
    """What enters at the terminals is what gets warm, losses and drivers together."""
    drawn = random_network(seed)
    circuit = circuit_of(drawn)
    volts = 2.83
    entering = (volts**2 / circuit.input_impedance_ohm).real
    warm = sum(circuit.resistor_watts(volts).values())
    for name, driver in drawn.drivers.items():
        impedance = driver.impedance_ohm(FREQUENCY_HZ)
        warm = warm + np.abs(circuit.transfer(name) * volts / impedance) ** 2 * impedance.real
    assert np.allclose(warm, entering, rtol=1e-9, atol=0)


def test_resistors_and_losses_go_by_their_names() -> None:
    text = "* t\nR1 in a 2\nC1 a b 10u\nRC1 b w 0.1\nXwoofer w 0 W\n"
    circuit = circuit_at(network_from_text(text), np.array([1000.0]), {"woofer": np.array([6.0 + 0j])})
    z = 8.1 + 1 / (2j * np.pi * 1000 * 10e-6)
    currents = circuit.resistor_currents()
    assert set(currents) == {"R1", "RC1"}
    assert np.allclose([currents["R1"], currents["RC1"]], 1 / z, rtol=1e-13)
    assert np.allclose(circuit.resistor_watts(4.0)["RC1"], 0.1 * 16 / abs(z) ** 2, rtol=1e-13)
    assert np.allclose(circuit.transfer("woofer"), 6 / z, rtol=1e-13)


def names_and_values(circuit: Circuit) -> list[tuple[str, float]]:
    """Also losses that the netlist has not."""
    found = []
    for part in circuit.network.parts:
        found.append((part.name, part.value))
        if part.kind != "resistor":
            found.append((part.name + LOSS, part.loss_ohm))
    return found


@pytest.mark.parametrize("seed", range(8))
def test_derivatives_are_those_of_differences(seed: int) -> None:
    drawn = random_network(seed)
    circuit = circuit_of(drawn)
    drivers = {name: driver.impedance_ohm(FREQUENCY_HZ) for name, driver in drawn.drivers.items()}
    exact = {None: input_impedance_sensitivity(circuit)} | {
        name: transfer_sensitivity(circuit, name) for name in drivers
    }

    def quantity(one: Circuit, of: str | None) -> NDArray[np.complex128]:
        return one.input_impedance_ohm if of is None else one.transfer(of)

    for name, value in names_and_values(circuit):
        step = 5e-4 * (value or 1.0)
        # Five points: what they leave is of the fourth order in the step; rounding limits all differences.
        moved = [circuit_at(circuit.network, FREQUENCY_HZ, drivers, {name: value + k * step}) for k in (-2, -1, 1, 2)]
        for of, sensitivity in exact.items():
            far_low, low, high, far_high = (quantity(one, of) for one in moved)
            difference = (far_low - 8 * low + 8 * high - far_high) / (12 * step)
            error = np.abs(difference - sensitivity.by_value[name]).max()
            rounding = 1e-14 * np.abs(quantity(circuit, of)).max() / step
            assert error < 1e-7 * np.abs(sensitivity.by_value[name]).max() + rounding, (name, of)
    for name in drivers:
        high, low = (
            circuit_at(circuit.network, FREQUENCY_HZ, drivers | {name: drivers[name] + sign * 1e-4}) for sign in (1, -1)
        )
        for of, sensitivity in exact.items():
            difference = (quantity(high, of) - quantity(low, of)) / 2e-4
            error = np.abs(difference - sensitivity.by_driver[name]).max()
            assert error < 1e-6 * np.abs(sensitivity.by_driver[name]).max(), (name, of)


def test_draws_are_as_one_after_the_other() -> None:
    drawn = random_network(11, inner_nodes=6)
    network = network_from_text(drawn.netlist)
    drivers = {name: driver.impedance_ohm(FREQUENCY_HZ) for name, driver in drawn.drivers.items()}
    values = drawn_values(network, {name: 20 for name, _ in network.values()}, 5, np.random.default_rng(2))
    together = circuit_at(network, FREQUENCY_HZ, drivers, values)
    assert together.input_impedance_ohm.shape == (5, FREQUENCY_HZ.size)
    for draw in range(5):
        alone = circuit_at(network, FREQUENCY_HZ, drivers, {name: value[draw] for name, value in values.items()})
        assert np.allclose(together.input_impedance_ohm[draw], alone.input_impedance_ohm, rtol=1e-12, atol=0)
        for name in drivers:
            assert np.allclose(together.transfer(name)[draw], alone.transfer(name), rtol=1e-12, atol=0)


@pytest.mark.parametrize("seed", range(7, 13))
def test_bands_are_percentiles_of_the_draws(seed: int) -> None:
    """In single precision: what is left of a voltage far below that at the terminals has fewer digits."""
    drawn = random_network(seed, inner_nodes=5)
    network = network_from_text(drawn.netlist)
    drivers = {name: driver.impedance_ohm(FREQUENCY_HZ) for name, driver in drawn.drivers.items()}
    values = drawn_values(network, {name: 10 for name, _ in network.values()}, 1001, np.random.default_rng(3))
    bands = bands_of_draws(network, FREQUENCY_HZ, drivers, values, (0, 2.5, 50, 100))
    whole = circuit_at(network, FREQUENCY_HZ, drivers, values)
    for name in drivers:
        # Between two draws percentiles lie on a line, of powers here as there.
        power = np.percentile(np.abs(whole.transfer(name)) ** 2, (0, 2.5, 50, 100), axis=0)
        assert np.allclose(10 ** (bands.level_db[name] / 20), np.sqrt(power), rtol=1e-5, atol=3e-6)
    power = np.percentile(np.abs(whole.input_impedance_ohm) ** -2, (100, 97.5, 50, 0), axis=0)
    assert np.allclose(bands.input_magnitude_ohm, 1 / np.sqrt(power), rtol=1e-5)


def test_drawn_values_fill_their_tolerance_evenly() -> None:
    network = network_from_text("* t\nL1 in a 1m\nRL1 a b 0.5\nXwoofer b 0 W\n")
    values = drawn_values(network, {"l1": 10, "L1.loss": 4}, 20_000, np.random.default_rng(4))
    assert set(values) == {"L1", "L1.loss"}
    for name, planned, percent in (("L1", 1e-3, 0.1), ("L1.loss", 0.5, 0.04)):
        moved = values[name] / planned - 1
        assert np.abs(moved).max() <= percent
        assert np.std(moved) == pytest.approx(percent / np.sqrt(3), rel=0.02)


def resonance_hz(inductance_h: float, capacitance_f: float) -> float:
    return 1 / (2 * np.pi * np.sqrt(inductance_h * capacitance_f))


SHUNT = "* C1 and L1 cancel at node a\nC1 in a 10u\nL1 a 0 1m\nC2 a t 20u\nXtweeter t 0 T\n"
SERIES = "* L1 and C1 cancel at node a\nC1 in a 10u\nL1 a t 1m\nR1 in t 20\nXtweeter t 0 T\n"


def by_hand(text: str, s: complex, driver: complex, c1: float = 10e-6) -> tuple[complex, complex]:
    """Input impedance and transfer, by impedances in series and side by side."""
    if text == SERIES:
        way = 1 / (1 / 20 + 1 / (1 / (s * c1) + s * 1e-3)) if 1 / (s * c1) + s * 1e-3 else 0
        return way + driver, driver / (way + driver)
    right = 1 / (s * 20e-6) + driver
    shunt = s * 1e-3 * right / (s * 1e-3 + right)
    z = 1 / (s * c1) + shunt
    return z, shunt / z * driver / right


@pytest.mark.parametrize("text", [SHUNT, SERIES])
@pytest.mark.parametrize("off", [0.0, 1e-15, 1e-12, 1e-9, 1e-6, 1e-3, 0.1])
def test_a_node_that_resonates_without_loss_costs_no_digits(text: str, off: float) -> None:
    """What comes out of a sum next to 0 there, comes out without it too."""
    frequency_hz = resonance_hz(1e-3, 10e-6) * (1 + off)
    driver = 6.0 + 0.2j
    network = network_from_text(text)

    def with_driver(impedance: complex) -> Circuit:
        return circuit_at(network, np.array([frequency_hz]), {"tweeter": np.array([impedance])})

    circuit = with_driver(driver)
    z, transfer = by_hand(text, 2j * np.pi * frequency_hz, driver)
    assert circuit.input_impedance_ohm[0] == pytest.approx(z, rel=1e-12)
    assert circuit.transfer("tweeter")[0] == pytest.approx(transfer, rel=1e-12)
    high, low = (with_driver(driver + step).transfer("tweeter")[0] for step in (1e-4, -1e-4))
    slope = transfer_sensitivity(circuit, "tweeter").by_driver["tweeter"][0]
    assert slope == pytest.approx((high - low) / 2e-4, rel=1e-6, abs=1e-11)


def test_weak_points_among_draws_are_put_right_alone() -> None:
    """C1, C2 and L1 cancel at node a, which is taken out first; the right voltages come from the whole matrix."""
    text = "* t\nC1 in a 10u\nL1 a 0 1m\nC2 a t 20u\nR1 in t 10\nL2 t b 1m\nR2 in b 20\nC3 b 0 5u\nXtweeter t 0 T\n"
    frequency_hz = np.array([500.0, resonance_hz(1e-3, 30e-6), 3000.0])
    c1 = np.array([9e-6, 10e-6, 11e-6])
    driver = 6.0 + 0.1j
    circuit = circuit_at(network_from_text(text), frequency_hz, {"tweeter": np.full(3, driver)}, {"C1": c1})
    assert np.argwhere(circuit.taken_apart.weak).tolist() == [[1, 1]]
    for draw, column in itertools.product(range(3), range(3)):
        s = 2j * np.pi * frequency_hz[column]
        y1, y2, y3, yl = s * c1[draw], s * 20e-6, s * 5e-6, 1 / (s * 1e-3)
        matrix = np.array(
            [
                [y1 + y2 + yl, -y2, 0],
                [-y2, y2 + 0.1 + yl + 1 / driver, -yl],
                [0, -yl, yl + 0.05 + y3],
            ]
        )
        a, t, b = np.linalg.solve(matrix, [y1, 0.1, 0.05])
        current = y1 * (1 - a) + 0.1 * (1 - t) + 0.05 * (1 - b)
        found = circuit.input_impedance_ohm[draw, column], circuit.transfer("tweeter")[draw, column]
        assert found == pytest.approx((1 / current, t), rel=1e-11)


def test_a_trap_without_loss_across_the_terminals_is_told() -> None:
    """At its resonance the current would be infinite."""
    network = network_from_text("* trap\nL1 in a 1m\nC1 a 0 1m\nR1 in 0 8\nXwoofer in 0 W\n")
    s = 2j * np.pi * np.array([1000.0])
    c1 = float(1 / (s.imag**2 * 1e-3)[0])
    near = [c1 * (1 + k * 2.0**-52) for k in range(-4, 5)]
    exact = [one for one in near if s.imag[0] * 1e-3 - (1 / one) / s.imag[0] == 0]
    assert exact
    with pytest.raises(StillboxError, match=r"without any loss.*RL1"):
        circuit_at(network, np.array([1000.0]), {"woofer": np.array([8 + 0j])}, {"C1": exact[0]}).taken_apart  # noqa: B018


def test_an_absent_part_leaves_what_hangs_on_it_alone() -> None:
    text = "* t\nC1 in a 10u\nC2 a t 10u\nR1 a t 5\nXtweeter t 0 T\nXwoofer in 0 W\n"
    drivers = {"tweeter": np.full(3, 4.0 + 0j), "woofer": np.full(3, 8.0 + 0j)}
    circuit = circuit_at(network_from_text(text), np.array([100.0, 1e3, 1e4]), drivers, {"C1": 0.0})
    assert np.allclose(circuit.input_impedance_ohm, 8, rtol=1e-12)
    assert np.abs(circuit.transfer("tweeter")).max() < 1e-12


@pytest.mark.parametrize(
    ("frequency_hz", "drivers", "values", "said"),
    [
        ([0.0], {"woofer": [8]}, {}, "above 0 Hz"),
        ([np.nan], {"woofer": [8]}, {}, "above 0 Hz"),
        ([], {"woofer": []}, {}, "above 0 Hz"),
        ([100.0], {}, {}, "driver 'woofer' is not known"),
        ([100.0], {"woofer": [8]}, {"C1": 1e-6}, "no part 'C1'; its parts are L1"),
        ([100.0], {"woofer": [8]}, {"R1.loss": 1}, "no part 'R1.loss'"),
    ],
)
def test_what_cannot_be_is_told(
    frequency_hz: list[float], drivers: dict[str, list[complex]], values: dict[str, float], said: str
) -> None:
    network = network_from_text("* t\nL1 in w 1m\nR1 w 0 20\nXwoofer w 0 W\n")
    with pytest.raises(StillboxError, match=said):
        circuit_at(
            network,
            np.array(frequency_hz),
            {name: np.array(one, dtype=complex) for name, one in drivers.items()},
            values,
        )
