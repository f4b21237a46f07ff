"""Networks of one-ports between nodes: nodal analysis over frequency, and the same by a circuit simulator.

``in`` and ``0`` are the terminals. ``solve`` eliminates one node after the other with all frequencies at once.
In a network of one-ports everything is reciprocal, so that dZin/dZb = (Ib/Iin)^2 (Tellegen): ``Solution.slope``.
"""

from __future__ import annotations

import subprocess
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from reference.wild_air import Complex, Real
from reference.wild_parts import OnePort, Table, element_lines

LEAKAGE_S = 1e-14
"""From every node to ground, so that a node on which an open part hangs has a voltage."""

SHORT_OHM = 0.002
"""A blob of solder."""


@dataclass(frozen=True)
class Branch:
    """A one-port between two nodes; ``open`` cuts it off."""

    name: str
    plus: str
    minus: str
    port: OnePort
    open: bool = False


@dataclass(frozen=True)
class Solution:
    """For 1 V at the terminals, over frequency.

    Attributes
    ----------
    impedance : ndarray, ohm
    voltages, currents : dict of ndarray
        Of the nodes; across is voltage of plus less that of minus, the current flows from plus to minus.
    across : dict of ndarray
        Voltage across each branch.
    """

    impedance: Complex
    voltages: dict[str, Complex]
    currents: dict[str, Complex]
    across: dict[str, Complex]

    def share(self, name: str) -> Complex:
        """Current of a branch over that at the terminals."""
        return self.currents[name] * self.impedance

    def slope(self, name: str) -> Complex:
        """d Zin / d Z of the branch."""
        return self.share(name) ** 2

    def watts(self, name: str) -> Real:
        """Power in a branch for 1 V rms at the terminals, W."""
        return (self.across[name] * self.currents[name].conj()).real


@dataclass(frozen=True)
class Network:
    branches: tuple[Branch, ...]

    def branch(self, name: str) -> Branch:
        return next(branch for branch in self.branches if branch.name == name)

    def without(self, name: str) -> Network:
        """The network with a branch taken out."""
        return Network(tuple(branch for branch in self.branches if branch.name != name))

    def opened(self, name: str) -> Network:
        return Network(tuple(replace(b, open=True) if b.name == name else b for b in self.branches))

    def impedances(self, omega: Real) -> Complex:
        """Of the branches, shape (branches, frequencies)."""
        return np.array([branch.port.impedance(omega) for branch in self.branches])

    def solve(self, omega: Real) -> Solution:
        return solve(self, self.impedances(omega))


def solve(network: Network, impedances: Complex) -> Solution:
    """Solution of a network whose branches have these impedances, shape (branches, frequencies)."""
    names = sorted({node for branch in network.branches for node in (branch.plus, branch.minus)} - {"in", "0"})
    place = {"in": 0, **{name: 1 + number for number, name in enumerate(names)}}
    size, points = len(place), impedances.shape[1]
    admittances = 1 / impedances
    matrix = np.zeros((size, size, points), complex)
    for row in range(size):
        matrix[row, row] = LEAKAGE_S
    for branch, flow in zip(network.branches, admittances, strict=True):
        if branch.open:
            flow *= 0
        ends = [place[node] for node in (branch.plus, branch.minus) if node != "0"]
        for end in ends:
            matrix[end, end] += flow
        if len(ends) == 2:
            matrix[ends[0], ends[1]] -= flow
            matrix[ends[1], ends[0]] -= flow
    volts = np.ones((size, points), complex)
    # from the last node to the first after the terminals, then back
    for pivot in range(size - 1, 0, -1):
        factors = matrix[:pivot, pivot] / matrix[pivot, pivot]
        matrix[:pivot, :pivot] -= factors[:, None] * matrix[pivot, :pivot]
    for row in range(1, size):
        volts[row] = -np.sum(matrix[row, :row] * volts[:row], axis=0) / matrix[row, row]
    voltages = {"0": np.zeros(points, complex), **{name: volts[index] for name, index in place.items()}}
    across = {b.name: voltages[b.plus] - voltages[b.minus] for b in network.branches}
    currents = {b.name: across[b.name] * flow for b, flow in zip(network.branches, admittances, strict=True)}
    return Solution(1 / matrix[0, 0], voltages, currents, across)


def by_simulator(network: Network, hz: Real) -> dict[str, Complex]:
    """Impedance at the terminals (key ``in``) and transfer to each node by ngspice.

    Tables are a resistor and an inductor (of either sign), altered before each frequency.
    """
    lines, tables = ["* crossover with its drivers", "i0 0 in ac 1"], {}
    nodes = {"in": None}
    for branch in network.branches:
        nodes |= {node: None for node in (branch.plus, branch.minus) if node != "0"}
        if not branch.open:
            lines += element_lines(branch.port, branch.plus, branch.minus, branch.name.lower(), tables)
    lines += [f"rleak{number} {node} 0 {1 / LEAKAGE_S!r}" for number, node in enumerate(nodes)]
    omega = 2 * np.pi * hz
    values = {name: _table_values(table, omega) for name, table in tables.items()}
    control = [".control", "set numdgt=16", "set wr_singlescale", "option gmin=1e-18 abstol=1e-18"]
    outputs = []
    for number, frequency in enumerate(hz):
        for name, (ohm, henry) in values.items():
            control += [f"alter r{name} = {ohm[number]!r}", f"alter l{name} = {henry[number]!r}"]
        control += [f"ac lin 1 {float(frequency)!r} {float(frequency)!r}",
                    f"wrdata z{number} {' '.join(f'v({node})' for node in nodes)}", "destroy all"]  # fmt: skip
        outputs.append(f"z{number}")
    with tempfile.TemporaryDirectory() as folder:
        text = "\n".join([*lines, *control, "quit", ".endc", ".end", ""])
        (Path(folder) / "network.cir").write_text(text, encoding="ascii")
        done = subprocess.run(
            ["ngspice", "-b", "network.cir"], cwd=folder, capture_output=True, text=True, timeout=120, check=False
        )
        if not (Path(folder) / outputs[-1]).exists():
            raise RuntimeError(f"ngspice gave no result:\n{done.stdout}\n{done.stderr}\n{text[:4000]}")
        rows = np.array([np.loadtxt(Path(folder) / name) for name in outputs])
    found = {node: rows[:, 1 + 2 * n] + 1j * rows[:, 2 + 2 * n] for n, node in enumerate(nodes)}
    return {node: value if node == "in" else value / found["in"] for node, value in found.items()}


def _table_values(table: Table, omega: Real) -> tuple[list[float], list[float]]:
    ohm = table.impedance(omega)
    return ohm.real.tolist(), (ohm.imag / omega).tolist()
