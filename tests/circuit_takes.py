"""Circuits as the analysis meets them, without a recording: exact impedance with the noise that a sweep leaves."""

from __future__ import annotations

import numpy as np
from reference.random_boxes import random_box
from reference.random_drivers import measured, random_driver
from reference.speaker_circuit import Driver, SpeakerCircuit

from stillbox.analysis.enclosure.box import BoxFit, fit_box
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.impedance.resonances import fit_resonances
from stillbox.analysis.lumped.driver import DriverFit, MeterReading, fit_driver
from stillbox.analysis.maths.quantity import Quantity
from stillbox.analysis.physics.shared_air import Mouth, shared_air_s2

NOISE = 1e-4
"""Relative to 10 ohm at 50 Hz: some 10 dB above a clean chain."""
POINT_MM = 0.1
"""The circuits' lines know no discs."""


def spectrum(circuit: SpeakerCircuit, seed: int, noise: float = NOISE, scale_std: float = 0.0) -> ImpedanceSpectrum:
    """A take of a circuit."""
    frequency_hz, impedance_ohm, variance_ohm2 = measured(circuit, np.random.default_rng(seed), noise)
    return ImpedanceSpectrum(frequency_hz, impedance_ohm, variance_ohm2, np.zeros(frequency_hz.size), scale_std)


def fitted_driver(
    driver: Driver, seed: int, noise: float = NOISE, meter: MeterReading | None = None, scale_std: float = 0.0
) -> DriverFit:
    """A free-air take, fitted."""
    take = spectrum(SpeakerCircuit(driver), seed, noise, scale_std)
    return fit_driver(take, fit_resonances(take, port=False), meter)


def fitted_box(circuit: SpeakerCircuit, driver: DriverFit, vented: bool, seed: int, noise: float = NOISE) -> BoxFit:
    """An in-box take, fitted; the box's inside and places known where it has standing waves."""
    take = spectrum(circuit, seed, noise)
    return fit_box(take, fit_resonances(take, port=vented), driver, vented, shared_air(circuit))


def shared_air(circuit: SpeakerCircuit) -> Quantity | None:
    """What a person who has measured the box inside can say of its air; None for a lumped or closed box."""
    cavity = circuit.cavity
    if cavity is None or not cavity.lines or not circuit.branches:
        return None
    port_mm = [1000 * place for place in circuit.branches[0].along_m]
    lengths_mm = [1000 * line.length_m for line in cavity.lines]
    cone_mm = [1000 * line.driver_m for line in cavity.lines]
    # Dimensions that the circuit does not have as lines are too short to matter.
    missing = 3 - len(lengths_mm)
    inside, cone, port = (
        (values + [filler] * missing) for values, filler in ((lengths_mm, 1.0), (cone_mm, 0.5), (port_mm, 0.5))
    )
    return shared_air_s2((inside[0], inside[1], inside[2]), Mouth(*cone, POINT_MM), Mouth(*port, POINT_MM), 343.7)


def random_speaker(
    seed: int, vented: bool, leak: bool, standing_waves: bool
) -> tuple[Driver, SpeakerCircuit]:
    """A random driver and a random box around it."""
    generator = np.random.default_rng(seed)
    driver = random_driver(generator)
    return driver, random_box(generator, driver, vented, leak, standing_waves)
