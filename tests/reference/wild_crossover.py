"""Plans of passive crossovers as people make them: textbook values, tuned by hand, of a series of values.

Sources: filters between no resistance and a resistor: first order; second order by its Q (Butterworth 0.707,
Linkwitz-Riley 0.5, Bessel 0.577, Chebyshev 1); third order Butterworth (1.5, 4/3, 0.5): any book on filters. Zobel and
the series trap that mirrors a driver's resonance: network dual to the driver's, Z Zdual = R^2. How often each of them
is used, tuning by up to 20 %, attenuation of 1 to 7 dB, crossover at 1.5 to 4 kHz: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reference.wild_network import Branch
from reference.wild_parts import E12, E24, KINDS, Part, draw_part, nearest_of
from reference.wild_tweeters import SmallDriver

LAYOUTS = ("two-way", "two equal", "two-and-a-half-way", "three-way")
"""``two equal``: two woofers side by side in chambers of their own, both on one node."""

QUALITIES = {"Butterworth": 2**-0.5, "Linkwitz-Riley": 0.5, "Bessel": 3**-0.5, "Chebyshev": 1.0}

TUNED = 0.2

Step = tuple[str, str, float]
"""``series`` or ``shunt``, kind of part, value."""


def low_pass_values(order: int, ohm: float, hz: float, q: float = 2**-0.5) -> list[Step]:
    """From the amplifier to a load of ``ohm``: -3 dB at ``hz``, in the second order that of its poles."""
    omega = 2 * np.pi * hz
    henry, farad = ohm / omega, 1 / (ohm * omega)
    if order == 1:
        return [("series", "coil", henry)]
    if order == 2:
        return [("series", "coil", henry / q), ("shunt", "capacitor", farad * q)]
    return [("series", "coil", 1.5 * henry), ("shunt", "capacitor", 4 / 3 * farad), ("series", "coil", 0.5 * henry)]


def high_pass_values(order: int, ohm: float, hz: float, q: float = 2**-0.5) -> list[Step]:
    """As ``low_pass_values``, with s turned into 1/s."""
    other = {"coil": "capacitor", "capacitor": "coil"}
    omega = 2 * np.pi * hz
    return [(way, other[kind], 1 / (omega**2 * value)) for way, kind, value in low_pass_values(order, ohm, hz, q)]


@dataclass(frozen=True)
class Way:
    """What belongs to one driver, in words and numbers."""

    driver: str
    low_pass: int
    high_pass: int
    alignment: str
    hz: float
    zobel: bool = False
    attenuator: str = ""
    notch: str = ""
    inverted: bool = False


@dataclass(frozen=True)
class Plan:
    """Parts and drivers with their nodes, in the order of the netlist.

    Attributes
    ----------
    parts : tuple of Part
        As built, each with what is planned of it.
    nodes : dict of (plus, minus)
        Of parts and drivers; a driver's plus is where its marked terminal goes.
    """

    parts: tuple[Part, ...]
    drivers: tuple[str, ...]
    nodes: dict[str, tuple[str, str]]
    ways: tuple[Way, ...]

    def part(self, name: str) -> Part:
        return next(part for part in self.parts if part.name == name)

    def with_parts(self, *changed: Part) -> Plan:
        """With these in the places of those that have their names."""
        new = {part.name: part for part in changed}
        return replace(self, parts=tuple(new.get(part.name, part) for part in self.parts))

    def branches(self) -> tuple[Branch, ...]:
        return tuple(Branch(part.name, *self.nodes[part.name], part.one_port()) for part in self.parts)

    def netlist(self) -> str:
        """As its owner writes it: nominal values, resistances of coils as the catalogue has them."""
        lines = ["* crossover as planned"]
        for part in self.parts:
            plus, minus = self.nodes[part.name]
            if part.planned_loss_ohm:
                between = f"{plus}x{part.name}"
                lines += [f"{part.name} {plus} {between} {short_form(part.planned)}",
                          f"R{part.name} {between} {minus} {part.planned_loss_ohm:.3g}"]  # fmt: skip
            else:
                lines.append(f"{part.name} {plus} {minus} {short_form(part.planned)}")
        lines += [f"X{name} {self.nodes[name][0]} {self.nodes[name][1]} {name}" for name in self.drivers]
        return "\n".join([*lines, ".end", ""])


def short_form(value: float) -> str:
    """4.7e-6 as ``4.7u``, 0.68 as ``0.68``."""
    units = ((0.1, 1.0, ""), (1e-3, 1e-3, "m"), (1e-6, 1e-6, "u"), (0.0, 1e-9, "n"))
    unit, letter = next((unit, letter) for least, unit, letter in units if value >= 0.999 * least)
    return f"{value / unit:.4g}{letter}"


class _Drawing:
    """Gathers parts, nodes and ways."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.parts: list[Part] = []
        self.nodes: dict[str, tuple[str, str]] = {}
        self.drivers: list[str] = []
        self.ways: list[Way] = []

    def add(self, kind: str, plus: str, minus: str, value: float) -> Part:
        letter = KINDS[kind]
        name = f"{letter}{1 + sum(part.kind == kind for part in self.parts)}"
        planned = nearest_of(E24 if kind == "coil" else E12, value)
        self.parts.append(draw_part(self.rng, name, kind, planned))
        self.nodes[name] = (plus, minus)
        return self.parts[-1]

    def tuned(self, value: float) -> float:
        return value * float(np.exp(self.rng.uniform(-1, 1) * np.log(1 + TUNED)))

    def filter(self, steps: list[Step], node: str, prefix: str) -> str:
        """Series and shunt parts from a node on; returns the last node."""
        for number, (way, kind, value) in enumerate(steps, start=1):
            if way == "series":
                following = f"{prefix}{number}"
                self.add(kind, node, following, self.tuned(value))
                node = following
            else:
                self.add(kind, node, "0", self.tuned(value))
        return node

    def driver(self, name: str, node: str, inverted: bool) -> None:
        self.drivers.append(name)
        self.nodes[name] = ("0", node) if inverted else (node, "0")

    def plan(self) -> Plan:
        return Plan(tuple(self.parts), tuple(self.drivers), self.nodes, tuple(self.ways))


