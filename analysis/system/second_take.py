"""Moving mass, compliance, force factor and Vas from a second take: a known mass on the cone, or a known closed box.

From the terminals alone mass and compliance are seen only over Bl^2. A known mass gives the scale by

    Madd/Bl^2 = Mms'/Bl^2 - Mms/Bl^2,     (added mass; Small 1972 has Mms = Madd/((fs/fs')^2 - 1) for equal compliance)

a known volume by

    rho c^2 Sd^2/(V Bl^2) = alpha ws^2 Mms/Bl^2    (test box; the same as Vas = V [(fc Qec)/(fs Qes) - 1], Small 1972).

Both ask for the same force factor in both takes; the first does not ask for the same compliance. Everything is a
product of powers, so logarithms are combined by least squares with all covariances and tolerances.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
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

SMALLEST_SHIFT = 0.15
"""An added mass ought to lower the resonance by at least this part."""
LARGEST_DISAGREEMENT = 2.0
"""Combined standard uncertainties by which two ways may differ."""
SUSPENSION_CHANGE = 0.03
"""Change of the compliance between two takes that is worth a warning."""

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


@dataclass(frozen=True)
class SecondTake:
    """Outcome: combined, and each way on its own.

    Attributes
    ----------
    disagreement_percent : float or None
        Mms by the test box over Mms by the added mass, less 1; None with one way only.
    disagreement_sigma : float or None
        The same in units of its standard uncertainty.
    """

    combined: Absolute
    by_mass: Absolute | None
    by_box: Absolute | None
    disagreement_percent: float | None
    disagreement_sigma: float | None
    warnings: tuple[str, ...] = field(default=())


def second_take(
    driver: DriverFit,
    diameter_m: Known,
    air: Air,
    added_mass: AddedMassTake | None = None,
    test_box: KnownBoxTake | None = None,
) -> SecondTake:
    """Absolute parameters from one or both second takes.

    Parameters
    ----------
    driver : DriverFit
        In free air.
    diameter_m : Known
        Of the cone with half of its surround.
    air : Air
    added_mass, test_box
        At least one.

    Raises
    ------
    StillboxError
        If neither is given, or the mass does not lower the resonance, or a value is out of range.
    """
    if added_mass is None and test_box is None:
        raise StillboxError(
            "Vas, Mms and Bl need a second take of the driver: one with a known mass on the cone (added-mass) or one "
            "in a known closed box (test-box)",
            "",
        )
    _check(diameter_m.value, 0.01, 1.0, 1000, "mm", "diameter of the cone")
    warnings: list[str] = []
    by_mass = by_box = None
    if added_mass is not None:
        warnings += _mass_warnings(driver, added_mass)
        by_mass = _combine(driver, diameter_m, air, added_mass, None)
        warnings += _suspension_warning(by_mass)
    if test_box is not None:
        warnings += _box_warnings(test_box)
        by_box = _combine(driver, diameter_m, air, None, test_box)
    if by_mass is None or by_box is None or added_mass is None or test_box is None:
        only = by_mass or by_box
        assert only is not None
        warnings += _defaults(diameter_m, added_mass, test_box)
        absolute = only.absolute()
        return SecondTake(
            absolute, absolute if by_mass else None, absolute if by_box else None, None, None, tuple(warnings)
        )
    both = _combine(driver, diameter_m, air, added_mass, test_box)
    percent, sigma = _disagreement(by_mass, by_box)
    warnings += _defaults(diameter_m, added_mass, test_box)
    if abs(sigma) > LARGEST_DISAGREEMENT:
        other_mm = 1000 * diameter_m.value * (1 + percent / 100) ** -0.25
        warnings.append(
            f"Mms by the test box is {percent:+.1f} % off that by the added mass, {abs(sigma):.1f} times their "
            "combined uncertainty: check volume and mass, seal the box; a cone diameter of "
            f"{other_mm:.0f} mm instead of {1000 * diameter_m.value:.0f} mm would also explain it"
        )
    return SecondTake(both.absolute(), by_mass.absolute(), by_box.absolute(), percent, sigma, tuple(warnings))


def sensitivity_db(efficiency: float, air: Air) -> float:
    """Level at 1 m, half space, of 1 W turned to sound with an efficiency: 10 log10(eta rho c / (2 pi)) re 20 uPa."""
    pressure2 = efficiency * air.density_kg_m3 * air.speed_m_s / (2 * np.pi)
    return float(10 * np.log10(pressure2 / 4e-10))


@dataclass(frozen=True)
class _Estimate:
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


def _combine(
    driver: DriverFit, diameter: Known, air: Air, added: AddedMassTake | None, box: KnownBoxTake | None
) -> _Estimate:
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
    return _Estimate(x, full, tolerances, air)


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


def _disagreement(by_mass: _Estimate, by_box: _Estimate) -> tuple[float, float]:
    """Mms by box over Mms by mass in percent, and in its own uncertainty.

    Taken as independent: the driver in free air, which they share, is known far better than mass and volume.
    """
    difference = float(by_box.values[AT.ln_mass] - by_mass.values[AT.ln_mass])
    variance = by_box.covariance[AT.ln_mass, AT.ln_mass] + by_mass.covariance[AT.ln_mass, AT.ln_mass]
    return 100 * float(np.expm1(difference)), difference / float(np.sqrt(variance))


def _tolerance(known: Known, default_percent: float) -> float:
    return default_percent if known.tolerance_percent is None else known.tolerance_percent


def _check(value: float, low: float, high: float, factor: float, unit: str, name: str) -> None:
    if not low <= value <= high:
        raise StillboxError(
            f"{name} of {factor * value:g} {unit} must be {factor * low:g} to {factor * high:g} {unit}", "correct it"
        )


def _mass_warnings(driver: DriverFit, added: AddedMassTake) -> list[str]:
    _check(added.mass_kg.value, 1e-4, 1.0, 1000, "g", "added mass")
    ratio = added.fit.fs_hz.value / driver.fs_hz.value
    if ratio >= 0.995:
        raise StillboxError(
            f"with the mass on the cone the resonance is at {added.fit.fs_hz.value:.2f} Hz, without it at "
            f"{driver.fs_hz.value:.2f} Hz: it must fall",
            "check which take is which, and that the mass was fixed",
        )
    if ratio <= 1 - SMALLEST_SHIFT:
        return []
    mass_g = 1000 * added.mass_kg.value / (ratio**-2 - 1)
    return [
        f"the added mass lowers the resonance by {100 * (1 - ratio):.0f} % only: small errors count "
        f"{1 / (2 * (1 - ratio)):.0f}-fold; use about {0.5 * mass_g:.0f} to {mass_g:.0f} g"
    ]


def _suspension_warning(estimate: _Estimate) -> list[str]:
    change = float(estimate.values[AT.ln_compliance_2] - estimate.values[AT.ln_compliance])
    direction = np.zeros(estimate.values.size)
    direction[[AT.ln_compliance_2, AT.ln_compliance]] = 1.0, -1.0
    std = float(np.sqrt(direction @ estimate.covariance @ direction))
    if abs(change) < max(SUSPENSION_CHANGE, 3 * std):
        return []
    return [
        f"the suspension was {100 * np.expm1(change):+.1f} % softer with the mass than without: the level was so high "
        "that fs moves, or the driver was not warmed up alike; repeat both takes at a lower level, one after the other"
    ]


def _box_warnings(box: KnownBoxTake) -> list[str]:
    _check(box.volume_m3.value, 2e-4, 2.0, 1000, "litres", "volume of the test box")
    if box.fit.vented:
        raise StillboxError("the test box must be closed, but its take shows a vented box", "close the port")
    alpha = box.fit.alpha.value
    sentences = []
    if box.leak_probability > 0.5:
        sentences.append(
            f"the test box leaks (probability {box.leak_probability:.2f}); the leak is part of the fit, but Vas is "
            "surer with a tight box: seal the driver's rim and the wire"
        )
    if alpha < 0.3:
        litres = 1000 * alpha * box.volume_m3.value
        sentences.append(
            f"the test box is so large that its air adds only {100 * alpha:.0f} % to the suspension's stiffness; Vas "
            f"is surer with a box of {0.5 * litres:.1f} to {litres:.1f} litres"
        )
    return sentences


def _defaults(diameter: Known, added: AddedMassTake | None, box: KnownBoxTake | None) -> list[str]:
    """Say which tolerances were assumed."""
    assumed = []
    if diameter.tolerance_percent is None:
        assumed.append(f"{DEFAULT_DIAMETER_PERCENT:g} % of the cone's diameter")
    if added is not None and added.mass_kg.tolerance_percent is None:
        assumed.append(f"{DEFAULT_MASS_PERCENT:g} % of the added mass")
    if box is not None and box.volume_m3.tolerance_percent is None:
        assumed.append(f"{DEFAULT_VOLUME_PERCENT:g} % of the test box's volume")
    return [f"tolerances not given, assumed: {', '.join(assumed)}"] if assumed else []
