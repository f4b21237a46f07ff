"""Random closed and vented boxes around random drivers, with what a measurement ought to find."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize

from reference.analytic import cavity_matrix
from reference.random_drivers import RHO_C2, true_driver
from reference.speaker_circuit import Cavity, Driver, Leak, Line, Port, SpeakerCircuit, port_mass_kg_per_m4


@dataclass(frozen=True)
class TrueBox:
    """Parameters by their definitions (Small 1973); None where the box has no such thing."""

    alpha: float
    fb_hz: float | None
    ql: float | None
    qp: float | None
    qa: float | None


def random_box(
    rng: np.random.Generator, driver: Driver, vented: bool, leak: bool, standing_waves: bool
) -> SpeakerCircuit:
    """A box that suits the driver: alpha 0.4 to 3, tuned near the driver's resonance; leak with QL 4 to 20."""
    true = true_driver(driver)
    alpha = np.exp(rng.uniform(np.log(0.5), np.log(3.0)))
    volume = true.vas_m3 / alpha
    lines: tuple[Line, ...] = ()
    dimensions = volume ** (1 / 3) * np.array([1.6, 1.0, 1 / 1.6])
    if standing_waves:
        count = int(rng.integers(1, 4))
        damping = rng.uniform(40, 250)
        lines = tuple(
            Line(name, float(length), float(length * rng.uniform(0.15, 0.85)), float(damping))
            for name, length in zip(("height", "width", "depth"), dimensions, strict=True)
        )[:count]
    cavity = Cavity(float(volume), lines)
    omega = 2 * np.pi * true.fs_hz * (rng.uniform(0.7, 1.2) if vented else np.sqrt(1 + alpha))
    branches: list[Port | Leak] = []
    if vented:
        branches.append(_port(rng, cavity, omega))
    if leak:
        resistance = rng.uniform(4, 20) / (omega * cavity.compliance_m3_per_pa)
        branches.append(Leak(float(resistance), along_m=_place(rng, cavity)))
    return SpeakerCircuit(driver, cavity, tuple(branches))


def _place(rng: np.random.Generator, cavity: Cavity) -> tuple[float, ...]:
    return tuple(float(line.length_m * rng.uniform(0.1, 0.9)) for line in cavity.lines)


def _port(rng: np.random.Generator, cavity: Cavity, omega: float) -> Port:
    area = np.pi / 4 * (0.25 * cavity.volume_m3 ** (1 / 3)) ** 2
    length = cavity.density_kg_m3 and area / (omega**2 * cavity.compliance_m3_per_pa * cavity.density_kg_m3)
    correction = 0.3 * length
    mass = cavity.density_kg_m3 * length / area
    return Port(
        area_m2=float(area),
        length_m=float(length - correction),
        end_correction_m=float(correction),
        resistance_pa_s_per_m3=float(omega * mass / rng.uniform(25, 100)),
        along_m=_place(rng, cavity),
    )


def true_box(circuit: SpeakerCircuit) -> TrueBox:
    """From the elements; the tuning from the exact reactance of air and port, standing waves included."""
    cavity = circuit.cavity
    assert cavity is not None
    compliance = cavity.compliance_m3_per_pa
    alpha = RHO_C2 * circuit.driver.area_m2**2 * circuit.driver.compliance_m_per_n / (
        cavity.volume_m3 * RHO_C2 / (cavity.density_kg_m3 * cavity.speed_m_s**2)
    )
    ports = [(i, b) for i, b in enumerate(circuit.branches) if isinstance(b, Port)]
    leaks = [b for b in circuit.branches if isinstance(b, Leak)]
    fb = qp = qa = None
    omega = 2 * np.pi * true_driver(circuit.driver).fs_hz * np.sqrt(1 + alpha)
    if ports:
        index, port = ports[0]
        mass = port_mass_kg_per_m4(port, cavity)

        def reactance(w: float) -> float:
            matrix = cavity_matrix(circuit, np.array([1j * w]))[0]
            return float((matrix[index + 1, index + 1] + 1j * w * mass).imag)

        nominal = 1 / np.sqrt(mass * compliance)
        omega = optimize.brentq(reactance, 0.6 * nominal, 1.2 * nominal)
        fb = omega / (2 * np.pi)
        qp = omega * mass / port.resistance_pa_s_per_m3 if port.resistance_pa_s_per_m3 else None
        if cavity.lines:
            shared = cavity_matrix(circuit, np.array([1j * omega]))[0][0, index + 1].real
            qa = 1 / (omega * compliance * shared)
    elif cavity.lines:
        own = cavity_matrix(circuit, np.array([1j * omega]))[0][0, 0].real
        qa = 1 / (omega * compliance * own)
    ql = omega * compliance * leaks[0].resistance_pa_s_per_m3 if leaks else None
    return TrueBox(float(alpha), fb, ql, qp, qa)
