"""Impedance of a capacitor, a coil and a resistor as they are built, by numbers with names.

Loss of a dielectric or of iron is a power of ``j omega`` whose exponent goes slowly with frequency: the core is
``1/(j omega C) exp P(u)`` or ``j omega L exp(-P(u))`` with ``u = ln(j f / 1 kHz)`` and a polynomial P without a
constant. P of the first degree is a constant-phase element: a loss factor that does not depend on frequency goes with a
value that does, as causality asks (its exponent is ``1 - 2 delta / pi``). ``Im P`` is the loss angle, linear in the
coefficients.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from stillbox.analysis.parts.kinds import Kind
from stillbox.capture.arrays import ComplexArray, FloatArray

AT_HZ = 1000.0
"""Values are those at this frequency."""
EDDY_HZ = 10_000.0
"""Where the loss by eddy currents is told."""

CORNER_HZ, CORNER_SPREAD = 40_000.0, math.log(2.5)
"""Where eddy currents in wire and iron have shielded half of their flux, and the spread of its logarithm (common
practice, no source); it enters only where the loss is too small to tell it."""
CORNER_RANGE_HZ = (1e3, 1e7)

MOST_EXPONENT = 80.0
ANGLE_SOFTNESS = 5e-5
"""Of a loss angle, radian."""

Values = Mapping[str, FloatArray]
"""Number by name; arrays of shape (draws, 1) or floats."""


@dataclass(frozen=True)
class Parameter:
    """One number of a part.

    Attributes
    ----------
    name : str
        With its unit; ``ln_`` is the logarithm.
    step : float
        Of differences, and its size in a fit.
    usual, spread : float
        What is known of it beforehand; an endless spread is nothing.
    """

    name: str
    step: float
    usual: float = 0.0
    spread: float = math.inf


@dataclass(frozen=True)
class Bounds:
    """``rows @ numbers + offsets`` is not below 0, but for ``softness``.

    That is how far a model may miss, as a standard deviation. Shapes (bounds, parameters), (bounds,), (bounds,).
    """

    rows: FloatArray
    offsets: FloatArray
    softness: FloatArray


@dataclass(frozen=True)
class PartModel:
    """A part of a kind with ``degree`` numbers for the loss of its dielectric or core."""

    kind: Kind
    degree: int = 0

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        own = {
            "capacitor": (
                Parameter("ln_farad", 1e-4),
                Parameter("series_ohm", 1e-3),
                Parameter("lead_h", 1e-9, 2e-8, 2e-7),
            ),
            "coil": (
                Parameter("ln_henry", 1e-4),
                Parameter("series_ohm", 1e-3),
                Parameter("eddy", 1e-4),
                Parameter("ln_corner_hz", 1e-2, math.log(CORNER_HZ), CORNER_SPREAD),
                Parameter("winding_s2", 1e-16, 0.0, 1e-11),
            ),
            "resistor": (Parameter("ln_ohm", 1e-4), Parameter("lead_h", 1e-9)),
        }[self.kind]
        return (*own, *(Parameter(f"loss_{order}", 1e-4) for order in self._orders))

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(parameter.name for parameter in self.parameters)

    @property
    def _orders(self) -> range:
        return range(1, self.degree + 1)

    def values(self, numbers: FloatArray) -> Values:
        """By name from an array, shape (parameters,) or (draws, parameters); logarithms kept where exp can follow."""
        columns = zip(self.names, np.atleast_2d(numbers).T, strict=True)
        return {
            name: (np.clip(column, -MOST_EXPONENT, MOST_EXPONENT) if name.startswith("ln_") else column)[:, None]
            for name, column in columns
        }

    def core(self, values: Values, frequency_hz: FloatArray) -> ComplexArray:
        """Impedance of dielectric, winding or wire alone, shape (draws, frequencies), ohm."""
        s = 2j * np.pi * frequency_hz
        if self.kind == "resistor":
            return np.exp(values["ln_ohm"]) * np.ones(frequency_hz.size, complex)
        angle: ComplexArray = np.zeros(frequency_hz.size, complex)
        for order in self._orders:
            angle = angle + values[f"loss_{order}"] * _basis(order, frequency_hz)
        if self.kind == "capacitor":
            result: ComplexArray = _limited_exp(angle - values["ln_farad"]) / s
            return result
        corner_hz = np.exp(np.clip(values["ln_corner_hz"], *np.log(CORNER_RANGE_HZ)))
        turned = 1j * frequency_hz / corner_hz
        shielded = values["eddy"] * corner_hz / EDDY_HZ * turned / (1 + turned)
        result = s * _limited_exp(values["ln_henry"] - angle) * (1 - shielded)
        return np.asarray(result)

    def impedance(self, numbers: FloatArray, frequency_hz: FloatArray) -> ComplexArray:
        """Of the whole part, ohm, shape (draws, frequencies)."""
        values = self.values(numbers)
        core, s = self.core(values, frequency_hz), 2j * np.pi * frequency_hz
        if self.kind == "coil":
            # The winding's capacitance as square of the time of the self-resonance, L C.
            capacitance = values["winding_s2"] / np.exp(values["ln_henry"])
            return values["series_ohm"] + core / (1 + s * capacitance * core)
        series = values["series_ohm"] if self.kind == "capacitor" else 0.0
        return series + s * values["lead_h"] + core

    def loss_angle(self, numbers: FloatArray, frequency_hz: FloatArray) -> FloatArray:
        """By which the core is off a pure reactance, radian, shape (draws, frequencies)."""
        core = self.core(self.values(numbers), frequency_hz)
        result: FloatArray = np.angle(1j * core if self.kind == "capacitor" else core / 1j)
        return result if self.kind == "capacitor" else -result

    def bounds(self, numbers: FloatArray, frequency_hz: FloatArray) -> Bounds:
        """What physics forbids to be below 0, linear about ``numbers``, in a band.

        No part gives power back: neither its resistance in series, nor its core anywhere in the band (of a coil: where
        its reactance counts); no inductance of leads and no capacitance of a winding is negative.
        """
        names = self.names
        softness = {"series_ohm": 1e-3, "lead_h": 5e-9, "winding_s2": 1e-15}
        own = [name for name in softness if name in names]
        rows = [np.eye(len(names))[names.index(name)] for name in own]
        places = self._places(frequency_hz[0], frequency_hz[-1])
        steps = np.diag([one.step for one in self.parameters])
        more, less = (self.loss_angle(numbers + sign * steps, places) for sign in (1, -1))
        slopes = ((more - less) / (2 * np.diag(steps)[:, None])).T
        offsets = self.loss_angle(numbers, places)[0] - slopes @ numbers
        return Bounds(
            np.vstack([*rows, *slopes]),
            np.concatenate([np.zeros(len(own)), offsets]),
            np.array([*(softness[name] for name in own), *(ANGLE_SOFTNESS for _ in places)]),
        )

    def _places(self, low_hz: float, high_hz: float) -> FloatArray:
        """Where the loss of the core is told: as many as it has numbers, three at most."""
        if self.kind == "resistor":
            return np.zeros(0)
        low_hz = max(low_hz, AT_HZ) if self.kind == "coil" else low_hz
        count = min(self.degree + (self.kind == "coil"), 3)
        return np.array([high_hz]) if count == 1 else np.geomspace(low_hz, high_hz, count)

    def value(self, numbers: FloatArray) -> FloatArray:
        """F (in series with the loss), H or ohm at 1 kHz, without leads and winding, shape (draws,)."""
        core = self.core(self.values(numbers), np.array([AT_HZ]))[:, 0]
        omega = 2 * np.pi * AT_HZ
        if self.kind == "resistor":
            return core.real
        return core.imag / omega if self.kind == "coil" else -1 / (omega * core.imag)

    def self_resonance_s2(self, numbers: FloatArray) -> FloatArray | None:
        """Square of 1/omega of the self-resonance, shape (draws,); None for a resistor."""
        values = self.values(numbers)
        if self.kind == "coil":
            return values["winding_s2"][:, 0]
        if self.kind == "capacitor":
            return (values["lead_h"] * np.exp(values["ln_farad"]))[:, 0]
        return None


def _limited_exp(exponent: ComplexArray) -> ComplexArray:
    """A fit may try what no part is; that must not end it."""
    result: ComplexArray = np.exp(np.clip(exponent.real, -MOST_EXPONENT, MOST_EXPONENT) + 1j * exponent.imag)
    return result


def _basis(order: int, frequency_hz: FloatArray) -> ComplexArray:
    """``u**order / order!`` with ``u = ln(j f / 1 kHz)``."""
    result: ComplexArray = (np.log(frequency_hz / AT_HZ) + 0.5j * np.pi) ** order / math.factorial(order)
    return result
