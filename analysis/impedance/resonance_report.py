"""From fitted pole pairs to what is told: resonances with uncertainties, the motional peaks, the detection limit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import optimize, special

from stillbox.analysis.impedance.findings import DetectionLimit, Resonance, ResonanceFit
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.maths.gram import inverse_gram
from stillbox.analysis.maths.rational import FitProblem, PairFit, pole_from
from stillbox.analysis.maths.weighted_pairs import weighted_pairs, weighted_slopes
from stillbox.capture.arrays import FloatArray

FALSE_ALARM_RATE = 0.001
"""Probability that a speaker without resonances yields any finding."""
INDEPENDENT_PLACES = 5_000
"""Places (frequency and Q) that the search tries independently, 15 Hz to 20 kHz, Q 2 to 300."""
THRESHOLD = float(special.chdtri(4, FALSE_ALARM_RATE / INDEPENDENT_PLACES))
"""Chi-square that a resonator (two numbers for the pole, two for the residue) must explain."""
DETECTION_PROBABILITY = 0.95
LIMIT_Q = 10.0
LOWEST_Q = 2.0

HIGHEST_FUNDAMENTAL_HZ = 4_000.0
"""Tweeters included."""
HIGHEST_PARTNER_HZ = 500.0
LOWEST_FUNDAMENTAL_Q = 0.7


def report_of(
    problem: FitProblem,
    fit: PairFit,
    spectrum: ImpedanceSpectrum,
    port: bool | None,
    free_air_hz: float | None,
    told: tuple[str, ...] = (),
) -> ResonanceFit:
    """The fit in plain data; ``told`` are warnings of how it went."""
    tangent = tangent_of(problem, fit)
    common = [
        problem.project(np.interp(problem.data.frequency_hz, spectrum.frequency_hz, one)[:, None])[:, 0]
        for one in spectrum.common_ohm
    ]
    resonances = with_uncertainty(fit, tangent, spectrum.scale_std, common)
    motional = _motional(resonances, port, free_air_hz)
    others = sorted((r for r in resonances if r not in motional), key=lambda r: r.frequency_hz)
    warnings = () if motional else ("no motional peak shows: is a driver on the clips?",)
    return ResonanceFit(
        motional=tuple(motional),
        broad=tuple(r for r in others if r.q < LOWEST_Q),
        resonances=tuple(r for r in others if r.q >= LOWEST_Q),
        real_coefficients=problem.real_coefficients(fit),
        detection_limit=_detection_limit(problem, tangent),
        band_hz=(float(problem.data.frequency_hz[0]), float(problem.data.frequency_hz[-1])),
        reduced_chi_square=fit.chi_square / (2 * problem.data.s_rad_s.size),
        warnings=(*spectrum.warnings, *warnings, *told),
    )


def tangent_of(problem: FitProblem, fit: PairFit) -> FloatArray:
    """Derivatives of the model by all residues and all poles, in units of the noise; shape (2 n, 4 k)."""
    slopes = weighted_slopes(problem.data, fit.poles_rad_s, fit.residues)
    slopes /= np.repeat(np.abs(fit.poles_rad_s.real), 2)
    return np.concatenate([fit.pairs, problem.without_imitated(slopes)], axis=1)


def with_uncertainty(
    fit: PairFit, tangent: FloatArray, scale_std: float, common: Sequence[FloatArray] = ()
) -> list[Resonance]:
    """Each pair with the standard deviations of frequency, Q and height from the joint covariance.

    ``common`` is what all points share besides, as ``FitProblem.project`` leaves it: each moves the pairs as the fit
    would follow it. A contact resistance moves none.
    """
    count = fit.poles_rad_s.size
    covariance = inverse_gram(tangent)
    moves = [covariance @ (tangent.T @ one) for one in common]
    resonances = []
    for index, (pole, residue, explained) in enumerate(zip(fit.poles_rad_s, fit.residues, fit.explained, strict=True)):
        at = [2 * (count + index), 2 * (count + index) + 1, 2 * index, 2 * index + 1]
        gradient = _gradients(pole, residue)
        variance = np.diag(gradient @ covariance[np.ix_(at, at)] @ gradient.T)
        std = np.sqrt(variance + sum((gradient @ move[at]) ** 2 for move in moves))
        height_std = np.hypot(std[2], abs(residue) / abs(pole.real) * scale_std)
        resonances.append(
            Resonance(
                pole_rad_s=complex(pole),
                residue_ohm_rad_s=complex(residue),
                frequency_std_hz=float(std[0]),
                q_std=float(std[1]),
                height_std_ohm=float(height_std),
                significance=float(explained),
                scale_std=scale_std,
            )
        )
    return resonances


def _gradients(pole: complex, residue: complex) -> FloatArray:
    """Derivatives of natural frequency, Q and height by Re p, Im p, Re r, Im r; shape (3, 4)."""
    magnitude, damping = abs(pole), abs(pole.real)
    by_real, by_imag = pole.real / magnitude, pole.imag / magnitude
    frequency = np.array([by_real, by_imag, 0, 0]) / (2 * np.pi)
    # damping = -Re p, so d damping / d Re p = -1.
    q = np.array([by_real / (2 * damping) + magnitude / (2 * damping**2), by_imag / (2 * damping), 0, 0])
    size = abs(residue)
    height = np.array([size / damping**2, 0, residue.real / size / damping, residue.imag / size / damping])
    return np.stack([frequency, q, height])


def _motional(resonances: list[Resonance], port: bool | None, free_air_hz: float | None) -> list[Resonance]:
    """The fundamental peak; with it the second peak of a vented box, if there is one.

    Nothing but a port makes a peak below the fundamental, and a closed box only raises the driver's resonance: so
    what lies below free air is the lower peak of a vented box. An upper peak is told from a standing wave by its
    share in the cone's motion: a standing wave moves the cone little, however tall its narrow peak is.
    """
    low = [r for r in resonances if r.frequency_hz < HIGHEST_FUNDAMENTAL_HZ and r.q > LOWEST_FUNDAMENTAL_Q]
    if not low:
        return []
    first = max(low, key=lambda r: r.height_ohm)
    if port is False:
        return [first]
    below = [r for r in low if first.frequency_hz / 6 < r.frequency_hz < first.frequency_hz]
    below = [r for r in below if r.height_ohm > 0.03 * first.height_ohm]
    highest_hz = min(6 * first.frequency_hz, HIGHEST_PARTNER_HZ)
    above = [r for r in low if first.frequency_hz < r.frequency_hz < highest_hz]
    if free_air_hz is None:
        partners = below + [r for r in above if _share(r) > 0.2 * _share(first)]
    elif first.frequency_hz > 0.97 * free_air_hz:
        partners = [r for r in below if r.frequency_hz < 0.97 * free_air_hz]
    else:
        partners = [r for r in above if r.frequency_hz > free_air_hz and _share(r) > 0.05 * _share(first)]
    if not partners:
        return [first]
    return sorted([first, max(partners, key=_share)], key=lambda r: r.frequency_hz)


def _share(resonance: Resonance) -> float:
    """Share of a mode in the cone's motion: |residue| = Bl^2 / (2 modal mass)."""
    return abs(resonance.residue_ohm_rad_s)


