"""The impedance of one driver, from that at the terminals and a network that is known.

Without the driver the network has the input admittance Y0, the voltage V across the driver's empty place for 1 V at
the terminals, and, with the terminals shorted, the impedance Z0 between the two nodes of that place. With the driver in
it, Y = Y0 + V^2/(Z0 + z) (the theorems of Thevenin and of reciprocity), so that z = V^2/(Y - Y0) - Z0.

What z owes to all else follows from the currents in the network as found: Y stays, so that
dz/dz_k = -(I_k/I_d)^2 for the impedance of any other element, and dz/dZ = (Y/I_d)^2 for that at the terminals, currents
for 1 V there. A part that is off by a little moves all frequencies together: that is carried, and not taken for noise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from stillbox.analysis.network.network import Network
from stillbox.analysis.network.nodal import Circuit, Values, circuit_at, voltage_across
from stillbox.analysis.network.sensitivity import Sensitivity, impedance_slopes
from stillbox.capture.arrays import ComplexArray, FloatArray


@dataclass(frozen=True)
class SeenThrough:
    """A driver's impedance behind its network; all arrays of shape (frequencies,), or (draws, frequencies).

    Attributes
    ----------
    impedance_ohm : ndarray
        On the driver's own terminals.
    by_terminals : ndarray
        Its derivative with respect to the impedance at the speaker's terminals.
    by_others : Sensitivity
        Its derivatives with respect to the values of the network, per F, H, ohm, and to the impedance of the other
        drivers.
    share : ndarray
        Current in the driver over that at the terminals, magnitude: where it is small, little can be seen.
    """

    impedance_ohm: ComplexArray
    by_terminals: ComplexArray
    by_others: Sensitivity
    share: FloatArray


def see_through(
    network: Network,
    frequency_hz: FloatArray,
    terminal_impedance_ohm: ComplexArray,
    driver: str,
    other_impedance_ohm: Mapping[str, ComplexArray],
    values: Values | None = None,
) -> SeenThrough:
    """The impedance that a driver must have for the terminals to have theirs.

    Parameters
    ----------
    network : Network
    frequency_hz : ndarray, shape (frequencies,)
        Above 0.
    terminal_impedance_ohm : ndarray, shape (frequencies,)
        At the speaker's terminals; not 0.
    driver : str
        Which one; it has its place in the network.
    other_impedance_ohm : mapping of str to ndarray
        Of all other drivers of the network, on their own terminals.
    values : mapping of str to float or ndarray, shape (draws,), optional
        As in `analysis.network.nodal.circuit_at`.

    Raises
    ------
    StillboxError
        As `analysis.network.nodal.circuit_at` does.
    """
    others = {name: impedance for name, impedance in other_impedance_ohm.items() if name != driver}
    place = next(place for place in network.drivers if place.name == driver)
    nothing = np.full(np.shape(frequency_hz), complex(np.inf, 0.0))
    without = circuit_at(network, frequency_hz, others | {driver: nothing}, values)
    voltage = voltage_across(place.nodes, without.voltages)
    behind = voltage_across(place.nodes, without.taken_apart.injected(*place.nodes))
    admittance = 1 / np.asarray(terminal_impedance_ohm)
    impedance = np.broadcast_to(
        voltage**2 / (admittance - without.taken_apart.input_admittance) - behind, without.shape
    )
    found = circuit_at(network, frequency_hz, others | {driver: impedance}, values)
    return _with_slopes(found, driver, impedance)


def _with_slopes(circuit: Circuit, driver: str, impedance_ohm: ComplexArray) -> SeenThrough:
    of_drivers = circuit.driver_currents(circuit.voltages)
    own = of_drivers.pop(driver)
    of_parts = circuit.part_currents(circuit.voltages)
    unit = np.ones(circuit.shape)
    share = own * circuit.input_impedance_ohm
    by_value = {
        name: -((of_parts[part.name] / own) ** 2) * slope * unit
        for part in circuit.network.parts
        for name, slope in impedance_slopes(circuit, part)
    }
    by_driver = {name: -((current / own) ** 2) * unit for name, current in of_drivers.items()}
    return SeenThrough(impedance_ohm, share**-2, Sensitivity(by_value, by_driver), np.abs(share))
