"""Coils of round wire without iron: inductance by the sum over all turns and by formula, windings, proportions."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import special

from stillbox.analysis.physics.wire import COPPER_KG_M3, MU_0, wire_resistance_ohm
from stillbox.capture.arrays import FloatArray
from stillbox.capture.errors import StillboxError

INCH_M = 0.0254
ROUND_WIRE_DISTANCE = math.exp(-0.25)
"""Geometric mean distance of a circular area from itself over its radius (Maxwell, Treatise, art. 692 [M])."""
BROOKS_H_PER_M = 1.6994e-6
"""Inductance of a coil of Brooks' proportions over mean radius and turns squared (Brooks 1931, Grover 1946 [M])."""
BROOKS_RADIUS = 1.5
"""Mean radius over the side of the square that the winding fills, for the most inductance of a length of wire."""

MOST_TURNS = 5000


def mutual_inductance_h(radius_m: FloatArray, other_radius_m: FloatArray, distance_m: FloatArray) -> FloatArray:
    """Of two coaxial circles of thin wire (Maxwell, Treatise, art. 701; Grover, Inductance Calculations, 1946 [M]).

    M = mu0 sqrt(a b) ((2/k - k) K(k) - (2/k) E(k)) with k^2 = 4 a b/((a + b)^2 + d^2).

    Parameters
    ----------
    radius_m, other_radius_m, distance_m : ndarray
        Radii, and distance of the planes; they broadcast, and the circles may not coincide.
    """
    gap2 = (radius_m - other_radius_m) ** 2 + distance_m**2
    whole2 = (radius_m + other_radius_m) ** 2 + distance_m**2
    k = np.sqrt(4 * radius_m * other_radius_m / whole2)
    # 1 - k^2 as it is, and not as a difference: next to each other, circles have k next to 1.
    first, second = special.ellipkm1(gap2 / whole2), special.ellipe(k**2)
    found: FloatArray = MU_0 * np.sqrt(radius_m * other_radius_m) * ((2 / k - k) * first - 2 / k * second)
    return found


def turn_inductance_h(radius_m: FloatArray, wire_radius_m: float) -> FloatArray:
    """Of one turn of round wire, current all over it: two circles at its geometric mean distance from itself."""
    return mutual_inductance_h(radius_m, radius_m, np.asarray(ROUND_WIRE_DISTANCE * wire_radius_m))


def wheeler_inductance_h(mean_radius_m: float, length_m: float, depth_m: float, turns: float) -> float:
    """Of a coil of several layers by Wheeler's formula: 0.8 a^2 N^2/(6 a + 9 b + 10 c) in microhenries and inches.

    Good to 1 % where the three terms are about equal (Wheeler, Proc. IRE 16, 1398, 1928).

    Parameters
    ----------
    mean_radius_m, length_m, depth_m : float
        a, b, c: the winding's mean radius, length along the axis, depth along the radius.
    turns : float
    """
    a, b, c = mean_radius_m / INCH_M, length_m / INCH_M, depth_m / INCH_M
    return 0.8e-6 * a**2 * turns**2 / (6 * a + 9 * b + 10 * c)


def brooks_inductance_h(side_m: float, turns: float) -> float:
    """Of a coil whose winding is a square of that side, its mean radius 1.5 sides."""
    return BROOKS_H_PER_M * BROOKS_RADIUS * side_m * turns**2


