"""Coils, capacitors and resistors of crossovers as they are built: values, losses over frequency, ladders.

Every part is a ladder of ideal R, L and C, so that a circuit simulator holds the very same thing (``one_port``).
Losses of a part scale with its value, so that ``impedance = rest + value * core`` (coil, resistor) or
``rest + core / value`` (capacitor) holds exactly (``halves``).

Sources
-------
Loss factors of foils at 1, 10, 100 kHz: PP 1, 2, 2 e-4, PET 50, 110, 170 e-4 (two makers' tables); electrolytic 0.05
to 0.1 at 1 kHz, from memory. A flat loss factor d is a row of relaxations with 2/pi d of the capacitance for each e in
frequency (Debye; Kramers and Kronig). Spread of losses around these figures, contact resistances, inductances of leads
and of wound resistors, resistances of coils (0.1 to 0.8 ohm in air): common practice, no source. Rise of a coil's
resistance by the proximity of its turns, 5 to 60 % at 10 kHz with an end at 25 to 60 kHz, iron's loss factor
(0.2 to 1 %) and eddy currents (1 to 6 % of the inductance, ending at 10 to 40 kHz): from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import count

import numpy as np

from reference.wild_air import Complex, Real

AT_HZ = 1000.0
"""Values are those at this frequency."""

SELF_RESONANCE_HZ = (300e3, 1.5e6)
"""Of coils, common practice, no source."""

LOSS_FACTORS = {
    "PP": ((1e1, 1e3, 1e4, 1e6), (1e-4, 1e-4, 2e-4, 2e-4)),
    "PET": ((1e1, 1e3, 1e4, 1e5, 1e6), (20e-4, 50e-4, 110e-4, 170e-4, 200e-4)),
}
"""Hz, loss factor; below 1 kHz assumed."""

KINDS = {"coil": "L", "capacitor": "C", "resistor": "R"}


# One-ports of ideal elements


@dataclass(frozen=True)
class Element:
    """Ideal ``R``, ``L`` or ``C``."""

    kind: str
    value: float

    def impedance(self, omega: Real) -> Complex:
        if self.kind == "R":
            return np.full(omega.size, self.value, complex)
        return 1j * omega * self.value if self.kind == "L" else 1 / (1j * omega * self.value)


@dataclass(frozen=True)
class Table:
    """What only its impedance is known of; a simulator gets it frequency by frequency."""

    function: Callable[[Real], Complex]

    def impedance(self, omega: Real) -> Complex:
        return self.function(omega)


@dataclass(frozen=True)
class Series:
    parts: tuple[OnePort, ...]

    def impedance(self, omega: Real) -> Complex:
        return sum((part.impedance(omega) for part in self.parts), np.zeros(omega.size, complex))


@dataclass(frozen=True)
class Parallel:
    parts: tuple[OnePort, ...]

    def impedance(self, omega: Real) -> Complex:
        return 1 / sum((1 / part.impedance(omega) for part in self.parts), np.zeros(omega.size, complex))


OnePort = Element | Table | Series | Parallel


def in_series(*parts: OnePort) -> Series:
    return Series(parts)


def in_parallel(*parts: OnePort) -> Parallel:
    return Parallel(parts)


def ohms(value: float) -> Element:
    return Element("R", float(value))


def henries(value: float) -> Element:
    return Element("L", float(value))


def farads(value: float) -> Element:
    return Element("C", float(value))


def element_lines(port: OnePort, plus: str, minus: str, name: str, tables: dict[str, Table]) -> list[str]:
    """A one-port as lines of a netlist; tables become ``r<name>``, ``l<name>`` in series, gathered in ``tables``."""
    if isinstance(port, Element):
        return [f"{port.kind.lower()}{name} {plus} {minus} {port.value!r}"]
    if isinstance(port, Table):
        tables[name] = port
        return [f"r{name} {plus} {name}m 1.0", f"l{name} {name}m {minus} 1.0"]
    lines: list[str] = []
    if isinstance(port, Parallel):
        for number, part in enumerate(port.parts):
            lines += element_lines(part, plus, minus, f"{name}p{number}", tables)
        return lines
    nodes = [plus, *(f"{name}n{number}" for number in range(1, len(port.parts))), minus]
    for number, part in enumerate(port.parts):
        lines += element_lines(part, nodes[number], nodes[number + 1], f"{name}s{number}", tables)
    return lines


# Parts


@dataclass(frozen=True)
class Part:
    """A part of a crossover.

    Attributes
    ----------
    kind, make : str
        coil (air, iron), capacitor (PP, PET, electrolytic), resistor (wound, film).
    planned, value : float
        On the plan, and as built: henry or farad at 1 kHz, ohm; a capacitor's is that of C in series with its loss.
    planned_loss_ohm, loss_ohm : float
        DC resistance of a coil; contact resistance of a capacitor, beside what its dielectric loses.
    lead_h : float
        Inductance in series (capacitor, resistor).
    pairs : tuple of (part of the value, hertz)
        Coil: what of its inductance lies parallel to a resistor, and where the two are equal.
        Capacitor: what of its capacitance relaxes, and where.
    self_hz : float
        Self-resonance of a coil.
    """

    name: str
    kind: str
    make: str
    planned: float
    tolerance_percent: float
    planned_loss_ohm: float
    value: float
    loss_ohm: float
    lead_h: float = 0.0
    pairs: tuple[tuple[float, float], ...] = ()
    self_hz: float = 1e6

    def one_port(self) -> Series:
        loss = (ohms(self.loss_ohm),) if self.loss_ohm else ()  # a simulator makes a milliohm of no resistance
        return in_series(*loss, *self._own())

    def _own(self) -> tuple[OnePort, ...]:
        if self.kind == "resistor":
            return ohms(self.value), henries(self.lead_h)
        scale = self._scale()
        if self.kind == "coil":
            lossy = [henries(scale * (1 - sum(share for share, _ in self.pairs)))]
            for share, hz in self.pairs:
                size = scale * share
                lossy.append(in_parallel(ohms(2 * np.pi * hz * size), henries(size)))
            winding = 1 / ((2 * np.pi * self.self_hz) ** 2 * self.value)
            return (in_parallel(farads(winding), in_series(*lossy)),)
        relaxing: list[OnePort] = [farads(scale * (1 - sum(share for share, _ in self.pairs)))]
        for share, hz in self.pairs:
            size = scale * share
            relaxing.append(in_series(ohms(1 / (2 * np.pi * hz * size)), farads(size)))
        return henries(self.lead_h), in_parallel(*relaxing)

    def _scale(self) -> float:
        """Sum of the ladder's inductances (capacitances) so that at 1 kHz it is ``value``."""
        turned = np.array([1j * AT_HZ / hz for _, hz in self.pairs])
        share = np.array([share for share, _ in self.pairs])
        whole = 1 - share.sum() + np.sum(share / (1 + turned))
        if self.kind == "coil":
            return float(self.value / whole.real)
        return float(self.value * (1 / whole).real)

    def impedance(self, omega: Real) -> Complex:
        return self.one_port().impedance(omega)

    def halves(self, omega: Real) -> tuple[Complex, Complex]:
        """What does not depend on the value (without ``loss_ohm``), and the core for a value of 1."""
        if self.kind == "resistor":
            return 1j * omega * self.lead_h, np.ones(omega.size, complex)
        rest = 1j * omega * self.lead_h
        core = Series(self._own()).impedance(omega) - rest
        return rest, core / self.value if self.kind == "coil" else core * self.value

    def loss_factor(self, hz: float = AT_HZ) -> float:
        """R/X of the whole."""
        ohm = self.impedance(np.array([2 * np.pi * hz]))[0]
        return float(ohm.real / abs(ohm.imag))

    def series_ohm(self, hz: float = AT_HZ) -> float:
        """Real part: ESR of a capacitor, resistance of a coil with what it loses there."""
        return float(self.impedance(np.array([2 * np.pi * hz]))[0].real)

    @property
    def tolerance_std(self) -> float:
        """Standard deviation of the logarithm of the value that a tolerance stands for: half of it."""
        return self.tolerance_percent / 200

    def marking(self) -> str:
        """What is printed on it, by IEC 60062: ``4R7J``, ``R68K``, ``6u8K``, ``330uJ``."""
        letter = {1: "F", 2: "G", 3: "H", 5: "J", 10: "K", 20: "M"}[round(self.tolerance_percent)]
        units = ((1.0, "R"),) if self.kind == "resistor" else ((1e-3, "m"), (1e-6, "u"), (1e-9, "n"))
        unit, mark = next((pair for pair in units if self.planned >= 0.999 * pair[0]), units[-1])
        number = f"{self.planned / unit:.4g}"
        if "." not in number and len(number) == 1:
            number += ".0"
        whole, _, rest = number.partition(".")
        return f"{whole.removeprefix('0')}{mark}{rest}{letter}"


