"""Impedance of coils, capacitors and resistors as they are built, with derivatives, for many speakers at once.

A netlist knows a value and a resistance. Real parts have more, and none of it is a fault: a coil loses in its core and
its turns, a capacitor in its dielectric, a wound resistor is a coil too. Each is a number whose logarithm has a normal
distribution, so that it is above 0 and may be many times its usual size (common practice, no source).

- Coil: ``R + s L (jf/f1)^(-2h/pi) (1 - e x/(1 + x))``, x = jf/fe: a flat loss factor h (hysteresis) and eddy currents.
- Capacitor: ``R + (jf/f1)^(2d/pi)/(s C)``: a flat loss factor d (constant phase; Jonscher, Nature 267, 673, 1977 [M]).
- Resistor: ``R + s l``.

f1 = 1 kHz: there the values are those that are told.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stillbox.analysis.network.network import Part
from stillbox.capture.arrays import ComplexArray, FloatArray

AT_HZ = 1000.0
TOLERANCE_STDS = 2.0
"""Standard deviations that a tolerance stands for. Evenly within it they would be 1.73 (JCGM 100, 4.3.7); but most
parts keep well within, and a normal distribution has no edge."""
TOLD_LOSS = 0.15
"""Standard deviation of the logarithm of a told loss: leads, temperature, other wire."""
USUAL_COIL_OHM, COIL_SPREAD = 0.3, 0.8
"""DC resistance of a coil of 1 mH of which none is told, by the root of the inductance; and of its logarithm."""
HYSTERESIS, EDDY, EDDY_HZ = (0.002, 1.2), (0.01, 1.2), (25e3, 0.5)
"""Middle, and standard deviation of the logarithm."""
ANY_OHM, ANY_FACTOR = (0.08, 2.0), (4e-3, 1.6)
"""Of a capacitor of which it is not known yet whether it is a foil."""
LEAST_FAULTY_OHM = 0.3
"""More than is told: less is no fault that anybody would look for."""
RESISTOR_H = (0.4e-6, 1.2)


@dataclass(frozen=True)
class Unknown:
    """A number of a part, as the factor exp(theta) on its middle.

    Attributes
    ----------
    what : str
        ``value``, ``loss``, or what else the part has.
    middle : float
        SI units.
    std : float
        Of theta.
    """

    what: str
    middle: float
    std: float


def unknowns_of(part: Part, tolerance_percent: float) -> tuple[Unknown, ...]:
    """What is not known of a part, its value first, its loss second."""
    value = Unknown("value", part.value, max(tolerance_percent, 0.1) / 100 / TOLERANCE_STDS)
    if part.kind == "resistor":
        return value, Unknown("lead", *RESISTOR_H)
    told = Unknown("loss", part.loss_ohm, TOLD_LOSS)
    if part.kind == "coil":
        usual = Unknown("loss", USUAL_COIL_OHM * (part.value / 1e-3) ** 0.5, COIL_SPREAD)
        rest = (Unknown("hysteresis", *HYSTERESIS), Unknown("eddy", *EDDY), Unknown("eddy_hz", *EDDY_HZ))
        return (value, told if part.loss_ohm else usual, *rest)
    return value, told if part.loss_ohm else Unknown("loss", *ANY_OHM), Unknown("factor", *ANY_FACTOR)


def part_impedance(kind: str, numbers: FloatArray, frequency_hz: FloatArray) -> tuple[ComplexArray, list[ComplexArray]]:
    """Impedance of a part and its derivatives by the logarithm of each of its numbers.

    Parameters
    ----------
    kind : str
    numbers : ndarray, shape (numbers, speakers)
        In the order of `unknowns_of`, SI units.
    frequency_hz : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (speakers, n), and one for each number
    """
    s = 2j * np.pi * frequency_hz
    columns = [number[:, None] for number in numbers]
    if kind == "resistor":
        resistance, lead = columns[0] + 0 * s, columns[1] * s
        return resistance + lead, [resistance, lead]
    turned = np.log(frequency_hz / AT_HZ) + 0.5j * np.pi  # ln(jf/f1)
    value, loss = columns[:2]
    unit = np.ones(frequency_hz.size)
    if kind == "capacitor":
        (factor,) = columns[2:]
        own = _power(2 / np.pi * factor, turned) / (s * value)
        return loss + own, [-own, loss * unit + 0j, 2 / np.pi * factor * turned * own]
    hysteresis, eddy, eddy_hz = columns[2:]
    x = 1j * frequency_hz / eddy_hz
    lossy = s * value * _power(-2 / np.pi * hysteresis, turned)
    less = eddy * x / (1 + x)
    own = lossy * (1 - less)
    return loss + own, [
        own,
        loss * unit + 0j,
        -2 / np.pi * hysteresis * turned * own,
        -lossy * less,
        lossy * less / (1 + x),
    ]


def _power(exponent: FloatArray, turned: ComplexArray) -> ComplexArray:
    """(jf/f1)^exponent from the logarithm of jf/f1; its phase is the same at all frequencies."""
    power: ComplexArray = np.exp(exponent * turned.real) * np.exp(0.5j * np.pi * exponent)
    return power