def _detection_limit(problem: FitProblem, tangent: FloatArray) -> DetectionLimit:
    """Height at which a resonator of Q 10 would have been found with 95 % probability, over frequency.

    What the baseline and the fitted resonances can imitate does not count; the least favourable phase is taken.
    """
    data = problem.data
    frequency_hz = np.geomspace(1.1 * data.frequency_hz[0], 0.9 * data.frequency_hz[-1], 160)
    poles = np.array([pole_from(f, LIMIT_Q) for f in frequency_hz])
    unit = problem.without_imitated(weighted_pairs(data, poles) * np.repeat(np.abs(poles.real), 2))
    # What is left without the fitted pairs, by products: the columns themselves are not needed.
    shared = tangent.T @ unit
    imitated = inverse_gram(tangent) @ shared

    def left(one: int, other: int) -> FloatArray:
        mine, theirs = slice(one, None, 2), slice(other, None, 2)
        whole = np.einsum("ij,ij->j", unit[:, mine], unit[:, theirs])
        result: FloatArray = whole - np.einsum("ij,ij->j", shared[:, mine], imitated[:, theirs])
        return result

    a, b, c = left(0, 0), left(0, 1), left(1, 1)
    least = 0.5 * (a + c) - np.sqrt(0.25 * (a - c) ** 2 + b**2)
    needed = optimize.brentq(
        lambda explained: 1 - special.chndtr(THRESHOLD, 4, explained) - DETECTION_PROBABILITY, 1.0, 10 * THRESHOLD
    )
    return DetectionLimit(frequency_hz, np.sqrt(needed / np.maximum(least, 1e-300)), LIMIT_Q, FALSE_ALARM_RATE)
