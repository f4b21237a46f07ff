"""Modes of the air in a rectangular box and in a port."""

from __future__ import annotations

import math
from dataclasses import dataclass

from stillbox.capture.errors import StillboxError

FLANGED_END = 0.8216
"""End correction over radius, infinite flange (Dalmont, Nederveen, Joly, JSV 244(3) 505-534, 2001)."""

FREE_END = 0.6133
"""End correction over radius, no flange (same; Levine & Schwinger, Phys. Rev. 73, 383-406, 1948)."""

_ORDINALS = ("", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
_PLACES = ("top and bottom", "the side walls", "front and back")
_DIMENSIONS = ("height", "width", "depth")


@dataclass(frozen=True)
class RoomMode:
    """Standing wave in a rectangular box with rigid walls.

    Attributes
    ----------
    orders : tuple of int
        Half waves along height, width and depth.
    inside_mm : tuple of float
        Height, width, depth.
    frequency_hz : float
    """

    orders: tuple[int, int, int]
    inside_mm: tuple[float, float, float]
    frequency_hz: float

    @property
    def kind(self) -> str:
        """axial, tangential or oblique: along one, two or three dimensions."""
        return ("uniform", "axial", "tangential", "oblique")[self.dimensions]

    @property
    def dimensions(self) -> int:
        """How many dimensions take part, 0 to 3."""
        return sum(order > 0 for order in self.orders)

    @property
    def name(self) -> str:
        """In words, such as "first mode between top and bottom (height 600 mm)"."""
        parts = [index for index, order in enumerate(self.orders) if order]
        if len(parts) == 1:
            axis = parts[0]
            order = self.orders[axis]
            ordinal = _ORDINALS[order] if order < len(_ORDINALS) else f"{order}th"
            return f"{ordinal} mode between {_PLACES[axis]} ({_DIMENSIONS[axis]} {self.inside_mm[axis]:.0f} mm)"
        along = " and ".join(f"{self.orders[axis]} along the {_DIMENSIONS[axis]}" for axis in parts)
        return f"{self.kind} mode, half waves: {along}"

    def energy_ratio(self, place_mm: tuple[float | None, float | None, float | None]) -> float | None:
        """Squared pressure at a place over its mean in the box: ``prod (2 - delta_n0) cos^2(n pi x / L)``.

        The place is given as height, width and depth from the first corner; a coordinate that is not known
        counts only if the mode has half waves along it (then None is returned).
        """
        ratio = 1.0
        for order, length, at in zip(self.orders, self.inside_mm, place_mm, strict=True):
            if order == 0:
                continue
            if at is None:
                return None
            ratio *= 2 * math.cos(math.pi * order * at / length) ** 2
        return ratio


def room_modes(
    inside_mm: tuple[float, float, float], speed_of_sound_m_s: float, highest_hz: float
) -> tuple[RoomMode, ...]:
    """Modes of a rectangular box with rigid walls up to a frequency, in order of frequency, without 000.

    ``f = (c/2) sqrt((l/H)^2 + (m/W)^2 + (n/D)^2)`` (Rayleigh).

    Parameters
    ----------
    inside_mm : tuple of float
        Height, width, depth, above 0.
    speed_of_sound_m_s : float
    highest_hz : float
        At most the frequency at which there are about 100,000 modes.

    Raises
    ------
    StillboxError
        If a dimension is not positive or there would be too many modes.
    """
    if not all(length > 0 for length in inside_mm):
        raise StillboxError(f"inside dimensions {inside_mm} mm must all be above 0", "correct inside_mm in build.toml")
    steps_hz = [speed_of_sound_m_s / 2 / (length * 1e-3) for length in inside_mm]
    counts = [int(highest_hz / step) for step in steps_hz]
    if math.prod(count + 1 for count in counts) > 200_000:
        raise StillboxError(
            f"a box of {inside_mm} mm has too many modes below {highest_hz:g} Hz", "check that inside_mm is in mm"
        )
    modes = []
    for height in range(counts[0] + 1):
        for width in range(counts[1] + 1):
            for depth in range(counts[2] + 1):
                orders = (height, width, depth)
                frequency = math.hypot(*(order * step for order, step in zip(orders, steps_hz, strict=True)))
                if 0 < frequency <= highest_hz:
                    modes.append(RoomMode(orders, inside_mm, frequency))
    return tuple(sorted(modes, key=lambda mode: mode.frequency_hz))


def effective_port_length_m(length_m: float, radius_m: float) -> float:
    """Port with its end corrections, one end in the baffle and one free in the box, m."""
    return length_m + (FLANGED_END + FREE_END) * radius_m


def pipe_modes_hz(length_m: float, radius_m: float, speed_of_sound_m_s: float, highest_hz: float) -> tuple[float, ...]:
    """Resonances of a port as a pipe open at both ends: ``n c / (2 L_eff)`` up to a frequency, Hz."""
    first_hz = speed_of_sound_m_s / (2 * effective_port_length_m(length_m, radius_m))
    return tuple(order * first_hz for order in range(1, int(highest_hz / first_hz) + 1))
