"""Published tables derived anew: by other ways than the code under test goes, and without it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import factorial

import numpy as np
from numpy.polynomial import Legendre, Polynomial
from numpy.typing import NDArray
from scipy import integrate, linalg, optimize, special

Real = NDArray[np.float64]


# Vented boxes: the response is s^4 over a polynomial that follows from the circuit


def circuit(qt: float, h: float, alpha: float, ql: float) -> Polynomial:
    """What s^4 is divided by, s in units of ws: the driver and the leaking box with its port, and what couples them."""
    driver = Polynomial([1.0, 1 / qt, 1.0])
    box = Polynomial([h**2, h / ql, 1.0])
    return driver * box + Polynomial([0.0, 0.0, alpha])


def scaled(polynomial: Polynomial) -> Real:
    """a1, a2, a3 in units in which the first and the last coefficient are 1: of s^3, s^2 and s."""
    last, first = polynomial.coef[0], polynomial.coef[-1]
    unit = (last / first) ** 0.25
    return np.array([polynomial.coef[3 - k] * unit ** (3 - k) for k in range(3)]) / last


def box_with(target: Sequence[float], ql: float, start: tuple[float, float, float] = (0.4, 1.0, 1.0)) -> Real:
    """QT, h and alpha of the circuit that has these coefficients."""

    def miss(x: Real) -> Real:
        return scaled(circuit(*np.exp(x), ql)) - np.asarray(target)

    found = optimize.root(miss, np.log(start), tol=1e-13).x
    assert np.max(np.abs(miss(found))) < 1e-9
    return np.asarray(np.exp(found))


def high_pass(poles: Sequence[complex]) -> Real:
    """a1, a2, a3 of the high-pass that a low-pass of these poles becomes with 1/s in the place of s."""
    return scaled(Polynomial(np.real(np.poly(1 / np.asarray(poles)))[::-1]))


def butterworth() -> Real:
    return high_pass(np.exp(1j * np.pi * (2 * np.arange(4) + 5) / 8).tolist())


def bessel() -> Real:
    """Roots of the reverse Bessel polynomial, sum of (2n - k)!/((n - k)! k! 2^(n - k)) s^k."""
    coefficients = [factorial(8 - k) / (factorial(4 - k) * factorial(k) * 2 ** (4 - k)) for k in range(5)]
    return high_pass(Polynomial(coefficients).roots().tolist())


def chebyshev(k: float) -> tuple[Real, float]:
    """Coefficients and ripple in dB of order 4 with k = tanh(asinh(1/eps)/4): poles on an ellipse of axes k to 1."""
    width = np.arctanh(k)
    angles = np.pi * (2 * np.arange(4) + 1) / 8
    poles = -np.sinh(width) * np.sin(angles) + 1j * np.cosh(width) * np.cos(angles)
    ripple_db = 10 * np.log10(1 + 1 / np.sinh(4 * width) ** 2)
    return high_pass(poles.tolist()), float(ripple_db)


def flat_terms(box: Real, ql: float) -> Real:
    """Terms in w^-2 and w^-4 of 1/|G|^2, which a quasi-Butterworth box of third order has not."""
    a1, a2, a3 = scaled(circuit(*box, ql))
    whole = Polynomial([1, a3, a2, a1, 1]) * Polynomial([1, -a3, a2, -a1, 1])  # D(s) D(-s); s^2 is -w^2
    return np.array([whole.coef[6], whole.coef[4]])


def quasi_butterworth(qt: float, ql: float) -> Real:
    """QT, h and alpha of the box without those terms, from the Butterworth box on, a little less QT at a time."""
    found = box_with(butterworth(), ql)
    for less in np.geomspace(found[0], qt, 12)[1:]:
        other = optimize.root(
            lambda x, less=less: flat_terms(np.array([less, *np.exp(x)]), ql), np.log(found[1:]), tol=1e-13
        ).x
        found = np.array([less, *np.exp(other)])
    assert np.max(np.abs(flat_terms(found, ql))) < 1e-8
    return found


def quasi_butterworth_of(alpha: float, ql: float, near: Real) -> Real:
    """The same with an alpha that is given, from a box near by."""
    other = optimize.root(lambda x: flat_terms(np.array([*np.exp(x), alpha]), ql), np.log(near[:2]), tol=1e-13).x
    return np.array([*np.exp(other), alpha])


def three_db_point(box: Real, ql: float) -> float:
    """f3 over fs: the highest frequency at which the response is 3 dB (a half of the power) down."""
    whole = circuit(*box, ql)
    places = np.geomspace(0.2, 5, 4000)
    power = places**8 / np.abs(whole(1j * places)) ** 2
    last = int(np.flatnonzero(power < 0.5)[-1])
    return float(
        optimize.brentq(lambda w: w**8 / abs(whole(1j * w)) ** 2 - 0.5, places[last], places[last + 1], xtol=1e-13)
    )


def closed_box(qtc: float) -> tuple[float, float, float | None]:
    """f3 over fc, peak in dB, and where it is (None without one), by searching the response."""

    def level_db(w: float) -> float:
        return float(20 * np.log10(w**2 / abs(1 - w**2 + 1j * w / qtc)))

    f3 = float(optimize.brentq(lambda w: level_db(w) - 10 * np.log10(0.5), 0.3, 5, xtol=1e-13))
    found = optimize.minimize_scalar(
        lambda w: -level_db(w), bounds=(0.5, 30), method="bounded", options={"xatol": 1e-10}
    )
    peak = -float(found.fun)
    return (f3, peak, float(found.x)) if peak > 1e-6 else (f3, 0.0, None)


# Plates and beams


def clamped_plate(ratio: float, order: int = 12) -> Real:
    """lambda^2 of a clamped plate, a/b given, by Ritz's method with (1 - x^2)^2 times Legendre's polynomials."""
    at, weight = np.polynomial.legendre.leggauss(4 * order)
    edge = Polynomial([1, 0, -2, 0, 1])
    shapes = [edge * Legendre.basis(k).convert(kind=Polynomial) for k in range(order)]
    plain, bent = (np.array([one.deriv(n)(at) if n else one(at) for one in shapes]) for n in (0, 2))
    tilted = np.array([one.deriv()(at) for one in shapes])
    none, one, two = ((rows * weight) @ rows.T for rows in (plain, tilted, bent))
    # Sides go from -1 to 1: each derivative is 2/a of that over the side.
    stiffness = 16 * (np.kron(two, none) + ratio**4 * np.kron(none, two) + 2 * ratio**2 * np.kron(one, one))
    return np.sqrt(linalg.eigh(stiffness, np.kron(none, none), eigvals_only=True)[:6])


def supported_plate(ratio: float) -> Real:
    """lambda^2 of a plate with all edges supported: the Laplacian's eigenvalues, by sines."""
    each = (np.pi * np.arange(1, 8)) ** 2
    return np.sort((each[:, None] + ratio**2 * each).ravel())[:6]


