"""Symbols of a circuit as lines, after IEC 60617: along the x axis about the origin, with their wires to both ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stillbox.analysis.parts.kinds import Kind

Point = tuple[float, float]
HALF = 3.0
"""From the middle of a symbol to its ends, in units of the drawing."""


@dataclass(frozen=True)
class Stroke:
    """A line through points.

    Attributes
    ----------
    points : tuple of (float, float)
        y downwards.
    name : str
        Of the part or driver that it belongs to; empty for wires.
    filled : bool
        Whether what it encloses is filled with the colour of the paper.
    """

    points: tuple[Point, ...]
    name: str = ""
    filled: bool = False

    def placed(self, x: float, y: float, down: bool, flipped: bool) -> Stroke:
        """Moved to a place; ``down``: from above to below; ``flipped``: the other way round."""
        turn = -1.0 if flipped else 1.0
        moved = (((-b if down else turn * a), (turn * a if down else b)) for a, b in self.points)
        return Stroke(tuple((x + one, y + other) for one, other in moved), self.name, self.filled)


def symbol(kind: Kind | None, name: str) -> list[Stroke]:
    """Lines of a part of a kind; None stands for a driver, whose positive terminal is on the left."""
    lines = {"resistor": _resistor, "coil": _coil, "capacitor": _capacitor, None: _driver}[kind]()
    return [Stroke(points, name, closed) for points, closed in lines]


def _resistor() -> list[tuple[tuple[Point, ...], bool]]:
    body = ((-1.7, -0.62), (1.7, -0.62), (1.7, 0.62), (-1.7, 0.62), (-1.7, -0.62))
    return [(((-HALF, 0), (-1.7, 0)), False), (((1.7, 0), (HALF, 0)), False), (body, True)]


def _coil() -> list[tuple[tuple[Point, ...], bool]]:
    turns, radius = 4, 0.5
    angles = np.linspace(np.pi, 0, 13)
    points: list[Point] = []
    for turn in range(turns):
        middle = (2 * turn + 1 - turns) * radius
        points += [
            (float(middle + radius * np.cos(angle)), float(-1.3 * radius * np.sin(angle))) for angle in angles
        ]
    end = turns * radius
    return [(((-HALF, 0), *points, (HALF, 0)), False)] if end < HALF else []


def _capacitor() -> list[tuple[tuple[Point, ...], bool]]:
    gap, plate = 0.32, 1.15
    return [
        (((-HALF, 0), (-gap, 0)), False),
        (((-gap, -plate), (-gap, plate)), False),
        (((gap, -plate), (gap, plate)), False),
        (((gap, 0), (HALF, 0)), False),
    ]


def _driver() -> list[tuple[tuple[Point, ...], bool]]:
    """A coil's body with the cone beside it, on the side of negative y: to the right where it hangs down."""
    body = ((-1.5, -0.5), (1.5, -0.5), (1.5, 0.5), (-1.5, 0.5), (-1.5, -0.5))
    cone = ((-0.9, -0.5), (-1.9, -2.1), (1.9, -2.1), (0.9, -0.5), (-0.9, -0.5))
    plus = (((-2.5, 0.8), (-1.7, 0.8)), False), (((-2.1, 0.4), (-2.1, 1.2)), False)
    return [(((-HALF, 0), (-1.5, 0)), False), (((1.5, 0), (HALF, 0)), False), (body, True), (cone, True), *plus]


def ground(x: float, y: float) -> list[Stroke]:
    """The speaker's other terminal, where something is joined to it."""
    lines = [((x - width, y + below), (x + width, y + below)) for width, below in ((0.9, 0.0), (0.55, 0.4), (0.2, 0.8))]
    return [Stroke(points) for points in lines]


def ring(x: float, y: float, radius: float) -> Stroke:
    """A terminal."""
    angles = np.linspace(0, 2 * np.pi, 17)
    return Stroke(tuple((float(x + radius * np.cos(one)), float(y + radius * np.sin(one))) for one in angles), "", True)
