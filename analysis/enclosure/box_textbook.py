"""Textbook formulas for boxes, beside the fit: Small 1972 and 1973, from what the magnitude of the impedance shows.

Small, "Closed-Box Loudspeaker Systems" I, JAES 20(10) 798-808, 1972; "Vented-Box Loudspeaker Systems" I-IV, JAES 21,
1973 [M]. Exact without losses; with QL = 7 the tuning comes out 1 to 3 % and alpha 5 to 8 % too high.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from stillbox.capture.arrays import FloatArray
from stillbox.capture.errors import StillboxError

PEAK_POINTS = 600


@dataclass(frozen=True)
class VentedPeaks:
    """Three frequencies of a vented box with the magnitude there: lower peak, saddle, upper peak."""

    fl_hz: float
    fm_hz: float
    fh_hz: float
    zl_ohm: float
    zm_ohm: float
    zh_ohm: float


@dataclass(frozen=True)
class TextbookVented:
    """What Small's formulas make of three frequencies."""

    fb_hz: float
    alpha: float
    h: float
    ql: float | None


@dataclass(frozen=True)
class TextbookClosed:
    """What Small's formulas make of a closed box: alpha from frequency and Q, and from frequency alone."""

    alpha: float
    alpha_equal_mass: float


def vented_peaks(magnitude_ohm: Callable[[FloatArray], FloatArray], low_hz: float, high_hz: float) -> VentedPeaks:
    """Peaks and saddle of a smooth magnitude between two frequencies.

    Parameters
    ----------
    magnitude_ohm : callable
        From frequencies in Hz, (n,), to abs(Z).
    low_hz, high_hz : float
        Range that holds both peaks.

    Raises
    ------
    StillboxError
        If there are not two peaks.
    """
    grid_hz = np.geomspace(low_hz, high_hz, PEAK_POINTS)
    values = magnitude_ohm(grid_hz)
    peaks = np.flatnonzero((values[1:-1] > values[:-2]) & (values[1:-1] >= values[2:])) + 1
    if peaks.size < 2:
        raise StillboxError(
            f"the impedance has {peaks.size} peak(s) between {low_hz:.0f} and {high_hz:.0f} Hz where a vented box has "
            "two",
            "is the port open?",
        )
    first, second = sorted(peaks[np.argsort(values[peaks])[-2:]])
    saddle = first + int(np.argmin(values[first : second + 1]))
    fl, zl = _extremum(magnitude_ohm, grid_hz, first, -1.0)
    fm, zm = _extremum(magnitude_ohm, grid_hz, saddle, 1.0)
    fh, zh = _extremum(magnitude_ohm, grid_hz, second, -1.0)
    return VentedPeaks(fl, fm, fh, zl, zm, zh)


def _extremum(
    magnitude_ohm: Callable[[FloatArray], FloatArray], grid_hz: FloatArray, index: int, sign: float
) -> tuple[float, float]:
    """Minimum of ``sign * magnitude`` between the neighbours of a grid point."""
    found = optimize.minimize_scalar(
        lambda f: sign * float(magnitude_ohm(np.array([f]))[0]),
        bounds=(float(grid_hz[index - 1]), float(grid_hz[index + 1])),
        method="bounded",
        options={"xatol": 1e-6 * float(grid_hz[index])},
    )
    return float(found.x), sign * float(found.fun)


def small_vented(
    peaks: VentedPeaks, fs_hz: float, qes: float, qms: float, re_ohm: float, fc_hz: float | None = None
) -> TextbookVented:
    """Tuning, alpha, h and QL of a vented box.

    fB^2 = fL^2 + fH^2 - fC^2 where the resonance fC with the port blocked is known, else fB = fL fH / fS (which takes
    the moving mass as in free air); alpha = (fH^2 - fB^2)(fB^2 - fL^2)/(fH^2 fL^2); QL by `small_leakage`.
    """
    fl, fh = peaks.fl_hz, peaks.fh_hz
    fb = fl * fh / fs_hz if fc_hz is None else float(np.sqrt(fl**2 + fh**2 - fc_hz**2))
    alpha = (fh**2 - fb**2) * (fb**2 - fl**2) / (fh**2 * fl**2)
    h = fb / fs_hz
    return TextbookVented(fb, alpha, h, small_leakage(h, alpha, qes, qms, peaks.zm_ohm / re_ohm))


def small_leakage(h: float, alpha: float, qes: float, qms: float, saddle_ratio: float) -> float | None:
    """QL = (h/alpha) [1/(Qes (rM - 1)) - 1/Qms] with rM = abs(Z(fM))/Re; all losses count as leakage.

    None where no positive QL gives that saddle (rM at 1 or below, or higher than the driver's own losses).
    """
    if saddle_ratio <= 1 or alpha <= 0:
        return None
    reciprocal = 1 / (qes * (saddle_ratio - 1)) - 1 / qms
    return h / alpha * reciprocal if reciprocal > 0 else None


def small_closed(fc_hz: float, qec: float, fs_hz: float, qes: float) -> TextbookClosed:
    """alpha of a closed box: (fc Qec)/(fs Qes) - 1, which tolerates another air load; (fc/fs)^2 - 1, which does not."""
    return TextbookClosed(fc_hz * qec / (fs_hz * qes) - 1, (fc_hz / fs_hz) ** 2 - 1)
