"""Volume budget of a box: from the inside dimensions to the volume that the driver feels.

Solid things take their whole volume, porous ones (1 - porosity) of it, fibres their mass over the fibre's density.
Fibres also exchange heat with the air: compressed slowly enough, air and fibre keep one temperature, and the air is up
to 1.4 times as compliant as alone (isothermal limit). With the heat capacities of air (m_a) and fibre (m_f),

    gamma' = (m_a cp + m_f cf)/(m_a cv + m_f cf),     factor = gamma/gamma' <= gamma = 1.4

is the most that a given mass of fibre can do (energy balance; Small, JAES 20(10), 1972, names the limit [M]). How much
of it is reached depends on fibre and frequency; so the prediction is the middle between none and all, with the half
distance as tolerance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stillbox.analysis.maths.quantity import Quantity, value_text
from stillbox.capture.errors import StillboxError

GAMMA = 1.4
"""Ratio of the heat capacities of air."""
AIR_CP_J_KG_K = 1006.0

FIBRES: dict[str, tuple[float, float]] = {
    "polyester": (1380.0, 1300.0),
    "wool": (1310.0, 1360.0),
    "cotton": (1540.0, 1300.0),
    "glass wool": (2500.0, 800.0),
    "rock wool": (2700.0, 800.0),
}
"""Density in kg/m^3 and heat capacity in J/(kg K) of the fibre itself (handbook values, [M])."""

LITRE = 1e-3
WARNING_FACTOR = 2.0


@dataclass(frozen=True)
class VolumeItem:
    """One thing in the box.

    Attributes
    ----------
    name : str
    volume_m3 : float
        Its outside volume.
    porosity : float
        Part of it that is air: 0 for solid things.
    """

    name: str
    volume_m3: float
    porosity: float = 0.0

    @property
    def taken_m3(self) -> float:
        """Volume that is no air any more."""
        return self.volume_m3 * (1 - self.porosity)


@dataclass(frozen=True)
class Stuffing:
    """Loose fibre in the box: mass in kg and material of `FIBRES`."""

    mass_kg: float
    material: str

    @property
    def taken_m3(self) -> float:
        return self.mass_kg / FIBRES[self.material][0]


@dataclass(frozen=True)
class Softening:
    """What filling does to the compliance of the air.

    Attributes
    ----------
    part : Quantity
        How much softer the air is at low frequency, 0.4 at most.
    ln_turn, ln_turn_std : float
        Logarithm of the angular frequency below which it is, in rad/s; see `analysis.box_model`.
    """

    part: Quantity
    ln_turn: float
    ln_turn_std: float


@dataclass(frozen=True)
class VolumeBudget:
    """From gross to effective volume.

    Attributes
    ----------
    gross_m3 : float
        Inside dimensions.
    items : tuple of VolumeItem
    stuffing : tuple of Stuffing
    air_m3 : float
        What is left for air.
    most_factor : float
        Isothermal limit of the stuffing: effective over air volume at most.
    effective_m3 : Quantity
        What the driver is predicted to feel.
    """

    gross_m3: float
    items: tuple[VolumeItem, ...]
    stuffing: tuple[Stuffing, ...]
    air_m3: float
    most_factor: float
    effective_m3: Quantity


@dataclass(frozen=True)
class VolumeComparison:
    """Predicted against measured effective volume; ``sentence`` in words, ``agrees`` within both uncertainties."""

    measured_m3: Quantity
    predicted_m3: Quantity
    agrees: bool
    sentence: str


def isothermal_factor(stuffing: Sequence[Stuffing], air_m3: float, density_kg_m3: float) -> float:
    """Most that the stuffing can raise the compliance of the air: 1 without, 1.4 for very much of it.

    Parameters
    ----------
    stuffing : sequence of Stuffing
    air_m3 : float
        Volume of the air.
    density_kg_m3 : float
        Of the air.
    """
    air = air_m3 * density_kg_m3 * AIR_CP_J_KG_K
    fibre = sum(part.mass_kg * FIBRES[part.material][1] for part in stuffing)
    effective = (air + fibre) / (air / GAMMA + fibre)
    return min(max(GAMMA / effective, 1.0), GAMMA)  # rounding may leave the limits by one part in 1e16


def volume_budget(
    inside_m: tuple[float, float, float],
    items: Sequence[VolumeItem],
    stuffing: Sequence[Stuffing],
    density_kg_m3: float,
    inside_std_m: float = 1e-3,
) -> VolumeBudget:
    """Add up what is in a box.

    Parameters
    ----------
    inside_m : tuple of float
        Height, width, depth, wall to wall.
    items : sequence of VolumeItem
        Driver, port, braces, crossover, lining.
    stuffing : sequence of Stuffing
    density_kg_m3 : float
        Of the air.
    inside_std_m : float
        Standard uncertainty of each inside dimension.

    Raises
    ------
    StillboxError
        If more is in the box than fits, or a value makes no sense.
    """
    for item in items:
        if item.volume_m3 < 0 or not 0 <= item.porosity < 1:
            raise StillboxError(
                f"{item.name}: {item.volume_m3 / LITRE:g} litres with porosity {item.porosity:g}",
                "the volume must not be negative and the porosity must be from 0 to below 1",
            )
    for part in stuffing:
        if part.material not in FIBRES:
            raise StillboxError(f"stuffing of '{part.material}' is not known", f"choose one of {', '.join(FIBRES)}")
    gross = float(np.prod(inside_m))
    taken = sum(item.taken_m3 for item in items) + sum(part.taken_m3 for part in stuffing)
    air = gross - taken
    if not air > 0:
        raise StillboxError(
            f"what is in the box takes {taken / LITRE:.1f} litres, but the box has {gross / LITRE:.1f} litres inside",
            "check the volumes in build.toml",
        )
    most = isothermal_factor(stuffing, air, density_kg_m3)
    middle, tolerance = 0.5 * (1 + most) * air, 0.5 * (most - 1) * air / float(np.sqrt(3))
    size = float(np.sqrt(sum((inside_std_m / length) ** 2 for length in inside_m))) * middle
    effective = Quantity(middle, float(np.hypot(size, tolerance)), "m³", tolerance)
    return VolumeBudget(gross, tuple(items), tuple(stuffing), air, most, effective)


def effective_volume_m3(vas_m3: Quantity, alpha: Quantity) -> Quantity:
    """Volume that the driver feels: Vas / alpha."""
    value = vas_m3.value / alpha.value
    relative = np.hypot(vas_m3.std / vas_m3.value, alpha.std / alpha.value)
    return Quantity(value, float(value * relative), "m³", value * vas_m3.tolerance_std / vas_m3.value)


def compare_volumes(predicted: Quantity, measured: Quantity) -> VolumeComparison:
    """Flag a disagreement beyond both uncertainties, with what it may mean."""
    difference = measured.value - predicted.value
    combined = float(np.hypot(measured.std, predicted.std))
    agrees = abs(difference) <= WARNING_FACTOR * combined
    numbers = (
        f"the driver feels {value_text(measured.value / LITRE, measured.std / LITRE, 'litres')}, the budget says "
        f"{value_text(predicted.value / LITRE, predicted.std / LITRE, 'litres')}"
    )
    if agrees:
        return VolumeComparison(measured, predicted, True, f"{numbers}: they agree")
    reason = (
        "is there a leak, a hollow wall, more stuffing than written down, or is the cone larger than said?"
        if difference > 0
        else "is something in the box that the budget lacks (driver, port, braces, solid lining), or is the cone "
        "smaller than said?"
    )
    ratio = abs(difference) / combined
    return VolumeComparison(
        measured, predicted, False, f"{numbers}: {ratio:.1f} times the combined uncertainty; {reason}"
    )


def port_volume_m3(diameter_m: float, length_m: float, wall_m: float) -> float:
    """Volume that a port tube inside the box takes, its bore included: the air in it is not air of the box."""
    return float(np.pi / 4 * (diameter_m + 2 * wall_m) ** 2 * length_m)
