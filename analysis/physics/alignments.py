"""Published alignments of closed and vented boxes, for orientation.

Vented: G = s^4/(s^4 + a1 s^3 + a2 s^2 + a3 s + 1) in units of sqrt(ws wB), Small, "Vented-Box Loudspeaker Systems" I,
JAES 21(5), 1973 [M]:

    a1 = (QL + h QT)/(sqrt(h) QL QT)
    a2 = (h + (alpha + 1 + h^2) QL QT)/(h QL QT)
    a3 = (h QL + QT)/(sqrt(h) QL QT)

Closed: G = s^2/(s^2 + s/Qtc + 1) in units of wc, Small, "Closed-Box Loudspeaker Systems" I, JAES 20(10), 1972 [M].
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize

from stillbox.capture.errors import StillboxError

BESSEL_4 = (3.20108587, 4.39155033, 3.12393994)
"""Fourth-order Bessel filter, a1 to a3 of the high-pass with unit constant term: 105, 105, 45, 10, 1 scaled."""

SMALLEST_K = 0.1
"""Chebyshev parameter below which the ripple is beyond any use."""


IN_WORDS = {
    "B4": "Butterworth, the flattest",
    "QB3": "quasi-Butterworth, flat with a driver of low Qts",
    "C4": "Chebyshev, reaches lower with a ripple",
    "BL4": "Bessel, rolls off early and delays least",
}
"""What the letters of a vented alignment stand for, and what it is chosen for."""


@dataclass(frozen=True)
class VentedAlignment:
    """A vented box.

    Attributes
    ----------
    name : str
        B4, QB3, C4 or BL4.
    qt, h, alpha : float
        Total Q of the driver, tuning over fs, compliance ratio.
    f3_over_fs : float
        Where the response is 3 dB below its level at high frequency.
    ripple_db : float
        Of C4; else 0.
    """

    name: str
    qt: float
    h: float
    alpha: float
    f3_over_fs: float
    ripple_db: float = 0.0


@dataclass(frozen=True)
class ClosedAlignment:
    """A closed box: name of the Q, f3 over fc, peak of the response and where it is (None without peak)."""

    name: str
    qtc: float
    f3_over_fc: float
    peak_db: float
    peak_over_fc: float | None


def closed_alignment(qtc: float) -> ClosedAlignment:
    """What a closed box of total Q does.

    f3/fc = sqrt{[(1/Q^2 - 2) + sqrt((1/Q^2 - 2)^2 + 4)]/2}; peak 20 log10[Q^2/sqrt(Q^2 - 1/4)] at
    fc/sqrt(1 - 1/(2 Q^2)) for Q above 0.7071 (Small 1972 [M]).

    Raises
    ------
    StillboxError
        If Q is not positive.
    """
    if not qtc > 0:
        raise StillboxError(f"Qtc of {qtc:g} must be greater than 0", "correct it")
    x = 1 / qtc**2 - 2
    f3 = float(np.sqrt((x + np.sqrt(x**2 + 4)) / 2))
    name = _closed_name(qtc)
    if qtc <= np.sqrt(0.5):
        return ClosedAlignment(name, qtc, f3, 0.0, None)
    peak = float(20 * np.log10(qtc**2 / np.sqrt(qtc**2 - 0.25)))
    return ClosedAlignment(name, qtc, f3, peak, float(1 / np.sqrt(1 - 1 / (2 * qtc**2))))


def _closed_name(qtc: float) -> str:
    if abs(qtc - 0.5) < 0.02:
        return "critically damped"
    if abs(qtc - 1 / np.sqrt(3)) < 0.02:
        return "BL2 (Bessel)"
    if abs(qtc - np.sqrt(0.5)) < 0.03:
        return "B2 (Butterworth)"
    if qtc > np.sqrt(0.5):
        return "C2 (Chebyshev)"
    return "between BL2 and B2" if qtc > 1 / np.sqrt(3) else "overdamped"


def b4(ql: float) -> VentedAlignment:
    """Fourth-order Butterworth: QT = 1/(2.61313 - 1/QL), h = 1, alpha = 1.41421 - 1/(QL QT)."""
    qt = 1 / (np.sqrt(4 + 2 * np.sqrt(2)) - 1 / ql)
    return VentedAlignment("B4", float(qt), 1.0, float(np.sqrt(2) - 1 / (ql * qt)), 1.0)


def bl4(ql: float) -> VentedAlignment:
    """Fourth-order Bessel."""
    a1, a2, a3 = BESSEL_4
    qt, h, alpha = _elements(a1, a2, a3, ql)
    return VentedAlignment("BL4", qt, h, alpha, _f3((a1, a2, a3)) * float(np.sqrt(h)))


def qb3(qt: float, ql: float) -> VentedAlignment:
    """Quasi-Butterworth of third order for a total Q below that of B4: the terms in w^6 and w^4 of 1/|G|^2 vanish.

    Raises
    ------
    StillboxError
        If QT is not below that of B4, or below 0.1.
    """
    start = b4(ql)
    if not 0.1 <= qt < start.qt:
        raise StillboxError(f"QB3 asks for a QT from 0.1 to {start.qt:.3f} (QL {ql:g}), not {qt:.3f}", "")
    guess = np.array([0.0, np.log(start.alpha)])
    # From B4 down in steps: each solution starts the next.
    for step in np.linspace(start.qt, qt, 12)[1:]:
        guess = optimize.fsolve(_flat_terms, guess, args=(step, ql), xtol=1e-12)
    h, alpha = np.exp(guess)
    a = coefficients(qt, float(h), float(alpha), ql)
    return VentedAlignment("QB3", qt, float(h), float(alpha), _f3(a) * float(np.sqrt(h)))


def c4(k: float, ql: float) -> VentedAlignment:
    """Fourth-order Chebyshev of parameter k, 0 < k < 1: k = tanh[(1/4) asinh(1/eps)].

    D = (k^4 + 6 k^2 + 1)/8; a3 = k sqrt(4 + 2 sqrt 2)/D^(1/4); a2 = (1 + k^2 (1 + sqrt 2))/D^(1/2);
    a1 = (a3/D^(1/2)) (1 - (1 - k^2)/(2 sqrt 2)); ripple 10 log10(1 + eps^2) (Thiele 1971 [M]).

    Raises
    ------
    StillboxError
        If k is not from 0.1 to 1.
    """
    if not SMALLEST_K <= k < 1:
        raise StillboxError(f"the Chebyshev parameter k of {k:g} must be {SMALLEST_K:g} to 1", "")
    d = (k**4 + 6 * k**2 + 1) / 8
    root2 = float(np.sqrt(2))
    a3 = k * np.sqrt(4 + 2 * root2) / d**0.25
    a2 = (1 + k**2 * (1 + root2)) / np.sqrt(d)
    a1 = a3 / np.sqrt(d) * (1 - (1 - k**2) / (2 * root2))
    qt, h, alpha = _elements(a1, a2, a3, ql)
    eps = 1 / np.sinh(4 * np.arctanh(k))
    ripple = float(10 * np.log10(1 + eps**2))
    return VentedAlignment("C4", qt, h, alpha, _f3((a1, a2, a3)) * float(np.sqrt(h)), ripple)


def alignment_for(qt: float, ql: float) -> VentedAlignment | None:
    """The alignment of B4, QB3 and C4 that a driver's total Q leads to; None where C4 would ripple beyond use."""
    butterworth = b4(ql)
    if abs(qt - butterworth.qt) < 1e-3 * butterworth.qt:
        return butterworth
    if qt < butterworth.qt:
        return qb3(qt, ql) if qt >= 0.1 else None
    lowest = next((k for k in np.arange(0.1, 1.0, 0.01) if _buildable(k, ql)), 1.0)
    if lowest == 1.0 or qt > c4(lowest, ql).qt:
        return None
    k = optimize.brentq(lambda k: c4(k, ql).qt - qt, lowest, 1 - 1e-9, xtol=1e-10)
    return c4(float(k), ql)


