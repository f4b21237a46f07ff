"""Fits as a good measurement would give them, from the poles and residues that a circuit is known to have."""

from __future__ import annotations

import math

import numpy as np
from reference.random_speakers import LEAST_Q, RandomSpeaker
from reference.truth import TrueResonance

from stillbox.analysis.impedance.findings import DetectionLimit, Resonance, ResonanceFit
from stillbox.capture.build.build_description import BuildDescription, DriverPlace, InsideSize, PortPlace

NOISE_OHM = 0.0025
"""Standard uncertainty of heights; those of frequency and Q follow (Q h / h each)."""


def fit_from_truth(
    truth: tuple[TrueResonance, ...], seed: int, least_height_ohm: float = 0.03, noise: float = 1.0
) -> tuple[ResonanceFit, list[TrueResonance]]:
    """A fit with its stated errors times ``noise`` laid on, and the truth of its resonances in the same order."""
    rng = np.random.default_rng([seed, 5])
    motional, broad, resonances, causes = [], [], [], []
    for one in truth:
        if one.height_ohm < least_height_ohm:
            continue
        measured = _measured(one, rng, noise)
        if one.cause == "fundamental":
            motional.append(measured)
        elif one.q < LEAST_Q:
            broad.append(measured)
        else:
            resonances.append(measured)
            causes.append(one)
    frequency_hz = np.geomspace(15.0, 20_000.0, 60)
    fit = ResonanceFit(
        motional=tuple(motional),
        broad=tuple(broad),
        resonances=tuple(resonances),
        real_coefficients=np.zeros(20),
        detection_limit=DetectionLimit(frequency_hz, np.full(60, 4 * NOISE_OHM), 10.0, 0.01),
        band_hz=(15.0, 20_000.0),
        reduced_chi_square=1.0,
    )
    return fit, causes


def _measured(one: TrueResonance, rng: np.random.Generator, noise: float) -> Resonance:
    relative = min(NOISE_OHM / one.height_ohm, 0.1)
    by_frequency, by_q, by_height, by_angle = relative * noise * rng.standard_normal(4)
    frequency_hz = one.frequency_hz * (1 + by_frequency / (2 * one.q))
    q = one.q * (1 + by_q)
    height = one.height_ohm * (1 + by_height)
    pole = 2 * np.pi * frequency_hz * complex(-1 / (2 * q), math.sqrt(1 - 1 / (4 * q * q)))
    angle = np.angle(one.residue_ohm_rad_s) + by_angle
    return Resonance(
        pole_rad_s=pole,
        residue_ohm_rad_s=complex(height * abs(pole.real) * np.exp(1j * angle)),
        frequency_std_hz=frequency_hz * relative / (2 * q),
        q_std=q * relative,
        height_std_ohm=height * relative,
        significance=1 / relative**2,
    )


def description_of(speaker: RandomSpeaker, placed: bool = True, temperature_c: float = 20.0) -> BuildDescription:
    """What a person would write down about the speaker, in whole millimetres."""
    port = speaker.port
    where: list[float | None] = [float(round(at)) for at in speaker.driver_mm] if placed else [None, None]
    port_place = PortPlace()
    if port is not None and speaker.port_mm is not None:
        port_place = PortPlace(
            diameter_mm=2000 * math.sqrt(port.area_m2 / math.pi),
            length_mm=1000 * port.length_m,
            from_top_mm=speaker.port_mm[0] if placed else None,
            from_left_mm=speaker.port_mm[1] if placed else None,
        )
    return BuildDescription(
        inside_mm=InsideSize(*(float(round(side)) for side in speaker.inside_mm)),
        temperature_c=temperature_c,
        driver=DriverPlace(diameter_mm=speaker.cone_diameter_mm, from_top_mm=where[0], from_left_mm=where[1]),
        port=port_place,
    )
