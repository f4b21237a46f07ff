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

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Generic, NamedTuple, TypeVar

import numpy as np

from stillbox.analysis.lumped.coil_models import CoilModel
from stillbox.analysis.lumped.cone_resonances import ConeResonances
from stillbox.analysis.lumped.parameters import Layout, declared, number
from stillbox.analysis.maths.rational import resonators_ohm
from stillbox.analysis.maths.stopping import checked
from stillbox.capture.arrays import ComplexArray, FloatArray

Each = TypeVar("Each")


class ConeNumbers(NamedTuple, Generic[Each]):
    """Cone and DC resistance: the first numbers of every model."""

    ln_re: Each = number("DC resistance of the coil", "ohm")
    ln_ws: Each = number("resonance of mass and suspension: ws^2 = 1/(Mms Cms)", "rad/s")
    ln_qms: Each = number("mechanical Q: ws/Qms = Rms/Mms")
    ln_scale: Each = number("Bl^2/Mms", "ohm rad/s")
    creep: Each = number("lambda of the suspension's creep", usual=0.0)


class FreeAirNumbers(NamedTuple, Generic[Each]):
    """The free air."""

    air_part: Each = number("its part of the moving mass", usual=0.07)
    ln_air_s: Each = number("t, from which on it radiates", "s", usual=float(np.log(7e-5)))


CONE: ConeNumbers[int] = ConeNumbers(*range(len(ConeNumbers._fields)))
"""Where the numbers of the cone stand in every model."""
SUSPENSION = [CONE.ln_ws, CONE.ln_qms, CONE.creep]
"""Where those stand whose derivatives `mechanical` gives, in its order."""
DIPOLE_B = float(np.sqrt(2))

LN10 = float(np.log(10))
_MOST_STEPS, _LAST_STEP = 6, 1e-8
"""Steps to the cone's resonance; one of this size, relative to it, leaves 1e-12 of it: each is true to 1e-4."""


def cone_of(x: FloatArray) -> ConeNumbers[float]:
    """The numbers of the cone in the parameters of any model."""
    return ConeNumbers._make(x[: len(CONE)].tolist())


def mechanical(s: ComplexArray, cone: ConeNumbers[float]) -> tuple[ComplexArray, ComplexArray]:
    """Mechanical impedance over the moving mass, rad/s, (n,); derivatives by those of `SUSPENSION`, (n, 3)."""
    ws, loss = np.exp(cone.ln_ws), np.exp(cone.ln_ws - cone.ln_qms)
    logarithm = np.log(s / ws) / LN10
    soft = 1 - cone.creep * logarithm
    spring = ws**2 / (s * soft)
    # d soft / d ln ws = lambda / ln 10.
    by_ws = loss + 2 * spring - spring / soft * cone.creep / LN10
    by_qms = np.full(s.shape, -loss, dtype=complex)
    return s + loss + spring, np.stack([by_ws, by_qms, spring / soft * logarithm], axis=1)


def free_air(s: ComplexArray, air: FreeAirNumbers[float]) -> tuple[ComplexArray, ComplexArray]:
    """What D lacks of the free air's mass where that is a resistance, rad/s, (n,); derivatives (n, 2)."""
    u = s * np.exp(air.ln_air_s)
    whole = 1 + DIPOLE_B * u + u**2
    by_part = -s * u**2 / whole
    by_time = air.air_part * by_part * (2 + DIPOLE_B * u) / whole
    return air.air_part * by_part, np.stack(FreeAirNumbers(air_part=by_part, ln_air_s=by_time), axis=1)


@dataclass(frozen=True)
class FreeAirModel:
    """The driver without box as a model for `analysis.lumped.lumped_fit.fit_lumped`; ``small`` adds to D.

    Parameters: the cone, the coil, the changes of ``small``, the free air.
    """

    coil: CoilModel
    small: ConeResonances

    @cached_property
    def layout(self) -> Layout:
        return Layout.of(
            cone=declared(ConeNumbers),
            coil=self.coil.parameters,
            changes=self.small.parameters,
            air=declared(FreeAirNumbers),
        )

    def changes_of(self, x: FloatArray) -> FloatArray:
        """The changes of the small resonances."""
        return x[self.layout.blocks["changes"]]

    def air_of(self, x: FloatArray) -> FreeAirNumbers[float]:
        return FreeAirNumbers._make(x[self.layout.blocks["air"]].tolist())

    def __call__(self, s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, Callable[[], ComplexArray]]:
        of_cone, of_coil = cone_of(x), self.layout.blocks["coil"]
        coil, coil_slopes = self.coil.evaluate(s, x[of_coil])
        cone, cone_slopes = mechanical(s, of_cone)
        air, air_slopes = free_air(s, self.air_of(x))
        cone += air
        pairs = self.small.at(s, self.changes_of(x)) if self.small.size else None
        if pairs is not None:
            cone += pairs.load()
        resistance, motional = np.exp(of_cone.ln_re), np.exp(of_cone.ln_scale) / cone

        def slopes() -> ComplexArray:
            found = np.empty((s.size, x.size), dtype=complex)
            found[:, of_coil] = coil_slopes
            found[:, CONE.ln_re], found[:, CONE.ln_scale] = resistance, motional
            factor = -(motional / cone)[:, None]
            found[:, SUSPENSION] = factor * cone_slopes
            air_at = of_coil.stop + self.small.size
            if pairs is not None:
                np.multiply(factor, pairs.slopes(), out=found[:, of_coil.stop : air_at])
            np.multiply(factor, air_slopes, out=found[:, air_at:])
            return found

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


def cone_at_resonance(
    cone: ConeNumbers[float], small: ConeResonances, changes: FloatArray, air: FreeAirNumbers[float]
) -> ConeAtResonance:
    """Evaluate D near the resonance; ``changes`` are those of ``small``."""
    pairs = small.moved(changes)

    def total(omega: FloatArray, cone: ConeNumbers[float]) -> ComplexArray:
        s = 1j * omega
        load = resonators_ohm(s, pairs.poles_rad_s, pairs.residues)
        return mechanical(s, cone)[0] + load + free_air(s, air)[0]

    omega = float(np.exp(cone.ln_ws))
    for _ in range(_MOST_STEPS):
        checked()
        around = omega * np.array([1 - 1e-4, 1.0, 1 + 1e-4])
        reactance = total(around, cone).imag
        step = float(reactance[1] * 2e-4 * omega / (reactance[2] - reactance[0]))
        omega -= step
        if abs(step) < _LAST_STEP * omega:
            break
    at = np.array([omega])
    inertia = float((total(at, cone._replace(creep=0.0)) - np.exp(2 * cone.ln_ws) / (1j * at)).imag[0])
    return ConeAtResonance(omega, float(total(at, cone).real[0]), inertia / omega)
