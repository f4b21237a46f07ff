"""Models of the voice coil's inductance as published: impedance beyond the DC resistance, with derivatives.

Parameters are logarithms (SI units inside), so that every value stays positive; an exponent between 0 and 1 is the
logit. Frequencies are taken relative to 1 kHz where a power of frequency would couple the parameters.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from capture.arrays import ComplexArray, FloatArray

REFERENCE_RAD_S = 2 * np.pi * 1_000.0


CHAIN_CORNERS_RAD_S = 2 * np.pi * np.geomspace(2.0, 2e6, 19)
CHAIN_STEP = float(np.log(CHAIN_CORNERS_RAD_S[1] / CHAIN_CORNERS_RAD_S[0]))
CHAIN_BEND_STD = 1.0
"""Of the chain: how much the logarithms of three neighbouring resistances may depart from a straight line."""


@dataclass(frozen=True)
class CoilModel:
    """One way to describe the coil.

    Attributes
    ----------
    name, source : str
        As printed; where it was published.
    parameter_names : tuple of str
        With units, of the values that `values` gives.
    evaluate : callable
        From s (n,) and parameters (k,) to impedance in ohm (n,) and its derivatives (n, k).
    values : callable
        From the parameters to the values named.
    scales : tuple of float
        Change of each parameter by one neper of the ohm scale.
    shapes : callable
        For a start: the parts of the impedance that are linear once the model's corners are given,
        from s (n,) and corners to (n, parts).
    corners : tuple of tuple of float
        Sets of corners to try.
    assemble : callable
        From the coefficients of the parts and the corners to parameters.
    """

    name: str
    source: str
    parameter_names: tuple[str, ...]
    evaluate: Callable[[ComplexArray, FloatArray], tuple[ComplexArray, ComplexArray]]
    values: Callable[[FloatArray], FloatArray]
    scales: tuple[float, ...]
    shapes: Callable[[ComplexArray, tuple[float, ...]], ComplexArray]
    corners: tuple[tuple[float, ...], ...]
    assemble: Callable[[FloatArray, tuple[float, ...]], tuple[float, ...]]
    smoothness: FloatArray | None = None
    """Rows over the parameters that are 0 with a standard deviation of 1 beforehand; None: nothing is known."""

    @property
    def size(self) -> int:
        return len(self.parameter_names)

    def start(self, s: ComplexArray, coil_ohm: ComplexArray) -> FloatArray:
        """Parameters that follow a curve of the coil with its DC resistance roughly, for a fit to start from."""
        weight = 1 / np.abs(coil_ohm)
        target = np.concatenate([(coil_ohm * weight).real, (coil_ohm * weight).imag])
        best, least = self.corners[0], np.inf
        coefficients = np.ones(2)
        for corners in self.corners:
            columns = np.concatenate([np.ones((s.size, 1)), self.shapes(s, corners)], axis=1) * weight[:, None]
            solution, rest = optimize.nnls(np.concatenate([columns.real, columns.imag]), target)
            if rest < least:
                best, least, coefficients = corners, rest, solution
        floor = 1e-3 * np.abs(coil_ohm[-1] / self.shapes(s, best)[-1])
        return np.array(self.assemble(np.maximum(coefficients[1:], floor), best))


def _inductor(s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    z = s * np.exp(x[0])
    return z, z[:, None]


def _parallel(branches: list[ComplexArray]) -> tuple[ComplexArray, ComplexArray]:
    """Impedances in parallel; derivatives by the logarithm of each: z^2 / branch."""
    z = 1 / np.sum([1 / branch for branch in branches], axis=0)
    return z, np.stack([z * z / branch for branch in branches], axis=1)


def _lossy_inductor(s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    return _parallel([s * np.exp(x[0]), np.full(s.shape, np.exp(x[1]), dtype=complex)])


def _inductor_and_section(s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    z, slope = _inductor(s, x[:1])
    section, section_slopes = _lossy_inductor(s, x[1:3])
    return z + section, np.concatenate([slope, section_slopes], axis=1)


def _inductor_and_two_sections(s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    z, slopes = _inductor_and_section(s, x[:3])
    section, section_slopes = _lossy_inductor(s, x[3:5])
    return z + section, np.concatenate([slopes, section_slopes], axis=1)


def _leach(s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    exponent = 1 / (1 + np.exp(-x[1]))
    logarithm = np.log(s / REFERENCE_RAD_S)
    z = np.exp(x[0] + exponent * logarithm)
    return z, np.stack([z, z * logarithm * exponent * (1 - exponent)], axis=1)


def _semi_inductor(s: ComplexArray, x: float) -> ComplexArray:
    return np.exp(x) * np.sqrt(s / REFERENCE_RAD_S)


def _thorborg_unruh(s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    z, slope = _inductor(s, x[:1])
    lossy, lossy_slopes = _parallel([s * np.exp(x[1]), _semi_inductor(s, x[2])])
    return z + lossy, np.concatenate([slope, lossy_slopes], axis=1)


def _thorborg_futtrup(s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    z, slope = _inductor(s, x[:1])
    resistor = np.full(s.shape, np.exp(x[3]), dtype=complex)
    lossy, lossy_slopes = _parallel([s * np.exp(x[1]), _semi_inductor(s, x[2]), resistor])
    return z + lossy, np.concatenate([slope, lossy_slopes], axis=1)


def _leach_values(x: FloatArray) -> FloatArray:
    exponent = 1 / (1 + np.exp(-x[1]))
    return np.array([np.exp(x[0]) / REFERENCE_RAD_S**exponent, exponent])


def _chain(s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    parts = np.exp(x[1:]) * _chain_shapes(s)
    z = s * np.exp(x[0])
    return z + parts.sum(axis=1), np.concatenate([z[:, None], parts], axis=1)


def _chain_shapes(s: ComplexArray) -> ComplexArray:
    return s[:, None] / (s[:, None] + CHAIN_CORNERS_RAD_S)


def _chain_smoothness() -> FloatArray:
    """Second differences of the logarithms of neighbouring resistances, over their expected size."""
    count = CHAIN_CORNERS_RAD_S.size
    rows = np.zeros((count - 2, 1 + count))
    for row in range(count - 2):
        rows[row, 1 + row : 4 + row] = 1.0, -2.0, 1.0
    return rows / CHAIN_BEND_STD


def _futtrup_values(x: FloatArray) -> FloatArray:
    values = np.exp(x)
    values[2] /= np.sqrt(REFERENCE_RAD_S)
    return values


def _relaxation(s: ComplexArray, corner: float) -> ComplexArray:
    return s / (s + corner)


def _section(resistance: float, corner: float) -> tuple[float, float]:
    """ln L, ln R of a resistance parallel to an inductance, from R and the corner R/L."""
    return float(np.log(resistance / corner)), float(np.log(resistance))


def _columns(*parts: ComplexArray) -> ComplexArray:
    return np.stack(parts, axis=1)


_CORNERS = tuple(float(corner) for corner in 2 * np.pi * np.geomspace(60.0, 60e3, 13))
_SINGLE = tuple((corner,) for corner in _CORNERS)
_PAIRS = tuple(itertools.combinations(_CORNERS, 2))
_EXPONENTS = tuple((float(n),) for n in np.arange(0.4, 0.96, 0.05))
_ROOT_CORNERS = tuple((float(np.sqrt(corner)),) for corner in _CORNERS)
_LOSS_CORNERS = tuple(
    (float(root * np.sqrt(corner)), float(corner)) for corner in _CORNERS[::2] for root in (0.1, 0.5, 2.0, 8.0)
)

COIL_MODELS: tuple[CoilModel, ...] = (
    CoilModel(
        name="inductance",
        source="Small, JAES 20(5) 383-395, 1972",
        parameter_names=("L (H)",),
        evaluate=_inductor,
        values=np.exp,
        scales=(1.0,),
        shapes=lambda s, c: _columns(s),
        corners=((),),
        assemble=lambda a, c: (float(np.log(a[0])),),
    ),
    CoilModel(
        name="inductance with parallel resistance",
        source="one lossy inductance; common practice, no source",
        parameter_names=("L (H)", "R (ohm)"),
        evaluate=_lossy_inductor,
        values=np.exp,
        scales=(1.0, 1.0),
        shapes=lambda s, c: _columns(_relaxation(s, c[0])),
        corners=_SINGLE,
        assemble=lambda a, c: _section(a[0], c[0]),
    ),
    CoilModel(
        name="inductance and lossy inductance",
        source="L in series with L2 parallel to R2; common practice, no source",
        parameter_names=("L (H)", "L2 (H)", "R2 (ohm)"),
        evaluate=_inductor_and_section,
        values=np.exp,
        scales=(1.0, 1.0, 1.0),
        shapes=lambda s, c: _columns(s, _relaxation(s, c[0])),
        corners=_SINGLE,
        assemble=lambda a, c: (float(np.log(a[0])), *_section(a[1], c[0])),
    ),
    CoilModel(
        name="inductance and two lossy inductances",
        source="two sections L parallel to R in series with L; common practice, no source",
        parameter_names=("L (H)", "L2 (H)", "R2 (ohm)", "L3 (H)", "R3 (ohm)"),
        evaluate=_inductor_and_two_sections,
        values=np.exp,
        scales=(1.0, 1.0, 1.0, 1.0, 1.0),
        shapes=lambda s, c: _columns(s, _relaxation(s, c[0]), _relaxation(s, c[1])),
        corners=_PAIRS,
        assemble=lambda a, c: (float(np.log(a[0])), *_section(a[1], c[0]), *_section(a[2], c[1])),
    ),
    CoilModel(
        name="semi-inductance K s^n",
        source="Leach, JAES 50(6) 442-450, 2002",
        parameter_names=("K (ohm s^n)", "n"),
        evaluate=_leach,
        values=_leach_values,
        scales=(1.0, 0.0),
        shapes=lambda s, c: _columns((s / REFERENCE_RAD_S) ** c[0]),
        corners=_EXPONENTS,
        assemble=lambda a, c: (float(np.log(a[0])), float(np.log(c[0] / (1 - c[0])))),
    ),
    CoilModel(
        name="L and L2 parallel to K sqrt(s)",
        source="Thorborg, Unruh, JAES 56(9) 696-709, 2008 [M]",
        parameter_names=("Leb (H)", "Le (H)", "Ke (ohm s^0.5)"),
        evaluate=_thorborg_unruh,
        values=_futtrup_values,
        scales=(1.0, 1.0, 1.0),
        # (Le s) parallel (K sqrt s) = K s / (sqrt s + K/Le).
        shapes=lambda s, c: _columns(s, s / (np.sqrt(s) + c[0])),
        corners=_ROOT_CORNERS,
        assemble=lambda a, c: (
            float(np.log(a[0])),
            float(np.log(a[1] / c[0])),
            float(np.log(a[1] * np.sqrt(REFERENCE_RAD_S))),
        ),
    ),
    CoilModel(
        name="L and L2 parallel to K sqrt(s) parallel to R",
        source="Thorborg, Futtrup, JAES 59(9) 612-627, 2011 [M]",
        parameter_names=("Leb (H)", "Le (H)", "Ke (ohm s^0.5)", "Rss (ohm)"),
        evaluate=_thorborg_futtrup,
        values=_futtrup_values,
        scales=(1.0, 1.0, 1.0, 1.0),
        # With R in parallel too: R s / (s + (R/K) sqrt s + R/Le).
        shapes=lambda s, c: _columns(s, s / (s + c[0] * np.sqrt(s) + c[1])),
        corners=_LOSS_CORNERS,
        assemble=lambda a, c: (
            float(np.log(a[0])),
            float(np.log(a[1] / c[1])),
            float(np.log(a[1] / c[0] * np.sqrt(REFERENCE_RAD_S))),
            float(np.log(a[1])),
        ),
    ),
)

CHAIN = CoilModel(
    name="chain of lossy inductances",
    source="any passive lossy coil as sections L parallel to R at fixed corners (Foster form); no source for its use",
    parameter_names=("L (H)", *(f"R at {corner / (2 * np.pi):.4g} Hz (ohm)" for corner in CHAIN_CORNERS_RAD_S)),
    evaluate=_chain,
    values=np.exp,
    scales=(1.0,) * (1 + CHAIN_CORNERS_RAD_S.size),
    shapes=lambda s, c: _columns((s / REFERENCE_RAD_S) ** c[0], s),
    corners=_EXPONENTS,
    # From a semi-inductance a s^n: the resistances of its ladder.
    assemble=lambda a, c: (
        float(np.log(a[1])),
        *(
            float(v)
            for v in np.log(a[0] * np.sin(c[0] * np.pi) / np.pi * CHAIN_STEP)
            + c[0] * np.log(CHAIN_CORNERS_RAD_S / REFERENCE_RAD_S)
        ),
    ),
    smoothness=_chain_smoothness(),
)
"""Tried only where no published model follows the coil."""
