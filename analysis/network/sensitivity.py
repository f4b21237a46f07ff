"""How input impedance and transfers follow the values of the parts: exact derivatives by the adjoint network.

A network of two-terminal elements is reciprocal. With U_k the voltage across element k for 1 V at the terminals, the
input admittance follows its admittance as dY/dy_k = U_k^2, so dZ/dy_k = -(Z U_k)^2: the square of the transfer
impedance. With W_k the voltage across it for 1 A into driver d and the terminals shorted, dH_d/dy_k = -W_k U_k
(Director and Rohrer, IEEE Trans. Circuit Theory 16, 318, 1969 [M]). One solution for each driver serves all parts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from stillbox.analysis.network.nodal import Circuit
from stillbox.analysis.network.parts import LOSS, DriverPlace, Part
from stillbox.capture.arrays import ComplexArray


@dataclass(frozen=True)
class Sensitivity:
    """Derivatives of one complex quantity.

    Attributes
    ----------
    by_value : mapping of str to ndarray
        With respect to each value of the network, per F, H or ohm: ``C2``, ``L1``, and ``L1.loss`` of every coil and
        capacitor, whether the netlist has a loss or not.
    by_driver : mapping of str to ndarray
        With respect to the impedance of each driver, per ohm.
    """

    by_value: Mapping[str, ComplexArray]
    by_driver: Mapping[str, ComplexArray]


def input_impedance_sensitivity(circuit: Circuit) -> Sensitivity:
    """Derivatives of the input impedance, ohm per unit of each value; shape as that of the circuit."""
    impedance = circuit.input_impedance_ohm
    voltages = circuit.voltages

    def by_admittance(element: Part | DriverPlace) -> ComplexArray:
        return -((impedance * circuit.across(element, voltages)) ** 2)

    return Sensitivity(
        {
            name: by_admittance(part) * slope
            for part in circuit.network.parts
            for name, slope in _slopes(circuit, part)
        },
        {place.name: by_admittance(place) * _driver_slope(circuit, place) for place in circuit.network.drivers},
    )


def transfer_sensitivity(circuit: Circuit, driver: str) -> Sensitivity:
    """Derivatives of the voltage across a driver over that at the terminals, 1 per unit of each value."""
    place = next(place for place in circuit.network.drivers if place.name == driver)
    voltages, adjoint = circuit.voltages, circuit.taken_apart.injected(*place.nodes)

    def by_admittance(element: Part | DriverPlace) -> ComplexArray:
        product = -circuit.across(element, adjoint) * circuit.across(element, voltages)
        return np.broadcast_to(product, circuit.shape)

    return Sensitivity(
        {
            name: by_admittance(part) * slope
            for part in circuit.network.parts
            for name, slope in _slopes(circuit, part)
        },
        {other.name: by_admittance(other) * _driver_slope(circuit, other) for other in circuit.network.drivers},
    )


def _slopes(circuit: Circuit, part: Part) -> Iterator[tuple[str, ComplexArray]]:
    """Derivatives of a part's admittance by its value and its loss."""
    admittance = circuit.admittances[part.name]
    by_ohm = -(admittance**2)
    value = circuit.values[part.name]
    if part.kind == "resistor":
        yield part.name, by_ohm
        return
    by_value = by_ohm * circuit.s_rad_s if part.kind == "coil" else -by_ohm / (circuit.s_rad_s * value**2)
    yield part.name, by_value
    yield part.name + LOSS, by_ohm


def _driver_slope(circuit: Circuit, place: DriverPlace) -> ComplexArray:
    return -(circuit.driver_admittances[place.name] ** 2)
