"""Textbook reading of driver parameters from the magnitude of the impedance, as a check on the fit.

Small, "Direct-Radiator Loudspeaker System Analysis", JAES 20(5) 383-395, 1972 [M]: with r0 = Zmax/Re, the two
frequencies where abs(Z) = r1 Re (the book takes r1 = sqrt(r0)) give

    fs = sqrt(f1 f2),  Qms = fs/(f2 - f1) sqrt((r0^2 - r1^2)/(r1^2 - 1)),  Qes = Qms/(r0 - 1),  Qts = Qms/r0.

Exact for a coil without inductance. What other levels r1 give instead, and what the inductance of the coil changes,
is counted as the uncertainty of the method.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.analysis.maths.quantity import Quantity
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError

OTHER_LEVELS = (0.35, 0.65)
"""Exponents of r0 for the other levels; the book's is 1/2."""

COVERAGE_FACTOR = 2.0


@dataclass(frozen=True)
class ThreePoint:
    """What the textbook method reads; uncertainties from noise, Re and the spread between levels."""

    fs_hz: Quantity
    qms: Quantity
    qes: Quantity
    qts: Quantity
    zmax_ohm: float
    peak_hz: float
    f1_hz: float
    f2_hz: float


def three_point(
    frequency_hz: FloatArray,
    magnitude_ohm: FloatArray,
    re_ohm: float,
    magnitude_std_ohm: FloatArray | None = None,
    re_std_ohm: float = 0.0,
) -> ThreePoint:
    """Read the parameters from a curve of the magnitude.

    Parameters
    ----------
    frequency_hz, magnitude_ohm : ndarray, shape (n,)
        Fine enough that straight lines between points do (96 points an octave).
    re_ohm, re_std_ohm : float
        DC resistance with its standard uncertainty.
    magnitude_std_ohm : ndarray, shape (n,), optional
        Noise of the magnitude.

    Raises
    ------
    StillboxError
        If the curve has no peak that stands above Re and falls to the level on both sides.
    """
    peak = _peak_index(frequency_hz, magnitude_ohm)
    peak_hz, zmax = _vertex(np.log(frequency_hz[peak - 1 : peak + 2]), magnitude_ohm[peak - 1 : peak + 2])
    r0 = zmax / re_ohm
    if not r0 > 1.2:
        raise StillboxError(
            f"the impedance peak of {zmax:.2f} ohm is not well above the DC resistance of {re_ohm:.2f} ohm",
            "the three-point method needs a driver that moves freely",
        )
    std = np.zeros(frequency_hz.size) if magnitude_std_ohm is None else magnitude_std_ohm
    readings = [_read(frequency_hz, magnitude_ohm, peak, re_ohm, r0, level) for level in (0.5, *OTHER_LEVELS)]
    book = readings[0]
    noise = _noise_std(frequency_hz, magnitude_ohm, std, peak, re_ohm, re_std_ohm, r0, book)
    spread = np.std([r.values for r in readings], axis=0, ddof=1)
    spread[0] = max(spread[0], abs(book.values[0] - peak_hz))
    total = np.hypot(noise, spread)
    units = ("Hz", "", "", "")
    fs, qms, qes, qts = (Quantity(float(v), float(u), n) for v, u, n in zip(book.values, total, units, strict=True))
    return ThreePoint(fs, qms, qes, qts, zmax, peak_hz, book.f1_hz, book.f2_hz)


def three_point_of_curve(
    curve: ImpedanceCurve, re_ohm: Quantity, near_hz: float, inductance_ohm: ComplexArray
) -> ThreePoint:
    """The method on a measured curve, near a resonance that is already known.

    ``inductance_ohm`` is the coil's impedance beyond Re, shape of the curve: what the reading changes without it
    is the error of a method that knows none.
    """
    inside = (curve.frequency_hz > near_hz / 8) & (curve.frequency_hz < near_hz * 8)
    frequency_hz, impedance = curve.frequency_hz[inside], curve.impedance_ohm[inside]
    noise = np.sqrt(0.5 * curve.noise_variance_ohm2[inside])
    read = three_point(frequency_hz, np.abs(impedance), re_ohm.value, noise, re_ohm.std)
    without = three_point(frequency_hz, np.abs(impedance - inductance_ohm[inside]), re_ohm.value)
    return replace(
        read,
        fs_hz=_widened(read.fs_hz, without.fs_hz),
        qms=_widened(read.qms, without.qms),
        qes=_widened(read.qes, without.qes),
        qts=_widened(read.qts, without.qts),
    )


def _widened(read: Quantity, without: Quantity) -> Quantity:
    return replace(read, std=float(np.hypot(read.std, read.value - without.value)))


