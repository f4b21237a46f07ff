"""Two-ways of which no netlist is known: one network that holds nearly all of them, with what its parts usually are.

First to third order to woofer and tweeter, losses, a Zobel network, a trap before the woofer, resistors before and
behind the tweeter's filter.
What a speaker has not, such a part becomes by its value: a capacitor of nothing, a coil of nothing in series or without
end across. Ranges are those of parts as they are sold for crossovers, and wider (common practice, no source).
"""

from __future__ import annotations

import functools
import itertools
import operator
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from stillbox.analysis.network.netlist import network_from_text
from stillbox.analysis.network.network import LOSS, DriverPlace, Network
from stillbox.capture.arrays import FloatArray

_WOOFER = """
L1 in a 1m
RL1 a b 0.1
C1 b c 1u
RC1 c 0 0.1
L2 b d 1m
RL2 d e 0.1
R1 e f 100
C2 f 0 1u
L6 e o 1m
C6 e o 1u
R8 e o 10
Xwoofer o 0 any
R2 in g 1
R3 g 0 100
C3 g h 1u
RC3 h i 0.1
L3 i j 1m
RL3 j 0 0.1
C4 i k 1u
R4 k l 1
R5 l 0 100
"""
_TWEETER = "Xtweeter l 0 any\n"
_ITS_PARTS = """
R6 l m 4
L4 m n 0.05m
R7 n 0 5
L5 n 0 1m
C5 n 0 100u
"""
"""DC resistance, coil, and the resonance of a tweeter that was never swept alone."""

_RANGES = {
    "L1": (0.03e-3, 8e-3), "L1.loss": (0.02, 1.5), "C1": (1e-9, 150e-6), "C1.loss": (0.003, 0.8),
    "L2": (1e-6, 3e-3), "L2.loss": (0.002, 0.4), "R1": (2.0, 20.0), "C2": (1e-9, 150e-6),
    "L6": (1e-6, 0.6e-3), "C6": (0.5e-6, 40e-6), "R8": (1.0, 60.0),
    "R2": (0.01, 20.0), "R3": (2.0, 20e3), "C3": (0.5e-6, 60e-6), "C3.loss": (0.01, 1.0),
    "L3": (0.03e-3, 10.0), "L3.loss": (0.02, 1.5), "C4": (0.5e-6, 1.0), "R4": (0.01, 30.0), "R5": (2.0, 20e3),
    "R6": (2.5, 16.0), "L4": (3e-6, 0.3e-3), "R7": (0.5, 40.0), "L5": (0.05e-3, 8e-3), "C5": (3e-6, 500e-6),
}  # fmt: skip
"""F, H, ohm: within them nothing is likelier than anything else but by the ratio; beyond them, less and less."""

_STARTS = {
    "L1": 0.6e-3, "L1.loss": 0.2, "C1.loss": 0.1, "L2.loss": 0.05, "C6": 6e-6, "R8": 8.0, "R2": 0.3, "R3": 300.0,
    "C3": 6e-6, "C3.loss": 0.1, "L3.loss": 0.2, "R4": 0.5, "R5": 100.0,
    "R6": 5.0, "L4": 0.03e-3, "R7": 5.0, "L5": 0.8e-3, "C5": 40e-6,
}  # fmt: skip
_BESIDES: tuple[dict[str, float], ...] = (
    {"R1": 6.0, "C2": 0.1e-6, "L6": 2e-6},
    {"R1": 6.0, "C2": 20e-6, "L6": 2e-6},
    {"R1": 6.0, "C2": 0.1e-6, "L6": 0.2e-3},
)
"""Nothing, a Zobel network, or a trap in series with the woofer."""
_WOOFER_ORDERS = ({"C1": 0.1e-6, "L2": 3e-6}, {"C1": 8e-6, "L2": 3e-6}, {"C1": 15e-6, "L2": 0.25e-3})
_TWEETER_ORDERS = ({"L3": 50e-3, "C4": 10e-3}, {"L3": 0.4e-3, "C4": 10e-3}, {"L3": 0.3e-3, "C4": 20e-6})
"""Where a fit begins: for an order each, in the middle of what is usual."""


@dataclass(frozen=True)
class UnknownTwoWay:
    """A network with values that are not known.

    Attributes
    ----------
    network : Network
    names : tuple of str
        Of the values, in the order of the arrays.
    least, most : ndarray, shape (values,)
        Natural logarithms of the ends of what is usual.
    """

    network: Network
    names: tuple[str, ...]
    least: FloatArray
    most: FloatArray

    def starts(self) -> Iterator[FloatArray]:
        """Natural logarithms of values from which a fit may begin, one set for each kind of speaker."""
        for usual in itertools.product(_BESIDES, _WOOFER_ORDERS, _TWEETER_ORDERS):
            told = functools.reduce(operator.or_, usual, _STARTS)
            yield np.log([told[name] for name in self.names])

    def values(self, logarithms: FloatArray) -> dict[str, float]:
        """The values of an array, F, H, ohm."""
        return dict(zip(self.names, np.exp(logarithms).tolist(), strict=True))

    def moved(self, logarithms: FloatArray, move: FloatArray) -> dict[str, float]:
        """How much each value changes with a small move of its logarithm, F, H, ohm."""
        return dict(zip(self.names, (np.exp(logarithms) * move).tolist(), strict=True))

    def network_of(self, logarithms: FloatArray) -> Network:
        """The network with these values."""
        values = self.values(logarithms)
        parts = tuple(
            replace(part, value=values[part.name], loss_ohm=values.get(part.name + LOSS, 0.0))
            for part in self.network.parts
        )
        return replace(self.network, parts=parts)


def unknown_two_way(woofer: str, tweeter: str | None) -> UnknownTwoWay:
    """The network for a woofer and a tweeter of these names; None: the tweeter was not swept alone."""
    text = "* not known\n" + _WOOFER.strip() + "\n" + (_TWEETER if tweeter else _ITS_PARTS.strip() + "\n")
    network = network_from_text(text)
    called = {"woofer": woofer, "tweeter": tweeter or ""}
    places = tuple(DriverPlace(called[one.name], *one.nodes, one.model) for one in network.drivers)
    network = replace(network, drivers=places)
    names = tuple(name for name, _ in network.values())
    ends = np.log([_RANGES[name] for name in names])
    return UnknownTwoWay(network, names, ends[:, 0], ends[:, 1])


