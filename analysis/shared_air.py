"""Air of the box that moves for cone and port alike: what a lumped box needs to know about its standing waves.

Along one dimension of length L with rigid ends, cone at x and port at y, the pressure at y from flow at x is
1/(s C) + s m with C m = (L/c)^2 (1/3 - max(x, y)/L + (x^2 + y^2)/(2 L^2)): the sum over all standing waves of that
dimension at low frequency. The dimensions add.
"""

from __future__ import annotations

import numpy as np

from analysis.quantity import Quantity

PLACE_STD_MM = 15.0
"""Of the middle of cone and port, which are no points."""

MODEL_STD = 0.15
"""Relative: tangential and oblique standing waves, and what stands in the box."""

UNKNOWN_PLACES = 200
"""Random places tried where a person has not said."""


def shared_air_s2(
    inside_mm: tuple[float, float, float],
    cone_mm: tuple[float | None, float | None, float | None],
    port_mm: tuple[float | None, float | None, float | None],
    speed_of_sound_m_s: float,
) -> Quantity:
    """kappa in s^2 with its uncertainty from the places.

    Parameters
    ----------
    inside_mm : tuple of float
        Height, width, depth.
    cone_mm, port_mm : tuple of float or None
        Places along height, width and depth; None where not known.
    speed_of_sound_m_s : float
    """
    generator = np.random.default_rng(1)
    total = np.zeros(UNKNOWN_PLACES)
    for length_mm, x, y in zip(inside_mm, cone_mm, port_mm, strict=True):
        places = [_places(value, length_mm, generator) for value in (x, y)]
        total += (length_mm / 1000 / speed_of_sound_m_s) ** 2 * _shape(*places)
    mean = float(total.mean())
    return Quantity(mean, float(np.hypot(total.std(), MODEL_STD * np.abs(total).mean())), "s²")


def _places(value_mm: float | None, length_mm: float, generator: np.random.Generator) -> np.ndarray:
    """Places over the length; spread by what is not known."""
    if value_mm is None:
        return generator.uniform(0.1, 0.9, UNKNOWN_PLACES)
    spread = value_mm + PLACE_STD_MM * generator.standard_normal(UNKNOWN_PLACES)
    return np.clip(spread / length_mm, 0.0, 1.0)


def _shape(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return 1 / 3 - np.maximum(x, y) + 0.5 * (x**2 + y**2)
