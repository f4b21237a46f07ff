"""Preferred values of resistors, capacitors and coils (IEC 60063)."""

from __future__ import annotations

import math
from collections.abc import Mapping

from stillbox.capture.errors import StillboxError

_E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
_E24 = (*_E12, 11, 13, 16, 20, 24, 30, 36, 43, 51, 62, 75, 91)
# Up from E48 the values do follow 10^(i/n), to three digits; but the standard has 9.20 where that gives 9.19 [M].
_E192 = tuple(9.2 if index == 185 else round(100 * 10 ** (index / 192)) / 100 for index in range(192))

SERIES: Mapping[str, tuple[float, ...]] = {
    "E3": tuple(value / 10 for value in _E12[::4]),
    "E6": tuple(value / 10 for value in _E12[::2]),
    "E12": tuple(value / 10 for value in _E12),
    "E24": tuple(sorted(value / 10 for value in _E24)),
    "E48": _E192[::4],
    "E96": _E192[::2],
    "E192": _E192,
}
"""Values of one decade, 1 to below 10, rising."""


def values_between(low: float, high: float, series: str = "E24") -> list[float]:
    """All values of a series from ``low`` to ``high`` (both above 0), rising."""
    decade = _decade(series)
    if not 0 < low <= high:
        raise StillboxError(f"there are no values from {low:g} to {high:g}", "give 0 < low <= high")
    first, last = math.floor(math.log10(low)), math.floor(math.log10(high))
    # One digit more than the series has: 4.7e3 and not 4699.999999999999.
    found = [float(f"{value * 10.0**power:.4g}") for power in range(first, last + 1) for value in decade]
    return [value for value in found if low * (1 - 1e-9) <= value <= high * (1 + 1e-9)]


def nearest_value(wanted: float, series: str = "E24") -> float:
    """The value of a series that is nearest to ``wanted`` (above 0), the error counted in parts of it."""
    return min(values_between(wanted / 2.5, wanted * 2.5, series), key=lambda value: abs(value / wanted - 1))


def _decade(series: str) -> tuple[float, ...]:
    if series not in SERIES:
        raise StillboxError(f"there is no series '{series}'", f"choose one of {', '.join(SERIES)}")
    return SERIES[series]
