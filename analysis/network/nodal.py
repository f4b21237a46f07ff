"""What a network does with its drivers: input impedance, voltage at each driver, current and heat in each resistor.

Values may be arrays of draws: everything is computed for all draws and frequencies at once
(`analysis.network.elimination`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stillbox.analysis.network.branches import Branch, Impedance, admittance, branch_impedance, branches_of
from stillbox.analysis.network.elimination import Elimination, Scratch, Voltages, eliminate
from stillbox.analysis.network.network import GROUND, LOSS, DriverPlace, Network, Part
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError

Values = Mapping[str, float | FloatArray]
"""Values that differ from those of the netlist, by name: F, H or ohm."""


@dataclass(frozen=True)
class Circuit:
    """A network with its values and its drivers at some frequencies, taken apart.

    Every array has the shape of the draws and then that of the frequencies, or broadcasts to it. `circuit_at` makes
    one.

    Attributes
    ----------
    network : Network
    s_rad_s : ndarray
        j times the angular frequency.
    values : mapping of str to ndarray
        Value of every part and loss of the network (``C2``, ``L1.loss``), SI units.
    admittances : tuple of (Branch, ndarray)
        Of each branch, S.
    driver_admittances : mapping of str to ndarray
        Of each driver, S, by its name.
    scratch : Scratch
        Where its arrays come from.
    """

    network: Network
    s_rad_s: ComplexArray
    values: Mapping[str, FloatArray]
    admittances: tuple[tuple[Branch, ComplexArray], ...]
    driver_admittances: Mapping[str, ComplexArray]
    scratch: Scratch

    @cached_property
    def taken_apart(self) -> Elimination:
        branches = [(branch.nodes, siemens) for branch, siemens in self.admittances]
        drivers = [(driver.nodes, self.driver_admittances[driver.name]) for driver in self.network.drivers]
        return eliminate([*branches, *drivers], self.scratch)

    @cached_property
    def voltages(self) -> Voltages:
        """Of all nodes at which currents part, for 1 V at the terminals."""
        return self.taken_apart.driven()

    @property
    def shape(self) -> tuple[int, ...]:
        return self.taken_apart.weak.shape

    @property
    def input_impedance_ohm(self) -> ComplexArray:
        """Of the speaker at its terminals; infinite where nothing is joined to them."""
        admittance = np.broadcast_to(self.taken_apart.input_admittance, self.shape)
        if np.all(admittance):
            return 1 / admittance
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(admittance == 0, complex(np.inf, 0.0), 1 / admittance)

    def transfer(self, driver: str) -> ComplexArray:
        """Voltage across a driver, its positive terminal against the other, for 1 V at the terminals."""
        return np.broadcast_to(voltage_across(self.place(driver).nodes, self.voltages), self.shape)

    def place(self, driver: str) -> DriverPlace:
        """Where a driver is."""
        return next(place for place in self.network.drivers if place.name == driver)

    def part_currents(self, voltages: Voltages) -> dict[str, ComplexArray]:
        """Current in each part, A, all parts of a branch counted in one direction."""
        return {
            part.name: current
            for branch, siemens in self.admittances
            for current in [siemens * voltage_across(branch.nodes, voltages)]
            for part in branch.parts
        }

    def driver_currents(self, voltages: Voltages) -> dict[str, ComplexArray]:
        """Current in each driver, A."""
        return {
            place.name: self.driver_admittances[place.name] * voltage_across(place.nodes, voltages)
            for place in self.network.drivers
        }

    def resistor_currents(self) -> dict[str, ComplexArray]:
        """Current in each resistor, losses too, A for 1 V at the terminals; by the names in the netlist."""
        currents = self.part_currents(self.voltages)
        return {name: np.broadcast_to(currents[part.name], self.shape) for name, part, _ in _resistors(self.network)}

    def resistor_watts(self, terminal_volts: float | FloatArray) -> dict[str, FloatArray]:
        """Heat in each resistor, losses too, W; by the names in the netlist.

        Parameters
        ----------
        terminal_volts : float or ndarray, shape (frequencies,)
            V rms at the terminals.
        """
        currents = self.resistor_currents()
        return {
            name: np.abs(currents[name] * terminal_volts) ** 2 * self.values[value]
            for name, _, value in _resistors(self.network)
        }


def voltage_across(nodes: tuple[str, str], voltages: Voltages) -> ComplexArray:
    """Voltage from the first node to the second."""
    one, other = nodes
    return voltages[one] if other == GROUND else voltages[one] - voltages[other]


def _resistors(network: Network) -> Iterator[tuple[str, Part, str]]:
    """All that gets warm: its name in the netlist, the part, the name of its resistance among the values."""
    for part in network.parts:
        if part.kind == "resistor":
            yield part.name, part, part.name
        elif part.loss_name:
            yield part.loss_name, part, part.name + LOSS


def circuit_at(
    network: Network,
    frequency_hz: FloatArray,
    driver_impedance_ohm: Mapping[str, ComplexArray],
    values: Values | None = None,
) -> Circuit:
    """A network with its drivers, ready to be asked.

    Parameters
    ----------
    network : Network
    frequency_hz : ndarray, shape (frequencies,)
        Above 0.
    driver_impedance_ohm : mapping of str to ndarray, shape (frequencies,) or (draws, frequencies)
        Of each driver on its own terminals, by its name; not 0.
    values : mapping of str to float or ndarray, shape (draws,), optional
        Values that differ from those of the netlist, in F, H, ohm, by the names of parts; ``L1.loss`` is the loss of
        L1, whether the netlist has one or not. An admittance of 0 (a capacitor of 0 F, a coil of inf H) is an absent
        part; a resistor may not be 0.

    Returns
    -------
    Circuit
        Its arrays have the shape (draws, frequencies), or (frequencies,) where nothing is drawn.

    Raises
    ------
    StillboxError
        If a name is no part, a driver has no impedance, or a frequency is not above 0.
    """
    frequency_hz = np.asarray(frequency_hz, dtype=float)
    if frequency_hz.ndim != 1 or not frequency_hz.size or not (frequency_hz > 0).all():
        raise StillboxError("a network is asked for at a frequency that is not above 0 Hz", "give frequencies above 0")
    drawn = any(np.ndim(value) for value in (values or {}).values()) or any(
        np.ndim(impedance) == 2 for impedance in driver_impedance_ohm.values()
    )
    s = 2j * np.pi * frequency_hz
    s = s[None, :] if drawn else s
    columns = {name: np.asarray(value, dtype=float)[..., None] for name, value in (values or {}).items()}
    return circuit_of_arrays(known_values(network, columns, s.ndim), s, driver_impedance_ohm)


@dataclass(frozen=True)
class KnownValues:
    """A network with the value of everything in it, not yet at any frequency.

    Attributes
    ----------
    network : Network
    values : mapping of str to ndarray
        Of every part and loss, SI units.
    branches : tuple of (Branch, Impedance)
    """

    network: Network
    values: Mapping[str, FloatArray]
    branches: tuple[tuple[Branch, Impedance], ...]


def known_values(network: Network, values: Values, axes: int, scratch: Scratch | None = None) -> KnownValues:
    """The values of a network, those of the netlist where no other is given, each with so many axes.

    Their numbers are as exact as those of the scratch.

    Raises
    ------
    StillboxError
        If a name is no part of the network.
    """
    own: dict[str, float | FloatArray] = {
        part.name + end: number for part in network.parts for end, number in (("", part.value), (LOSS, part.loss_ohm))
    }
    names = {name.casefold(): name for name in own}
    without_loss = {(part.name + LOSS).casefold() for part in network.parts if part.kind == "resistor"}
    for name, value in values.items():
        if name.casefold() not in names or name.casefold() in without_loss:
            there = ", ".join(part.name for part in network.parts)
            raise StillboxError(
                f"the network has no part '{name}'", f"its parts are {there}; the loss of one is named as in L1{LOSS}"
            )
        own[names[name.casefold()]] = value
    real = np.empty(0, (scratch or Scratch()).dtype).real.dtype
    known = {name: _with_axes(np.asarray(value, dtype=real), axes) for name, value in own.items()}
    branches = tuple((branch, branch_impedance(branch, known)) for branch in branches_of(network))
    return KnownValues(network, known, branches)


def circuit_of_arrays(
    known: KnownValues,
    s_rad_s: ComplexArray,
    driver_impedance_ohm: Mapping[str, ComplexArray],
    scratch: Scratch | None = None,
) -> Circuit:
    """As `circuit_at`, for arrays that broadcast with each other as they are, draws and frequencies on any axis.

    Parameters
    ----------
    known : KnownValues
    s_rad_s : ndarray
        j times the angular frequency.
    driver_impedance_ohm : mapping of str to ndarray
        Of each driver.
    scratch : Scratch, optional
        With it, the circuit holds until the next one is made with it.

    Raises
    ------
    StillboxError
        If a driver has no impedance.
    """
    for place in known.network.drivers:
        if place.name not in driver_impedance_ohm:
            raise StillboxError(
                f"the impedance of the driver '{place.name}' is not known", "sweep it, or leave it out of the network"
            )
    scratch = scratch or Scratch()
    drivers: dict[str, NDArray[Any]] = {
        place.name: 1 / _with_axes(np.asarray(driver_impedance_ohm[place.name], dtype=scratch.dtype), s_rad_s.ndim)
        for place in known.network.drivers
    }
    s_rad_s = s_rad_s.astype(scratch.dtype, copy=False)
    arrays = (s_rad_s, *known.values.values(), *drivers.values())
    shape = np.broadcast_shapes(*(array.shape for array in arrays))
    scratch.clear(shape)
    admittances = tuple(
        (branch, admittance(impedance, s_rad_s.imag, scratch.take(shape))) for branch, impedance in known.branches
    )
    return Circuit(known.network, s_rad_s, known.values, admittances, drivers, scratch)


def _with_axes(array: NDArray[Any] | float, axes: int) -> NDArray[Any]:
    array = np.asarray(array)
    return array.reshape((1,) * (axes - array.ndim) + array.shape)
