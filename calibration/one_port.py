"""A jig as a bilinear one-port: three numbers at each frequency, ratio <-> ohms, and their sensitivities.

Whatever lies between the device and the two channels - resistor, input loading, leads, gain, delay - the ratio is
a bilinear function of the impedance. It is fixed by the ratio with the clips open, the ratio with the clips
shorted, and one scale in ohms::

    Z = scale (m - m_short) / (m_open - m)          m = (scale m_short + Z m_open) / (scale + Z)

With a load ZL that reads m_load, ``scale = ZL (m_open - m_load) / (m_load - m_short)``, which is the known
three-standard form ``Z = ZL (m_open - m_load)(m - m_short) / ((m_load - m_short)(m_open - m))``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stillbox.capture.arrays import ComplexArray

_SMALLEST_GAP = 1e-12
"""Of ratios: a device that reads exactly like the open clips has a huge impedance, not an infinite one."""


@dataclass(frozen=True)
class OnePortTerms:
    """Error terms of the jig, complex arrays of one shape (n,).

    Attributes
    ----------
    open_ratio, short_ratio : complex ndarray, shape (n,)
        Ratio that clips left open and clips held together would read.
    scale_ohm : complex ndarray, shape (n,)
    """

    open_ratio: ComplexArray
    short_ratio: ComplexArray
    scale_ohm: ComplexArray

    def impedance(self, ratio: ComplexArray) -> ComplexArray:
        """Impedance at the clips that reads ``ratio``, ohm."""
        return self.scale_ohm * (ratio - self.short_ratio) / self._gap(ratio)

    def by_ratio(self, ratio: ComplexArray) -> ComplexArray:
        """dZ/dm, ohm."""
        return self.scale_ohm * (self.open_ratio - self.short_ratio) / self._gap(ratio) ** 2

    def by_terms(self, ratio: ComplexArray) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        """dZ/d open_ratio, dZ/d short_ratio (ohm) and dZ/d scale_ohm, each holding the other two."""
        gap = self._gap(ratio)
        by_scale = (ratio - self.short_ratio) / gap
        by_short = -self.scale_ohm / gap
        return by_short * by_scale, by_short, by_scale

    def _gap(self, ratio: ComplexArray) -> ComplexArray:
        gap = self.open_ratio - ratio
        return np.where(gap == 0, _SMALLEST_GAP, gap)


def scale_from_load(
    open_ratio: ComplexArray, short_ratio: ComplexArray, load_ratio: ComplexArray, load_ohm: float
) -> tuple[ComplexArray, ComplexArray, ComplexArray, ComplexArray]:
    """Scale in ohms from a load of known value, and its sensitivities.

    Returns
    -------
    scale_ohm, by_open, by_short, by_load : complex ndarray, shape (n,)
        ``ZL (mo - mL) / (mL - ms)`` and its derivatives by the three ratios.
    """
    span = load_ratio - short_ratio
    scale = load_ohm * (open_ratio - load_ratio) / span
    by_open = load_ohm / span
    by_short = scale / span
    return scale, by_open, by_short, -(by_open + by_short)
