"""Crossovers of the practice rig: parts and drivers between nodes, computed by nodal analysis.

What the rig is made of must not come from the code that reads it: this is the plain way, by general solves.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError

INPUT, GROUND = "in", "0"
FILM_LOSS_FACTOR = 0.0005


@dataclass(frozen=True)
class PracticePart:
    """A part between two nodes; the first letter of its name is its kind: R, L or C.

    Attributes
    ----------
    value : float
        Ohm, H or F.
    loss_ohm : float
        DC resistance of a coil, series resistance of a capacitor.
    """

    name: str
    nodes: tuple[str, str]
    value: float
    loss_ohm: float = 0.0

    def impedance_ohm(self, frequency_hz: FloatArray) -> ComplexArray:
        """At frequencies above 0 Hz; a capacitor has the loss factor of film beside its series resistance."""
        s = np.asarray(2j * np.pi * frequency_hz, dtype=np.complex128)
        kind = self.name[0]
        if kind == "R":
            return np.full(s.shape, self.value, dtype=np.complex128)
        return self.loss_ohm + (s * self.value if kind == "L" else (1 + 1j * FILM_LOSS_FACTOR) / (s * self.value))


@dataclass(frozen=True)
class CoilPlace:
    """How one part of a network is seen from the speaker's terminals, arrays of shape (n,).

    Attributes
    ----------
    terminals_ohm : ndarray
        Impedance at the terminals.
    share : ndarray
        Current in the part for 1 A into the terminals; a voltage in series with it is seen there in the same share.
    within_siemens : ndarray
        Current in the part for 1 V in series with it, against that voltage, terminals open.
    """

    terminals_ohm: ComplexArray
    share: ComplexArray
    within_siemens: ComplexArray


@dataclass(frozen=True)
class PracticeNetwork:
    """Parts, and drivers by name with their nodes (positive, negative)."""

    parts: tuple[PracticePart, ...]
    drivers: Mapping[str, tuple[str, str]]

    def part(self, name: str) -> PracticePart:
        """The part of that name, capitals or not; StillboxError lists what there is."""
        for part in self.parts:
            if part.name.casefold() == name.casefold():
                return part
        names = ", ".join(part.name for part in self.parts)
        raise StillboxError(f"the practice rig's crossover has no part '{name}'", f"choose one of {names}")

    def with_values(self, **values: tuple[float, float]) -> PracticeNetwork:
        """Other values and losses of some parts, by name."""
        changed = {name: replace(self.part(name), value=one[0], loss_ohm=one[1]) for name, one in values.items()}
        return replace(self, parts=tuple(changed.get(part.name, part) for part in self.parts))

    def impedance_ohm(self, frequency_hz: FloatArray, drivers_ohm: Mapping[str, ComplexArray]) -> ComplexArray:
        """At the speaker's terminals, with the impedance of each driver, shape of ``frequency_hz``."""
        terminals = self._ends((INPUT, GROUND))
        return self._voltages(frequency_hz, drivers_ohm) @ terminals @ terminals

    def place_of(self, name: str, frequency_hz: FloatArray, drivers_ohm: Mapping[str, ComplexArray]) -> CoilPlace:
        """How the part ``name`` is seen from the terminals."""
        part = self.part(name)
        own, terminals = self._ends(part.nodes), self._ends((INPUT, GROUND))
        voltages = self._voltages(frequency_hz, drivers_ohm)
        admittance = 1 / part.impedance_ohm(frequency_hz)
        return CoilPlace(
            voltages @ terminals @ terminals,
            admittance * (voltages @ terminals @ own),
            admittance - admittance**2 * (voltages @ own @ own),
        )

    def netlist(self, title: str) -> str:
        """As a person writes it down: coils with their DC resistance, capacitors without."""
        lines = [f"* {title}"]
        for part in self.parts:
            first, second = part.nodes
            if part.name[0] == "L":
                lines.append(f"R{part.name} {first} {part.name.lower()} {part.loss_ohm:g}")
                first = part.name.lower()
            scale, unit = {"R": (1.0, ""), "L": (1e3, "m"), "C": (1e6, "u")}[part.name[0]]
            lines.append(f"{part.name} {first} {second} {part.value * scale:g}{unit}")
        lines += [f"X{name} {nodes[0]} {nodes[1]} {name}" for name, nodes in self.drivers.items()]
        return "\n".join([*lines, ".end", ""])

    def _ends(self, nodes: tuple[str, str]) -> FloatArray:
        """1 at the first node, -1 at the second, shape (nodes,); ground is none of them."""
        touched = [node for part in self.parts for node in part.nodes]
        touched += [node for pair in self.drivers.values() for node in pair]
        there = [node for node in dict.fromkeys(touched) if node != GROUND]
        return np.array([float(node == nodes[0]) - float(node == nodes[1]) for node in there])

    def _voltages(self, frequency_hz: FloatArray, drivers_ohm: Mapping[str, ComplexArray]) -> ComplexArray:
        """Voltages of the nodes from currents into them, shape (n, nodes, nodes)."""
        branches = [(part.nodes, part.impedance_ohm(frequency_hz)) for part in self.parts]
        branches += [(nodes, drivers_ohm[name]) for name, nodes in self.drivers.items()]
        admittance = sum(np.multiply.outer(1 / ohm, np.outer(self._ends(nodes), self._ends(nodes)))
                         for nodes, ohm in branches)
        return np.asarray(np.linalg.inv(admittance))