E12 = np.array([10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82]) / 10
E24 = np.sort(np.append(E12, np.array([11, 13, 16, 20, 24, 30, 36, 43, 51, 62, 75, 91]) / 10))
"""IEC 60063."""


def nearest_of(series: np.ndarray, value: float) -> float:
    """The value of a series nearest by ratio."""
    decades = 10.0 ** np.arange(-10, 4)
    every = (series[None, :] * decades[:, None]).ravel()
    return float(f"{every[np.argmin(np.abs(np.log(every / value)))]:.3g}")


def built(rng: np.random.Generator, planned: float, tolerance_percent: float) -> float:
    """A value within its tolerance: normal with half of it and cut there, or uniform, half and half."""
    tolerance = tolerance_percent / 100
    if rng.random() < 0.5:
        return planned * (1 + rng.uniform(-tolerance, tolerance))
    for _ in count():
        off = rng.normal(0, tolerance / 2)
        if abs(off) <= tolerance:
            return planned * (1 + off)
    raise AssertionError


def draw_part(rng: np.random.Generator, name: str, kind: str, planned: float) -> Part:
    """A part of that planned value with a make, a tolerance and losses that go with it."""
    return {"coil": _draw_coil, "capacitor": _draw_capacitor, "resistor": _draw_resistor}[kind](rng, name, planned)