def clamped_beam(order: int) -> tuple[float, float]:
    """Wave number over pi, and the mean square of the slope over that of the shape over pi^2."""
    near = (order + 0.5) * np.pi
    k = float(optimize.brentq(lambda k: np.cos(k) - 1 / np.cosh(k), near - 0.3, near + 0.3))
    at, weight = np.polynomial.legendre.leggauss(200)
    x = 0.5 * (at + 1)
    sigma = (np.cosh(k) - np.cos(k)) / (np.sinh(k) - np.sin(k))
    shape = np.cosh(k * x) - np.cos(k * x) - sigma * (np.sinh(k * x) - np.sin(k * x))
    slope = k * (np.sinh(k * x) + np.sin(k * x) - sigma * (np.cosh(k * x) - np.cos(k * x)))
    return k / np.pi, float(weight @ slope**2 / (weight @ shape**2) / np.pi**2)


# Ends of tubes


def unflanged_end() -> float:
    """End correction over the radius: the integral of Levine and Schwinger (1948) at low frequencies."""

    def rest(x: float) -> float:
        return -float(np.log(2 * special.ive(1, x) * special.kve(1, x))) / x**2

    near, far = 1e-4, 1e4
    begin = -0.5 * near * (np.log(near / 2) - 1 + np.euler_gamma - 0.25)  # 2 I1 K1 is 1 + x^2 (ln(x/2) + gamma - 1/4)/2
    tail = (np.log(far) + 1) / far  # it is 1/x
    parts = np.geomspace(near, far, 17)
    between = sum(integrate.quad(rest, *ends, epsabs=1e-12)[0] for ends in pairwise(parts))
    return float((begin + between + tail) / np.pi)


def flanged_end(modes: int) -> float:
    """The same of a tube in a wall by Kelvin's principle: the flow of least energy, by modes of the tube's mouth.

    What flows is 1 + sum a_n J0(g_n r). In front of the wall it has the energy 2 int V(k)^2 dk with its transform V, in
    the tube a_n^2 J0(g_n)^2/g_n for each mode; in units of that of a slug as long as the radius.
    """
    roots = special.jn_zeros(1, modes)
    at, weight = np.polynomial.legendre.leggauss(8)
    edges = np.linspace(1e-9, 2000, 2001)
    k = (edges[:-1, None] + 0.5 * np.diff(edges)[:, None] * (at + 1)).ravel()
    weights = (0.5 * np.diff(edges)[:, None] * weight).ravel()
    mouth = special.j0(roots)
    waves = np.array(
        [special.j1(k) / k, *(j * k * special.j1(k) / (k**2 - g**2) for g, j in zip(roots, mouth, strict=True))]
    )
    ends = np.concatenate([[1.0], mouth])
    energy = 2 * (waves * weights) @ waves.T + np.outer(ends, ends) / (np.pi * k[-1] ** 2)
    energy[1:, 1:] += np.diag(mouth**2 / roots)
    return float(energy[0, 0] - energy[0, 1:] @ np.linalg.solve(energy[1:, 1:], energy[1:, 0]))


def limit(few: float, twice: float) -> float:
    """What a series that misses its limit by 1/n tends to, from n and 2 n terms (Richardson)."""
    return 2 * twice - few
