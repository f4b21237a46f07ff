"""Closed form of a circuit's impedance over complex frequency, lines included exactly."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reference.speaker_circuit import (
    Branch,
    Cavity,
    Coil,
    Driver,
    Leak,
    Port,
    SpeakerCircuit,
    line_constants,
    port_mass_kg_per_m4,
)

ComplexArray = NDArray[np.complexfloating]
FloatArray = NDArray[np.floating]


def impedance_ohm(circuit: SpeakerCircuit, frequency_hz: FloatArray) -> ComplexArray:
    """Impedance at real frequencies, shape of ``frequency_hz``; at 0 Hz the coil's resistance."""
    frequency_hz = np.asarray(frequency_hz, dtype=float)
    result = np.full(frequency_hz.shape, circuit.driver.coil.resistance_ohm, dtype=complex)
    above = frequency_hz > 0
    s = 2j * np.pi * frequency_hz[above]
    result[above] = coil_ohm(circuit.driver.coil, s) + motional_ohm(circuit, s)
    return result


def coil_ohm(coil: Coil, s: ComplexArray) -> ComplexArray:
    """Electrical impedance of the coil with the cone held."""
    total = coil.resistance_ohm + coil.inductance_h * s
    for resistance, inductance in coil.sections:
        total = total + resistance * inductance * s / (resistance + inductance * s)
    return total


def motional_ohm(circuit: SpeakerCircuit, s: ComplexArray) -> ComplexArray:
    """What the cone's motion adds to the coil's impedance: (Bl)^2 over the mechanical impedance."""
    return circuit.driver.force_factor_tm**2 / mechanical_impedance(circuit, s)


def mechanical_impedance(circuit: SpeakerCircuit, s: ComplexArray) -> ComplexArray:
    """Force over velocity at the cone, box included; its zeros are the poles of the electrical impedance."""
    total = _cone(circuit.driver, s)
    if circuit.cavity is not None:
        total = total + circuit.driver.area_m2**2 * acoustic_impedance(circuit, s)
    return total


def _cone(driver: Driver, s: ComplexArray) -> ComplexArray:
    total = driver.moving_mass_kg * s + driver.resistance_ns_per_m + 1 / (driver.compliance_m_per_n * s)
    for hung in driver.hung:
        spring = hung.resistance_ns_per_m + 1 / (hung.compliance_m_per_n * s)
        mass = hung.mass_kg * s
        total = total + mass * spring / (mass + spring)
    return total


def acoustic_impedance(circuit: SpeakerCircuit, s: ComplexArray) -> ComplexArray:
    """Pressure over volume flow at the cone, looking into the box, shape of ``s``."""
    whole = cavity_matrix(circuit, s)
    if not circuit.branches:
        return whole[:, 0, 0]
    among = whole[:, 1:, 1:].copy()
    for index, branch in enumerate(circuit.branches):
        among[:, index, index] += _branch(branch, circuit.cavity, s)
    across = whole[:, 1:, 0]
    return whole[:, 0, 0] - np.einsum("ni,ni->n", across, np.linalg.solve(among, across[:, :, None])[:, :, 0])


def characteristic(circuit: SpeakerCircuit, s: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
    """Sign and natural logarithm of the magnitude of an entire function (but for s = 0) whose zeros are the poles.

    Determinant of the network seen from cone and branches, times what its own poles (lines with rigid ends, hung
    masses with the cone held, pipes) would make infinite. Unlike `mechanical_impedance` it has no pole next to the
    zero of a weakly coupled resonance, so Newton's method and the argument principle work on it.
    """
    driver, cavity = circuit.driver, circuit.cavity
    factors = [
        hung.mass_kg * s + hung.resistance_ns_per_m + 1 / (hung.compliance_m_per_n * s) for hung in driver.hung
    ]
    network = _cone(driver, s)[:, None, None]
    if cavity is not None:
        network = cavity_matrix(circuit, s)
        network[:, 0, 0] += _cone(driver, s) / driver.area_m2**2
        for index, branch in enumerate(circuit.branches):
            network[:, index + 1, index + 1] += _branch(branch, cavity, s)
            if isinstance(branch, Port) and branch.pipe:
                gamma = np.sqrt(s * (s + branch.pipe_damping_per_s)) / cavity.speed_m_s
                factors.append(np.cosh(gamma * branch.length_m))
        for line in cavity.lines:
            gamma = np.sqrt(s * (s + line.damping_per_s)) / cavity.speed_m_s
            factors.append(np.sinh(gamma * line.length_m) / gamma)
    sign, logarithm = np.linalg.slogdet(network)
    for factor in factors:
        sign = sign * factor / np.abs(factor)
        logarithm = logarithm + np.log(np.abs(factor))
    return sign, logarithm


def cavity_matrix(circuit: SpeakerCircuit, s: ComplexArray) -> ComplexArray:
    """Pressure at each place (cone, branches) from flow into each, shape (n, places, places)."""
    cavity = circuit.cavity
    assert cavity is not None
    places = 1 + len(circuit.branches)
    uniform = 1 / (cavity.compliance_m3_per_pa * s)
    common = (1 - len(cavity.lines)) * uniform + cavity.outside_kg_per_m4 * s
    total = np.repeat(common, places * places).reshape(-1, places, places)
    for index, line in enumerate(cavity.lines):
        area_m2 = cavity.volume_m3 / line.length_m
        resistance, mass, compliance = line_constants(cavity, area_m2, line.damping_per_s)
        gamma = np.sqrt(compliance * s * (resistance + mass * s))
        factor = gamma / (compliance * s) / np.sinh(gamma * line.length_m)
        at_m = circuit.places_m(index)
        before = [np.cosh(gamma * place_m) for place_m in at_m]
        behind = [np.cosh(gamma * (line.length_m - place_m)) for place_m in at_m]
        for row in range(places):
            for column in range(row, places):
                low, high = (row, column) if at_m[row] <= at_m[column] else (column, row)
                value = factor * before[low] * behind[high]
                total[:, row, column] += value
                if row != column:
                    total[:, column, row] += value
    return total


def _branch(branch: Branch, cavity: Cavity | None, s: ComplexArray) -> ComplexArray:
    assert cavity is not None
    if isinstance(branch, Port):
        total = branch.resistance_pa_s_per_m3 + port_mass_kg_per_m4(branch, cavity) * s
        return total + _pipe(branch, cavity, s) if branch.pipe else total
    if isinstance(branch, Leak):
        return branch.resistance_pa_s_per_m3 + branch.mass_kg_per_m4 * s
    return branch.resistance_pa_s_per_m3 + branch.mass_kg_per_m4 * s + 1 / (branch.compliance_m3_per_pa * s)


def _pipe(port: Port, cavity: Cavity, s: ComplexArray) -> ComplexArray:
    """Line open to the outside: Zc tanh(gamma l)."""
    resistance, mass, compliance = line_constants(cavity, port.area_m2, port.pipe_damping_per_s)
    gamma = np.sqrt(compliance * s * (resistance + mass * s))
    return gamma / (compliance * s) * np.tanh(gamma * port.length_m)
