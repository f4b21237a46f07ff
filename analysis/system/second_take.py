"""Moving mass, compliance, force factor and Vas from a second take: a known mass on the cone, or a known closed box.

From the terminals alone mass and compliance are seen only over Bl^2. A known mass gives the scale by

    Madd/Bl^2 = Mms'/Bl^2 - Mms/Bl^2,     (added mass; Small 1972 has Mms = Madd/((fs/fs')^2 - 1) for equal compliance)

a known volume by

    rho c^2 Sd^2/(V Bl^2) = alpha ws^2 Mms/Bl^2    (test box; the same as Vas = V [(fc Qec)/(fs Qes) - 1], Small 1972).

Both ask for the same force factor in both takes; the first does not ask for the same compliance. How they are put
together: `analysis.system.absolute`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from stillbox.analysis.lumped.driver import DriverFit
from stillbox.analysis.system.absolute import (
    AT,
    DEFAULT_DIAMETER_PERCENT,
    DEFAULT_MASS_PERCENT,
    DEFAULT_VOLUME_PERCENT,
    Absolute,
    AddedMassTake,
    Air,
    Estimate,
    Known,
    KnownBoxTake,
    estimate_from_takes,
)
from stillbox.capture.errors import StillboxError

SMALLEST_SHIFT = 0.15
"""An added mass ought to lower the resonance by at least this part."""
LARGEST_DISAGREEMENT = 2.0
"""Combined standard uncertainties by which two ways may differ."""
SUSPENSION_CHANGE = 0.03
"""Change of the compliance between two takes that is worth a warning."""


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
        by_mass = estimate_from_takes(driver, diameter_m, air, added_mass, None)
        warnings += _suspension_warning(by_mass)
    if test_box is not None:
        warnings += _box_warnings(test_box)
        by_box = estimate_from_takes(driver, diameter_m, air, None, test_box)
    if by_mass is None or by_box is None or added_mass is None or test_box is None:
        only = by_mass or by_box
        assert only is not None
        warnings += _defaults(diameter_m, added_mass, test_box)
        absolute = only.absolute()
        return SecondTake(
            absolute, absolute if by_mass else None, absolute if by_box else None, None, None, tuple(warnings)
        )
    both = estimate_from_takes(driver, diameter_m, air, added_mass, test_box)
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


def _disagreement(by_mass: Estimate, by_box: Estimate) -> tuple[float, float]:
    """Mms by box over Mms by mass in percent, and in its own uncertainty.

    Taken as independent: the driver in free air, which they share, is known far better than mass and volume.
    """
    difference = float(by_box.values[AT.ln_mass] - by_mass.values[AT.ln_mass])
    variance = by_box.covariance[AT.ln_mass, AT.ln_mass] + by_mass.covariance[AT.ln_mass, AT.ln_mass]
    return 100 * float(np.expm1(difference)), difference / float(np.sqrt(variance))


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


def _suspension_warning(estimate: Estimate) -> list[str]:
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
