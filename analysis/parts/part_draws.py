"""Parts of one jig together: what they may be, with the inductance of the resistor that set the ohms as a free term.

That inductance takes ``tau / C`` off the resistance of each capacitor, adds ``omega^2 tau L`` to that of each coil and
takes ``tau R`` off the inductance of each resistor. One part alone cannot tell it; but no part has a negative loss, so
each sets it a bound, and all of them together often tell it. What the shapes of the curves say of tau beyond that is
not used: it hangs on a coil's loss going just as its model has it, a part in ten thousand of the impedance.

Draws: tau evenly, weighted by what is known beforehand; the numbers of each part given tau from their normal
distribution within what physics allows, one bound after the other, each weighted by the probability of what it leaves
(Geweke 1991, Hajivassiliou and McFadden 1998, Keane 1994).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from stillbox.analysis.parts.kinds import Kind
from stillbox.analysis.parts.part_fit import MeasuredPart, PartFit, fit_part
from stillbox.analysis.parts.part_models import Bounds
from stillbox.capture.arrays import FloatArray

USUAL_TAU_S, TAU_SPREAD = 5e-8, math.log(3)
"""Inductance over resistance of a load of some ohms, and the spread of its logarithm: film 10 to 50 nH, wound on
ceramic 0.2 to 2 microhenry (common practice, no source)."""

DRAWS = 8192
_FAR = 1e-12
_FIRST_TAU_S, _FITS, _SAME_TAU = 1e-8, 3, 0.3
_WIDEST, _ROUNDS, _WORTH_LOOKING = 4.0, 6, 12.0
"""Tau is drawn evenly: first so many spreads around what is usual, then only where draws are worth more than exp(-12)
of the best."""


@dataclass(frozen=True)
class PartDraws:
    """What parts may be; one row is one possibility for all of them.

    Attributes
    ----------
    tau_s : ndarray, shape (draws,)
    numbers : tuple of ndarray, shape (draws, p) each
        Of each part.
    scale : ndarray, shape (draws,)
        Factor of the true ohms on the measured ones.
    weight : ndarray, shape (draws,)
        Adds up to 1.
    """

    tau_s: FloatArray
    numbers: tuple[FloatArray, ...]
    scale: FloatArray
    weight: FloatArray

    def quantiles(self, values: FloatArray, *shares: float) -> tuple[float, ...]:
        """Values below which these shares of the probability lie."""
        order = np.argsort(values)
        below = np.cumsum(self.weight[order]) - 0.5 * self.weight[order]
        return tuple(float(x) for x in np.interp(shares, below, values[order]))

    def std(self, values: FloatArray) -> float:
        mean = self.weight @ values
        return float(np.sqrt(self.weight @ (values - mean) ** 2))


def parts_together(
    measured: Sequence[MeasuredPart], kinds: Sequence[Kind], scale_std: float
) -> tuple[tuple[PartFit, ...], PartDraws]:
    """Fits and draws of parts of one jig; the fits are made again at the tau that all of them tell.

    Begun with less than is usual: with too large a tau the loss of a coil seems negative, and no model follows that.
    """
    tau_s = _FIRST_TAU_S
    for round_of in range(_FITS):
        fits = tuple(fit_part(one, kind, tau_s) for one, kind in zip(measured, kinds, strict=True))
        bounds = [fit.model.bounds(fit.numbers, one.frequency_hz) for fit, one in zip(fits, measured, strict=True)]
        draws = draw_parts(fits, bounds, scale_std)
        (middle_s,) = draws.quantiles(draws.tau_s, 0.5)
        if round_of == _FITS - 1 or abs(math.log(middle_s / tau_s)) < _SAME_TAU:
            break
        tau_s = middle_s
    return fits, draws


def draw_parts(fits: Sequence[PartFit], bounds: Sequence[Bounds], scale_std: float, seed: int = 0) -> PartDraws:
    """Draws for parts that were measured in one jig.

    Parameters
    ----------
    fits : sequence of PartFit
    bounds : sequence of Bounds
        Of each part what may not be negative.
    scale_std : float
        Relative standard uncertainty of the ohm scale: a rectangular distribution.
    seed : int
        The same draws for the same numbers.
    """
    rng = np.random.default_rng(seed)
    middle = (np.arange(DRAWS) + 0.5) / DRAWS
    usual = math.log(USUAL_TAU_S)
    low, high = usual - _WIDEST * TAU_SPREAD, usual + _WIDEST * TAU_SPREAD
    for _ in range(_ROUNDS):
        ln_tau = low + (high - low) * middle
        numbers, log_weight = _given_tau(np.exp(ln_tau), fits, bounds, rng)
        log_weight -= 0.5 * ((ln_tau - usual) / TAU_SPREAD) ** 2
        likely = ln_tau[log_weight > log_weight.max() - _WORTH_LOOKING]
        if np.ptp(likely) > 0.5 * (high - low):
            break
        wider = 0.1 * np.ptp(likely) + 2 * (high - low) / DRAWS
        low, high = likely[0] - wider, likely[-1] + wider
    weight = np.exp(log_weight - log_weight.max())
    scale = 1 + math.sqrt(3) * scale_std * rng.permutation(2 * middle - 1)
    return PartDraws(np.exp(ln_tau), tuple(numbers), scale, weight / weight.sum())


def _given_tau(
    tau_s: FloatArray, fits: Sequence[PartFit], bounds: Sequence[Bounds], rng: np.random.Generator
) -> tuple[list[FloatArray], FloatArray]:
    """Numbers of each part, and the logarithm of what each draw is worth."""
    log_weight = np.zeros(tau_s.size)
    numbers = []
    for fit, bound in zip(fits, bounds, strict=True):
        off = tau_s - fit.tau_s
        drawn, log_probability = _within(fit.numbers + off[:, None] * fit.by_tau, fit.covariance, bound, rng)
        numbers.append(drawn)
        log_weight += log_probability
    return numbers, log_weight


def _within(
    means: FloatArray, covariance: FloatArray, bounds: Bounds, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Draws of a normal distribution within bounds, shape (draws, p), and the logarithm of what each is worth."""
    size = np.sqrt(np.diag(bounds.rows @ covariance @ bounds.rows.T) + bounds.softness**2)
    rows = bounds.rows / size[:, None]  # all bounds in their own standard deviations
    lower = np.linalg.cholesky(rows @ covariance @ rows.T + np.diag((bounds.softness / size) ** 2))
    centre = means @ rows.T + bounds.offsets / size
    moved = np.zeros_like(centre)
    log_probability = np.zeros(len(means))
    for index in range(len(rows)):
        given = centre[:, index] + moved[:, :index] @ lower[index, :index]
        least = -given / lower[index, index]
        log_probability += special.log_ndtr(-least)
        share = rng.permutation((np.arange(len(means)) + 0.5) / len(means))
        # From the upper tail, whose logarithm is exact far out, too.
        moved[:, index] = -special.ndtri_exp(np.log(share) + special.log_ndtr(-least))
    gain = covariance @ rows.T @ np.linalg.inv(lower).T
    rest = covariance - gain @ gain.T
    strengths, directions = np.linalg.eigh(_scaled(rest, covariance))
    root = np.sqrt(np.diag(covariance))[:, None] * directions * np.sqrt(np.maximum(strengths, 0.0))
    drawn = means + moved @ gain.T + rng.standard_normal(means.shape) @ root.T
    return drawn, log_probability


def _scaled(matrix: FloatArray, covariance: FloatArray) -> FloatArray:
    """In units of the standard deviations of ``covariance``."""
    size = np.sqrt(np.maximum(np.diag(covariance), _FAR**2))
    result: FloatArray = matrix / np.outer(size, size)
    return result
