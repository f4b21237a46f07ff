"""What noise leaves in the impedance after a sweep, before the sweep is made."""

from __future__ import annotations

import numpy as np

from stillbox.capture.arrays import ComplexArray, FloatArray

CURVE_HALF_WIDTH = 1 / 250
"""A point of an impedance curve is a fit over so much of its frequency on each side (`analysis.impedance`)."""

CENTRE_OF_QUARTIC = 225 / 64
"""Variance of the middle of a fitted polynomial of fourth or fifth degree, re that of a mean over its width."""


def ratio_variance(
    ratio: ComplexArray, noise_density: FloatArray, amplitude: FloatArray, sweep_constant_s: float, sweeps: int = 1
) -> FloatArray:
    """Variance ``E|noise|^2`` of a point of the curve of channel 2 over channel 1, shape (n,).

    A sweep of amplitude A and rate constant L has the energy density ``A^2 L / (4 f)`` (stationary phase); noise of
    the two-sided power density N leaves the variance ``4 f N / (A^2 L B)`` in a mean over the bandwidth B.

    Parameters
    ----------
    ratio : complex ndarray, shape (n,)
    noise_density : ndarray, shape (n, 2)
        Of both channels, full scale^2 / Hz.
    amplitude : ndarray, shape (n,)
        Of the sweep in channel 1.
    sweep_constant_s : float
        See Excitation.rate_constant_s.
    """
    noise = noise_density[:, 1] + np.abs(ratio) ** 2 * noise_density[:, 0]
    per_bandwidth = 4 * noise / (np.square(amplitude) * sweep_constant_s * sweeps)
    return np.asarray(CENTRE_OF_QUARTIC * per_bandwidth / (2 * CURVE_HALF_WIDTH), dtype=np.float64)


def relative_std(ratio: ComplexArray, variance: FloatArray) -> FloatArray:
    """Relative standard uncertainty of |Z|, shape (n,), for either kind of jig: ``dZ/Z = dm / (m (1 - m))``.

    Half of the complex variance lies along Z.
    """
    sensitivity = np.maximum(np.abs(ratio * (1 - ratio)), 1e-6)
    return np.asarray(np.sqrt(0.5 * variance) / sensitivity, dtype=np.float64)
