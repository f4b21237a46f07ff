"""The curve of many speakers at once: one circuit, each with its own numbers and at most one fault.

With I_k the current in element k for 1 V at the terminals, d ln Z/d z_k = Z I_k^2 (`analysis.network.sensitivity`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stillbox.analysis.network.elimination import eliminate
from stillbox.analysis.network.network import Network
from stillbox.analysis.network.nodal import voltage_across
from stillbox.analysis.wrong_part.guessed_driver import RESONANCE, UNLIKE, GuessedDriver
from stillbox.analysis.wrong_part.known_driver import KnownDriver
from stillbox.analysis.wrong_part.part_impedance import Unknown, part_impedance, unknowns_of
from stillbox.analysis.wrong_part.result import Fault
from stillbox.capture.arrays import ComplexArray, FloatArray

Driver = KnownDriver | GuessedDriver
OPEN_OHM, SHORT_OHM = 1e9, 1e-3
MODEL_ERROR = 0.003
"""Of the impedance at each point, sqrt(E|.|^2): what no number of the model can follow."""
CABLE_OHM, CABLE_OHM_STD = 0.05, 0.04
CABLE_H, CABLE_H_SPREAD = 0.3e-6, 0.7
"""From the clips to the crossover (common practice, no source)."""
LEAST_SCALE = 1e-3
FAULTY_OHM = 1.5
"""Resistance of a bad joint, a dried out capacitor, a coil of too thin wire: from a tenth of that to ten times that."""


@dataclass(frozen=True)
class Curve:
    """What was measured at the terminals of the finished speaker.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n,)
    impedance_ohm : complex ndarray, shape (n,)
    noise_variance_ohm2 : ndarray, shape (n,)
        E|n|^2.
    scale_std : float
        Relative, of the ohm.
    common_ohm : tuple of complex ndarray, shape (n,) each
        Deviations that all points share.
    """

    frequency_hz: FloatArray
    impedance_ohm: ComplexArray
    noise_variance_ohm2: FloatArray
    scale_std: float
    common_ohm: tuple[ComplexArray, ...] = ()


@dataclass(frozen=True)
class Speakers:
    """Speakers that differ in what is wrong with them, and where their numbers are.

    Attributes
    ----------
    theta : ndarray, shape (speakers, numbers)
        How far each number is from its middle: in its logarithm for parts, in standard deviations else.
    middle : ndarray, shape (speakers, numbers of parts)
        What theta = 0 stands for.
    std : ndarray, shape (speakers, numbers)
        Of theta beforehand; infinite for what is free.
    replaced_ohm : ndarray, shape (speakers, elements)
        NaN, or the impedance that an open or shorted element has.
    log_weight : ndarray, shape (speakers,)
        Logarithm of the chance of all that was chosen for it.
    """

    theta: FloatArray
    middle: FloatArray
    std: FloatArray
    replaced_ohm: FloatArray
    log_weight: FloatArray

    def some(self, which: NDArray[np.bool_] | NDArray[np.intp] | slice) -> Speakers:
        """Some of them."""
        return Speakers(*(table[which] for table in self.tables))

    @property
    def tables(self) -> tuple[FloatArray, ...]:
        """In the order of the fields."""
        return self.theta, self.middle, self.std, self.replaced_ohm, self.log_weight

    def at(self, theta: FloatArray) -> Speakers:
        """The same with other numbers."""
        return replace(self, theta=theta)


@dataclass(frozen=True)
class Answer:
    """Curves of speakers against the one measured.

    Attributes
    ----------
    off : complex ndarray, shape (speakers, n)
        ln(Z/Z measured).
    slopes : complex ndarray, shape (speakers, numbers, n)
        Derivatives of it.
    variance : ndarray, shape (speakers, n)
        E|.|^2 of it that no two points share, times the points that count for one.
    """

    off: ComplexArray
    slopes: ComplexArray
    variance: FloatArray


@dataclass(frozen=True)
class _Element:
    """A part or driver of each speaker: impedance, derivatives, which have another instead; what no points share."""

    ohm: ComplexArray
    slopes: list[ComplexArray]
    replaced: NDArray[np.bool_]
    spread_ohm: FloatArray | None


class Model:
    """A network with its drivers against a curve.

    Parameters
    ----------
    network : Network
    tolerance_percent : mapping
        Of each part.
    drivers : sequence of Driver
        One for each driver of the network, at the frequencies of the curve.
    curve : Curve
    points_for_one : float
        How many points of the curve count for one.
    """

    def __init__(
        self,
        network: Network,
        tolerance_percent: Mapping[str, float],
        drivers: Sequence[Driver],
        curve: Curve,
        points_for_one: float = 1.0,
    ) -> None:
        self.network, self.curve, self.tolerance_percent = network, curve, tolerance_percent
        self.points_for_one = points_for_one
        self.unknowns = [unknowns_of(part, tolerance_percent[part.name]) for part in network.parts]
        ends = np.cumsum([0, *(len(one) for one in self.unknowns)])
        self.place = {part.name: slice(ends[k], ends[k + 1]) for k, part in enumerate(network.parts)}
        known = {driver.name: driver for driver in drivers}
        self.drivers = [known[place.name] for place in network.drivers]
        self.of_parts = int(ends[-1])
        self.size = self.of_parts + sum(one.count for one in self.drivers) + 3 + len(curve.common_ohm)
        both = [
            *((part.name, part.nodes) for part in network.parts),
            *((one.name, one.nodes) for one in network.drivers),
        ]
        self.guessed = [driver.name for driver in self.drivers if isinstance(driver, GuessedDriver)]
        self.error = float(np.hypot(MODEL_ERROR, UNLIKE if self.guessed else 0.0))
        self.elements, self.nodes = [name for name, _ in both], [nodes for _, nodes in both]

    def thinned(self, step: int) -> Model:
        """The same at each so-many-th frequency."""
        some = slice(None, None, step)
        drivers = [driver.thinned(step) for driver in self.drivers]
        curve = replace(
            self.curve,
            frequency_hz=self.curve.frequency_hz[some],
            impedance_ohm=self.curve.impedance_ohm[some],
            noise_variance_ohm2=self.curve.noise_variance_ohm2[some],
            common_ohm=tuple(common[some] for common in self.curve.common_ohm),
        )
        return Model(self.network, self.tolerance_percent, drivers, curve, self.points_for_one)

    def counting(self, points_for_one: float) -> Model:
        """The same with so many points of the curve for one."""
        return Model(self.network, self.tolerance_percent, self.drivers, self.curve, points_for_one)

    def speakers(self, faults: Sequence[Fault | None]) -> Speakers:
        """One speaker for each fault, its numbers in their middle; None for one as planned."""
        count = len(faults)
        flat = [unknown for one in self.unknowns for unknown in one]
        middle = np.tile([unknown.middle for unknown in flat], (count, 1))
        std = np.ones((count, self.size))
        std[:, : self.of_parts] = [unknown.std for unknown in flat]
        replaced = np.full((count, len(self.elements)), np.nan)
        for row, fault in enumerate(faults):
            if fault is None:
                continue
            if fault.kind == "exchanged":
                one, other = self.place[fault.part], self.place[fault.other]
                for table in (middle, std):
                    table[row, one], table[row, other] = table[row, other].copy(), table[row, one].copy()
            elif fault.kind in ("value", "loss"):
                std[row, self.number_of(fault)] = np.inf
                if fault.kind == "loss":
                    middle[row, self.number_of(fault)] = FAULTY_OHM
            else:
                ohm = SHORT_OHM if fault.kind == "short" else OPEN_OHM
                replaced[row, self.elements.index(fault.part)] = ohm
        return Speakers(np.zeros((count, self.size)), middle, std, replaced, np.zeros(count))

    def guessed_resonances(self) -> list[int]:
        """Where the numbers stand that say where drivers resonate of which only their kind is known."""
        found, first = [], self.of_parts
        for driver in self.drivers:
            if isinstance(driver, GuessedDriver) and not driver.in_box:
                found.append(first + RESONANCE)
            first += driver.count
        return found

    def unknowns_of(self, name: str) -> tuple[Unknown, ...]:
        """What is not known of a part."""
        return self.unknowns[[part.name for part in self.network.parts].index(name)]

    def number_of(self, fault: Fault) -> int:
        """Where the number stands that is free with a fault of value or loss."""
        return int(self.place[fault.part].start) + (fault.kind == "loss")

    def like(self, speakers: Speakers, others: Speakers, row: int) -> Speakers:
        """Speakers with all numbers of one of the others but those that are free."""
        theta = np.tile(others.theta[row], (len(speakers.theta), 1))
        theta[:, : self.of_parts] += np.log(others.middle[row] / speakers.middle)
        return speakers.at(np.where(np.isinf(speakers.std), speakers.theta, theta))

    def start_of(self, fault: Fault, size: float) -> float:
        """Theta of a small fault: of a value ``size`` times its planned one and a tolerance more, of so many ohm."""
        if fault.kind == "loss":
            return float(np.log(size / FAULTY_OHM))
        return float(np.log(size) + np.sign(np.log(size)) * self.tolerance_percent[fault.part] / 100)

    def answer(self, speakers: Speakers, error: float = 0.0) -> Answer:
        """Curves with all derivatives; ``error``: of the model where it is to be coarser than it is, `Model.error`."""
        curve, error = self.curve, max(error, self.error)
        elements = self._elements(speakers)
        siemens = [1 / element.ohm for element in elements]
        taken_apart = eliminate(list(zip(self.nodes, siemens, strict=True)))
        voltages = taken_apart.driven()
        inside = 1 / np.broadcast_to(taken_apart.input_admittance, siemens[0].shape)
        cable, by_cable = self._cable(speakers)
        whole = inside + cable
        slopes: ComplexArray = np.zeros((len(whole), self.size, curve.frequency_hz.size), dtype=complex)
        noise = curve.noise_variance_ohm2 / np.abs(curve.impedance_ohm) ** 2
        variance: FloatArray = np.tile(error**2 + noise, (len(whole), 1))
        column = 0
        for element, nodes, admittance in zip(elements, self.nodes, siemens, strict=True):
            power = inside**2 / whole * (admittance * voltage_across(nodes, voltages)) ** 2
            power[element.replaced] = 0.0
            for slope in element.slopes:
                np.multiply(power, slope, out=slopes[:, column])
                column += 1
            if element.spread_ohm is not None:
                variance += np.abs(power * element.spread_ohm) ** 2
        scale = max(curve.scale_std, LEAST_SCALE)
        shared = [one / whole for one in by_cable] + [np.full(whole.shape, scale, dtype=complex)]
        shared += [np.broadcast_to(one / curve.impedance_ohm, whole.shape) for one in curve.common_ohm]
        off = np.log(whole / curve.impedance_ohm)
        for number, slope in enumerate(shared):
            slopes[:, column + number] = slope
            if number >= len(by_cable):  # these are not in the circuit
                off = off + speakers.theta[:, column + number, None] * slope
        return Answer(off, slopes, variance * self.points_for_one)

    def _elements(self, speakers: Speakers) -> list[_Element]:
        """All parts and drivers of each speaker."""
        found: list[_Element] = []
        numbers = speakers.middle * np.exp(speakers.theta[:, : self.of_parts])
        for part in self.network.parts:
            own = numbers[:, self.place[part.name]].T
            found.append(self._element(speakers, *part_impedance(part.kind, own, self.curve.frequency_hz), len(found)))
        first = self.of_parts
        for driver in self.drivers:
            theta = speakers.theta[:, first : first + driver.count]
            found.append(self._element(speakers, *driver.at(theta), len(found), driver.spread_ohm))
            first += driver.count
        return found

    def _element(
        self,
        speakers: Speakers,
        ohm: ComplexArray,
        slopes: list[ComplexArray],
        place: int,
        spread_ohm: FloatArray | None = None,
    ) -> _Element:
        other = speakers.replaced_ohm[:, place]
        replaced = ~np.isnan(other)
        if replaced.any():
            ohm = np.where(replaced[:, None], other[:, None], ohm)
        return _Element(ohm, slopes, replaced, spread_ohm if spread_ohm is not None and spread_ohm.any() else None)

    def _cable(self, speakers: Speakers) -> tuple[ComplexArray, list[ComplexArray]]:
        """Of each speaker from the clips to the crossover, and its derivatives; ohm."""
        first = self.size - 3 - len(self.curve.common_ohm)
        ohm, henry = speakers.theta[:, first, None], speakers.theta[:, first + 1, None]
        reactance = CABLE_H * np.exp(CABLE_H_SPREAD * henry) * 2j * np.pi * self.curve.frequency_hz
        by_ohm = np.full(reactance.shape, CABLE_OHM_STD, dtype=complex)
        return CABLE_OHM + CABLE_OHM_STD * ohm + reactance, [by_ohm, CABLE_H_SPREAD * reactance]

    def drivers_ohm(self, speakers: Speakers, row: int) -> dict[str, ComplexArray]:
        """Impedance of each driver in one of some speakers, with its wire."""
        found, first = {}, self.of_parts
        for driver in self.drivers:
            found[driver.name] = driver.at(speakers.theta[row : row + 1, first : first + driver.count])[0][0]
            first += driver.count
        return found

    def curve_of(self, speakers: Speakers, row: int) -> ComplexArray:
        """What would be measured of one of some speakers, ohm."""
        off = self.answer(speakers.some(np.array([row]))).off[0]
        curve: ComplexArray = self.curve.impedance_ohm * np.exp(off)
        return curve