def _buildable(k: float, ql: float) -> bool:
    """Whether the Chebyshev alignment has a box at all (alpha above 0) with these losses."""
    try:
        return c4(k, ql).alpha > 0
    except StillboxError:
        return False


def coefficients(qt: float, h: float, alpha: float, ql: float) -> tuple[float, float, float]:
    """a1, a2, a3 of a vented box."""
    root = np.sqrt(h)
    a1 = (ql + h * qt) / (root * ql * qt)
    a2 = (h + (alpha + 1 + h**2) * ql * qt) / (h * ql * qt)
    a3 = (h * ql + qt) / (root * ql * qt)
    return float(a1), float(a2), float(a3)


def _elements(a1: float, a2: float, a3: float, ql: float) -> tuple[float, float, float]:
    """QT, h, alpha of given coefficients: with r = sqrt(h), r^4 - a1 QL r^3 + a3 QL r - 1 = 0 (Small 1973 [M])."""

    def excess(r: float) -> float:
        return r**4 / ql - a1 * r**3 + a3 * r - 1 / ql

    middle = float(np.sqrt(a3 / a1))
    if excess(0.5 * middle) * excess(2 * middle) > 0:
        raise StillboxError(f"no vented box with QL {ql:g} has this alignment", "seal the box, or choose another")
    r = optimize.brentq(excess, 0.5 * middle, 2 * middle)
    qt = 1 / (r * (a1 - r / ql))
    h = r**2
    return float(qt), float(h), float(a2 * h - h / (ql * qt) - 1 - h**2)


def _flat_terms(logarithms: np.ndarray, qt: float, ql: float) -> list[float]:
    h, alpha = np.exp(logarithms)
    a1, a2, a3 = coefficients(qt, h, alpha, ql)
    return [a1**2 - 2 * a2, a2**2 + 2 - 2 * a1 * a3]


def _f3(a: tuple[float, float, float]) -> float:
    """Highest frequency, in units of sqrt(ws wB), at which the response is 3 dB down."""
    a1, a2, a3 = a
    # 1/|G|^2 = 1 + (a1^2 - 2 a2) y + (a2^2 + 2 - 2 a1 a3) y^2 + (a3^2 - 2 a2) y^3 + y^4 with y = 1/w^2; it is 2 there.
    roots = np.roots([1.0, a3**2 - 2 * a2, a2**2 + 2 - 2 * a1 * a3, a1**2 - 2 * a2, -1.0])
    real = roots[np.abs(roots.imag) < 1e-9].real
    return float(1 / np.sqrt(real[real > 0].min()))
