"""A part's model fitted to its impedance: of the models of its kind the simplest that follows.

The resistor that sets the ohms has an inductance of its own: all impedances are those of the parts times
``1 / (1 + j omega tau)``. A fit holds that ``tau`` and tells how all numbers go with it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from stillbox.analysis.parts.kinds import Kind
from stillbox.analysis.parts.part_models import AT_HZ, PartModel
from stillbox.capture.arrays import ComplexArray, FloatArray

DEGREES: dict[Kind, tuple[int, ...]] = {"capacitor": (1, 2, 3, 4), "coil": (0, 1, 2, 3), "resistor": (0,)}
MOST_MISFIT = 0.01
"""Median of what a model leaves, relative to the impedance: above it, it is no such part."""
_TAU_STEP_S = 1e-9
_FOLLOWS = 1.0
"""Reduced chi-square of a model that needs no more numbers."""
_CORNERS_HZ = (15e3, 50e3)


@dataclass(frozen=True)
class MeasuredPart:
    """Impedance of a part on a logarithmic grid.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n,)
    impedance_ohm : complex ndarray, shape (n,)
    variance_ohm2 : ndarray, shape (n,)
        E|noise|^2, independent from point to point.
    common_ohm : tuple of complex ndarray, shape (n,) each
        One standard deviation of each cause that all points share (contact of the clips, drift of a gain).
    """

    frequency_hz: FloatArray
    impedance_ohm: ComplexArray
    variance_ohm2: FloatArray
    common_ohm: tuple[ComplexArray, ...] = ()


@dataclass(frozen=True)
class PartFit:
    """A fitted model.

    Attributes
    ----------
    numbers : ndarray, shape (p,)
        Of the model, at ``tau_s``; physics has not been asked yet whether they may be.
    covariance : ndarray, shape (p, p)
        With what all points share; widened where the model does not follow within the noise.
    by_tau : ndarray, shape (p,)
        Change of the numbers with tau, 1/s each.
    reduced_chi_square : float
    misfit : float
        Median of what is left, relative to the impedance.
    """

    model: PartModel
    tau_s: float
    numbers: FloatArray
    covariance: FloatArray
    by_tau: FloatArray
    reduced_chi_square: float
    misfit: float


def kind_by_reactance(measured: MeasuredPart) -> Kind:
    """What it is by the side on which reactance is above resistance."""
    quality = measured.impedance_ohm.imag / np.maximum(np.abs(measured.impedance_ohm.real), 1e-9)
    third = max(measured.frequency_hz.size // 3, 1)
    if np.median(quality[-third:]) > 1:
        return "coil"
    return "capacitor" if np.median(quality[:third]) < -1 else "resistor"


def fit_part(measured: MeasuredPart, kind: Kind, tau_s: float) -> PartFit:
    """The simplest model of a kind that follows: each number more has to earn ln(n) in chi-square (Schwarz).

    Parameters
    ----------
    measured : MeasuredPart
    kind : {"capacitor", "coil", "resistor"}
    tau_s : float
        Inductance over resistance of the resistor that sets the ohms, s.
    """
    fits: list[PartFit] = []
    for degree in DEGREES[kind]:
        before = fits[-1].numbers if fits else None
        fits.append(fit_model(measured, PartModel(kind, degree), tau_s, before))
        if fits[-1].reduced_chi_square < _FOLLOWS:
            break
    points = 2 * measured.frequency_hz.size
    return min(
        fits, key=lambda fit: points * math.log(max(fit.reduced_chi_square, 1.0)) + fit.numbers.size * math.log(points)
    )


def fit_model(
    measured: MeasuredPart, model: PartModel, tau_s: float, before: FloatArray | None = None
) -> PartFit:
    """One model, with what all points share as numbers of their own; ``before``: numbers of the model of one less."""
    hz = measured.frequency_hz
    scale = np.sqrt(measured.variance_ohm2 / 2)
    parameters = model.parameters
    steps = np.array([one.step for one in parameters])
    known = [index for index, one in enumerate(parameters) if np.isfinite(one.spread)]
    commons = [_parts(common / scale) for common in measured.common_ohm]
    own = len(parameters)

    def modelled(numbers: FloatArray, tau: float) -> FloatArray:
        return _parts(model.impedance(numbers, hz)[0] / (1 + 2j * np.pi * hz * tau) / scale)

    wanted = _parts(measured.impedance_ohm / scale)

    def left(scaled: FloatArray) -> FloatArray:
        numbers = scaled[:own] * steps
        shared = sum((one * size for one, size in zip(commons, scaled[own:], strict=True)), np.zeros(wanted.size))
        told = [(numbers[i] - parameters[i].usual) / parameters[i].spread for i in known]
        return np.concatenate([modelled(numbers, tau_s) + shared - wanted, told, scaled[own:]])

    starts = [_start(measured, model)] if before is None else [np.append(before, np.zeros(own - before.size))]
    if "ln_corner_hz" in model.names:  # eddy currents have a wrong minimum on the other side
        starts = [_moved(start, model, hertz) for start in starts for hertz in _CORNERS_HZ]
    found = min(
        (
            optimize.least_squares(
                left, np.concatenate([start / steps, np.zeros(len(commons))]), jac="2-point", x_scale="jac", max_nfev=40
            )
            for start in starts
        ),
        key=lambda one: float(one.cost),
    )
    data = wanted.size
    chi = float(np.sum(found.fun[:data] ** 2)) / max(data - found.x.size, 1)
    numbers = found.x[:own] * steps
    tau_slope = (modelled(numbers, tau_s + _TAU_STEP_S) - modelled(numbers, tau_s - _TAU_STEP_S)) / (2 * _TAU_STEP_S)
    slope = np.concatenate([tau_slope, np.zeros(found.fun.size - data)])
    widened = max(chi, 1.0)
    weights = np.concatenate([np.full(data, 1 / np.sqrt(widened)), np.ones(found.fun.size - data)])
    jacobian, slope = found.jac * weights[:, None], slope * weights
    sizes = np.linalg.norm(jacobian, axis=0)
    orthogonal, triangular = np.linalg.qr(jacobian / sizes)
    inverse = np.linalg.pinv(triangular, rcond=1e-13)
    turned = np.concatenate([steps, np.ones(len(commons))]) / sizes
    covariance = turned[:, None] * (inverse @ inverse.T) * turned
    residual = np.abs(found.fun[:data].reshape(2, -1).T * scale[:, None])
    return PartFit(
        model=model,
        tau_s=tau_s,
        numbers=numbers,
        covariance=covariance[:own, :own],
        by_tau=-(turned * (inverse @ (orthogonal.T @ slope)))[:own],
        reduced_chi_square=chi,
        misfit=float(np.median(np.hypot(*residual.T) / np.abs(measured.impedance_ohm))),
    )


def _moved(start: FloatArray, model: PartModel, corner_hz: float) -> FloatArray:
    """A start with another corner of the eddy currents."""
    result = start.copy()
    result[model.names.index("ln_corner_hz")] = np.log(corner_hz)
    return result


def _parts(values: ComplexArray) -> FloatArray:
    return np.concatenate([values.real, values.imag])


def _start(measured: MeasuredPart, model: PartModel) -> FloatArray:
    """Numbers to begin with, from the impedance near 1 kHz."""
    hz, ohm = measured.frequency_hz, measured.impedance_ohm
    nearest = int(np.argmin(np.abs(np.log(hz / AT_HZ))))
    omega, at = 2 * np.pi * hz[nearest], ohm[nearest]
    least = float(np.maximum(np.median(np.sort(ohm.real)[:5]), 1e-3))
    begin = {
        "ln_farad": np.log(1 / (omega * max(-at.imag, 1e-6))),
        "ln_henry": np.log(max(at.imag, 1e-6) / omega),
        "ln_ohm": np.log(max(at.real, 1e-6)),
        "series_ohm": least if model.kind == "coil" else 0.01,
        "eddy": 0.003,
        "loss_1": 0.003,
    }
    return np.array([begin.get(one.name, one.usual) for one in model.parameters])
