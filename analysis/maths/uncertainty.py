"""The law of propagation of uncertainty for correlated inputs (JCGM 100:2008), where Stillbox needs it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError

CHECK_BAND_HZ = (100.0, 5_000.0)
"""A resistor is checked here: below, AC coupling and hum; above, the inductance of wire-wound resistors."""

CHAIN_FLOOR = 1e-5
"""What the measuring chain itself can be trusted to, relative to the impedance (windows, interpolation)."""

COVERAGE_FACTOR = 2.0
"""Expanded uncertainty of about 95 % (JCGM 100, 6.3)."""


def propagate(jacobian: FloatArray, covariance: FloatArray) -> FloatArray:
    """Covariance of results from that of correlated inputs: ``J C J^T`` (JCGM 100, eq. 13 and H.9).

    Parameters
    ----------
    jacobian : ndarray, shape (..., results, inputs)
        Sensitivities d result / d input at the estimates.
    covariance : ndarray, shape (..., inputs, inputs)

    Returns
    -------
    ndarray, shape (..., results, results)
    """
    return jacobian @ covariance @ np.swapaxes(jacobian, -1, -2)


def covariance_of_impedance(
    noise_variance: FloatArray, impedance: ComplexArray, scale_std: float, common_ohm: Sequence[ComplexArray] = ()
) -> FloatArray:
    """Covariance of resistance and reactance from circular noise, a common scale and other common causes.

    With the inputs noise in R, noise in X and relative scale the Jacobian is ``[[1, 0, R], [0, 1, X]]``, so
    ``C = E|n|^2 / 2 * I + scale_std^2 * [R X]^T [R X]``; each other cause adds the product of its own two parts.

    Parameters
    ----------
    noise_variance : ndarray, shape (n,)
        E|noise|^2 of the complex impedance, ohm^2.
    impedance : complex ndarray, shape (n,)
        Ohm.
    scale_std : float
        Relative standard uncertainty of the ohm scale.
    common_ohm : sequence of complex ndarray, shape (n,) each
        One standard deviation of each other cause that all points share, ohm.

    Returns
    -------
    ndarray, shape (n, 2, 2), ohm^2
    """
    covariance = np.zeros((impedance.size, 2, 2))
    for deviation in (scale_std * impedance, *common_ohm):
        parts = np.stack([deviation.real, deviation.imag], axis=-1)
        covariance += parts[:, :, None] * parts[:, None, :]
    covariance[:, [0, 1], [0, 1]] += 0.5 * noise_variance[:, None]
    return covariance


@dataclass(frozen=True)
class ResistorCheck:
    """Verdict on a resistor of known value measured like a speaker.

    Attributes
    ----------
    measured_ohm, measured_std_ohm : float
        Weighted mean of the resistance over ``band_hz``; standard uncertainty from noise, scale and
        what else all points share.
    marked_ohm, marked_std_ohm : float
        Marked value; its tolerance as a rectangular distribution (0 if not given).
    combined_std_ohm : float
        Of measured minus marked.
    deviation : float
        (measured - marked) / combined standard uncertainty.
    slope_ohm : float
        Resistance in the upper third of the band minus that in the lower third.
    verdict
        "agrees" if the deviation is at most 2 (about 95 %).
    """

    measured_ohm: float
    measured_std_ohm: float
    marked_ohm: float
    marked_std_ohm: float
    combined_std_ohm: float
    deviation: float
    slope_ohm: float
    band_hz: tuple[float, float]
    verdict: Literal["agrees", "differs"]
    warnings: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The verdict in words with numbers."""
        relation = "is within" if self.verdict == "agrees" else "is more than"
        return (
            f"measured {self.measured_ohm:.4g} ohm, marked {self.marked_ohm:.4g} ohm: the difference of "
            f"{self.measured_ohm - self.marked_ohm:+.2g} ohm {relation} the expanded uncertainty of "
            f"{COVERAGE_FACTOR * self.combined_std_ohm:.2g} ohm (k = 2)"
        )


