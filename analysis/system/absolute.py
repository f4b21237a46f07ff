"""Absolute parameters of a driver: what is sought, what a person has told, and their estimate from second takes.

From the terminals alone mass and compliance are seen only over Bl^2; `analysis.system.second_take` says what gives the
scale. Everything is a product of powers, so logarithms are combined by least squares with all covariances and
tolerances.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, NamedTuple, TypeVar

import numpy as np

from stillbox.analysis.enclosure.box import BoxFit
from stillbox.analysis.lumped.driver import DriverFit
from stillbox.analysis.lumped.driver_model import CONE, cone_of
from stillbox.analysis.lumped.parameters import number
from stillbox.analysis.maths.quantity import Quantity, derived, jacobian
from stillbox.analysis.maths.uncertainty import rectangular_std
from stillbox.capture.arrays import FloatArray
from stillbox.capture.errors import StillboxError

DEFAULT_MASS_PERCENT = 1.0
DEFAULT_VOLUME_PERCENT = 2.0
DEFAULT_DIAMETER_PERCENT = 1.5
"""Tolerances where none is given (common practice, no source): kitchen scale, tape measure, half of the surround."""


Each = TypeVar("Each")


class Sought(NamedTuple, Generic[Each]):
    """What is sought, and what is known of it besides the takes."""

    ln_mass: Each = number("moving mass", "kg")
    ln_compliance: Each = number("compliance of the suspension", "m/N")
    ln_loss: Each = number("mechanical resistance", "kg/s")
    ln_bl: Each = number("force factor", "T m")
    ln_diameter: Each = number("diameter of the cone", "m")
    ln_volume: Each = number("volume of the test box", "m^3")
    ln_added: Each = number("mass on the cone", "kg")
    ln_pressure: Each = number("air pressure over the one told")
    ln_compliance_2: Each = number("compliance with the mass on the cone", "m/N")
    ln_re: Each = number("DC resistance", "ohm")


AT: Sought[int] = Sought(*range(len(Sought._fields)))
KNOWN = slice(AT.ln_diameter, AT.ln_pressure + 1)
"""What a person has told."""


@dataclass(frozen=True)
class Known:
    """A number that a person gives, with its tolerance in percent (None: a default is taken)."""

    value: float
    tolerance_percent: float | None = None


@dataclass(frozen=True)
class AddedMassTake:
    """The driver with a mass on the cone: its fit, and the mass in kg."""

    fit: DriverFit
    mass_kg: Known


@dataclass(frozen=True)
class KnownBoxTake:
    """The driver in a closed box of known net volume in m^3, cone and cut-out counted."""

    fit: BoxFit
    volume_m3: Known
    leak_probability: float = 0.0


@dataclass(frozen=True)
class Air:
    """Density and speed of sound.

    ``pressure_percent`` is the tolerance of the air pressure, which density and stiffness (gamma p) follow; the speed
    does not.
    """

    density_kg_m3: float
    speed_m_s: float
    pressure_percent: float = 0.0

    @property
    def stiffness_pa(self) -> float:
        """rho c^2."""
        return self.density_kg_m3 * self.speed_m_s**2


@dataclass(frozen=True)
class Absolute:
    """Driver parameters in absolute units.

    ``sensitivity_db`` is the level at 1 m for 1 W in Re into half space, dB re 20 uPa; ``efficiency`` is eta0.
    """

    mms_kg: Quantity
    cms_m_per_n: Quantity
    rms_kg_per_s: Quantity
    bl_tm: Quantity
    vas_m3: Quantity
    sd_m2: Quantity
    efficiency: Quantity
    sensitivity_db: Quantity
    sensitivity_2v83_db: Quantity


def sensitivity_db(efficiency: float, air: Air) -> float:
    """Level at 1 m, half space, of 1 W turned to sound with an efficiency: 10 log10(eta rho c / (2 pi)) re 20 uPa."""
    pressure2 = efficiency * air.density_kg_m3 * air.speed_m_s / (2 * np.pi)
    return float(10 * np.log10(pressure2 / 4e-10))


def _tolerance(known: Known, default_percent: float) -> float:
    return default_percent if known.tolerance_percent is None else known.tolerance_percent


@dataclass(frozen=True)
class Estimate:
    """Logarithms of the unknowns with covariance; what each tolerance contributes; what is needed to report."""

    values: FloatArray
    covariance: FloatArray
    tolerances: FloatArray
    air: Air

    def of(self, function: Callable[[Sought[float]], float], unit: str) -> Quantity:
        return derived(lambda x: function(Sought(*x)), self.values, self.covariance, unit, self.tolerances)

    def absolute(self) -> Absolute:
        stiffness, density, speed = self.air.stiffness_pa, self.air.density_kg_m3, self.air.speed_m_s

        def area(x: Sought[float]) -> float:
            return float(np.pi / 4 * np.exp(2 * x.ln_diameter))

        def efficiency(x: Sought[float]) -> float:
            # eta0 = rho/(2 pi c) (Bl Sd/Mms)^2 / Re, the same as (4 pi^2/c^3) fs^3 Vas/Qes (Small 1972).
            force = np.exp(x.ln_bl - x.ln_mass) * area(x)
            return float(density * np.exp(x.ln_pressure - x.ln_re) / (2 * np.pi * speed) * force**2)

        return Absolute(
            mms_kg=self.of(lambda x: float(np.exp(x.ln_mass)), "kg"),
            cms_m_per_n=self.of(lambda x: float(np.exp(x.ln_compliance)), "m/N"),
            rms_kg_per_s=self.of(lambda x: float(np.exp(x.ln_loss)), "kg/s"),
            bl_tm=self.of(lambda x: float(np.exp(x.ln_bl)), "T m"),
            vas_m3=self.of(lambda x: float(stiffness * area(x) ** 2 * np.exp(x.ln_compliance + x.ln_pressure)), "m³"),
            sd_m2=self.of(area, "m²"),
            efficiency=self.of(efficiency, ""),
            sensitivity_db=self.of(lambda x: sensitivity_db(efficiency(x), self.air), "dB"),
            sensitivity_2v83_db=self.of(
                lambda x: sensitivity_db(8.0 / float(np.exp(x.ln_re)) * efficiency(x), self.air), "dB"
            ),
        )


def estimate_from_takes(
    driver: DriverFit, diameter: Known, air: Air, added: AddedMassTake | None, box: KnownBoxTake | None
) -> Estimate:
    """Least squares of the logarithms, by Gauss-Newton with numerical derivatives of a handful of numbers."""
    mass = added.mass_kg if added else Known(0.01)
    volume = box.volume_m3 if box else Known(0.01)
    known_std = np.array(
        [
            rectangular_std(_tolerance(diameter, DEFAULT_DIAMETER_PERCENT)),
            rectangular_std(_tolerance(volume, DEFAULT_VOLUME_PERCENT)) if box else 1e-6,
            rectangular_std(_tolerance(mass, DEFAULT_MASS_PERCENT)) if added else 1e-6,
            max(rectangular_std(air.pressure_percent), 1e-6),
        ]
    )
    known = np.log([diameter.value, volume.value, mass.value, 1.0])
    data, covariance = _data(driver, added, box)
    count = data.size
    target = np.concatenate([data, known])
    size = count + known.size
    spread = np.zeros((size, size))
    spread[:count, :count] = covariance
    spread[range(count, size), range(count, size)] = known_std**2
    spread += 1e-14 * np.eye(size)
    x = _first_guess(data, known, air, added is not None)
    used = [place for place in AT if added or place != AT.ln_compliance_2]

    def predicted(values: FloatArray) -> FloatArray:
        return np.concatenate([_predict(Sought(*values), air, added is not None, box is not None), values[KNOWN]])

    inverse = np.linalg.inv(spread)
    for _ in range(20):
        slopes = jacobian(predicted, x, 1e-6)[:, used]
        normal = slopes.T @ inverse @ slopes
        step = np.linalg.solve(normal, slopes.T @ inverse @ (target - predicted(x)))
        x[used] += np.clip(step, -0.5, 0.5)
        if np.max(np.abs(step)) < 1e-10:
            break
    small = np.linalg.inv(normal)
    gain = small @ slopes.T @ inverse
    full = np.zeros((x.size, x.size))
    full[np.ix_(used, used)] = small
    tolerances = np.zeros((x.size, known.size))
    tolerances[used] = gain[:, count:] * known_std
    return Estimate(x, full, tolerances, air)


def _data(driver: DriverFit, added: AddedMassTake | None, box: KnownBoxTake | None) -> tuple[FloatArray, FloatArray]:
    """What the takes give, with covariance: ln ws, ln(Mms/Bl^2), ln(Rms/Bl^2); then of the second takes; ln Re.

    The ohm scale is common to all takes: 1/Bl^2 goes with it.
    """

    def tank(fit: DriverFit, x: FloatArray) -> FloatArray:
        cone, ln_scale = fit.cone(x), cone_of(x).ln_scale
        return np.array(
            [np.log(cone.omega_rad_s), np.log(cone.mass_ratio) - ln_scale, np.log(cone.loss_rad_s) - ln_scale]
        )

    parts = [_part(lambda x: tank(driver, x), driver.parameters, driver.covariance)]
    scale = [0.0, -1.0, -1.0]
    if added:
        fit = added.fit
        parts.append(_part(lambda x: tank(fit, x)[:2], fit.parameters, fit.covariance))
        scale += [0.0, -1.0]
    if box:
        parts.append(_part(lambda x: _box_stiffness(box.fit, x), box.fit.parameters, box.fit.covariance))
        scale += [-1.0]
    size = len(scale)
    values, covariance, place = np.concatenate([value for value, _ in parts]), np.zeros((size, size)), 0
    for value, spread in parts:
        covariance[place : place + value.size, place : place + value.size] = spread
        place += value.size
    direction = np.array(scale)
    covariance += driver.scale_std**2 * np.outer(direction, direction)
    return _with_resistance(driver, values, covariance, direction)


def _with_resistance(
    driver: DriverFit, values: FloatArray, covariance: FloatArray, direction: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The data and ln Re as reported, last: it shares the ohm scale as far as no multimeter has mended it."""
    variance = (driver.re_ohm.std / driver.re_ohm.value) ** 2
    of_sweep = driver.covariance[CONE.ln_re, CONE.ln_re] + driver.scale_std**2
    unmended = min(variance / of_sweep, 1.0) if of_sweep > 0 else 0.0
    common = unmended * driver.scale_std**2 * direction
    whole = np.block([[covariance, common[:, None]], [common[None, :], np.array([[variance]])]])
    return np.append(values, np.log(driver.re_ohm.value)), whole


