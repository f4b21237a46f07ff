"""Findings and reports as plain data, for tests of what is made of them."""

from __future__ import annotations

import math

import numpy as np

from stillbox.analysis.impedance.findings import Cause, DetectionLimit, Finding, FindingsReport, Resonance, ResonanceFit
from stillbox.analysis.ringing.comparison import Change, Comparison

STD = 0.004


def finding(
    frequency_hz: float,
    height_ohm: float,
    q: float = 20.0,
    cause: Cause = "undecided",
    height_std_ohm: float = STD,
    frequency_std_hz: float | None = None,
) -> Finding:
    return Finding(
        resonance(frequency_hz, height_ohm, q, height_std_ohm, frequency_std_hz), cause, 0.95, ("invented",), "none"
    )


def resonance(
    frequency_hz: float,
    height_ohm: float,
    q: float,
    height_std_ohm: float = STD,
    frequency_std_hz: float | None = None,
) -> Resonance:
    natural = 2 * np.pi * frequency_hz
    pole = natural * complex(-1 / (2 * q), math.sqrt(1 - 1 / (4 * q * q)))
    std = frequency_hz * 1e-4 if frequency_std_hz is None else frequency_std_hz
    return Resonance(pole, height_ohm * abs(pole.real) + 0j, std, 0.01 * q, height_std_ohm, 500.0)


def report(
    *findings: Finding,
    state: str = "stock",
    limit_ohm: float = 0.01,
    peaks: tuple[tuple[float, float, float], ...] = ((60.0, 30.0, 4.0),),
    peak_std_hz: float = 0.02,
    unit: str = "A",
) -> FindingsReport:
    grid = np.geomspace(15.0, 20e3, 40)
    fit = ResonanceFit(
        motional=tuple(resonance(f, h, q, 0.01, peak_std_hz) for f, h, q in peaks),
        broad=(),
        resonances=tuple(one.resonance for one in findings),
        real_coefficients=np.concatenate([[6.0], np.zeros(19)]),
        detection_limit=DetectionLimit(grid, np.full(40, limit_ohm), 10.0, 0.01),
        band_hz=(15.0, 20e3),
        reduced_chi_square=1.0,
    )
    return FindingsReport("pair", state, unit, findings, fit, ())


def only(comparison: Comparison) -> Change:
    (change,) = comparison.changes
    return change
