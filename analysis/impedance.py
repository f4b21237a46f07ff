"""Complex impedance with its uncertainty, at full resolution and on a logarithmic grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True)
class ImpedanceSpectrum:
    """Impedance at the resolution of the record.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n,)
        Even steps of ``resolution_hz``; the noise of different bins is independent.
    impedance_ohm : complex ndarray, shape (n,)
    noise_variance_ohm2 : ndarray, shape (n,)
        E|noise|^2 of the complex value; the noise is circular: half of it in each of the real and imaginary part.
    scale_std : float
        Relative standard uncertainty of the ohm scale, common to all points (resistor tolerance); 0 if not stated.
    """

    frequency_hz: FloatArray
    impedance_ohm: ComplexArray
    noise_variance_ohm2: FloatArray
    scale_std: float
    warnings: tuple[str, ...] = ()

    @property
    def resolution_hz(self) -> float:
        return float(self.frequency_hz[1] - self.frequency_hz[0])


@dataclass(frozen=True)
class ImpedanceCurve:
    """Impedance on a logarithmic grid (what is drawn and exported).

    Attributes
    ----------
    frequency_hz : ndarray, shape (n,)
    impedance_ohm : complex ndarray, shape (n,)
    covariance_ohm2 : ndarray, shape (n, 2, 2)
        Covariance of resistance and reactance (JCGM 100), noise and scale together.
    noise_variance_ohm2 : ndarray, shape (n,)
        The part of it that is noise: E|noise|^2 of the complex value.
    """

    frequency_hz: FloatArray
    impedance_ohm: ComplexArray
    covariance_ohm2: FloatArray
    noise_variance_ohm2: FloatArray
    scale_std: float
    warnings: tuple[str, ...] = ()

    @property
    def resistance_std_ohm(self) -> FloatArray:
        return np.sqrt(self.covariance_ohm2[:, 0, 0])

    @property
    def reactance_std_ohm(self) -> FloatArray:
        return np.sqrt(self.covariance_ohm2[:, 1, 1])
