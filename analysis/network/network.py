"""What a network is made of: parts, drivers, and the network itself as plain data."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from stillbox.analysis.parts.kinds import Kind

INPUT, GROUND = "in", "0"
"""The speaker's terminals, positive and negative."""

LOSS = ".loss"
"""Ends the name of a loss wherever values are named: ``L1.loss``."""


@dataclass(frozen=True)
class Part:
    """A capacitor, a coil or a resistor between two nodes, with its loss in series.

    Attributes
    ----------
    name : str
        As it was written, ``C2``; it begins with the letter of its kind.
    kind : str
        capacitor, coil or resistor.
    nodes : tuple of str
        Both ends, in small letters.
    value : float
        F, H or ohm.
    loss_ohm : float
        ESR or DC resistance in series with it, 0 where none is told; always 0 for a resistor.
    loss_name : str
        Name of the resistor that stands for the loss, empty where there is none.
    loss_node : str
        The node between part and loss, which nothing else touches.
    loss_first : bool
        Whether the loss lies at the first of the nodes.
    """

    name: str
    kind: Kind
    nodes: tuple[str, str]
    value: float
    loss_ohm: float = 0.0
    loss_name: str = ""
    loss_node: str = ""
    loss_first: bool = False


@dataclass(frozen=True)
class DriverPlace:
    """A driver between two nodes.

    Attributes
    ----------
    name : str
        Its name in the build: ``woofer``.
    positive, negative : str
        Nodes of its two terminals: their order is its polarity.
    model : str
        The name behind them, which a simulator needs; without meaning here.
    """

    name: str
    positive: str
    negative: str
    model: str

    @property
    def nodes(self) -> tuple[str, str]:
        return self.positive, self.negative


@dataclass(frozen=True)
class Network:
    """Parts and drivers between the speaker's terminals `INPUT` and `GROUND`.

    Attributes
    ----------
    title : str
        First line of the netlist; may be empty.
    parts : tuple of Part
    drivers : tuple of DriverPlace
    notes : tuple of str
        What somebody who wrote the netlist should know.
    """

    title: str
    parts: tuple[Part, ...]
    drivers: tuple[DriverPlace, ...]
    notes: tuple[str, ...] = ()

    def part(self, name: str) -> Part:
        """The part of that name, capitals or not; KeyError where there is none."""
        for part in self.parts:
            if part.name.casefold() == name.casefold():
                return part
        raise KeyError(name)

    @property
    def inner_nodes(self) -> tuple[str, ...]:
        """All nodes but the terminals and those between a part and its loss, in the order in which they come."""
        elements: tuple[Part | DriverPlace, ...] = (*self.parts, *self.drivers)
        touched = dict.fromkeys(node for element in elements for node in element.nodes)
        return tuple(node for node in touched if node not in (INPUT, GROUND))

    def values(self) -> Iterator[tuple[str, float]]:
        """Name and number of all that a network can be varied in: ``C2``, ``L1``, ``L1.loss``; SI units.

        A loss is there wherever the netlist has one.
        """
        for part in self.parts:
            yield part.name, part.value
            if part.loss_name:
                yield part.name + LOSS, part.loss_ohm
