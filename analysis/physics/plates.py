"""Bending modes of a rectangular panel: where a wall can ring."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class PanelMaterial:
    """Range of Young's modulus in Pa and of density in kg/m^3."""

    name: str
    modulus_pa: tuple[float, float]
    density_kg_m3: tuple[float, float]


# Ranges: USDA Wood Handbook ch. 12 (OSB); Hopkins, Sound Insulation, 2007, Table A2 and Handbook of Finnish Plywood
# (chipboard, MDF, plywood, all from memory [M], low confidence), widened. Solid wood across to along the grain [M].
MATERIALS = {
    "mdf": PanelMaterial("MDF", (2.5e9, 4.6e9), (650, 800)),
    "hdf": PanelMaterial("HDF", (3.5e9, 6.0e9), (800, 950)),
    "chipboard": PanelMaterial("chipboard", (2.0e9, 3.8e9), (600, 760)),
    "particle": PanelMaterial("particle board", (2.0e9, 3.8e9), (600, 760)),
    "plywood": PanelMaterial("plywood", (5.0e9, 11e9), (500, 720)),
    "birch": PanelMaterial("birch plywood", (7.0e9, 11e9), (640, 720)),
    "osb": PanelMaterial("OSB", (1.9e9, 6.3e9), (510, 800)),
}
_UNKNOWN = PanelMaterial("unknown material", (1.9e9, 12e9), (450, 950))
_POISSON = 0.3


def panel_material(text: str | None) -> PanelMaterial:
    """Material whose name occurs in what the person wrote; wide ranges if none does."""
    lowered = (text or "").lower()
    found = [material for key, material in MATERIALS.items() if key in lowered]
    return found[-1] if found else _UNKNOWN


def plate_hz(side_m: float, thickness_m: float, modulus_pa: float, density_kg_m3: float, lambda2: float) -> float:
    """``f = lambda^2 / (2 pi a^2) sqrt(E h^2 / (12 rho (1 - nu^2)))``, nu = 0.3, Hz (Leissa, NASA SP-160, 1969).

    Parameters
    ----------
    side_m : float
        The side a that ``lambda2`` refers to.
    thickness_m, modulus_pa, density_kg_m3 : float
    lambda2 : float
        Of `supported_lambda2` or `clamped_lambda2`.
    """
    stiffness = math.sqrt(modulus_pa * thickness_m**2 / (12 * density_kg_m3 * (1 - _POISSON**2)))
    return lambda2 / (2 * math.pi * side_m**2) * stiffness


def supported_lambda2(sides_ratio: float, m: int, n: int) -> float:
    """All edges simply supported, exact: ``pi^2 (m^2 + (a/b)^2 n^2)``, ``sides_ratio`` = a/b, m, n >= 1."""
    return math.pi**2 * (m**2 + (sides_ratio * n) ** 2)


def clamped_lambda2(sides_ratio: float, m: int, n: int) -> float:
    """All edges clamped, by beam functions (Warburton, Proc. IMechE 168, 371-384, 1954 [M]); 1 % high at most."""
    g_m, h_m = beam(m)
    g_n, h_n = beam(n)
    return math.pi**2 * math.sqrt(g_m**4 + (sides_ratio * g_n) ** 4 + 2 * sides_ratio**2 * h_m * h_n)


def beam(order: int) -> tuple[float, float]:
    """G and H of Warburton's table for a beam that is clamped at both ends, for half waves from 1 on."""
    if order == 1:
        return 1.506, 1.248
    g = order + 0.5
    return g, g**2 * (1 - 2 / (g * math.pi))


@dataclass(frozen=True)
class PanelRange:
    """First bending mode of one panel: from soft, heavy and simply supported to stiff, light and clamped."""

    sides_mm: tuple[float, float]
    name: str
    lowest_hz: float
    highest_hz: float


def panel_ranges(
    inside_mm: tuple[float, float, float], thickness_mm: float, material: PanelMaterial
) -> tuple[PanelRange, ...]:
    """First mode of the three kinds of panel of a box (height, width, depth in mm), lowest first."""
    height, width, depth = inside_mm
    panels = []
    for name, sides in (
        ("front and back", (height, width)),
        ("sides", (height, depth)),
        ("top and bottom", (width, depth)),
    ):
        side_m, other_m = sides[0] * 1e-3, sides[1] * 1e-3
        ratio = side_m / other_m
        thickness_m = thickness_mm * 1e-3
        lowest = plate_hz(
            side_m,
            thickness_m,
            material.modulus_pa[0],
            material.density_kg_m3[1],
            supported_lambda2(ratio, 1, 1),
        )
        highest = plate_hz(
            side_m,
            thickness_m,
            material.modulus_pa[1],
            material.density_kg_m3[0],
            clamped_lambda2(ratio, 1, 1),
        )
        panels.append(PanelRange(sides, name, lowest, highest))
    return tuple(sorted(panels, key=lambda panel: panel.lowest_hz))
