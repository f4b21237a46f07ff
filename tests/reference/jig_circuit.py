"""The measuring jig as a circuit: source, reference resistor, leads and the loading by the two inputs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

ComplexArray = NDArray[np.complex128]
AnyComplex = NDArray[np.complexfloating]


@dataclass(frozen=True)
class Jig:
    """Electrical side of a measurement. The lead resistance lies between the clips' node and the speaker.

    high-side: input 1 on the source side of the reference resistor, input 2 on the clips side.
    low-side: input 1 across speaker and resistor, input 2 across the resistor to ground.
    """

    kind: Literal["high-side", "low-side"] = "high-side"
    reference_ohm: float = 10.0
    source_ohm: float = 0.0
    lead_ohm: float = 0.0
    input_ohm: float = math.inf

    @property
    def input_siemens(self) -> float:
        return 1 / self.input_ohm


def node_voltages(jig: Jig, device_ohm: AnyComplex) -> tuple[ComplexArray, ComplexArray]:
    """Voltage at inputs 1 and 2 for a source of 1 V; ``device_ohm`` may be infinite (open)."""
    series = _series_ohm(jig, device_ohm)
    loading = jig.input_siemens
    if jig.kind == "high-side":
        # Seen from input 1: reference resistor, then device and input 2 in parallel to ground.
        parallel = series / (1 + series * loading)
        total = jig.reference_ohm + parallel
        ratio = parallel / total
    else:
        lower = jig.reference_ohm / (1 + jig.reference_ohm * loading)
        total = series + lower
        ratio = lower / total
    first = 1 / (1 + jig.source_ohm * (loading + 1 / total))
    return first, first * ratio


def matched_voltages(jig: Jig, device_ohm: AnyComplex) -> tuple[ComplexArray, ComplexArray]:
    """Both inputs on the source side of the reference resistor (channel match)."""
    admittance = 1 / (jig.reference_ohm + _series_ohm(jig, device_ohm))
    voltage = 1 / (1 + jig.source_ohm * (admittance + 2 * jig.input_siemens))
    return voltage, voltage


def emf_voltages(jig: Jig, device_ohm: AnyComplex) -> tuple[ComplexArray, ComplexArray]:
    """Voltage at inputs 1 and 2 from 1 V in series with the device, source at rest (high-side or low-side).

    The sign is that of a voltage drop: positive current into the device meets the voltage as it meets the device.
    """
    loading = jig.input_siemens
    source = loading + (1 / jig.source_ohm if jig.source_ohm else math.inf)
    series = _series_ohm(jig, device_ohm)
    if jig.kind == "high-side":
        beyond = 1 / (jig.reference_ohm + 1 / source) + loading
        second = 1 / (1 + series * beyond)
        return second / (1 + jig.reference_ohm * source), second
    lower = 1 / (1 / jig.reference_ohm + loading)
    current = 1 / (series + lower + 1 / source)
    return current / source, -current * lower


def device_current(jig: Jig, device_ohm: AnyComplex) -> ComplexArray:
    """Current through the device for a source of 1 V, A."""
    first, second = node_voltages(jig, device_ohm)
    across = second if jig.kind == "high-side" else first - second
    return across / _series_ohm(jig, device_ohm)


def _series_ohm(jig: Jig, device_ohm: AnyComplex) -> ComplexArray:
    """Device and its leads, shape of ``device_ohm``; open is a finite 1e18 ohm, beyond double precision here."""
    device: ComplexArray = np.array(device_ohm, dtype=complex)
    device[~np.isfinite(device)] = 1e18
    return np.asarray(device + jig.lead_ohm, dtype=complex)