def draw_plan(
    rng: np.random.Generator, layout: str, woofer_ohm: float, woofer_h: float, tweeter: SmallDriver
) -> Plan:
    """A crossover for a woofer of that DC resistance and inductance (at 3 kHz) and a tweeter."""
    drawing = _Drawing(rng)
    hz = float(np.exp(rng.uniform(np.log(1500), np.log(4000))))
    hz = max(hz, min(1.7 * tweeter.fs_hz, 4000.0))
    low_hz = float(rng.uniform(250, 600))
    three = layout == "three-way"
    node = _woofer(drawing, woofer_ohm, woofer_h, low_hz if three else hz, most=2 if three else 3)
    if layout == "two equal":
        drawing.driver("woofer2", node, False)
    if layout == "two-and-a-half-way":
        order = int(rng.integers(1, 3))
        steps = low_pass_values(order, 1.2 * woofer_ohm, low_hz)
        drawing.driver("woofer2", drawing.filter(steps, "in", "h"), False)
        drawing.ways.append(Way("woofer2", order, 0, "Butterworth", low_hz))
    if three:
        high, low = int(rng.integers(1, 3)), int(rng.integers(1, 3))
        node = drawing.filter(high_pass_values(high, 1.2 * woofer_ohm, low_hz), "in", "mh")
        node = drawing.filter(low_pass_values(low, 1.2 * woofer_ohm, hz), node, "ml")
        inverted = bool(rng.random() < 0.5)
        drawing.driver("midrange", node, inverted)
        drawing.ways.append(Way("midrange", low, high, "Butterworth", hz, inverted=inverted))
    _tweeter(drawing, tweeter, hz)
    return drawing.plan()


def _alignment(rng: np.random.Generator, order: int) -> tuple[str, float]:
    name = str(rng.choice(list(QUALITIES))) if order == 2 else "Butterworth"
    return name, QUALITIES[name]


def _woofer(drawing: _Drawing, ohm: float, henry: float, hz: float, most: int) -> str:
    rng = drawing.rng
    order = int(rng.integers(1, most + 1))
    name, q = _alignment(rng, order)
    node = drawing.filter(low_pass_values(order, 1.2 * ohm, hz, q), "in", "w")
    notch = ""
    if rng.random() < 0.12:
        notch = "parallel"
        own = 2 * np.pi * rng.uniform(2500, 6000)
        tank = rng.uniform(0.1e-3, 0.3e-3)
        drawing.add("coil", node, "wn", tank)
        drawing.add("capacitor", node, "wn", 1 / (own**2 * tank))
        drawing.add("resistor", node, "wn", rng.uniform(4, 15))
        node = "wn"
    zobel = bool(rng.random() < (0.35 if order > 1 else 0.6))
    if zobel:
        ohms = drawing.tuned(1.1 * ohm)
        drawing.add("resistor", node, "wz", ohms)
        drawing.add("capacitor", "wz", "0", drawing.tuned(henry / ohm**2))
    drawing.driver("woofer", node, False)
    drawing.ways.append(Way("woofer", order, 0, name, hz, zobel=zobel, notch=notch))
    return node


def _tweeter(drawing: _Drawing, tweeter: SmallDriver, hz: float) -> None:
    rng = drawing.rng
    order = int(rng.integers(1, 4))
    name, q = _alignment(rng, order)
    where = str(rng.choice(["", "before", "behind"], p=[0.25, 0.3, 0.45]))
    load, node = 1.15 * tweeter.re_ohm, "in"
    less = 10 ** (-rng.uniform(1, 7) / 20)
    series, across = load * (1 - less), load * less / (1 - less)
    parallel = bool(rng.random() < 0.6)
    if where and not parallel:  # one resistor alone that takes as much
        series = load * (1 / less - 1)
    if where == "before":
        drawing.add("resistor", "in", "ta", max(series, 0.47))
        node = "ta"
        if parallel:  # behind it the high-pass, seen through which the load is the driver's
            drawing.add("resistor", "ta", "0", across)
    seen = load if where != "behind" or parallel else load + series
    node = drawing.filter(high_pass_values(order, seen, hz, q), node, "t")
    if where == "behind":
        drawing.add("resistor", node, "tb", max(series, 0.47))
        node = "tb"
        if parallel:
            drawing.add("resistor", "tb", "0", across)
    notch = ""
    if rng.random() < 0.18:
        notch = "trap"
        own = 2 * np.pi * tweeter.fs_hz
        drawing.add("capacitor", node, "tc", drawing.tuned(1 / (own * tweeter.re_ohm * tweeter.qes)))
        drawing.add("coil", "tc", "td", drawing.tuned(tweeter.re_ohm * tweeter.qes / own))
        drawing.add("resistor", "td", "0", drawing.tuned(tweeter.re_ohm * (1 + tweeter.qes / tweeter.qms)))
    inverted = bool(rng.random() < 0.5)
    drawing.driver("tweeter", node, inverted)
    attenuator = where and f"{where} the high-pass, {'two resistors' if parallel else 'one resistor'}"
    drawing.ways.append(Way("tweeter", 0, order, name, hz, attenuator=attenuator, notch=notch, inverted=inverted))
