"""What a network does with its drivers: input impedance, voltage at each driver, current and heat in each resistor.

Values may be arrays of draws: everything is computed for all draws and frequencies at once
(`analysis.network.elimination`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stillbox.analysis.network.elimination import Elimination, Scratch, Voltages, eliminate
from stillbox.analysis.network.parts import GROUND, LOSS, DriverPlace, Network, Part
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
    admittances : mapping of str to ndarray
        Of each part with its loss, S, by its name.
    driver_admittances : mapping of str to ndarray
        Of each driver, S, by its name.
    scratch : Scratch
        Where its arrays come from.
    """

    network: Network
    s_rad_s: ComplexArray
    values: Mapping[str, FloatArray]
    admittances: Mapping[str, ComplexArray]
    driver_admittances: Mapping[str, ComplexArray]
    scratch: Scratch

    @cached_property
    def taken_apart(self) -> Elimination:
        parts = [(part.nodes, self.admittances[part.name]) for part in self.network.parts]
        drivers = [(driver.nodes, self.driver_admittances[driver.name]) for driver in self.network.drivers]
        return eliminate([*parts, *drivers], self.scratch)

    @cached_property
    def voltages(self) -> Voltages:
        """Of all nodes for 1 V at the terminals."""
        return self.taken_apart.driven()

    @property
    def shape(self) -> tuple[int, ...]:
        return self.taken_apart.weak.shape

    @property
    def input_impedance_ohm(self) -> ComplexArray:
        """Of the speaker at its terminals."""
        with np.errstate(divide="raise"):
            return 1 / np.broadcast_to(self.taken_apart.input_admittance, self.shape)

    def transfer(self, driver: str) -> ComplexArray:
        """Voltage across a driver, its positive terminal against the other, for 1 V at the terminals."""
        place = next(place for place in self.network.drivers if place.name == driver)
        return np.broadcast_to(self.across(place, self.voltages), self.shape)

    def across(self, element: Part | DriverPlace, voltages: Voltages) -> ComplexArray:
        """Voltage across an element, from the first of its nodes to the second."""
        one, other = element.nodes
        if other == GROUND:
            return voltages[one]
        return voltages[one] - voltages[other]

    def resistor_currents(self) -> dict[str, ComplexArray]:
        """Current in each resistor, losses too, A for 1 V at the terminals; by the names in the netlist."""
        currents: dict[str, ComplexArray] = {}
        for part in self.network.parts:
            name = part.name if part.kind == "resistor" else part.loss_name
            if name:
                current = self.admittances[part.name] * self.across(part, self.voltages)
                currents[name] = np.broadcast_to(current, self.shape)
        return currents

    def resistor_watts(self, terminal_volts: float | FloatArray) -> dict[str, FloatArray]:
        """Heat in each resistor, losses too, W.

        Parameters
        ----------
        terminal_volts : float or ndarray, shape (frequencies,)
            V rms at the terminals.
        """
        ohm = {}
        for part in self.network.parts:
            if part.kind == "resistor":
                ohm[part.name] = self.values[part.name]
            elif part.loss_name:
                ohm[part.loss_name] = self.values[part.name + LOSS]
        return {
            name: np.abs(current * terminal_volts) ** 2 * ohm[name]
            for name, current in self.resistor_currents().items()
        }


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
    columns = {name: np.asarray(value, dtype=float)[..., None] for name, value in (values or {}).items()}
    s = 2j * np.pi * frequency_hz
    return circuit_of_arrays(network, s[None, :] if drawn else s, driver_impedance_ohm, columns)


def circuit_of_arrays(
    network: Network,
    s_rad_s: ComplexArray,
    driver_impedance_ohm: Mapping[str, ComplexArray],
    values: Mapping[str, FloatArray],
    scratch: Scratch | None = None,
) -> Circuit:
    """As `circuit_at`, for arrays that broadcast with each other as they are, draws and frequencies on any axis.

    With a ``scratch`` the circuit holds until the next one is made with it.
    """
    _check_names(network, driver_impedance_ohm, values)
    folded = {name.casefold(): value for name, value in values.items()}
    unit = (1,) * s_rad_s.ndim
    used: dict[str, FloatArray] = {}
    for part in network.parts:
        used[part.name] = _with_axes(folded.get(part.name.casefold(), part.value), unit)
        used[part.name + LOSS] = _with_axes(folded.get((part.name + LOSS).casefold(), part.loss_ohm), unit)
    drivers: dict[str, NDArray[Any]] = {
        place.name: 1 / _with_axes(np.asarray(driver_impedance_ohm[place.name], dtype=complex), unit)
        for place in network.drivers
    }
    arrays = (s_rad_s, *used.values(), *drivers.values())
    shape = np.broadcast_shapes(*(array.shape for array in arrays))
    scratch = scratch or Scratch()
    scratch.clear(shape)
    admittances = {
        part.name: _admittance(part, s_rad_s.imag, used[part.name], used[part.name + LOSS], lambda: scratch.take(shape))
        for part in network.parts
    }
    return Circuit(network, s_rad_s, used, admittances, drivers, scratch)


def _with_axes(array: NDArray[Any] | float, unit: tuple[int, ...]) -> NDArray[Any]:
    array = np.asarray(array)
    return array.reshape(unit[array.ndim :] + array.shape)


def _admittance(
    part: Part, w_rad_s: FloatArray, value: FloatArray, loss_ohm: FloatArray, take: Callable[[], ComplexArray]
) -> ComplexArray:
    """Of a part with its loss in series, S."""
    with np.errstate(divide="ignore"):  # an absent part
        if part.kind == "resistor":
            return np.reciprocal(value)
        admittance = take()
        lossy = bool(np.any(loss_ohm))
        if part.kind == "capacitor" and not lossy:
            admittance.real = 0.0
            np.multiply(w_rad_s, value, out=admittance.imag)
            return admittance
        admittance.real = loss_ohm
        if part.kind == "coil":
            np.multiply(w_rad_s, value, out=admittance.imag)
        else:
            np.multiply(-1 / w_rad_s, 1 / value, out=admittance.imag)
        return np.reciprocal(admittance, out=admittance)


def _check_names(
    network: Network, driver_impedance_ohm: Mapping[str, ComplexArray], values: Mapping[str, FloatArray]
) -> None:
    for place in network.drivers:
        if place.name not in driver_impedance_ohm:
            raise StillboxError(
                f"the impedance of the driver '{place.name}' is not known", "sweep it, or leave it out of the network"
            )
    own = {part.name.casefold() for part in network.parts}
    lossy = {(part.name + LOSS).casefold() for part in network.parts if part.kind != "resistor"}
    for name in values:
        if name.casefold() not in own | lossy:
            there = ", ".join(part.name for part in network.parts)
            raise StillboxError(
                f"the network has no part '{name}'", f"its parts are {there}; the loss of one is named as in L1{LOSS}"
            )
