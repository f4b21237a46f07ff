"""Impedance of a moving-coil driver from lumped elements, with derivatives: coil, cone, suspension with creep, box.

    Z(s) = Re + Zcoil(s) + scale / D(s),   D = s (1 + mu) + ws/Qms + ws^2 / (s c(s)) + alpha ws^2 B(s)

``scale`` is Bl^2/Mms, ws^2 = 1/(Mms Cms), ws/Qms = Rms/Mms: the motional impedance Bl^2 / (mechanical impedance)
divided through by the moving mass (Small, JAES 20(5), 1972, fig. 3). ``c = 1 - lambda log10(s/ws)`` is the creep of
the suspension (Knudsen and Jensen, JAES 41(1/2) 3-18, 1993, logarithmic model [M]). ``B`` is the acoustic impedance
of the box times its compliance, ``mu`` the air load that the box adds to the cone; both are absent in free air.

In free air the air moves from one side of the cone to the other. Its mass, the part ``air`` of the moving mass, does so
only as long as the way round is short against the wavelength; then it becomes a resistance. That of a rigid sphere that
swings (Lamb, Hydrodynamics, section 295), u = s t, stands for that of a cone, which is as large below and above [M]:

    D changes by air s [(1 + b u)/(1 + b u + u^2) - 1] = -air s u^2/(1 + b u + u^2),   b = sqrt(2)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stillbox.analysis.lumped.coil_models import CoilModel
from stillbox.analysis.lumped.cone_resonances import ConeResonances
from stillbox.analysis.maths.stopping import checked
from stillbox.capture.arrays import ComplexArray, FloatArray

LN_RE, LN_WS, LN_QMS, LN_SCALE, CREEP = range(5)
FIRST_COIL = 5
"""Order of the parameters: ln Re, ln ws, ln Qms, ln scale, lambda, then those of the coil."""

AIR, LN_AIR_S = range(2)
"""Order of what is told of the free air: its part of the moving mass, and ln t; behind the changes of ``small``."""
AIR_SIZE = 2
DIPOLE_B = float(np.sqrt(2))

LN10 = float(np.log(10))


def mechanical(s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    """Mechanical impedance over the moving mass, rad/s, (n,); derivatives by ln ws, ln Qms, lambda (n, 3)."""
    ws, loss = np.exp(x[LN_WS]), np.exp(x[LN_WS] - x[LN_QMS])
    logarithm = np.log(s / ws) / LN10
    soft = 1 - x[CREEP] * logarithm
    spring = ws**2 / (s * soft)
    # d soft / d ln ws = lambda / ln 10.
    by_ws = loss + 2 * spring - spring / soft * x[CREEP] / LN10
    by_qms = np.full(s.shape, -loss, dtype=complex)
    return s + loss + spring, np.stack([by_ws, by_qms, spring / soft * logarithm], axis=1)


def free_air(s: ComplexArray, air: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    """What D lacks of the free air's mass where that is a resistance, rad/s, (n,); derivatives (n, 2)."""
    u = s * np.exp(air[LN_AIR_S])
    whole = 1 + DIPOLE_B * u + u**2
    by_part = -s * u**2 / whole
    return air[AIR] * by_part, np.stack([by_part, air[AIR] * by_part * (2 + DIPOLE_B * u) / whole], axis=1)


@dataclass(frozen=True)
class FreeAirModel:
    """The driver without box as a model for `analysis.lumped.lumped_fit.fit_lumped`; ``small`` adds to D.

    Parameters: those of the head of this module, then the changes of ``small``, then the free air.
    """

    coil: CoilModel
    small: ConeResonances

    @property
    def changes(self) -> slice:
        """Where the changes of the small resonances are."""
        return slice(FIRST_COIL + self.coil.size, FIRST_COIL + self.coil.size + self.small.size)

    @property
    def air(self) -> slice:
        """Where the free air is."""
        return slice(self.changes.stop, self.changes.stop + AIR_SIZE)

    def __call__(self, s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        slopes = np.empty((s.size, x.size), dtype=complex)
        first = self.changes.start
        coil, slopes[:, FIRST_COIL:first] = self.coil.evaluate(s, x[FIRST_COIL:first])
        resistance = np.exp(x[LN_RE])
        cone, cone_slopes = mechanical(s, x)
        air, air_slopes = free_air(s, x[self.air])
        cone += air
        parts = [cone_slopes, air_slopes]
        if self.small.size:
            small, small_slopes = self.small.load_and_slopes(s, x[self.changes])
            cone += small
            parts.insert(1, small_slopes)
        cone_slopes = np.concatenate(parts, axis=1)
        motional = np.exp(x[LN_SCALE]) / cone
        slopes[:, LN_RE] = resistance
        slopes[:, LN_SCALE] = motional
        factor = -(motional / cone)[:, None]
        slopes[:, [LN_WS, LN_QMS, CREEP]] = factor * cone_slopes[:, :3]
        np.multiply(factor, cone_slopes[:, 3:], out=slopes[:, first:])
        return resistance + coil + motional, slopes


@dataclass(frozen=True)
class ConeAtResonance:
    """What a cone with small resonances looks like from the terminals near its resonance.

    Attributes
    ----------
    omega_rad_s : float
        Where the reactance of the cone vanishes.
    loss_rad_s : float
        Mechanical resistance over the nominal mass there, creep included.
    mass_ratio : float
        Moving mass over the nominal mass: what hangs on the cone moves with it at its resonance.
    """

    omega_rad_s: float
    loss_rad_s: float
    mass_ratio: float

    @property
    def q_mechanical(self) -> float:
        return self.omega_rad_s * self.mass_ratio / self.loss_rad_s


def cone_at_resonance(x: FloatArray, small: ConeResonances, changes: FloatArray, air: FloatArray) -> ConeAtResonance:
    """Evaluate D near the resonance; ``x`` as in the head of this module, ``changes`` of ``small``, the free air."""
    plain = x.copy()
    plain[CREEP] = 0.0

    def total(omega: FloatArray, parameters: FloatArray) -> ComplexArray:
        s = 1j * omega
        return mechanical(s, parameters)[0] + small.load(s, changes) + free_air(s, air)[0]

    omega = float(np.exp(x[LN_WS]))
    for _ in range(6):
        checked()
        around = omega * np.array([1 - 1e-4, 1.0, 1 + 1e-4])
        reactance = total(around, x).imag
        omega -= float(reactance[1] * 2e-4 * omega / (reactance[2] - reactance[0]))
    at = np.array([omega])
    inertia = float((total(at, plain) - np.exp(2 * x[LN_WS]) / (1j * at)).imag[0])
    return ConeAtResonance(omega, float(total(at, x).real[0]), inertia / omega)
