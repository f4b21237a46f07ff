"""Complex impedance with its uncertainty, at full resolution and on a logarithmic grid."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stillbox.analysis.maths.uncertainty import covariance_of_impedance
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError


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
    calibration_variance_ohm2 : ndarray, shape (n,)
        The same of what the noise of the calibration takes brings in; neighbours within 1/12 octave share it.
    scale_std : float
        Relative standard uncertainty of the ohm scale, common to all points (resistor tolerance); 0 if not stated.
    common_ohm : tuple of complex ndarray, shape (n,) each
        Scatter that all points share, smooth over frequency: drift of a gain, contact resistance, temperature of the
        coil. Each is one standard deviation of one cause, independent of the others: the covariance of points i and
        k is ``sum_j common_j[i] common_j[k]``, real and imaginary parts alike. It belongs to levels and heights, never
        to the noise against which a resonance is told; no averaging over points makes it smaller.
    bent_variance_ohm2 : ndarray, shape (n,), or None
        The part of ``noise_variance_ohm2`` that is for what bends; neighbours as near as a peak is wide share it.
    silent_variance_ohm2 : ndarray, shape (n,), or None
        In a take of one sweep, what ``noise_variance_ohm2`` would be had it been as quiet as the silences.
    """

    frequency_hz: FloatArray
    impedance_ohm: ComplexArray
    noise_variance_ohm2: FloatArray
    calibration_variance_ohm2: FloatArray
    scale_std: float
    warnings: tuple[str, ...] = ()
    common_ohm: tuple[ComplexArray, ...] = ()
    bent_variance_ohm2: FloatArray | None = None
    silent_variance_ohm2: FloatArray | None = None

    @property
    def resolution_hz(self) -> float:
        return float(self.frequency_hz[1] - self.frequency_hz[0])

    def part(self, kept: slice | NDArray[np.bool_]) -> ImpedanceSpectrum:
        """The spectrum of some of its bins."""
        return replace(
            self,
            frequency_hz=self.frequency_hz[kept],
            impedance_ohm=self.impedance_ohm[kept],
            noise_variance_ohm2=self.noise_variance_ohm2[kept],
            calibration_variance_ohm2=self.calibration_variance_ohm2[kept],
            common_ohm=tuple(common[kept] for common in self.common_ohm),
            bent_variance_ohm2=None if self.bent_variance_ohm2 is None else self.bent_variance_ohm2[kept],
            silent_variance_ohm2=None if self.silent_variance_ohm2 is None else self.silent_variance_ohm2[kept],
        )


