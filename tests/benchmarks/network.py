"""Networks and parts: how exact and how fast.

Nodal analysis against a circuit simulator and against batched general solutions; combinations of parts against trying
them all.
"""

from __future__ import annotations

import os
import statistics
import time
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray
from reference.ngspice_run import ngspice_there, run_netlist
from reference.random_networks import DrawnNetwork, random_network
from table import Row, at_most

from stillbox.analysis.network.bands import bands_of_draws, drawn_values
from stillbox.analysis.network.netlist import network_from_text
from stillbox.analysis.network.network import GROUND, INPUT, LOSS, Network
from stillbox.analysis.network.nodal import circuit_at
from stillbox.analysis.parts.combine import combinations
from stillbox.analysis.parts.drawer import DrawerPart

DRAWS, FREQUENCIES = 2000, 200
MILLISECONDS_BAR = 150.0
EXACT_BAR = 1e-9
LEAST_TRANSFER = 1e-4
"""80 dB below the terminals the simulator's own difference of two node voltages has lost its digits: with more of them
it is the one that is off (`test_weak_voltages_keep_their_digits` in tests/analysis/network/test_nodal.py)."""
INNER_NODES = 8
SEEDS = (1, 2, 3)


def rows(quick: bool = False) -> list[Row]:
    """Against ngspice, and the time for all draws."""
    return [*_exact_rows(40 if quick else 200), *_time_rows(5 if quick else 15), _combine_row(3 if quick else 7)]


def _exact_rows(networks: int) -> list[Row]:
    if not ngspice_there():
        return [Row("nodal analysis against ngspice", f"<= {EXACT_BAR:g}", "ngspice is not installed", "", False)]
    worst = max(_error(random_network(1000 + seed)) for seed in range(networks))
    what = f"nodal analysis against ngspice, {networks} networks of up to 8 inner nodes: largest relative error"
    return [at_most(what, worst, EXACT_BAR, "{:.1e}")]


def _error(drawn: DrawnNetwork) -> float:
    names = tuple(drawn.drivers)
    wanted = ("current", *(f"d_{name}" for name in names))
    frequency, current, *across = run_netlist(drawn.for_ngspice(), "dec 9 15 21000", wanted)
    drivers = {name: driver.impedance_ohm(frequency.real) for name, driver in drawn.drivers.items()}
    circuit = circuit_at(network_from_text(drawn.netlist), frequency.real, drivers)
    errors = [np.abs(circuit.input_impedance_ohm * current - 1).max()]
    for name, voltage in zip(names, across, strict=True):
        there = np.abs(voltage) > LEAST_TRANSFER
        errors.append(np.abs(circuit.transfer(name) / voltage - 1)[there].max(initial=0.0))
    return float(max(errors))


def _time_rows(rounds: int) -> list[Row]:
    found = []
    for seed in SEEDS:
        drawn = random_network(seed, INNER_NODES)
        network = network_from_text(drawn.netlist)
        frequency_hz = np.geomspace(20.0, 20_000.0, FREQUENCIES)
        drivers = {name: driver.impedance_ohm(frequency_hz) for name, driver in drawn.drivers.items()}
        values = drawn_values(network, {name: 5.0 for name, _ in network.values()}, DRAWS, np.random.default_rng(seed))

        given = (network, frequency_hz, drivers, values)
        ours_ms, ours_processor_ms = _milliseconds(lambda given=given: bands_of_draws(*given), rounds)
        theirs_ms, _ = _milliseconds(lambda given=given: solved_in_batches(*given), 1 if rounds < 10 else 3)
        elements = len(network.parts) + len(network.drivers)
        what = (
            f"{DRAWS} draws x {FREQUENCIES} frequencies with bands, {INNER_NODES} inner nodes, {elements} elements, "
            f"{len(drivers)} drivers"
        )
        measured = (
            f"{ours_ms:.0f} ms (processor {ours_processor_ms:.0f} ms, load of the machine {os.getloadavg()[0]:.1f})"
        )
        rival = f"numpy.linalg.solve in batches, without bands: {theirs_ms:.0f} ms (they agree to {_same(*given):.0e})"
        found.append(Row(what, f"<= {MILLISECONDS_BAR:.0f} ms", measured, rival, ours_ms <= MILLISECONDS_BAR))
    return found


PARTS = 300
COMBINE_BAR_S = 1.0


