"""Uncertainties of the bass, and what one state costs against another.

Beside noise and tolerances every level has the error of the model itself: a lumped box is not quite a box, and at its
worst where the slope is steep. At a point of the response that is a level's error over the slope there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from stillbox.analysis.bass.bass import bass_figures
from stillbox.analysis.enclosure.box import BoxFit
from stillbox.analysis.maths.quantity import Quantity
from stillbox.analysis.maths.stopping import checked
from stillbox.analysis.system.box_sound import (
    BassSystem,
    bass_system,
    hatched_hz,
    is_hatched,
    level_db,
    reference_quantity,
    with_parameters,
)
from stillbox.capture.arrays import FloatArray

STEP = 1e-4
MODEL_STD_DB, MODEL_DIFFERENCE_STD_DB = 0.25, 0.1
"""Standard uncertainty of a level by the model of driver and box, and of a difference of two states, whose errors are
alike (tried on boxes of three dimensions and on lossy lines)."""
NEPER_DB = 20 / float(np.log(10))
COMPARED_DB, COMPARED_HZ = -10.0, (20.0, 200.0)
"""A difference of levels counts as bass within this band, where the better state has at least this level."""
COMPARED_POINTS = 200
IMPEDANCE_STD = 0.003
"""Relative standard uncertainty of the impedance that was measured, the misfit of a model included."""
MEASURED_HZ, MEASURED_POINTS = (0.4, 6.0), 60
"""Where it is held, over the tuning or the resonance of a closed box: there driver, box and port make it."""


@dataclass(frozen=True)
class LiningCost:
    """What one state costs in bass against another, with the uncertainty of each difference.

    Attributes
    ----------
    level_shift_db, level_hz : Quantity, float
        Largest difference of the levels, and where it is.
    f3_shift_hz, peak_shift_db, fb_shift_hz, alpha_ratio : Quantity
        ``fb_shift_hz`` is None for closed boxes.
    """

    level_shift_db: Quantity
    level_hz: float
    fb_shift_hz: Quantity | None
    f3_shift_hz: Quantity
    peak_shift_db: Quantity
    alpha_ratio: Quantity


def lining_cost(before: BoxFit, after: BoxFit, systems: tuple[BassSystem, BassSystem] | None = None) -> LiningCost:
    """Differences after minus before; ``systems`` are their sound, where more is known of it than the fits say.

    Both fits must lean on the same fit of the driver: what is uncertain about it, and about the air that moves with
    cone and port, moves both alike and counts as far as it does not cancel.
    """
    if before.driver is not after.driver:
        raise ValueError("both boxes must be fitted with the same driver")
    first, second = systems or (bass_system(before), bass_system(after))

    def between(slope_before: _Sloped, slope_after: _Sloped, unit: str, model_std: float = 0.0) -> Quantity:
        return _difference(before, after, slope_before, slope_after, unit, model_std)

    logarithm = between(_logarithm_of_alpha(before), _logarithm_of_alpha(after), "")
    ratio = float(np.exp(logarithm.value))
    f3 = [bass_figures(system) for system in (first, second)]
    place_hz = _most_changed_hz(first, second)
    model_hz = float(max(MODEL_DIFFERENCE_STD_DB / abs(_hz_slope(one.f3_hz, one.f3_slope_db)) for one in f3))
    return LiningCost(
        level_shift_db=between(
            _level(before, first, place_hz), _level(after, second, place_hz), "dB", MODEL_DIFFERENCE_STD_DB
        ),
        level_hz=place_hz,
        fb_shift_hz=between(_tuning(before), _tuning(after), "Hz") if before.vented and after.vented else None,
        f3_shift_hz=between(_figure(before, first, "f3_hz"), _figure(after, second, "f3_hz"), "Hz", model_hz),
        peak_shift_db=between(
            _figure(before, first, "peak_db"), _figure(after, second, "peak_db"), "dB", MODEL_DIFFERENCE_STD_DB
        ),
        alpha_ratio=Quantity(ratio, ratio * logarithm.std),
    )


def _most_changed_hz(before: BassSystem, after: BassSystem) -> float:
    """Where the levels differ most, in the band where there is bass and nothing is hatched."""
    grid_hz = np.geomspace(*COMPARED_HZ, COMPARED_POINTS)
    levels = [level_db(system, grid_hz) for system in (before, after)]
    inside = np.maximum(*levels) >= COMPARED_DB
    known = inside & ~is_hatched(hatched_hz(before), grid_hz) & ~is_hatched(hatched_hz(after), grid_hz)
    inside = known if known.any() else inside
    change = np.where(inside, np.abs(levels[1] - levels[0]), 0.0)
    return float(grid_hz[int(np.argmax(change))])


def _hz_slope(frequency_hz: float, slope_db: float) -> float:
    """dB a hertz from dB an octave."""
    return slope_db / (frequency_hz * float(np.log(2)))


_Sloped = tuple[float, FloatArray]
"""A number and its derivatives by the parameters of a fit."""


def _difference(
    before: BoxFit, after: BoxFit, of_before: _Sloped, of_after: _Sloped, unit: str, model_std: float
) -> Quantity:
    first, second = of_before[1], of_after[1]
    by_shared = (first @ before.shared_gain, second @ after.shared_gain)
    own = sum(
        max(0.0, float(slopes @ fit.covariance @ slopes - common @ fit.shared_covariance @ common))
        for fit, slopes, common in ((before, first, by_shared[0]), (after, second, by_shared[1]))
    )
    # Of the two priors the wider one is taken: it was widened because the driver had changed.
    spread = max(before.shared_covariance, after.shared_covariance, key=lambda c: float(np.trace(c)))
    apart = by_shared[1] - by_shared[0]
    variance = own + apart @ spread @ apart
    if of_after[0] != of_before[0]:
        variance += model_std**2
    return Quantity(of_after[0] - of_before[0], float(np.sqrt(variance)), unit)


def _logarithm_of_alpha(fit: BoxFit) -> _Sloped:
    slopes = fit.model.layout.changed(np.zeros(fit.parameters.size), ln_alpha=1.0)
    return float(fit.numbers.load.ln_alpha), slopes


def _tuning(fit: BoxFit) -> _Sloped:
    tuning_hz = fit.model.tuning_rad_s(fit.numbers) / (2 * np.pi)
    return tuning_hz, fit.model.layout.changed(np.zeros(fit.parameters.size), ln_wb=tuning_hz)


def _level(fit: BoxFit, system: BassSystem, frequency_hz: float) -> _Sloped:
    at = np.array([frequency_hz])

    def level(x: FloatArray) -> float:
        return float(level_db(with_parameters(system, x), at)[0])

    return level(fit.parameters), _as_measured(fit, _slopes(fit, level))


def _as_measured(fit: BoxFit, slopes: FloatArray) -> FloatArray:
    """The derivatives along what parameters may do while the impedance stays as it was measured.

    The covariance of a fit also holds what its parameters mean beyond the lumps: a leak or a filling may be another one
    than the model has. The impedance is what it is all the same, and most of the level with it: g - J^T w with
    w = (J C J^T + R)^-1 J C g, the derivatives J of ln Z and its uncertainty R (least squares with one more datum).
    """
    impedance_slopes = _impedance_slopes(fit)
    moved = impedance_slopes @ fit.covariance
    weight = moved @ impedance_slopes.T + IMPEDANCE_STD**2 * np.eye(len(impedance_slopes))
    return slopes - impedance_slopes.T @ np.linalg.solve(weight, moved @ slopes)


def _impedance_slopes(fit: BoxFit) -> FloatArray:
    """Derivatives of the real and imaginary part of ln Z, shape (2 n, parameters), at frequencies over the bass."""
    tuning_hz = fit.model.reference_rad_s / (2 * np.pi)
    grid_hz = np.geomspace(MEASURED_HZ[0] * tuning_hz, MEASURED_HZ[1] * tuning_hz, MEASURED_POINTS)
    impedance, slopes_of_impedance = fit.model(2j * np.pi * grid_hz, fit.parameters)
    relative = slopes_of_impedance() / impedance[:, None]
    return np.concatenate([relative.real, relative.imag])


def _figure(fit: BoxFit, system: BassSystem, name: Literal["f3_hz", "peak_db"]) -> _Sloped:
    """Where the level L stays f3 moves by -(dL/dx)/(dL/df); at its highest point L itself moves by dL/dx."""
    figures = bass_figures(system)
    if name == "peak_db":
        return figures.peak_db, _level(fit, system, figures.peak_hz)[1]
    slopes = _level(fit, system, figures.f3_hz)[1]
    return figures.f3_hz, -slopes / _hz_slope(figures.f3_hz, figures.f3_slope_db)


def _slopes(fit: BoxFit, function: Callable[[FloatArray], float]) -> FloatArray:
    """Derivatives by the parameters that the fit moved."""
    slopes = np.zeros(fit.parameters.size)
    for index in np.flatnonzero(np.diag(fit.covariance) > 0):
        checked()
        step = min(STEP, 0.5 * float(np.sqrt(fit.covariance[index, index])) + 1e-7)
        move = np.zeros(fit.parameters.size)
        move[index] = step
        slopes[index] = (function(fit.parameters + move) - function(fit.parameters - move)) / (2 * step)
    return slopes


def figure_quantity(
    fit: BoxFit, name: Literal["f3_hz", "peak_db"], unit: str, system: BassSystem | None = None
) -> Quantity:
    """One of `BassFigures` of the box as measured, with its uncertainty.

    It holds noise and tolerances of box and driver, that of the reference level (Re, Mms/Bl^2), and the model's own.
    """
    sound = bass_system(fit) if system is None else system
    value, slopes = _figure(fit, sound, name)
    level_std_db = float(np.hypot(MODEL_STD_DB, NEPER_DB * reference_quantity(fit.driver).std))
    if name == "f3_hz":
        level_std_db /= abs(_hz_slope(value, bass_figures(sound).f3_slope_db))
    variance = max(float(slopes @ fit.covariance @ slopes), 0.0)
    return Quantity(value, float(np.hypot(np.sqrt(variance), level_std_db)), unit)
