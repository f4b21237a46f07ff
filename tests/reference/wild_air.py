"""Air, fibres in it, and narrow ways through it: the physics that the wild boxes are made of.

Nothing here is shared with the project's own code. Time goes as exp(+j w t); all in SI units.

Sources
-------
Standard atmosphere (ISO 2533) for the pressure over height; ideal gas of air and water vapour (Magnus formula for its
pressure); Sutherland's viscosity; Zwikker and Kosten 1949 for tubes and slits; Johnson, Champoux and Allard for
fibres (Allard and Champoux, JASA 91, 3346, 1992: lengths of fibrous material); Panneton, JASA 122, EL217, 2007 for
fibres that move with the air; Tarnow, JASA 100, 3706, 1996 and the polyester formula of Cox and D'Antonio's table 5.1
for the flow resistivity.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import j1, jve, struve

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]

GAS_CONSTANT = 8.314462618
DRY_MOLAR_KG, WATER_MOLAR_KG = 28.9652e-3, 18.01528e-3
FLANGED_END, UNFLANGED_END = 0.8216, 0.6133
"""End corrections over the radius, low frequencies (Dalmont, Nederveen, Joly 2001)."""


@dataclass(frozen=True)
class Air:
    """Moist air as an ideal gas.

    Attributes
    ----------
    pressure_pa, celsius, humidity : float
        Pressure, temperature, relative humidity from 0 to 1.
    """

    pressure_pa: float = 101_325.0
    celsius: float = 20.0
    humidity: float = 0.5

    @property
    def _water_fraction(self) -> float:
        saturated_pa = 611.2 * np.exp(17.62 * self.celsius / (243.12 + self.celsius))
        return float(self.humidity * saturated_pa / self.pressure_pa)

    @property
    def _molar_kg(self) -> float:
        return DRY_MOLAR_KG + self._water_fraction * (WATER_MOLAR_KG - DRY_MOLAR_KG)

    @property
    def gamma(self) -> float:
        """Ratio of the heat capacities of the mixture (dry air 1.4008, water vapour 1.33 by its molar heat)."""
        heat = 3.495 * (1 - self._water_fraction) + 4.03 * self._water_fraction  # cp / R
        return float(heat / (heat - 1))

    @property
    def density(self) -> float:
        return self.pressure_pa * self._molar_kg / (GAS_CONSTANT * (273.15 + self.celsius))

    @property
    def speed(self) -> float:
        return float(np.sqrt(self.gamma * self.pressure_pa / self.density))

    @property
    def bulk_pa(self) -> float:
        """Adiabatic bulk modulus, rho c^2 = gamma P."""
        return self.gamma * self.pressure_pa

    @property
    def viscosity(self) -> float:
        kelvin = 273.15 + self.celsius
        return 1.716e-5 * (kelvin / 273.15) ** 1.5 * (273.15 + 110.4) / (kelvin + 110.4)

    prandtl = 0.71


def air_at_height(height_m: float, celsius: float, humidity: float = 0.5) -> Air:
    """Air ``height_m`` above the sea on a day of usual weather."""
    return Air(101_325.0 * (1 - 2.25577e-5 * height_m) ** 5.25588, celsius, humidity)


@dataclass(frozen=True)
class Fibres:
    """Loose fibre or felt.

    Attributes
    ----------
    kg_per_m3 : float
        Mass of fibre in the volume it fills.
    fibre_m : float
        Diameter of a fibre.
    solid_kg_per_m3 : float
        Density of what a fibre is made of.
    law : str
        ``tarnow`` or ``polyester``: where the flow resistivity comes from.
    scatter : float
        Factor on it: no two handfuls are alike.
    held : bool
        False: the fibres move with the air at low frequencies.
    """

    kg_per_m3: float
    fibre_m: float
    solid_kg_per_m3: float = 1380.0
    law: str = "tarnow"
    scatter: float = 1.0
    held: bool = True

    @property
    def porosity(self) -> float:
        return 1 - self.kg_per_m3 / self.solid_kg_per_m3

    def resistivity(self, air: Air) -> float:
        """Flow resistivity, Pa s/m^2."""
        solid = 1 - self.porosity
        if self.law == "polyester":
            return self.scatter * 25.909e-9 * self.kg_per_m3**1.404 / self.fibre_m**2
        # Tarnow: flow across fibres at random places; b^2 = area of the cross-section for each fibre
        area = np.pi * self.fibre_m**2 / (4 * solid)
        return float(self.scatter * 4 * np.pi * air.viscosity / (area * (0.640 * np.log(1 / solid) - 0.737 + solid)))

    def fluid(self, omega: Real, air: Air) -> tuple[Complex, Complex]:
        """Effective density and bulk modulus of the filled volume (per open volume velocity), for each ``omega``."""
        jw, rho, phi, sigma = 1j * omega, air.density, self.porosity, self.resistivity(air)
        length = self.kg_per_m3 / (self.solid_kg_per_m3 * np.pi * self.fibre_m**2 / 4)  # m of fibre in a m^3
        viscous = 1 / (np.pi * length * self.fibre_m)  # Allard and Champoux: 1/(2 pi l r)
        thermal = 2 * viscous
        drag = np.sqrt(1 + 4 * jw * air.viscosity * rho / (sigma * viscous * phi) ** 2)
        density = rho / phi * (1 + sigma * phi / (jw * rho) * drag)
        if not self.held:
            both = self.kg_per_m3 + phi * rho
            density = (both * density - rho**2) / (both + density - 2 * rho)
        pace = jw * thermal**2 * air.prandtl * rho
        exchange = 1 + 8 * air.viscosity / pace * np.sqrt(1 + pace / (16 * air.viscosity))
        bulk = air.bulk_pa / phi / (air.gamma - (air.gamma - 1) / exchange)
        return density, bulk


def plain_fluid(omega: Real, air: Air) -> tuple[Complex, Complex]:
    """Density and bulk modulus of air alone, as arrays over ``omega``."""
    ones = np.ones(omega.size, complex)
    return air.density * ones, air.bulk_pa * ones


def crowded(fluid: tuple[Complex, Complex], share: float) -> tuple[Complex, Complex]:
    """A fluid in which rigid things (basket, braces) spread over the volume take the ``share`` of it."""
    density, bulk = fluid
    return density * (1 + 0.5 * share), bulk / (1 - share)


def layer_admittance(omega: Real, thickness_m: float, fibres: Fibres, air: Air) -> Complex:
    """Specific admittance (m/s for each Pa) of a layer on a rigid wall, less that of the air whose place it takes."""
    density, bulk = fibres.fluid(omega, air)
    wave, impedance = omega * np.sqrt(density / bulk), np.sqrt(density * bulk)
    return 1j * np.tan(wave * thickness_m) / impedance - 1j * omega * thickness_m / air.bulk_pa


def thermal_wall_admittance(omega: Real, air: Air) -> Complex:
    """Specific admittance of a rigid wall that keeps its temperature (Cremer's thermal boundary layer)."""
    depth = np.sqrt(air.viscosity / (air.density * air.prandtl * omega))  # of the boundary layer, over sqrt 2
    return (air.gamma - 1) * np.sqrt(1j) * omega * depth / air.bulk_pa


def tube_line(omega: Real, length_m: float, radius_m: float, air: Air) -> tuple[Complex, Complex]:
    """Self and mutual acoustic impedance (open at both ends) of a round tube with viscous and thermal losses.

    Zwikker and Kosten's tube: flow into either end counts as positive. At low frequencies the self impedance is that
    of half the mass and the air's compliance.
    """

    def share(inertia: Complex) -> Complex:
        root = np.sqrt(-1j * inertia) * radius_m
        return 2 * jve(1, root) / (root * jve(0, root))  # the common scale of jve cancels

    area = np.pi * radius_m**2
    density = air.density / (1 - share(omega * air.density / air.viscosity + 0j))
    heat = share(omega * air.density * air.prandtl / air.viscosity + 0j)
    bulk = air.bulk_pa / (1 + (air.gamma - 1) * heat)
    along = 1j * omega * np.sqrt(density / bulk) * length_m
    own = np.sqrt(density * bulk) / area
    decay = np.exp(-along)
    return own * (1 + decay**2) / (1 - decay**2), 2 * own * decay / (1 - decay**2)


def slit_impedance(omega: Real, gap_m: float, width_m: float, depth_m: float, air: Air) -> Complex:
    """Acoustic impedance of a slit: 12 mu d/(w g^3) at low frequencies, with 6/5 of its mass (exact profile)."""
    root = np.sqrt(1j * omega * air.density / air.viscosity) * gap_m / 2
    return 1j * omega * air.density * depth_m / (width_m * gap_m) / (1 - np.tanh(root) / root)


def piston_in_baffle(omega: Real, radius_m: float, air: Air) -> Complex:
    """Acoustic radiation impedance of a rigid piston in an infinite baffle (Rayleigh)."""
    twice = 2 * omega * radius_m / air.speed
    area = np.pi * radius_m**2
    return air.density * air.speed / area * (1 - 2 * j1(twice) / twice + 2j * struve(1, twice) / twice)


def piston_in_free_air(omega: Real, radius_m: float, air: Air) -> Complex:
    """Acoustic load of a disc that moves in free air, both sides.

    Mass 8/3 rho a^3 and the dipole's resistance rho c pi a^2 8 (ka)^4/(27 pi^2) at low frequencies; beyond them as of a
    rigid sphere that swings, p (1 + p)/(2 + 2 p + p^2) with p = j w tau (Lamb, Hydrodynamics, section 295), so that
    real and imaginary part belong to one load that does not know the future.
    """
    delay = (2 / (9 * np.pi)) ** (1 / 3) * radius_m / air.speed
    p = 1j * omega * delay
    final = 2 * 8 / 3 * air.density * radius_m**3 / delay
    return final * p * (1 + p) / (2 + 2 * p + p**2) / (np.pi * radius_m**2) ** 2
