"""The inside of a wild box, seen from its openings: a three-dimensional cavity, or a chain of lossy lines.

Both give the same thing: the impedance matrix of the openings, pressure at one for volume velocity into another.

The cavity is exact for layers of fluids one behind the other from the front to the back: for each mode across the
front the wave along the depth is a chain of sections (sinh and cosh), which sums all modes of that family at once.
Openings are round, flat and of finite size; the mean pressure over one counts. What is not: admittance of the side
walls enters each mode across as a first-order perturbation (Morse and Ingard, Theoretical Acoustics, 9.4).

The chain is the textbook's lossy line along the height, with openings at its nodes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import j1

from reference.wild_air import Complex, Real

FULL_BELOW = 75.0
"""Modes across with a wave number up to this (1/m) keep their wave; above it only their mass counts (4.1 kHz)."""

PISTON_IN_WALL = 8 / (3 * np.pi)
"""End correction over the radius of a rigid piston in a wall; a disc in the open that breathes both ways has half."""

Fluid = tuple[Complex, Complex]
"""Density and bulk modulus over frequency."""


@dataclass(frozen=True)
class Opening:
    """A round flat source.

    Attributes
    ----------
    depth, across, down, radius : float
        Behind the front, from the left, from the top, m.
    end : float
        End correction that belongs to it in the open, over its radius: piston in a wall, or mouth of a tube.
    """

    depth: float
    across: float
    down: float
    radius: float
    end: float = PISTON_IN_WALL

    @property
    def area(self) -> float:
        return float(np.pi * self.radius**2)


def _shapes(openings: Sequence[Opening], across: Real, down: Real) -> NDArray[np.float64]:
    """Mean of cos(ky y) cos(kz z) over each opening, shape (openings, modes): plane waves over a disc, 2 J1(x)/x."""
    wave = np.hypot(across, down)
    rows = []
    for opening in openings:
        argument = np.maximum(wave * opening.radius, 1e-9)
        rows.append(np.cos(across * opening.across) * np.cos(down * opening.down) * 2 * j1(argument) / argument)
    return np.array(rows)


def _modes_across(width: float, height: float, highest: float) -> tuple[Real, Real, Real]:
    """Wave numbers across and down of all modes up to ``highest``, and their weights over the area."""
    m, n = np.meshgrid(
        np.arange(int(highest * width / np.pi) + 1), np.arange(int(highest * height / np.pi) + 1), indexing="ij"
    )
    across, down = np.pi * m.ravel() / width, np.pi * n.ravel() / height
    weight = np.where(m.ravel() > 0, 2.0, 1.0) * np.where(n.ravel() > 0, 2.0, 1.0) / (width * height)
    inside = np.hypot(across, down) <= highest
    return across[inside], down[inside], weight[inside]


@dataclass(frozen=True)
class _Filled:
    """A rectangular inside, filled in layers, with openings.

    Attributes
    ----------
    depth, width, height : float
        Inside, m.
    thicknesses : tuple of float
        Of the layers, m; their sum is the side along which they lie.
    openings : tuple of Opening
    """

    depth: float
    width: float
    height: float
    thicknesses: tuple[float, ...]
    openings: tuple[Opening, ...]


class Cavity(_Filled):
    """A rectangular box filled in layers from front to back: their thicknesses add up to the depth."""

    @property
    def volumes(self) -> tuple[float, ...]:
        """Of the layers, m^3."""
        return tuple(thickness * self.width * self.height for thickness in self.thicknesses)

    @property
    def side_area(self) -> float:
        return 2 * self.depth * (self.width + self.height)

    @property
    def end_area(self) -> float:
        """Of front and back together, m^2."""
        return 2 * self.width * self.height

    def impedance(self, omega: Real, layers: Sequence[Fluid], side: Complex, end: Complex) -> Complex:
        """Impedance matrix, shape (frequencies, openings, openings), Pa s/m^3.

        Parameters
        ----------
        omega : ndarray, rad/s
        layers : fluids in order of the thicknesses
        side, end : ndarray
            Specific admittance of the four sides, and of front and back, m/(s Pa).
        """
        matrix = self._small_modes(omega, layers)
        across, down, weight = _modes_across(self.width, self.height, FULL_BELOW)
        shapes = _shapes(self.openings, across, down)
        edges = self._edges()
        share = np.where(across > 0, 2, 1) * 2 / self.width + np.where(down > 0, 2, 1) * 2 / self.height
        for start in range(0, omega.size, 512):  # blocks keep the arrays in the cache
            block = slice(start, start + 512)
            matrix[block] += self._waves(omega, layers, side, end, (across, down, weight, share), shapes, edges, block)
        return matrix

    def _edges(self) -> list[float]:
        bounds = np.concatenate([[0.0], np.cumsum(self.thicknesses)])
        bounds[-1] = self.depth
        return sorted({*bounds.tolist(), *(opening.depth for opening in self.openings)})

    def _layer_at(self, depth: float) -> int:
        return min(int(np.searchsorted(np.cumsum(self.thicknesses), depth + 1e-12)), len(self.thicknesses) - 1)

    def _waves(self, omega, layers, side, end, modes, shapes, edges, block) -> Complex:  # type: ignore[no-untyped-def]
        across, down, weight, share = modes
        jw = 1j * omega[block, None]
        decays, own = [], []
        for near, far in pairwise(edges):
            density, bulk = (part[block, None] for part in layers[self._layer_at(0.5 * (near + far))])
            squared = across**2 + down**2 + jw**2 * density / bulk + jw * density * side[block, None] * share
            along = np.sqrt(squared)
            decays.append(np.exp(-along * (far - near)))
            own.append(along / (jw * density))
        right = [np.broadcast_to(end[block, None], own[0].shape)]
        steps = []
        for decay, admittance in zip(decays[::-1], own[::-1], strict=True):
            echo = (admittance - right[-1]) / (admittance + right[-1]) * decay**2
            steps.append(decay * (1 + (admittance - right[-1]) / (admittance + right[-1])) / (1 + echo))
            right.append(admittance * (1 - echo) / (1 + echo))
        right, steps = right[::-1], steps[::-1]
        left = [np.broadcast_to(end[block, None], own[0].shape)]
        for decay, admittance in zip(decays, own, strict=True):
            echo = (admittance - left[-1]) / (admittance + left[-1]) * decay**2
            left.append(admittance * (1 - echo) / (1 + echo))
        places = [edges.index(opening.depth) for opening in self.openings]
        count = len(places)
        result = np.empty((jw.shape[0], count, count), complex)
        for one in range(count):
            for other in range(one, count):
                low, high = sorted((places[one], places[other]))
                pressure = weight / (left[low] + right[low])
                for step in steps[low:high]:
                    pressure = pressure * step
                result[:, one, other] = result[:, other, one] = pressure @ (shapes[one] * shapes[other])
        return result

    def _small_modes(self, omega: Real, layers: Sequence[Fluid]) -> Complex:
        """What modes across above FULL_BELOW add: mass of the air near each opening (Laplace's equation)."""
        geometry = _static_mass(self)
        densities = [layers[self._layer_at(opening.depth)][0] for opening in self.openings]
        mass = np.empty((omega.size, *geometry.shape), complex)
        for one, other in np.ndindex(*geometry.shape):
            mass[:, one, other] = geometry[one, other] * (densities[one] + densities[other]) / 2
        return 1j * omega[:, None, None] * mass


@cache
def _static_mass(cavity: Cavity) -> NDArray[np.float64]:
    """Mass for a density of 1 by the modes above FULL_BELOW, and what the open end has beside its breathing disc."""
    openings = cavity.openings
    across, down, weight = _modes_across(cavity.width, cavity.height, 20 / min(opening.radius for opening in openings))
    above = np.hypot(across, down) > FULL_BELOW
    across, down, weight = across[above], down[above], weight[above]
    wave = np.hypot(across, down)
    shapes = _shapes(openings, across, down)
    mass = np.empty((len(openings), len(openings)))
    for one, other in np.ndindex(*mass.shape):
        near, far = sorted((openings[one].depth, openings[other].depth))
        green = np.exp(-wave * (far - near)) * (1 + np.exp(-2 * wave * near))
        green = green * (1 + np.exp(-2 * wave * (cavity.depth - far))) / (2 * wave)
        mass[one, other] = np.sum(weight * shapes[one] * shapes[other] * green / (1 - np.exp(-2 * wave * cavity.depth)))
    for index, opening in enumerate(openings):
        disc = PISTON_IN_WALL * (1.0 if opening.depth in (0.0, cavity.depth) else 0.5)
        mass[index, index] += (opening.end - disc) * opening.radius / opening.area
    return mass


class Chain(_Filled):
    """A box as a line along its height, filled in pieces from the top down, with openings along it.

    The thicknesses of the pieces add up to the height. Of an opening only ``down`` and ``radius`` count; what the line
    cannot hold of the flow near it is a mass there: its end correction, less where the opening is wide for the line.
    """

    @property
    def volumes(self) -> tuple[float, ...]:
        return tuple(thickness * self.width * self.depth for thickness in self.thicknesses)

    @property
    def side_area(self) -> float:
        return 2 * self.height * (self.width + self.depth)

    @property
    def end_area(self) -> float:
        return 2 * self.width * self.depth

    def impedance(self, omega: Real, layers: Sequence[Fluid], side: Complex, end: Complex) -> Complex:
        """Impedance matrix as that of the cavity."""
        area, round_it = self.width * self.depth, 2 * (self.width + self.depth)
        bounds = np.cumsum(self.thicknesses)
        taps = [
            [(opening.down + shift * opening.radius, part) for shift, part in ((-0.6, 0.27), (0, 0.46), (0.6, 0.27))]
            for opening in self.openings
        ]
        nodes = sorted({0.0, self.height, *bounds[:-1].tolist(), *(place for tap in taps for place, _ in tap)})
        jw = 1j * omega
        ladder = np.zeros((omega.size, len(nodes), len(nodes)), complex)
        for index, (near, far) in enumerate(pairwise(nodes)):
            piece = min(int(np.searchsorted(bounds, 0.5 * (near + far))), len(self.thicknesses) - 1)
            density, bulk = layers[piece]
            series, shunt = jw * density / area, jw * area / bulk + round_it * side
            along, own = np.sqrt(series * shunt) * (far - near), np.sqrt(shunt / series)
            decay = np.exp(-along)
            ladder[:, index, index] += own * (1 + decay**2) / (1 - decay**2)
            ladder[:, index + 1, index + 1] += own * (1 + decay**2) / (1 - decay**2)
            ladder[:, index, index + 1] -= 2 * own * decay / (1 - decay**2)
            ladder[:, index + 1, index] -= 2 * own * decay / (1 - decay**2)
        ladder[:, 0, 0] += area * end
        ladder[:, -1, -1] += area * end
        spread = np.zeros((len(nodes), len(self.openings)))
        for column, tap in enumerate(taps):
            for place, part in tap:
                spread[nodes.index(place), column] += part
        matrix = spread.T @ np.linalg.solve(ladder, np.broadcast_to(spread, (omega.size, *spread.shape)))
        for index, opening in enumerate(self.openings):
            piece = min(int(np.searchsorted(bounds, opening.down)), len(self.thicknesses) - 1)
            narrow = max(0.3, 1 - 1.1 * opening.radius / np.sqrt(area))
            mass = layers[piece][0] * opening.end * opening.radius * narrow / opening.area
            matrix[:, index, index] += jw * mass
        return matrix
