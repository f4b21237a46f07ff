"""Networks with drivers, drawn by seed: as the netlist that a person would write, and as one that ngspice runs.

Drivers are a resistance, a coil with a resistor beside it, and the motional resonance; their impedance is a closed
form here and a subcircuit there. Nothing of it comes from the project.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

NAMES = ("woofer", "tweeter", "mid")


@dataclass(frozen=True)
class DrawnDriver:
    """Elements of a driver's impedance, ohm, H, F."""

    re: float
    le: float
    beside: float
    res: float
    lces: float
    cmes: float

    def impedance_ohm(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        s = 2j * np.pi * frequency_hz
        coil = 1 / (1 / (s * self.le) + 1 / self.beside)
        return self.re + coil + 1 / (1 / self.res + 1 / (s * self.lces) + s * self.cmes)

    def subcircuit(self, name: str) -> list[str]:
        return [
            f".subckt {name} p m",
            f"rre p a {self.re!r}",
            f"lle a b {self.le!r}",
            f"rbeside a b {self.beside!r}",
            f"rres b m {self.res!r}",
            f"lces b m {self.lces!r}",
            f"cmes b m {self.cmes!r}",
            ".ends",
        ]


@dataclass(frozen=True)
class DrawnNetwork:
    """A network: lines of its elements, and its drivers by name with their two nodes."""

    lines: tuple[str, ...]
    drivers: Mapping[str, DrawnDriver]
    nodes: Mapping[str, tuple[str, str]]

    @property
    def netlist(self) -> str:
        return "\n".join(["* drawn at random", *self.lines, ".end", ""])

    def for_ngspice(self) -> str:
        """With a source of 1 V; node ``current`` tells what flows out of it, ``d_NAME`` is across each driver."""
        lines = ["* drawn at random", "vdrive in 0 ac 1", "hcurrent current 0 vdrive -1", *self.lines]
        for name, driver in self.drivers.items():
            lines += driver.subcircuit(model(name))
            lines.append(f"e{name} d_{name} 0 {' '.join(self.nodes[name])} 1")
        return "\n".join(lines)


def model(driver: str) -> str:
    return f"unit_{driver}"


def random_network(seed: int, inner_nodes: int | None = None, chords: int | None = None) -> DrawnNetwork:
    """A network of 1 to 8 inner nodes in which every element carries current.

    A way from terminal to terminal grows ears: ways between two of its nodes, over new ones. Two to four elements more
    (``chords``) join nodes that are there already. Coils have a loss but for one at most, as a simulator stumbles over
    loops of coils at 0 Hz.
    """
    rng = np.random.default_rng((20_611, seed))
    wanted = int(rng.integers(1, 9)) if inner_nodes is None else inner_nodes
    pairs, nodes = _ears(rng, wanted)
    for _ in range(int(rng.integers(2, 5)) if chords is None else chords):
        one, other = rng.choice(nodes, 2, replace=False)
        pairs.append((str(one), str(other)))
    drivers = {name: _driver(rng) for name in NAMES[: int(rng.integers(1, min(4, len(pairs))))]}
    taken = rng.choice(len(pairs), len(drivers), replace=False)
    places = {name: pairs[place] for name, place in zip(drivers, taken, strict=True)}
    lines, lossless = [], False
    for number, pair in enumerate(pairs):
        if number in taken:
            name = list(drivers)[list(taken).index(number)]
            lines.append(f"X{name} {pair[0]} {pair[1]} {model(name)}")
            continue
        kind = str(rng.choice(["R", "L", "C"]))
        may_be_lossless = kind == "C" or (kind == "L" and not lossless and set(pair) != {"in", "0"})
        lossy = kind != "R" and not (may_be_lossless and rng.random() < 0.5)
        lossless |= kind == "L" and not lossy
        lines += _part(rng, f"{kind}{number}", pair, lossy)
    return DrawnNetwork(tuple(str(line) for line in rng.permutation(lines)), drivers, places)


def _ears(rng: np.random.Generator, wanted: int) -> tuple[list[tuple[str, str]], list[str]]:
    pairs: list[tuple[str, str]] = []
    nodes = ["in", "0"]
    left = [f"n{number}" for number in range(1, wanted + 1)]
    while left or not pairs:
        new = [left.pop() for _ in range(min(len(left), int(rng.integers(1, 4))))]
        ends = ["in", "0"] if not pairs else [str(node) for node in rng.choice(nodes, 2, replace=False)]
        way = [ends[0], *new, ends[1]]
        pairs += list(itertools.pairwise(way))
        nodes += new
    return pairs, nodes


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def _part(rng: np.random.Generator, name: str, pair: tuple[str, str], lossy: bool) -> list[str]:
    low, high = {"R": (0.3, 60.0), "L": (30e-6, 8e-3), "C": (0.5e-6, 300e-6)}[name[0]]
    value = _log(rng, low, high)
    if not lossy:
        return [f"{name} {pair[0]} {pair[1]} {value!r}"]
    middle = f"i{name.lower()}"
    nodes = [(pair[0], middle), (middle, pair[1])]
    own, of_loss = nodes if rng.random() < 0.5 else nodes[::-1]
    return [f"{name} {own[0]} {own[1]} {value!r}", f"R{name} {of_loss[0]} {of_loss[1]} {_log(rng, 0.02, 1.0)!r}"]


def _driver(rng: np.random.Generator) -> DrawnDriver:
    re, fs, q = _log(rng, 3, 12), _log(rng, 25, 1500), _log(rng, 0.3, 2)
    res = re * _log(rng, 1, 10)
    lces = re / (2 * math.pi * fs * q)
    return DrawnDriver(re, _log(rng, 2e-5, 2e-3), _log(rng, 3, 50), res, lces, 1 / (2 * math.pi * fs) ** 2 / lces)