@dataclass(frozen=True)
class Winding:
    """Turns side by side in layers on a bobbin, every turn straight above one of the layer below.

    Attributes
    ----------
    turns : int
    per_layer : int
        Turns that fill a layer; the last one may be begun only.
    inner_diameter_m : float
        Of the bobbin on which it is wound.
    wire_diameter_m : float
        Of the copper.
    pitch_m : float
        From turn to turn and from layer to layer: the wire with its insulation.
    """

    turns: int
    per_layer: int
    inner_diameter_m: float
    wire_diameter_m: float
    pitch_m: float

    @cached_property
    def layers(self) -> tuple[int, ...]:
        """Turns in each layer, the innermost first."""
        full, begun = divmod(self.turns, self.per_layer)
        return (self.per_layer,) * full + ((begun,) if begun else ())

    @property
    def radii_m(self) -> FloatArray:
        """Of each layer, middle of the wire."""
        return 0.5 * self.inner_diameter_m + self.pitch_m * (np.arange(len(self.layers)) + 0.5)

    @property
    def outer_diameter_m(self) -> float:
        return self.inner_diameter_m + 2 * self.depth_m

    @property
    def depth_m(self) -> float:
        return self.pitch_m * len(self.layers)

    @property
    def length_m(self) -> float:
        """Along the axis."""
        return self.pitch_m * self.layers[0]

    @property
    def wire_length_m(self) -> float:
        return float(2 * math.pi * self.radii_m @ np.array(self.layers))

    @property
    def section_m2(self) -> float:
        """Of the copper."""
        return math.pi / 4 * self.wire_diameter_m**2

    @property
    def copper_kg(self) -> float:
        return COPPER_KG_M3 * self.section_m2 * self.wire_length_m

    def resistance_ohm(self, celsius: float = 20.0) -> float:
        """For direct current."""
        return wire_resistance_ohm(self.wire_length_m, self.section_m2, celsius)

    @cached_property
    def inductance_h(self) -> float:
        """Sum over all turns of what each has in each."""
        radii, layers = self.radii_m, self.layers
        total = float(np.array(layers) @ turn_inductance_h(radii, 0.5 * self.wire_diameter_m))
        apart = np.arange(self.per_layer)
        for one, other in itertools.combinations_with_replacement(range(len(layers)), 2):
            # A layer that is begun starts above the end of the one below, whichever end that is.
            pairs = _pairs_apart(layers[one], layers[other], self.per_layer)
            if one == other:
                pairs[0] = 0
            there = apart[pairs > 0]
            if there.size:
                mutual = mutual_inductance_h(radii[one], radii[other], self.pitch_m * there)
                total += float(pairs[there] @ mutual) * (1 if one == other else 2)
        return total

    @property
    def wheeler_h(self) -> float:
        """By Wheeler's formula."""
        mean_radius = 0.25 * (self.inner_diameter_m + self.outer_diameter_m)
        return wheeler_inductance_h(mean_radius, self.length_m, self.depth_m, self.turns)


def _pairs_apart(turns: int, others: int, most: int) -> FloatArray:
    """How many pairs of turns of two layers lie 0, 1, 2, … places apart; both begin at the same end."""
    apart = np.subtract.outer(np.arange(turns), np.arange(others))
    return np.bincount(np.abs(apart).ravel(), minlength=most).astype(float)


def wound_to(
    inductance_h: float, inner_diameter_m: float, width_m: float, wire_diameter_m: float, pitch_m: float
) -> Winding:
    """The winding on a bobbin whose inductance comes nearest to one that is wanted.

    Parameters
    ----------
    inductance_h : float
        Above 0.
    inner_diameter_m, width_m : float
        Of the bobbin.
    wire_diameter_m, pitch_m : float
        Of the copper, and with the insulation.

    Raises
    ------
    StillboxError
        If the bobbin is narrower than the wire, or `MOST_TURNS` are not enough.
    """
    per_layer = turns_per_layer(width_m, pitch_m)

    def winding(turns: int) -> Winding:
        return Winding(turns, per_layer, inner_diameter_m, wire_diameter_m, pitch_m)

    low, high = 1, 2
    while winding(high).inductance_h < inductance_h:
        if high == MOST_TURNS:
            raise StillboxError(
                f"{1e3 * inductance_h:.3g} mH take more than {MOST_TURNS} turns there",
                "choose a larger bobbin, or thinner wire",
            )
        low, high = high, min(2 * high, MOST_TURNS)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if winding(middle).inductance_h < inductance_h else (low, middle)
    return min(winding(low), winding(high), key=lambda one: abs(one.inductance_h - inductance_h))


def turns_per_layer(width_m: float, pitch_m: float) -> int:
    """Turns that have room side by side."""
    turns = int(width_m / pitch_m + 1e-6)
    if turns < 1:
        raise StillboxError(
            f"the bobbin, {1e3 * width_m:.3g} mm wide, is narrower than the wire, {1e3 * pitch_m:.3g} mm",
            "choose a wider bobbin, or thinner wire",
        )
    return turns


def brooks_bobbin_m(pitch_m: float, inductance_h: float | None = None, turns: int | None = None) -> tuple[float, float]:
    """Inner diameter and width, m, of a bobbin on which a winding gets Brooks' proportions, filled with whole turns.

    A square of side c and mean radius 1.5 c has an inner radius c; with c/p turns in each of c/p layers
    L = 1.6994e-6 * 1.5 c (c/p)^4.

    Parameters
    ----------
    pitch_m : float
        From turn to turn.
    inductance_h : float, optional
        What it is to have, or else
    turns : int, optional
        how many turns.
    """
    if inductance_h is not None:
        side_m = (inductance_h * pitch_m**4 / (BROOKS_H_PER_M * BROOKS_RADIUS)) ** 0.2
    else:
        side_m = pitch_m * math.sqrt(turns or 1)
    side_m = pitch_m * max(round(side_m / pitch_m), 1)
    return 2 * side_m, side_m
