"""How input impedance and transfers follow the values of the parts: exact derivatives by the adjoint network.

A network of two-terminal elements is reciprocal. With I_k the current in element k for 1 V at the terminals, the input
admittance follows its impedance as dY/dz_k = -I_k^2, so dZ/dz_k = (Z I_k)^2: the square of what of the current at the
terminals goes through it. With J_k its current for 1 A into driver d and the terminals shorted, dH_d/dz_k = J_k I_k
(Director and Rohrer, IEEE Trans. Circuit Theory 16, 318, 1969 [M]). One solution for each driver serves all parts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from stillbox.analysis.network.network import LOSS, Part
from stillbox.analysis.network.nodal import Circuit
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

    def by_impedance(current: ComplexArray) -> ComplexArray:
        return (impedance * current) ** 2

    currents = circuit.part_currents(circuit.voltages)
    return Sensitivity(
        {
            name: by_impedance(currents[part.name]) * slope
            for part in circuit.network.parts
            for name, slope in impedance_slopes(circuit, part)
        },
        {name: by_impedance(current) for name, current in circuit.driver_currents(circuit.voltages).items()},
    )


def transfer_sensitivity(circuit: Circuit, driver: str) -> Sensitivity:
    """Derivatives of the voltage across a driver over that at the terminals, 1 per unit of each value."""
    adjoint = circuit.taken_apart.injected(*circuit.place(driver).nodes)
    unit = np.ones(circuit.shape)
    currents, of_drivers = circuit.part_currents(circuit.voltages), circuit.driver_currents(circuit.voltages)
    answers, of_adjoint = circuit.part_currents(adjoint), circuit.driver_currents(adjoint)
    return Sensitivity(
        {
            name: answers[part.name] * currents[part.name] * slope * unit
            for part in circuit.network.parts
            for name, slope in impedance_slopes(circuit, part)
        },
        {name: of_adjoint[name] * of_drivers[name] * unit for name in of_drivers},
    )


def impedance_slopes(circuit: Circuit, part: Part) -> Iterator[tuple[str, ComplexArray | float]]:
    """Derivatives of a part's impedance by its value and its loss."""
    if part.kind == "resistor":
        yield part.name, 1.0
        return
    s, value = circuit.s_rad_s, circuit.values[part.name]
    yield part.name, s if part.kind == "coil" else -1 / (s * value**2)
    yield part.name + LOSS, 1.0
