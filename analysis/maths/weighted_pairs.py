"""Pole pairs at measured frequencies in units of the noise, in real numbers all the way: the fits do little else.

What they are is in `analysis.maths.rational`: `pair_basis`, `pole_derivatives`, and `stacked`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stillbox.capture.arrays import ComplexArray, FloatArray


@dataclass(frozen=True)
class WeightedData:
    """Impedance to be fitted: one complex value per frequency with E|noise|^2.

    Attributes
    ----------
    s_rad_s : complex ndarray, shape (n,)
    impedance_ohm : complex ndarray, shape (n,)
    std_ohm : ndarray, shape (n,)
        Standard deviation of the real part, and of the imaginary part.
    """

    s_rad_s: ComplexArray
    impedance_ohm: ComplexArray
    std_ohm: FloatArray

    @property
    def frequency_hz(self) -> FloatArray:
        return self.s_rad_s.imag / (2 * np.pi)


def weighted_pairs(data: WeightedData, poles_rad_s: ComplexArray) -> FloatArray:
    """`pair_basis` as `stacked` has it; shape (2 n, 2 k).

    With ``s = j w``, ``d = |p|^2 - w^2``, ``b = 2 Re p``, ``e = b w`` and ``m = d^2 + e^2``, the columns of a pair are
    ``(2 j w - b)(d + j e) / m`` and ``-2 Im p (d + j e) / m``.
    """
    omega = data.s_rad_s.imag
    count = omega.size
    columns = np.empty((poles_rad_s.size, 2, 2 * count))
    real, imag = columns[:, :, :count], columns[:, :, count:]
    broad = 2 * poles_rad_s.real[:, None]
    distance = (poles_rad_s.real**2 + poles_rad_s.imag**2)[:, None] - omega**2
    turned = broad * omega
    weight = distance**2 + turned**2
    np.divide(1 / data.std_ohm, weight, out=weight)
    distance *= weight
    turned *= weight
    double, twice = 2 * omega, -2 * poles_rad_s.imag[:, None]
    np.multiply(distance, -broad, out=real[:, 0])
    real[:, 0] -= double * turned
    np.multiply(distance, double, out=imag[:, 0])
    imag[:, 0] -= broad * turned
    np.multiply(distance, twice, out=real[:, 1])
    np.multiply(turned, twice, out=imag[:, 1])
    return columns.reshape(-1, 2 * count).T


def weighted_slopes(data: WeightedData, poles_rad_s: ComplexArray, residues: ComplexArray) -> FloatArray:
    """`pole_derivatives` as `stacked` has them, in units of each pole's own bandwidth; shape (2 n, 2 k).

    With the columns ``c = a + b`` and ``d = j (a - b)`` of `pair_basis`, ``a^2 + b^2 = (c^2 - d^2)/2`` and
    ``a^2 - b^2 = -j c d``.
    """
    count = data.std_ohm.size
    pairs = weighted_pairs(data, poles_rad_s).T.reshape(-1, 2, 2, count)
    (c_real, c_imag), (d_real, d_imag) = pairs[:, 0].swapaxes(0, 1), pairs[:, 1].swapaxes(0, 1)
    # Products of two weighted columns have one weight too many.
    unit = np.abs(poles_rad_s.real)[:, None]
    along, across = residues.real[:, None] * unit, residues.imag[:, None] * unit
    columns = np.empty((poles_rad_s.size, 2, 2, count))
    for part, squares, product in (
        (0, 0.5 * (c_real**2 - c_imag**2 - d_real**2 + d_imag**2), c_real * d_real - c_imag * d_imag),
        (1, c_real * c_imag - d_real * d_imag, c_real * d_imag + c_imag * d_real),
    ):
        squares *= data.std_ohm
        product *= data.std_ohm
        np.add(along * squares, across * product, out=columns[:, 0, part])
        np.subtract(along * product, across * squares, out=columns[:, 1, part])
    return columns.reshape(-1, 2 * count).T