def disagreements(fit: dict[str, Quantity], book: ThreePoint, creep: bool = False) -> tuple[str, ...]:
    """Sentences where the fit and the textbook differ by more than twice their combined uncertainty.

    ``fit`` holds ``fs``, ``qms``, ``qes``, ``qts``; with ``creep`` it knows something that the method does not.
    """
    look = (
        "that method knows no creep of the suspension, the fit does"
        if creep
        else "look at the peak for a second resonance, hum or rubbing"
    )
    named = {"fs": book.fs_hz, "qms": book.qms, "qes": book.qes, "qts": book.qts}
    sentences = []
    for name, fitted in fit.items():
        read = named[name]
        combined = float(np.hypot(fitted.std, read.std))
        if abs(fitted.value - read.value) > COVERAGE_FACTOR * combined:
            percent = 100 * (read.value / fitted.value - 1)
            shown = name if name == "fs" else name.capitalize()
            sentences.append(
                f"{shown} by the three-point method is {read.text()}, by the fit {fitted.text()}: "
                f"{percent:+.1f} %, more than both uncertainties allow; {look}"
            )
    return tuple(sentences)


@dataclass(frozen=True)
class _Reading:
    f1_hz: float
    f2_hz: float
    values: FloatArray
    """fs, Qms, Qes, Qts."""


def _read(
    frequency_hz: FloatArray, magnitude: FloatArray, peak: int, re_ohm: float, r0: float, exponent: float
) -> _Reading:
    r1 = r0**exponent
    f1 = _crossing(frequency_hz, magnitude, peak, r1 * re_ohm, -1)
    f2 = _crossing(frequency_hz, magnitude, peak, r1 * re_ohm, +1)
    return _Reading(f1, f2, _parameters(f1, f2, r0, r1))


def _parameters(f1: float, f2: float, r0: float, r1: float) -> FloatArray:
    fs = np.sqrt(f1 * f2)
    qms = fs / (f2 - f1) * np.sqrt((r0**2 - r1**2) / (r1**2 - 1))
    return np.array([fs, qms, qms / (r0 - 1), qms / r0])


def _noise_std(
    frequency_hz: FloatArray,
    magnitude: FloatArray,
    std: FloatArray,
    peak: int,
    re_ohm: float,
    re_std: float,
    r0: float,
    book: _Reading,
) -> FloatArray:
    """Of fs, Qms, Qes, Qts from the noise at the three points and from Re, by differences."""
    slope = np.gradient(magnitude, frequency_hz)
    moves = []
    for place in (book.f1_hz, book.f2_hz):
        move = np.interp(place, frequency_hz, std) / np.abs(np.interp(place, frequency_hz, slope))
        step = np.array([move, 0.0]) if place == book.f1_hz else np.array([0.0, move])
        moves.append(_parameters(book.f1_hz + step[0], book.f2_hz + step[1], r0, np.sqrt(r0)) - book.values)
    for re, zmax in ((re_ohm, re_ohm * r0 + std[peak]), (re_ohm + re_std, re_ohm * r0)):
        moves.append(_read(frequency_hz, magnitude, peak, re, zmax / re, 0.5).values - book.values)
    result: FloatArray = np.sqrt(np.sum(np.square(moves), axis=0))
    return result


def _peak_index(frequency_hz: FloatArray, magnitude: FloatArray) -> int:
    """Highest point that has lower neighbours on both sides."""
    inner = np.flatnonzero((magnitude[1:-1] >= magnitude[:-2]) & (magnitude[1:-1] > magnitude[2:])) + 1
    if inner.size == 0:
        raise StillboxError(
            f"the impedance has no peak between {frequency_hz[0]:.0f} and {frequency_hz[-1]:.0f} Hz",
            "use a sweep that starts below the driver's resonance",
        )
    return int(inner[np.argmax(magnitude[inner])])


def _vertex(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Frequency and height of the parabola through three points; x is ln frequency."""
    a, b, c = np.polyfit(x - x[1], y, 2)
    at = -b / (2 * a)
    return float(np.exp(x[1] + at)), float(a * at * at + b * at + c)


def _crossing(frequency_hz: FloatArray, magnitude: FloatArray, peak: int, level: float, direction: int) -> float:
    """Frequency where the magnitude first falls to ``level`` on one side of the peak."""
    side = magnitude[peak::direction]
    below = np.flatnonzero(side < level)
    if below.size == 0:
        raise StillboxError(
            f"the impedance does not fall to {level:.2f} ohm {'above' if direction > 0 else 'below'} its peak at "
            f"{frequency_hz[peak]:.1f} Hz",
            "use a sweep that starts lower, or check the DC resistance",
        )
    last = int(below[0])
    first = peak + direction * (last - 1)
    other = peak + direction * last
    part = (magnitude[first] - level) / (magnitude[first] - magnitude[other])
    return float(frequency_hz[first] + part * (frequency_hz[other] - frequency_hz[first]))