def _box_stiffness(fit: BoxFit, x: FloatArray) -> FloatArray:
    """ln of the air's stiffness over Bl^2: alpha ws^2 / scale."""
    box = fit.model.read(x)
    return np.array([box.load.ln_alpha + 2 * box.cone.ln_ws - box.cone.ln_scale])


def _part(
    function: Callable[[FloatArray], FloatArray], point: FloatArray, covariance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    value = function(point)
    slopes = jacobian(function, point)
    return value, slopes @ covariance @ slopes.T


def _predict(x: Sought[float], air: Air, added: bool, box: bool) -> FloatArray:
    """What the takes ought to give for given unknowns, in the order of `_data`."""
    mass, scale = np.exp(x.ln_mass), 2 * x.ln_bl
    values = [-0.5 * (x.ln_mass + x.ln_compliance), x.ln_mass - scale, x.ln_loss - scale]
    if added:
        total = float(np.log(mass + np.exp(x.ln_added)))
        values += [-0.5 * (total + x.ln_compliance_2), total - scale]
    if box:
        area2 = (np.pi / 4) ** 2 * np.exp(4 * x.ln_diameter)
        values += [float(np.log(air.stiffness_pa * area2)) + x.ln_pressure - x.ln_volume - scale]
    values.append(x.ln_re)
    return np.array(values)


def _first_guess(data: FloatArray, known: FloatArray, air: Air, added: bool) -> FloatArray:
    ws, mass_ratio, loss_ratio = data[:3]
    if added:
        difference = np.exp(data[4]) - np.exp(mass_ratio)
        if not difference > 0:
            raise StillboxError(
                "the mass on the cone did not lower the resonance", "check which take is which, and that it was fixed"
            )
        ln_bl2 = known[2] - np.log(difference)
    else:
        ln_bl2 = np.log(air.stiffness_pa) + 2 * np.log(np.pi / 4) + 4 * known[0] - known[1] - data[-2]
    ln_mass = mass_ratio + ln_bl2
    compliance = -2 * ws - ln_mass
    guess = Sought(
        ln_mass=ln_mass,
        ln_compliance=compliance,
        ln_loss=loss_ratio + ln_bl2,
        ln_bl=0.5 * ln_bl2,
        ln_diameter=known[0],
        ln_volume=known[1],
        ln_added=known[2],
        ln_pressure=known[3],
        ln_compliance_2=compliance,
        ln_re=data[-1],
    )
    return np.array(guess)
