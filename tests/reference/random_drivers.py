"""Random drivers, with the parameters that a measurement ought to find, and takes of them without a recording."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize

from reference.analytic import impedance_ohm, mechanical_impedance
from reference.speaker_circuit import Coil, Driver, HungMass, SpeakerCircuit, semi_inductance

RHO_C2 = 1.2 * 343.7**2


@dataclass(frozen=True)
class TrueDriver:
    """Small-signal parameters of a circuit; the hung masses move with the cone at its resonance."""

    re_ohm: float
    fs_hz: float
    qms: float
    qes: float
    mms_kg: float
    cms_m_per_n: float
    bl_tm: float
    vas_m3: float

    @property
    def qts(self) -> float:
        return self.qms * self.qes / (self.qms + self.qes)


def true_semi_inductance(re_ohm: float, factor: float, exponent: float) -> Coil:
    """``factor * s**exponent`` over the audio band: a ladder from 1e-8 Hz to 1 GHz, what lies above as inductance."""
    highest = 2 * np.pi * 1e9 * 10 ** (0.5 / 4)
    tail = factor * np.sin(exponent * np.pi) / np.pi * highest ** (exponent - 1) / (1 - exponent)
    return Coil(re_ohm, float(tail), semi_inductance(factor, exponent, 1e-8, 1e9, 4))


def random_driver(rng: np.random.Generator, coil: str = "any", hung: bool = True) -> Driver:
    """A driver of 10 to 38 cm with a coil of the kind ``section``, ``two sections`` or ``semi``."""
    area = float(np.pi / 4 * rng.uniform(0.10, 0.30) ** 2)
    mass = float(1.4 * area**1.5 * rng.uniform(5.0, 14.0))
    fs = float(28 + 4.0 * rng.uniform(0.5, 1.5) / area**0.5)
    compliance = 1 / ((2 * np.pi * fs) ** 2 * mass)
    re = float(rng.choice([3.2, 5.7, 6.4, 11.5]) * rng.uniform(0.95, 1.05))
    qes, qms = float(rng.uniform(0.25, 0.9)), float(rng.uniform(2.0, 9.0))
    omega = 2 * np.pi * fs
    bl = float(np.sqrt(omega * mass * re / qes))
    kind = rng.choice(["section", "two sections", "semi"]) if coil == "any" else coil
    inductance = float(re * rng.uniform(4e-5, 1.6e-4))

    def section(least_r: float, most_r: float, least_l: float, most_l: float) -> tuple[float, float]:
        return float(re * rng.uniform(least_r, most_r)), float(inductance * rng.uniform(least_l, most_l))

    if kind == "section":
        coil_part = Coil(re, inductance, (section(0.7, 3, 0.7, 2),))
    elif kind == "two sections":
        coil_part = Coil(re, inductance * 0.6, (section(1.5, 4, 0.5, 1), section(0.2, 0.7, 0.7, 2)))
    else:
        exponent = float(rng.uniform(0.55, 0.8))
        factor = float(re * rng.uniform(0.5, 1.5) / (2 * np.pi * 1000) ** exponent)
        coil_part = true_semi_inductance(re, factor, exponent)
    masses = tuple(
        HungMass(float(mass * rng.uniform(0.01, 0.05)), float(500 * 6 ** rng.uniform()), float(rng.uniform(4, 20)))
        for _ in range(rng.integers(0, 3) if hung else 0)
    )
    return Driver(
        coil=coil_part,
        force_factor_tm=bl,
        moving_mass_kg=mass - sum(m.mass_kg for m in masses),
        compliance_m_per_n=compliance,
        resistance_ns_per_m=omega * mass / qms,
        area_m2=area,
        hung=masses,
    )


def true_driver(driver: Driver) -> TrueDriver:
    """Parameters by their definitions (Small 1972) at the resonance, where the reactance of the cone vanishes.

    Hung masses move with the cone there, a little more than the cone itself.
    """
    circuit = SpeakerCircuit(driver)

    def reactance(omega: float) -> float:
        return float(mechanical_impedance(circuit, np.array([1j * omega]))[0].imag)

    nominal = 1 / np.sqrt(driver.moving_mass_kg * driver.compliance_m_per_n)
    omega = optimize.brentq(reactance, 0.5 * nominal, 1.1 * nominal, xtol=1e-12)
    loss = float(mechanical_impedance(circuit, np.array([1j * omega]))[0].real)
    mass = 1 / (omega**2 * driver.compliance_m_per_n)
    re = driver.coil.resistance_ohm
    return TrueDriver(
        re_ohm=re,
        fs_hz=float(omega / (2 * np.pi)),
        qms=float(omega * mass / loss),
        qes=float(omega * mass * re / driver.force_factor_tm**2),
        mms_kg=float(mass),
        cms_m_per_n=driver.compliance_m_per_n,
        bl_tm=driver.force_factor_tm,
        vas_m3=RHO_C2 * driver.area_m2**2 * driver.compliance_m_per_n,
    )


def with_mass(driver: Driver, added_kg: float) -> Driver:
    return replace(driver, moving_mass_kg=driver.moving_mass_kg + added_kg)


def measured(
    circuit: SpeakerCircuit,
    rng: np.random.Generator,
    noise: float = 3e-5,
    spacing_hz: float = 0.2,
    low_hz: float = 10.0,
    high_hz: float = 20_500.0,
):
    """Impedance at even spacing with the noise that a sweep leaves: its variance grows with frequency.

    Returns frequency in Hz, impedance in ohm, E|noise|^2 in ohm^2. ``noise`` is relative to 10 ohm at 50 Hz.
    """
    frequency = spacing_hz * np.arange(round(low_hz / spacing_hz), round(high_hz / spacing_hz))
    exact = impedance_ohm(circuit, frequency)
    reference = 10.0
    # Voltage divider with the reference resistor: the noise of the ratio counts (1 + Z/R)^2.
    variance = (noise * reference * np.abs(1 + exact / reference) ** 2) ** 2 * frequency / 50
    noise_values = rng.standard_normal(frequency.size) + 1j * rng.standard_normal(frequency.size)
    return frequency, exact + np.sqrt(variance / 2) * noise_values, variance