def _draw_coil(rng: np.random.Generator, name: str, planned: float) -> Part:
    make = "iron" if planned > 0.4e-3 and rng.random() < 0.4 else "air"
    size = np.sqrt(planned / 1e-3)
    if make == "air":
        dc = float(np.clip(size * rng.uniform(0.25, 0.55), 0.1, 0.8))
        corner = rng.uniform(25e3, 60e3)
        # R of the pair at 10 kHz is w L1 f/fc: the rise of the resistance there
        share = rng.uniform(0.05, 0.6) * dc * corner / 1e4 / (2 * np.pi * 1e4 * planned)
        pairs = ((float(min(share, 0.08)), float(corner)),)
        tolerance = 5.0
    else:
        dc = float(np.clip(size * rng.uniform(0.06, 0.15), 0.05, 0.3))
        corners = np.geomspace(100, 100e3, 7) * rng.uniform(0.7, 1.4)
        hysteresis = rng.uniform(0.002, 0.01) * 2 / np.pi * np.log(corners[1] / corners[0])
        eddy = (rng.uniform(0.01, 0.06), rng.uniform(10e3, 40e3))
        pairs = (*((float(hysteresis), float(hz)) for hz in corners), (float(eddy[0]), float(eddy[1])))
        tolerance = float(rng.choice([5.0, 10.0]))
    planned_loss = round(dc * (1 + rng.normal(0, 0.03)), 3)
    return Part(
        name, "coil", make, planned, tolerance, planned_loss, built(rng, planned, tolerance), dc, 0.0, pairs,
        float(np.exp(rng.uniform(*np.log(SELF_RESONANCE_HZ)))),
    )  # fmt: skip


def _draw_capacitor(rng: np.random.Generator, name: str, planned: float) -> Part:
    chances = [0.6, 0.25, 0.15] if planned < 10e-6 else [0.35, 0.25, 0.4]
    make = str(rng.choice(["PP", "PET", "electrolytic"], p=chances))
    tolerance = float({"PP": 5.0, "PET": 10.0, "electrolytic": rng.choice([10.0, 20.0])}[make])
    corners = 10 ** np.arange(0.5, 6.6, 0.5)
    if make == "electrolytic":
        whole = rng.uniform(0.05, 0.1)
        factors = np.full(corners.size, whole * rng.uniform(0.4, 0.7))
        contact = (whole - factors[0]) / (2 * np.pi * AT_HZ * planned)
    else:
        hz, known = LOSS_FACTORS[make]
        factors = rng.uniform(0.7, 1.4) * np.exp(np.interp(np.log(corners), np.log(hz), np.log(known)))
        contact = rng.uniform(0.004, 0.02)
    shares = factors * 2 / np.pi * np.log(10) / 2
    pairs = tuple((float(share), float(hz)) for share, hz in zip(shares, corners, strict=True))
    return Part(
        name, "capacitor", make, planned, tolerance, 0.0, built(rng, planned, tolerance), float(contact),
        float(rng.uniform(10e-9, 40e-9)), pairs,
    )  # fmt: skip


def _draw_resistor(rng: np.random.Generator, name: str, planned: float) -> Part:
    make = "wound" if rng.random() < 0.7 else "film"
    lead = rng.uniform(0.2e-6, 2e-6) if make == "wound" else rng.uniform(10e-9, 50e-9)
    tolerance = float(rng.choice([5.0, 5.0, 10.0]))
    value = built(rng, planned, tolerance)
    return Part(name, "resistor", make, planned, tolerance, 0.0, value, 0.0, float(lead))


def moved(part: Part, name: str) -> Part:
    """The same thing soldered in at the place of another."""
    return replace(part, name=name)