def _combine_row(rounds: int) -> Row:
    """The ten nearest of all that can be made of three out of 300 parts, each there once."""
    rng = np.random.default_rng(5)
    values = np.exp(rng.uniform(np.log(0.1e-6), np.log(100e-6), PARTS))
    drawer = [DrawerPart(float(value), 1, 5.0, None, str(number)) for number, value in enumerate(values)]
    target = 12.7e-6
    ours = combinations(target, "capacitor", drawer)
    begin = time.perf_counter()
    theirs = _all_tried(target, values)
    theirs_s = time.perf_counter() - begin
    same = np.allclose([abs(one.error) for one in ours], theirs, rtol=1e-6, atol=1e-13)
    ours_ms, _ = _milliseconds(lambda: combinations(target, "capacitor", drawer), rounds)
    return Row(
        f"combinations of up to three out of {PARTS} parts, the ten nearest",
        f"<= {COMBINE_BAR_S:g} s",
        f"{1e-3 * ours_ms:.2f} s",
        f"all tried with numpy: {theirs_s:.1f} s ({'the same ten' if same else 'OTHERS'})",
        bool(same and ours_ms <= 1e3 * COMBINE_BAR_S),
    )


def _all_tried(target: float, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Smallest relative errors of all combinations of one, two and three different parts."""
    number = values.size
    one, other = np.triu_indices(number, 1)
    added = values[one] + values[other]
    bundled = 1 / (1 / values[one] + 1 / values[other])
    found = [values, added, bundled]
    for third in range(number):
        there = (one != third) & (other != third)
        first = there & (other < third)  # of what is joined one way only, each three once
        found.append(added[first] + values[third])
        found.append(1 / (1 / bundled[first] + 1 / values[third]))
        found.append(1 / (1 / added[there] + 1 / values[third]))
        found.append(bundled[there] + values[third])
        best = np.abs(np.concatenate(found) / target - 1)
        found = [target * (1 + np.sort(best)[:10])]
    return np.sort(np.abs(found[0] / target - 1))[:10]


def _milliseconds(work: Callable[[], object], rounds: int) -> tuple[float, float]:
    """Medians of the time on the clock and of that of the processor."""
    work()
    clock, processor = [], []
    for _ in range(rounds):
        begin, began = time.perf_counter(), time.process_time()
        work()
        clock.append(time.perf_counter() - begin)
        processor.append(time.process_time() - began)
    return 1e3 * statistics.median(clock), 1e3 * statistics.median(processor)


def solved_in_batches(
    network: Network,
    frequency_hz: NDArray[np.float64],
    drivers: Mapping[str, NDArray[np.complex128]],
    values: Mapping[str, NDArray[np.float64]],
    at_once: int = 10,
) -> NDArray[np.complex128]:
    """The rival: nodal equations with the frequency first, `numpy.linalg.solve` on stacks of them.

    Voltages of the inner nodes, shape (frequencies, draws, nodes).
    """
    nodes = {node: number for number, node in enumerate(network.inner_nodes)}
    found = []
    for first in range(0, frequency_hz.size, at_once):
        here = slice(first, first + at_once)
        s = 2j * np.pi * frequency_hz[here, None]
        elements = []
        for part in network.parts:
            value, loss = values[part.name], values.get(part.name + LOSS, part.loss_ohm)
            impedance = {"resistor": value, "coil": loss + s * value, "capacitor": loss + 1 / (s * value)}[part.kind]
            elements.append((part.nodes, 1 / impedance))
        elements += [(place.nodes, 1 / drivers[place.name][here, None]) for place in network.drivers]
        matrix = np.zeros((s.size, DRAWS, len(nodes), len(nodes)), dtype=complex)
        current = np.zeros((s.size, DRAWS, len(nodes)), dtype=complex)
        for (one, other), admittance in elements:
            for node, far in ((one, other), (other, one)):
                if node in (INPUT, GROUND):
                    continue
                matrix[..., nodes[node], nodes[node]] += admittance
                if far in nodes:
                    matrix[..., nodes[node], nodes[far]] -= admittance
                elif far == INPUT:
                    current[..., nodes[node]] += admittance
        found.append(np.linalg.solve(matrix, current[..., None])[..., 0])
    return np.concatenate(found)


def _same(
    network: Network,
    frequency_hz: NDArray[np.float64],
    drivers: Mapping[str, NDArray[np.complex128]],
    values: Mapping[str, NDArray[np.float64]],
) -> float:
    """Largest difference of a node voltage, re 1 V at the terminals, over a few of the frequencies."""
    few = slice(None, None, 20)
    some = {name: impedance[few] for name, impedance in drivers.items()}
    theirs = solved_in_batches(network, frequency_hz[few], some, values)
    ours = circuit_at(network, frequency_hz[few], some, values).voltages
    return float(
        max(
            np.abs(theirs[..., number].T - ours[node]).max()
            for number, node in enumerate(network.inner_nodes)
            if node in ours
        )
    )
