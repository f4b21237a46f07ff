"""Air of the box that moves for cone and port alike: what a lumped box needs to know about its standing waves.

The pressure at the inner mouth of the port from flow at the cone is 1/(s C) + s m at low frequency, with

    C m = kappa = sum over all standing waves of  2^d <psi>(cone) <psi>(port) / w^2,

psi the product of the cosines along the three dimensions, d the number of them that take part, <> the mean over the
disc of cone or mouth (a disc of radius a seen by waves of wave number k along the front has 2 J1(k a)/(k a)). The port
breathes where its tube ends: a port's length behind the front.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from stillbox.analysis.maths.quantity import Quantity
from stillbox.capture.arrays import FloatArray

PLACE_STD_MM = 15.0
"""Of the middle of cone and port, which are no points."""

MODEL_STD = 0.07
"""Relative, of what the standing waves along the three dimensions give at most: what stands in the box."""

DRAWS = 200
"""Random places tried for what a person has not said."""

ORDERS = 12
"""Standing waves along each dimension that count: those above are averaged away by cone and mouth."""

USUAL_CONE = ((0.22, 0.5), (0.46, 0.54))
USUAL_PORT = ((0.55, 0.9), (0.3, 0.7))
"""Usual places of cone and port on the front, over height and width, where a person has not said (no source)."""
USUAL_LENGTH = (0.25, 0.75)
"""Length of a port over the depth of its box, where a person has not said (no source)."""
USUAL_RADII = (0.35, 0.13)
"""Of cone and port, over the smaller side of the front, where a person has not said (no source)."""
OUTSIDE = (0.85, 0.15)
"""What cone and port share before the front, over rho/(2 pi d) of an endless one; half of that without a front."""
LONGEST = 0.9
"""Length over depth up to which a port runs straight to the back: a longer one is bent, and may end anywhere."""


@dataclass(frozen=True)
class Mouth:
    """Where a disc that moves air is, mm; None where it is not known.

    Attributes
    ----------
    from_top_mm, from_left_mm : float or None
        Its middle.
    behind_mm : float or None
        How far behind the front it breathes: 0 for a cone, a port's length for a port.
    diameter_mm : float or None
    """

    from_top_mm: float | None
    from_left_mm: float | None
    behind_mm: float | None
    diameter_mm: float | None = None


def shared_air_s2(
    inside_mm: tuple[float, float, float], cone: Mouth, port: Mouth, speed_of_sound_m_s: float
) -> Quantity:
    """kappa in s^2 with its uncertainty from the places.

    Parameters
    ----------
    inside_mm : tuple of float
        Height, width, depth.
    cone, port : Mouth
    speed_of_sound_m_s : float
    """
    generator = np.random.default_rng(1)
    inner, outer = _sums(inside_mm, cone, port, speed_of_sound_m_s, generator)
    total = inner + outer
    most = sum((length_mm / 1000 / speed_of_sound_m_s) ** 2 for length_mm in inside_mm) / 3
    return Quantity(float(total.mean()), float(np.hypot(total.std(), MODEL_STD * most)), "s²")


def _sums(
    inside_mm: tuple[float, float, float], cone: Mouth, port: Mouth, speed_m_s: float, generator: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """kappa of the air inside and of that before the front, for each draw of the places, shape (draws,)."""
    height, width, depth = inside_mm
    narrow = min(height, width)
    shapes, fronts = [], []
    for mouth, usual, radius in zip((cone, port), (USUAL_CONE, USUAL_PORT), USUAL_RADII, strict=True):
        down = _places(mouth.from_top_mm, height, usual[0], generator)
        across = _places(mouth.from_left_mm, width, usual[1], generator)
        fronts.append((down * height, across * width))
        along_h, along_w = _along(down), _along(across)
        along_d = _along(_depths(mouth.behind_mm, depth, generator))
        radius_mm = radius * narrow if mouth.diameter_mm is None else mouth.diameter_mm / 2
        shapes.append((along_h, along_w, along_d, _seen_by_disc(inside_mm, radius_mm)))
    orders = np.arange(ORDERS + 1)
    squares = [(orders * np.pi * speed_m_s * 1000 / length_mm) ** 2 for length_mm in inside_mm]
    omega2 = squares[0][:, None, None] + squares[1][None, :, None] + squares[2][None, None, :]
    omega2[0, 0, 0] = np.inf
    count = np.where(orders > 0, 2.0, 1.0)
    weight = count[:, None, None] * count[None, :, None] * count[None, None, :] / omega2
    weight *= (shapes[0][3] * shapes[1][3])[:, :, None]
    h, w, d = (shapes[0][axis] * shapes[1][axis] for axis in range(3))
    apart_m = np.maximum(np.hypot(*(fronts[0][axis] - fronts[1][axis] for axis in range(2))), 0.5 * narrow) / 1000
    outer = height * width * depth / 1e9 / (2 * np.pi * speed_m_s**2) / apart_m
    outer = outer * (OUTSIDE[0] + OUTSIDE[1] * generator.standard_normal(DRAWS))
    return np.einsum("ui,uj,uk,ijk->u", h, w, d, weight, optimize=True), outer


def _along(places: FloatArray) -> FloatArray:
    """cos(n pi x/L), shape (draws, orders)."""
    result: FloatArray = np.cos(np.pi * places[:, None] * np.arange(ORDERS + 1))
    return result


def _seen_by_disc(inside_mm: tuple[float, float, float], radius_mm: float) -> FloatArray:
    """Mean of a wave over a disc on the front over its value in the middle, by orders along height and width."""
    orders = np.arange(ORDERS + 1) * np.pi
    argument = radius_mm * np.hypot(orders[:, None] / inside_mm[0], orders[None, :] / inside_mm[1])
    argument[0, 0] = 1.0
    mean = 2 * special.j1(argument) / argument
    mean[0, 0] = 1.0
    return np.asarray(mean)


def _places(
    value_mm: float | None, length_mm: float, usual: tuple[float, float], generator: np.random.Generator
) -> FloatArray:
    """Places over the length; spread by what is not known."""
    if value_mm is None:
        return generator.uniform(*usual, DRAWS)
    return np.clip((value_mm + PLACE_STD_MM * generator.standard_normal(DRAWS)) / length_mm, 0.0, 1.0)


def _depths(behind_mm: float | None, depth_mm: float, generator: np.random.Generator) -> FloatArray:
    """The same for the way behind the front; the cone is at the front."""
    if behind_mm == 0:
        return np.zeros(DRAWS)
    if behind_mm is None or behind_mm > LONGEST * depth_mm:
        return generator.uniform(*USUAL_LENGTH, DRAWS)
    return _places(behind_mm, depth_mm, USUAL_LENGTH, generator)
