"""Sizes of wire as people write them: 1.4mm, 2.5mm2, awg14."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from stillbox.analysis.physics.wire import GAUGES, gauge_diameter_m
from stillbox.capture.errors import StillboxError

SMALLEST_M, LARGEST_M = 0.05e-3, 12e-3
_SIZE = re.compile(r"(?P<number>\d+(?:[.,]\d+)?)\s*(?P<unit>mm2|mm²|mm)", re.IGNORECASE)
_GAUGE = re.compile(r"awg\s*(\d{1,2})", re.IGNORECASE)


@dataclass(frozen=True)
class WireSize:
    """Copper of round wire, or of a strand that conducts like it.

    Attributes
    ----------
    diameter_m : float
    text : str
        As it was asked for, with a space before its unit.
    nominal_mm2 : float or None
        Where the size is a section, its number.
    """

    diameter_m: float
    text: str
    nominal_mm2: float | None = None

    @property
    def section_m2(self) -> float:
        return math.pi / 4 * self.diameter_m**2


def read_wire_size(text: str) -> WireSize:
    """The size that a text means: a diameter (``1.4mm``), a section (``2.5mm2``) or a gauge (``awg14``).

    Raises
    ------
    StillboxError
        If it is none, or none of a wire that anybody winds or lays.
    """
    wire = _read(text.strip())
    if wire is None:
        bare = text.strip().replace(",", ".")
        one = f"{bare}mm for a diameter or {bare}mm2 for a section" if _is_number(bare) else "1.4mm, 2.5mm2 or awg14"
        raise StillboxError(f"'{text}' is no size of a wire", f"write {one}")
    if not SMALLEST_M <= wire.diameter_m <= LARGEST_M:
        raise StillboxError(
            f"the wire '{text}' is {1e3 * wire.diameter_m:.3g} mm thick",
            f"give one of {1e3 * SMALLEST_M:g} to {1e3 * LARGEST_M:g} mm",
        )
    return wire


def _read(text: str) -> WireSize | None:
    if found := _GAUGE.fullmatch(text):
        gauge = int(found[1])
        if not GAUGES[0] <= gauge <= GAUGES[1]:
            raise StillboxError(f"there is no wire of gauge {gauge} here", f"give AWG {GAUGES[0]} to {GAUGES[1]}")
        return WireSize(gauge_diameter_m(gauge), f"AWG {gauge}")
    if found := _SIZE.fullmatch(text):
        number = float(found["number"].replace(",", "."))
        if found["unit"].lower() == "mm":
            return WireSize(1e-3 * number, f"{number:g} mm")
        return WireSize(2e-3 * math.sqrt(number / math.pi), f"{number:g} mm²", number)
    return None


def _is_number(text: str) -> bool:
    return re.fullmatch(r"\d+(\.\d+)?", text) is not None
