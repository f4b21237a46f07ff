"""Models of the voice coil's inductance as published: impedance beyond the DC resistance, with derivatives.

Parameters are logarithms (SI units inside), so that every value stays positive; an exponent between 0 and 1 is the
logit. Frequencies are taken relative to 1 kHz where a power of frequency would couple the parameters.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from stillbox.analysis.lumped.parameters import Parameter
from stillbox.capture.arrays import ComplexArray, FloatArray

PUBLISHED_SECTIONS = 2
"""More sections follow any lossy coil: they say nothing of the DC resistance below them."""

REFERENCE_RAD_S = 2 * np.pi * 1_000.0


FREE_CORNERS_RAD_S = 2 * np.pi * np.geomspace(30.0, 60e3, 17)
MOST_ONE_BY_ONE = 2
EVEN_ENDS_RAD_S = (2 * np.pi * 300.0, 2 * np.pi * 10e3)
"""More corners than so many that were found one by one may be badly placed: others, spread evenly, are tried too."""
SIGNED_RCOND = 1e-5
"""Parts of either sign that take one another back are left out of a start from there on."""
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
    corners_at_a_time: int = 1
    """So many of the sets of ``corners`` make one start, found one by one."""
    signed: bool = False
    """The parts may be negative."""
    published: bool = True
    """False where it is not one that is told of coils, but one that follows any."""
    smoothness: FloatArray | None = None
    """Rows over the parameters that are 0 with a standard deviation of 1 beforehand; None: nothing is known."""

    @property
    def size(self) -> int:
        return len(self.parameter_names)

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """As a fit has them: ``ln_coil L``; those of either sign without a logarithm, an exponent as its logit."""
        told = [name.removesuffix(")").partition(" (") for name in self.parameter_names]
        kinds = ["" if self.signed else "ln_" if unit else "logit_" for _, _, unit in told]
        return tuple(
            Parameter(f"{kind}coil {name}", f"{name} of the coil", unit)
            for kind, (name, _, unit) in zip(kinds, told, strict=True)
        )

    @property
    def _ends(self) -> tuple[float, float]:
        """Least and greatest of the corners."""
        every = [corner for one in self.corners for corner in one]
        return min(every, default=0.0), max(every, default=0.0)

    def start(self, s: ComplexArray, coil_ohm: ComplexArray) -> FloatArray:
        """Parameters that follow a curve of the coil with its DC resistance roughly, for a fit to start from."""
        return self.follow(s, coil_ohm, np.abs(coil_ohm)).parameters

    def follow(
        self, s: ComplexArray, coil_ohm: ComplexArray, std_ohm: FloatArray, corners: tuple[float, ...] = ()
    ) -> Followed:
        """Follow a curve of the coil with its DC resistance as well as the model can, from ``corners`` found before."""
        curve = _Curve(s, coil_ohm, 1 / std_ohm, self.shapes, self.signed)
        best = corners
        for _ in range(len(corners), self.corners_at_a_time):
            tried = [best + one for one in self.corners if not one or one[0] not in best]
            best = curve.refined(self._ends, min(tried, key=curve.chi_square))
        if self.corners_at_a_time > MOST_ONE_BY_ONE:
            even = tuple(float(one) for one in np.geomspace(*EVEN_ENDS_RAD_S, self.corners_at_a_time))
            best = min(best, curve.refined(self._ends, even), key=curve.chi_square)
        found, rest = curve.solved(best)
        if not self.signed:
            found[1:] = np.maximum(found[1:], 1e-3 * np.abs(coil_ohm[-1] / self.shapes(s[-1:], best)[0]))
        return Followed(float(found[0]), np.array(self.assemble(found[1:], best)), float(rest @ rest), best)


@dataclass(frozen=True)
class Followed:
    """A coil that follows a curve: its DC resistance, the model's parameters and corners, what is left."""

    resistance_ohm: float
    parameters: FloatArray
    chi_square: float
    corners: tuple[float, ...]


@dataclass(frozen=True)
class _Curve:
    """A coil with its DC resistance, which parts are to follow; their sizes are linear once the corners are given."""

    s: ComplexArray
    coil_ohm: ComplexArray
    weight: FloatArray
    shapes: Callable[[ComplexArray, tuple[float, ...]], ComplexArray]
    signed: bool

    def solved(self, corners: tuple[float, ...]) -> tuple[FloatArray, FloatArray]:
        """Coefficients (the DC resistance first) and what they leave, weighted."""
        columns = np.concatenate([np.ones((self.s.size, 1)), self.shapes(self.s, corners)], axis=1)
        columns, target = columns * self.weight[:, None], self.coil_ohm * self.weight
        rows, wanted = np.concatenate([columns.real, columns.imag]), np.concatenate([target.real, target.imag])
        size = np.linalg.norm(rows, axis=0)
        if self.signed:
            found = np.linalg.lstsq(rows / size, wanted, rcond=SIGNED_RCOND)[0]
        else:
            found, _ = optimize.nnls(rows / size, wanted)
        return found / size, rows @ (found / size) - wanted

    def chi_square(self, corners: tuple[float, ...]) -> float:
        """What corners leave at best."""
        return float(np.sum(self.solved(corners)[1] ** 2))

    def refined(self, ends: tuple[float, float], corners: tuple[float, ...]) -> tuple[float, ...]:
        """Corners moved to where they follow the curve best (variable projection: Golub, Pereyra, 1973 [M])."""
        if not corners or self.signed:
            return corners

        def inside(x: FloatArray) -> tuple[float, ...]:
            return tuple(np.exp(np.clip(x, *np.log(ends))))

        found, _ = optimize.leastsq(
            lambda x: self.solved(inside(x))[1], np.log(corners), xtol=1e-5, ftol=1e-5, maxfev=60 * len(corners)
        )
        return inside(found)


