"""Drivers for the wild boxes: coil, motor, cone, suspension with creep, surround that resonates.

Sources: Leach, JAES 50(6), 2002 (coil as K (j w)^n); Thorborg and Unruh, JAES 56(9), 2008 (semi-inductance beside
an inductance); eddy currents as a ladder of R-L pairs; Knudsen and Jensen, JAES 41(1/2), 1993 (creep of the
suspension: compliance grows with the logarithm of time).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq

from reference.wild_air import Air, Complex, Real, piston_in_free_air


@dataclass(frozen=True)
class Coil:
    """Impedance of a coil beside its resistance.

    Attributes
    ----------
    kind : str
        ``power``: K (j w)^n from (K, n). ``semi``: j w Leb + (j w Le || Ke sqrt(j w) || Rss) from
        (Leb, Le, Ke, Rss). ``ladder``: j w L0 + sum of (R || j w L) from (L0, R1, L1, R2, L2, ...).
    values : tuple of float
        Ohm, henry, semi-henry.
    """

    kind: str
    values: tuple[float, ...]

    def impedance(self, omega: Real) -> Complex:
        jw = 1j * omega
        if self.kind == "power":
            factor, exponent = self.values
            return factor * jw**exponent
        if self.kind == "semi":
            behind, inductance, semi, shorting = self.values
            return jw * behind + 1 / (1 / (jw * inductance) + 1 / (semi * np.sqrt(jw)) + 1 / shorting)
        first, *pairs = self.values
        total = jw * first
        for resistance, inductance in zip(pairs[::2], pairs[1::2], strict=True):
            total = total + 1 / (1 / resistance + 1 / (jw * inductance))
        return total


@dataclass(frozen=True)
class Edge:
    """A part of cone or surround that swings on its own: mass that counts in Mms, frequency, Q."""

    kg: float
    hz: float
    q: float

    def impedance(self, omega: Real) -> Complex:
        """Mechanical impedance of the mass hung on the cone by spring and damper, N s/m."""
        own = 2 * np.pi * self.hz
        hold = self.kg * (own**2 + 1j * omega * own / self.q)
        return 1j * omega * self.kg * hold / (hold - omega**2 * self.kg)


@dataclass(frozen=True)
class Driver:
    """A driver as it is without air: ``dry_kg`` is the whole moving mass with the edges, without any load of air.

    Attributes
    ----------
    compliance : float
        Of the suspension at ``creep_at_hz``, m/N.
    creep : float
        Growth of the compliance for a decade downwards in frequency, as a part of it.
    rms : float
        Losses beside those of creep, N s/m.
    radius_m : float
        Of the effective cone.
    """

    re_ohm: float
    coil: Coil
    bl: float
    dry_kg: float
    compliance: float
    rms: float
    radius_m: float
    creep: float = 0.0
    creep_at_hz: float = 40.0
    edges: tuple[Edge, ...] = ()

    @property
    def sd_m2(self) -> float:
        return float(np.pi * self.radius_m**2)

    def mechanical(self, omega: Real, more_kg: float = 0.0) -> Complex:
        """Mechanical impedance of the driver without air, N s/m."""
        jw = 1j * omega
        soft = self.compliance * (1 - self.creep * np.log10(jw / (2 * np.pi * self.creep_at_hz)))
        rigid = self.dry_kg - sum(edge.kg for edge in self.edges) + more_kg
        return jw * rigid + self.rms + 1 / (jw * soft) + sum(edge.impedance(omega) for edge in self.edges)

    def electrical(self, omega: Real, mechanical: Complex) -> Complex:
        """Impedance at the terminals with the whole mechanical impedance given, ohm."""
        return self.re_ohm + self.coil.impedance(omega) + self.bl**2 / mechanical

    def in_free_air(self, omega: Real, air: Air, more_kg: float = 0.0) -> Complex:
        """Mechanical impedance with free air on both sides."""
        return self.mechanical(omega, more_kg) + self.sd_m2**2 * piston_in_free_air(omega, self.radius_m, air)

    def air_kg(self, air: Air) -> float:
        """Mass of the free air that moves along, 8/3 rho a^3."""
        return 8 / 3 * air.density * self.radius_m**3

    def after_play(self, softer: float, warmer: float) -> Driver:
        """The same driver on another day: compliance and DC resistance by these parts greater."""
        return replace(self, compliance=self.compliance * (1 + softer), re_ohm=self.re_ohm * (1 + warmer))


@dataclass(frozen=True)
class DriverTruth:
    """Parameters of Thiele and Small in free air.

    fs is where the imaginary part of the whole mechanical impedance in free air is zero; Rms is its real part
    there (creep counts), Mms the moving mass with its free air, Cms = 1/((2 pi fs)^2 Mms), Vas = rho c^2 Sd^2 Cms.
    """

    re_ohm: float
    fs_hz: float
    qms: float
    qes: float
    qts: float
    bl: float
    mms_kg: float
    cms: float
    rms: float
    sd_m2: float
    vas_m3: float


def zero_of(function, low_hz: float, high_hz: float, steps: int = 400) -> float | None:  # type: ignore[no-untyped-def]
    """Lowest frequency at which a real function of an array of Hz goes from negative to positive; None without one."""
    grid = np.geomspace(low_hz, high_hz, steps)
    values = function(grid)
    rising = np.flatnonzero((values[:-1] < 0) & (values[1:] >= 0))
    if not rising.size:
        return None
    start = rising[0]
    return float(brentq(lambda hz: float(function(np.array([hz]))[0]), grid[start], grid[start + 1], xtol=1e-9))


def driver_truth(driver: Driver, air: Air) -> DriverTruth:
    """What a perfect measurement in free air finds."""

    def in_air(hz: Real) -> Complex:
        return driver.in_free_air(2 * np.pi * hz, air)

    fs_hz = zero_of(lambda hz: in_air(hz).imag, 5.0, 400.0)
    assert fs_hz is not None, "no resonance between 5 and 400 Hz"
    omega = 2 * np.pi * fs_hz
    rms = float(in_air(np.array([fs_hz]))[0].real)
    mms = driver.dry_kg + driver.air_kg(air)
    cms = 1 / (omega**2 * mms)
    qms, qes = omega * mms / rms, omega * mms * driver.re_ohm / driver.bl**2
    vas = air.bulk_pa * driver.sd_m2**2 * cms
    return DriverTruth(
        driver.re_ohm, fs_hz, qms, qes, qms * qes / (qms + qes), driver.bl, mms, cms, rms, driver.sd_m2, vas
    )
