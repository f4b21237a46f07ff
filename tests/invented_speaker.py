"""Invented speakers for tests of decay, pictures, export and report: poles and residues are chosen, not fitted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stillbox.analysis.impedance.findings import Cause, DetectionLimit, Finding, FindingsReport, Resonance, ResonanceFit
from stillbox.analysis.impedance.impedance import ImpedanceCurve, ImpedanceSpectrum

BARE = ((178.0, 24.0, 0.35), (287.0, 16.0, 1.9), (512.0, 14.0, 0.55), (1180.0, 9.0, 0.8))
"""Frequency in Hz, Q, height in ohms: wall, two standing waves, driver."""
LINED = ((181.0, 22.0, 0.3), (1178.0, 9.0, 0.78))
CAUSES: dict[float, Cause] = {
    178.0: "wall",
    181.0: "wall",
    287.0: "standing wave",
    512.0: "standing wave",
    1180.0: "driver",
    1178.0: "driver",
}
VENTED = ((22.0, 5.0, 28.0), (61.0, 4.0, 24.0))
COIL_COEFFICIENTS = 20
COIL_HZ = np.geomspace(5.0, 40_000.0, 200)
CLOSED = ((68.0, 3.6, 32.0),)


def resonance(frequency_hz: float, q: float, height_ohm: float, significance: float = 900.0) -> Resonance:
    """A resonator with a real residue, from what a person would read off it."""
    natural = 2 * np.pi * frequency_hz
    pole = complex(-natural / (2 * q), natural * np.sqrt(1 - 1 / (4 * q * q)))
    return Resonance(
        pole_rad_s=pole,
        residue_ohm_rad_s=height_ohm * abs(pole.real) + 0j,
        frequency_std_hz=frequency_hz * 4e-4,
        q_std=q * 0.02,
        height_std_ohm=0.006,
        significance=significance,
    )


def fit(
    parts: tuple[tuple[float, float, float], ...] = BARE,
    motional: tuple[tuple[float, float, float], ...] = CLOSED,
) -> ResonanceFit:
    """A fit as `analysis.impedance.resonances` would return it, with the detection limit of a middling measurement."""
    limit_hz = np.geomspace(15.0, 20_000.0, 120)
    bare = ResonanceFit(
        motional=tuple(resonance(*part) for part in motional),
        broad=(),
        resonances=tuple(resonance(*part) for part in parts),
        real_coefficients=np.zeros(COIL_COEFFICIENTS),
        detection_limit=DetectionLimit(
            frequency_hz=limit_hz,
            height_ohm=0.006 * (1 + (limit_hz / 3_000.0) ** 1.2 + (25.0 / limit_hz) ** 2),
            q=10.0,
            false_alarm_rate=0.01,
        ),
        band_hz=(15.0, 20_000.0),
        reduced_chi_square=1.02,
    )
    s = 2j * np.pi * COIL_HZ
    return with_coil(bare, 5.7 + 9e-5 * s + 1.3 * s / (s + 5.6e3) + 6.0 * s / (s + 5.6e4))


def with_coil(bare: ResonanceFit, coil_ohm: np.ndarray, frequency_hz: np.ndarray = COIL_HZ) -> ResonanceFit:
    """The fit with a coil of the given impedance, whatever columns the fit has for it."""
    columns = np.stack(
        [replace(bare, real_coefficients=row).coil_ohm(frequency_hz) for row in np.eye(COIL_COEFFICIENTS)], axis=1
    )
    parts = np.concatenate([columns.real, columns.imag]), np.concatenate([coil_ohm.real, coil_ohm.imag])
    return replace(bare, real_coefficients=np.linalg.lstsq(*parts)[0])


def spectrum(
    of: ResonanceFit,
    noise_ohm: float = 2e-3,
    seed: int = 1,
    resolution_hz: float = 1 / 7.0,
    hum_ohm: float = 0.0,
) -> ImpedanceSpectrum:
    """The fit's impedance at full resolution with circular noise, and hum in single bins."""
    frequency_hz = np.arange(round(12.0 / resolution_hz), round(21_000.0 / resolution_hz)) * resolution_hz
    variance = np.full(frequency_hz.size, noise_ohm**2)
    if hum_ohm:
        for harmonic in range(1, 41):
            variance[np.argmin(np.abs(frequency_hz - 50.0 * harmonic))] = hum_ohm**2
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal(frequency_hz.size) + 1j * rng.standard_normal(frequency_hz.size)
    return ImpedanceSpectrum(
        frequency_hz=frequency_hz,
        impedance_ohm=of.impedance_ohm(frequency_hz) + np.sqrt(variance / 2) * noise,
        noise_variance_ohm2=variance,
        calibration_variance_ohm2=np.zeros(frequency_hz.size),
        scale_std=0.005,
    )


def replaced_impedance(of: ImpedanceSpectrum, impedance_ohm: np.ndarray) -> ImpedanceSpectrum:
    """The same measurement with another impedance."""
    return replace(of, impedance_ohm=impedance_ohm)


def curve(of: ResonanceFit, noise_ohm: float = 4e-3, seed: int = 1, scale_std: float = 0.005) -> ImpedanceCurve:
    """The fit's impedance on 96 points an octave."""
    frequency_hz = 15.0 * 2 ** (np.arange(96 * 10 + 34) / 96)
    exact = of.impedance_ohm(frequency_hz)
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal(frequency_hz.size) + 1j * rng.standard_normal(frequency_hz.size)
    parts = np.stack([exact.real, exact.imag], axis=1)
    covariance = scale_std**2 * parts[:, :, None] * parts[:, None, :] + 0.5 * noise_ohm**2 * np.eye(2)
    return ImpedanceCurve(
        frequency_hz=frequency_hz,
        impedance_ohm=exact + noise_ohm / np.sqrt(2) * noise,
        covariance_ohm2=covariance,
        noise_variance_ohm2=np.full(frequency_hz.size, noise_ohm**2),
        scale_std=scale_std,
    )


def report(of: ResonanceFit, state: str = "stock", unit: str = "A") -> FindingsReport:
    """Findings of the fit's resonances, with causes, evidence and advice invented beside them."""
    findings = tuple(
        Finding(
            resonance=part,
            cause=CAUSES.get(round(part.frequency_hz), "undecided"),
            confidence=0.9,
            evidence=(f"invented evidence for {part.frequency_hz:.0f} Hz", "a second sentence with 3.1 % in it"),
            advice="Invented advice: filling where the air moves.",
        )
        for part in of.resonances
    )
    return FindingsReport("bench-pair", state, unit, findings, of, of.warnings)