def _inductor(s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    (ln_l,) = x
    z = s * np.exp(ln_l)
    return z, z[:, None]


def _parallel(branches: list[ComplexArray]) -> tuple[ComplexArray, ComplexArray]:
    """Impedances in parallel; derivatives by the logarithm of each: z^2 / branch."""
    z = 1 / np.sum([1 / branch for branch in branches], axis=0)
    return z, np.stack([z * z / branch for branch in branches], axis=1)


def _lossy_inductor(s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    ln_l, ln_r = x
    return _parallel([s * np.exp(ln_l), np.full(s.shape, np.exp(ln_r), dtype=complex)])


def _inductor_and_sections(s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    """s L in series with sections (s L || R): parameters ln L, then ln L and ln R of each section."""
    z = s * np.exp(x[0])
    inductances, resistances = np.exp(x[1::2, None]) * s, np.exp(x[2::2, None])
    share = resistances / (inductances + resistances)
    sections = inductances * share
    rows = np.empty((x.size, s.size), dtype=complex)
    rows[0] = z
    np.multiply(sections, share, out=rows[1::2])
    np.subtract(sections, rows[1::2], out=rows[2::2])
    return z + sections.sum(axis=0), rows.T


def _leach(s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    ln_k, logit_n = x
    exponent = 1 / (1 + np.exp(-logit_n))
    logarithm = np.log(s / REFERENCE_RAD_S)
    z = np.exp(ln_k + exponent * logarithm)
    return z, np.stack([z, z * logarithm * exponent * (1 - exponent)], axis=1)


def _semi_inductor(s: ComplexArray, ln_k: float) -> ComplexArray:
    result: ComplexArray = np.exp(ln_k) * np.sqrt(s / REFERENCE_RAD_S)
    return result


def _thorborg_unruh(s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    ln_leb, ln_le, ln_ke = x
    z = s * np.exp(ln_leb)
    lossy, lossy_slopes = _parallel([s * np.exp(ln_le), _semi_inductor(s, ln_ke)])
    return z + lossy, np.concatenate([z[:, None], lossy_slopes], axis=1)


def _thorborg_futtrup(s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    ln_leb, ln_le, ln_ke, ln_rss = x
    z = s * np.exp(ln_leb)
    resistor = np.full(s.shape, np.exp(ln_rss), dtype=complex)
    lossy, lossy_slopes = _parallel([s * np.exp(ln_le), _semi_inductor(s, ln_ke), resistor])
    return z + lossy, np.concatenate([z[:, None], lossy_slopes], axis=1)


def _leach_values(x: FloatArray) -> FloatArray:
    ln_k, logit_n = x
    exponent = 1 / (1 + np.exp(-logit_n))
    return np.array([np.exp(ln_k) / REFERENCE_RAD_S**exponent, exponent])


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


_CORNERS = tuple(float(corner) for corner in 2 * np.pi * np.geomspace(10.0, 200e3, 18))
_SINGLE = tuple((corner,) for corner in _CORNERS)
_EXPONENTS = tuple((float(n),) for n in np.arange(0.4, 0.96, 0.05))
_ROOT_CORNERS = tuple((float(np.sqrt(corner)),) for corner in _CORNERS)
_LOSS_CORNERS = tuple(
    (float(root * np.sqrt(corner)), float(corner)) for corner in _CORNERS[::2] for root in (0.1, 0.5, 2.0, 8.0)
)

_COUNTS = ("lossy inductance", *(f"{count} lossy inductances" for count in ("two", "three", "four")))


def _sections_model(count: int) -> CoilModel:
    names = [name for number in range(2, count + 2) for name in (f"L{number} (H)", f"R{number} (ohm)")]
    return CoilModel(
        name=f"inductance and {_COUNTS[count - 1]}",
        source="sections L parallel to R in series with L; common practice, no source",
        parameter_names=("L (H)", *names),
        evaluate=_inductor_and_sections,
        values=np.exp,
        scales=(1.0,) * (1 + 2 * count),
        shapes=lambda s, c: _columns(s, *(_relaxation(s, corner) for corner in c)),
        corners=_SINGLE,
        assemble=lambda a, c: (
            float(np.log(a[0])),
            *(one for part, corner in zip(a[1:], c, strict=True) for one in _section(part, corner)),
        ),
        corners_at_a_time=count,
        published=count <= PUBLISHED_SECTIONS,
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
    *(_sections_model(count) for count in range(1, len(_COUNTS) + 1)),
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
    published=False,
    smoothness=_chain_smoothness(),
)
"""Tried only where no published model follows the coil."""


def _linear(s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    parts = _linear_shapes(s, FREE_CORNERS_RAD_S)
    return parts @ x, parts


def _linear_shapes(s: ComplexArray, corners: Sequence[float] | FloatArray) -> ComplexArray:
    whole = s[:, None]
    return np.concatenate([whole / FREE_CORNERS_RAD_S[-1], whole / (whole + np.asarray(corners))], axis=1)


FREE = CoilModel(
    name="sections of any sign",
    source="to find the cone while nothing is known of the coil: all that is linear is quickly fitted",
    parameter_names=("L", *(f"R at {corner / (2 * np.pi):.4g} Hz (ohm)" for corner in FREE_CORNERS_RAD_S)),
    evaluate=_linear,
    values=lambda x: x,
    scales=(0.0,) * (1 + FREE_CORNERS_RAD_S.size),
    shapes=_linear_shapes,
    corners=(tuple(float(one) for one in FREE_CORNERS_RAD_S),),
    assemble=lambda a, c: tuple(float(one) for one in a),
    signed=True,
    published=False,
)
