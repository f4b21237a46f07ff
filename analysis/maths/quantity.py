"""A number with its uncertainty and its interval of 95 %, and how such numbers follow from fitted parameters."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import optimize, special

from stillbox.capture.arrays import FloatArray

COVERAGE = 0.95
MINUS = "\N{MINUS SIGN}"
REPEATED_DIGITS = 5
REPEATED = 1e-4
"""Relative uncertainty below which a value is printed with so many digits only: no take of a speaker repeats better."""


@dataclass(frozen=True)
class Quantity:
    """One number.

    Attributes
    ----------
    value, std : float
        Estimate and its standard uncertainty, all sources together.
    unit : str
        As it is printed; empty for a pure number.
    tolerance_std : float
        The part of ``std`` that comes from the largest tolerance (a rectangular distribution, JCGM 100 4.3.7);
        the rest counts as normal.
    """

    value: float
    std: float
    unit: str = ""
    tolerance_std: float = 0.0

    @cached_property
    def half_width_95(self) -> float:
        """Half width of the interval that holds the true value with a probability of 95 %."""
        normal = float(np.sqrt(max(self.std**2 - self.tolerance_std**2, 0.0)))
        return _half_width(normal, float(np.sqrt(3)) * self.tolerance_std)

    @property
    def interval_95(self) -> tuple[float, float]:
        return self.value - self.half_width_95, self.value + self.half_width_95

    def text(self) -> str:
        """Value and standard uncertainty in words."""
        return value_text(self.value, self.std, self.unit)

    def interval_text(self) -> str:
        """The interval in words, without unit; rounded outwards."""
        low, high = self.interval_95
        decimals = max(self.decimals, 0)
        digits = 10.0**decimals
        low, high = np.floor(low * digits + 1e-6) / digits, np.ceil(high * digits - 1e-6) / digits + 0.0  # no -0
        return f"{low:.{decimals}f} to {high:.{decimals}f}"

    @property
    def decimals(self) -> int:
        """Digits behind the point with which it is printed, negative for tens; two for a number without uncertainty."""
        return shown_decimals(self.value, self.std) if self.std > 0 else 2

    def as_json(self) -> dict[str, float | str | list[float]]:
        """Value, standard uncertainty and interval for other programs."""
        return {"value": self.value, "std": self.std, "interval_95": list(self.interval_95), "unit": self.unit}


def value_text(value: float, std: float, unit: str = "") -> str:
    """Value and standard uncertainty as `shown_decimals` has them: 287.31 ± 0.12 Hz."""
    tail = f" {unit}" if unit else ""
    if not (np.isfinite(std) and std > 0):
        return f"{value:.4g}{tail}"
    decimals = shown_decimals(value, std)
    if decimals < _decimals_of(std):
        std = float(np.ceil(std * 10.0**decimals - 1e-9)) / 10.0**decimals  # what is not shown may not be lost
    shown = max(decimals, 0)
    return f"{round(value, decimals):.{shown}f} ± {round(std, decimals):.{shown}f}{tail}"


def rounded_text(value: float, std: float, unit: str = "") -> str:
    """The value alone, with the digits that its standard uncertainty leaves: 287.31 Hz."""
    return " ".join(part for part in (value_text(value, std).split(" ")[0].replace("-", MINUS), unit) if part)


def change_text(change: float, std: float, unit: str) -> str:
    """A change with its sign and its standard uncertainty, digits as `value_text` has them: +1.20 ± 0.15 Hz."""
    text = value_text(abs(change), std, unit)
    if float(text.split()[0]) == 0:
        return text
    return f"{'+' if change > 0 else MINUS}{text}"


def shown_decimals(value: float, std: float) -> int:
    """Digits behind the point, negative for tens: two of the standard uncertainty (JCGM 100, 7.2.6).

    Below `REPEATED` the value has `REPEATED_DIGITS` digits at most.
    """
    decimals = _decimals_of(std)
    if value == 0 or std >= REPEATED * abs(value):
        return decimals
    return min(decimals, max(REPEATED_DIGITS - 1 - int(np.floor(np.log10(abs(value)))), 0))


def _decimals_of(std: float) -> int:
    """Digits behind the point that show two digits of a standard uncertainty."""
    return 1 - int(np.floor(np.log10(float(f"{std:.1e}"))))


def normal_density(z: float) -> float:
    """Of the standard normal distribution."""
    return float(np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi))


def bell(offset: float, std: float) -> float:
    """Density of a normal distribution at an offset from its mean."""
    return normal_density(offset / std) / std


def _half_width(normal_std: float, tolerance: float) -> float:
    """h with P(abs(N + U) <= h) = 95 % for a normal N and U even within +-tolerance, both around 0."""
    if tolerance <= 1e-6 * normal_std or tolerance == 0:
        return float(special.ndtri(1 - (1 - COVERAGE) / 2)) * normal_std
    if normal_std <= 1e-6 * tolerance:
        return COVERAGE * tolerance

    def integral(z: float) -> float:  # of the normal distribution function
        return float(z * special.ndtr(z) + normal_density(z))

    def excess(half_width: float) -> float:
        high, low = (half_width + tolerance) / normal_std, (half_width - tolerance) / normal_std
        below = (integral(high) - integral(low)) * normal_std / (2 * tolerance)
        return 2 * below - 1 - COVERAGE

    return float(optimize.brentq(excess, 0.0, tolerance + 5 * normal_std))


def jacobian(
    function: Callable[[FloatArray], FloatArray], point: FloatArray, step: FloatArray | float = 1e-5
) -> FloatArray:
    """Central differences, shape (results, parameters); steps suit parameters of the order of 1."""
    steps = np.broadcast_to(np.asarray(step, dtype=float), point.shape)
    columns = []
    for index in range(point.size):
        move = np.zeros(point.size)
        move[index] = steps[index]
        columns.append((function(point + move) - function(point - move)) / (2 * steps[index]))
    return np.stack(columns, axis=1)


def derived(
    function: Callable[[FloatArray], float],
    point: FloatArray,
    covariance: FloatArray,
    unit: str = "",
    tolerances: FloatArray | None = None,
    step: FloatArray | float = 1e-5,
) -> Quantity:
    """A quantity that follows from parameters, its uncertainty by the law of propagation (JCGM 100, 5.2.2).

    Parameters
    ----------
    function : callable
        From the parameters, shape (n,), to the number.
    point, covariance : ndarray, shape (n,) and (n, n)
    unit : str
    tolerances : ndarray, shape (n, t), optional
        Change of each parameter by one standard uncertainty of each tolerance; its square is part of ``covariance``.
    step : float or ndarray
        Step of the differences.
    """
    slopes = jacobian(lambda x: np.array([function(x)]), point, step)[0]
    variance = float(slopes @ covariance @ slopes)
    std = float(np.sqrt(max(variance, 0.0)))
    if tolerances is None or tolerances.size == 0:
        return Quantity(float(function(point)), std, unit)
    largest = float(np.abs(slopes @ tolerances).max())
    return Quantity(float(function(point)), std, unit, min(largest, std))


def scaled(quantity: Quantity, factor: float, unit: str) -> Quantity:
    """The same quantity in another unit."""
    return Quantity(quantity.value * factor, quantity.std * factor, unit, quantity.tolerance_std * abs(factor))