@dataclass(frozen=True)
class ImpedanceCurve:
    """Impedance on a logarithmic grid (what is drawn and exported).

    Attributes
    ----------
    frequency_hz : ndarray, shape (n,)
    impedance_ohm : complex ndarray, shape (n,)
    covariance_ohm2 : ndarray, shape (n, 2, 2)
        Covariance of resistance and reactance (JCGM 100): noise, scale, and what all points share.
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


POINTS_PER_OCTAVE = 96
MOST_POINTS_PER_OCTAVE = 3_000
LOWEST_HZ = 10.0
HIGHEST_HZ = 20_000.0

_DEGREE = 5
"""Degree of the local polynomial: at a resonance of Q 30 the curve is off by less than 1e-5 of its height."""

_FEWEST_BINS = _DEGREE + 1
_PADDING = 8
"""Local fits of up to so many bins more or less are done together."""
_HALF_WIDTH = 1 / 250
"""Half width of the local fit as a fraction of the frequency (and at least three bins)."""


def logarithmic_grid(low_hz: float, high_hz: float, points_per_octave: int = POINTS_PER_OCTAVE) -> FloatArray:
    """Frequencies ``1000 Hz * 2**(k / points_per_octave)`` from ``low_hz`` to ``high_hz``, shape (n,)."""
    first = np.ceil(points_per_octave * np.log2(low_hz / 1000) - 1e-9)
    last = np.floor(points_per_octave * np.log2(high_hz / 1000) + 1e-9)
    return 1000.0 * 2 ** (np.arange(first, last + 1) / points_per_octave)


def curve_of_every_bin(spectrum: ImpedanceSpectrum) -> ImpedanceCurve:
    """The spectrum as it is, with its covariance."""
    variance = spectrum.noise_variance_ohm2 + spectrum.calibration_variance_ohm2
    return ImpedanceCurve(
        frequency_hz=spectrum.frequency_hz,
        impedance_ohm=spectrum.impedance_ohm,
        covariance_ohm2=covariance_of_impedance(
            variance, spectrum.impedance_ohm, spectrum.scale_std, spectrum.common_ohm
        ),
        noise_variance_ohm2=variance,
        scale_std=spectrum.scale_std,
        warnings=spectrum.warnings,
    )


def curve_of_spectrum(
    spectrum: ImpedanceSpectrum,
    low_hz: float = LOWEST_HZ,
    high_hz: float = HIGHEST_HZ,
    points_per_octave: int = POINTS_PER_OCTAVE,
) -> ImpedanceCurve:
    """Impedance on a logarithmic grid, by a weighted local polynomial through the bins around each point.

    At low frequencies this interpolates between bins; at high frequencies it also averages over a 1/86 octave.

    Parameters
    ----------
    spectrum : ImpedanceSpectrum
    low_hz, high_hz : float
        Limits of the grid; cut to what the spectrum covers.
    points_per_octave : int
        1 to 3,000; 96 or more gives every detail of resonances up to Q 30.

    Raises
    ------
    StillboxError
        If there are no such points.
    """
    if not 1 <= points_per_octave <= MOST_POINTS_PER_OCTAVE:
        raise StillboxError(f"{points_per_octave} points an octave", f"give 1 to {MOST_POINTS_PER_OCTAVE}")
    lowest, highest = spectrum.frequency_hz[[1, -2]]
    grid_hz = logarithmic_grid(max(low_hz, lowest), min(high_hz, highest), points_per_octave)
    impedance = np.empty(grid_hz.size, dtype=complex)
    variance = np.empty(grid_hz.size)
    step_hz = spectrum.resolution_hz
    position = (grid_hz - spectrum.frequency_hz[0]) / step_hz
    reach = np.maximum(3.0, _HALF_WIDTH * grid_hz / step_hz)
    first = np.maximum(0, np.ceil(position - reach)).astype(int)
    last = np.minimum(spectrum.frequency_hz.size, np.floor(position + reach).astype(int) + 1)
    # At the ends of the band as many bins as anywhere, more of them on the inner side.
    last = np.maximum(last, np.minimum(first + _FEWEST_BINS, spectrum.frequency_hz.size))
    first = np.minimum(first, np.maximum(0, last - _FEWEST_BINS))
    lengths = _PADDING * -(-(last - first) // _PADDING)
    for length in np.unique(lengths):
        points = np.flatnonzero(lengths == length)
        bins = first[points, None] + np.arange(length)
        inside = bins < last[points, None]
        bins = np.minimum(bins, spectrum.frequency_hz.size - 1)
        noise = spectrum.noise_variance_ohm2[bins]
        offset = (bins - position[points, None]) / reach[points, None]
        weights = _weights_at_centre(offset, noise, inside)
        impedance[points] = np.sum(weights * spectrum.impedance_ohm[bins], axis=1)
        variance[points] = np.sum(weights**2 * noise, axis=1)
    variance += spectrum.calibration_variance_ohm2[first]
    common_ohm = [np.interp(grid_hz, spectrum.frequency_hz, common) for common in spectrum.common_ohm]
    return ImpedanceCurve(
        frequency_hz=grid_hz,
        impedance_ohm=impedance,
        covariance_ohm2=covariance_of_impedance(variance, impedance, spectrum.scale_std, common_ohm),
        noise_variance_ohm2=variance,
        scale_std=spectrum.scale_std,
        warnings=spectrum.warnings,
    )


def _weights_at_centre(offset: FloatArray, variance: FloatArray, inside: NDArray[np.bool_]) -> FloatArray:
    """Weights of bins in the values at offset 0 of polynomials fitted with inverse-variance weights.

    All shapes (points, bins); bins that are not ``inside`` have none.
    """
    least = np.min(variance, axis=1, where=inside, initial=np.inf)
    scale = np.where(inside, np.sqrt(least[:, None] / variance), 0.0)
    basis = np.empty((*offset.shape, _DEGREE + 1))
    basis[..., 0] = scale
    for power in range(_DEGREE):
        np.multiply(basis[..., power], offset, out=basis[..., power + 1])
    orthogonal, triangular = np.linalg.qr(basis)
    # Value at 0 is coefficient 0: first row of R^-1 Q^T.
    first_row = np.linalg.solve(triangular.swapaxes(1, 2), np.eye(_DEGREE + 1)[:, :1])
    result: FloatArray = (orthogonal @ first_row)[..., 0] * scale
    return result