def check_resistor(
    frequency_hz: FloatArray,
    impedance_ohm: ComplexArray,
    noise_variance_ohm2: FloatArray,
    scale_std: float,
    marked_ohm: float,
    tolerance_percent: float | None,
    common_std_ohm: float = 0.0,
) -> ResistorCheck:
    """Compare a measured resistor with its marked value, with combined uncertainty.

    The scale is common to all frequencies and is not averaged away; the noise is. The tolerance of the marked
    value counts as a rectangular distribution, half width / sqrt(3) (JCGM 100, 4.3.7).

    Parameters
    ----------
    frequency_hz, impedance_ohm, noise_variance_ohm2 : ndarray, shape (n,)
        Points whose noise is independent.
    scale_std : float
        Relative standard uncertainty of the ohm scale.
    marked_ohm : float
        Greater than 0.
    tolerance_percent : float or None
        Of the marked value.
    common_std_ohm : float
        Standard uncertainty of the resistance beside noise and scale, common to all points: contacts, drift.

    Raises
    ------
    StillboxError
        If the marked value is not positive or no point lies from 100 Hz to 5 kHz.
    """
    if not marked_ohm > 0:
        raise StillboxError(f"marked value {marked_ohm:g} ohm of a check resistor must be greater than 0", "correct it")
    low_hz, high_hz = CHECK_BAND_HZ
    inside = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    if not np.any(inside):
        raise StillboxError(
            f"the check resistor was not measured between {low_hz:g} and {high_hz:g} Hz", "use a sweep that covers it"
        )
    weight = 2 / noise_variance_ohm2[inside]  # the real part holds half of the noise
    resistance = impedance_ohm.real[inside]
    measured = float(np.average(resistance, weights=weight))
    of_scale = np.hypot(scale_std, CHAIN_FLOOR) * measured
    measured_std = float(np.linalg.norm([1 / np.sqrt(weight.sum()), of_scale, common_std_ohm]))
    marked_std = marked_ohm * rectangular_std(tolerance_percent)
    # Measured and marked value are independent: propagate through the difference.
    combined = float(np.sqrt(propagate(np.array([[1.0, -1.0]]), np.diag([measured_std**2, marked_std**2]))[0, 0]))
    warnings = []
    if tolerance_percent is None:
        warnings.append("tolerance of the check resistor was not given: not part of the uncertainty")
    slope, slope_warning = _slope(frequency_hz[inside], resistance, weight, measured)
    deviation = (measured - marked_ohm) / combined
    return ResistorCheck(
        measured_ohm=measured,
        measured_std_ohm=measured_std,
        marked_ohm=marked_ohm,
        marked_std_ohm=marked_std,
        combined_std_ohm=combined,
        deviation=deviation,
        slope_ohm=slope,
        band_hz=CHECK_BAND_HZ,
        verdict="agrees" if abs(deviation) <= COVERAGE_FACTOR else "differs",
        warnings=(*warnings, *slope_warning),
    )


def rectangular_std(tolerance_percent: float | None) -> float:
    """Relative standard uncertainty of a tolerance: half width / sqrt(3) (JCGM 100, 4.3.7); None counts as 0."""
    return 0.0 if tolerance_percent is None else tolerance_percent / 100 / float(np.sqrt(3))


def _slope(
    frequency_hz: FloatArray, resistance: FloatArray, weight: FloatArray, measured: float
) -> tuple[float, tuple[str, ...]]:
    """Upper minus lower third (in octaves) of the band; a warning if a resistor would not do that."""
    low_hz, high_hz = CHECK_BAND_HZ
    third = (high_hz / low_hz) ** (1 / 3)
    lower, upper = frequency_hz <= low_hz * third, frequency_hz >= high_hz / third
    if not (np.any(lower) and np.any(upper)):
        return 0.0, ()
    slope = float(
        np.average(resistance[upper], weights=weight[upper]) - np.average(resistance[lower], weights=weight[lower])
    )
    noise = float(np.sqrt(1 / weight[upper].sum() + 1 / weight[lower].sum()))
    if abs(slope) > max(0.005 * measured, 4 * noise):
        sentence = (
            f"the resistance changes by {slope:+.2g} ohm from low to high frequencies: "
            "the calibration leaves something uncorrected, or the resistor is wire-wound"
        )
        return slope, (sentence,)
    return slope, ()
