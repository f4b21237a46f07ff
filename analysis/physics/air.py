"""Air: speed of sound after Cramer 1993, density after CIPM-2007."""

from __future__ import annotations

import math

from stillbox.capture.errors import StillboxError

STANDARD_PRESSURE_PA = 101_325.0
ZERO_C_IN_K = 273.15
CARBON_DIOXIDE_FRACTION = 4e-4
"""Mole fraction of CO2."""

UNKNOWN_PRESSURE_PERCENT = 6.5
"""Tolerance where nothing is told: from sea level, which is assumed, to 500 m of height."""
WEATHER_PERCENT = 1.5
"""Of the pressure at a known height."""
BAROMETER_PERCENT = 0.3

_TEMPERATURE_RANGE_C = (-30.0, 60.0)
_PRESSURE_RANGE_PA = (60_000.0, 110_000.0)

CRAMER = (
    331.5024, 0.603055, -0.000528, 51.471935, 0.1495874, -0.000782, -1.82e-7, 3.73e-8,
    -2.93e-10, -85.20931, -0.228525, 5.91e-5, -2.835149, -2.15e-13, 29.179762, 0.000486,
)  # fmt: skip
"""a0 to a15: Cramer, JASA 93(5) 2510-2516, 1993, Table III; a trap of it is in ``tests/reference/errata.md``."""
CRAMER_SATURATION = (1.2811805e-5, -1.9509874e-2, 34.04926034, -6.3536311e3)
"""A to D of ln of the pressure in Pa, ``A T^2 + B T + C + D/T``: Davis 1992 with what Cramer gives in eq. A3."""
CIPM_SATURATION = (1.2378847e-5, -1.9121316e-2, 33.93711047, -6.3431645e3)
"""The same of CIPM-2007 (Picard et al., Metrologia 45, 149-155, 2008, appendix A1)."""
ENHANCEMENT = (1.00062, 3.14e-8, 5.6e-7)
"""alpha, beta (1/Pa), gamma (1/K^2): both publications."""
CIPM_COMPRESSIBILITY = (
    1.58123e-6, -2.9331e-8, 1.1043e-10, 5.707e-6, -2.051e-8, 1.9898e-4, -2.376e-6, 1.83e-11, -0.765e-8,
)  # fmt: skip
"""a0 to a2, b0, b1, c0, c1, d, e: CIPM-2007, appendix A1."""
GAS_CONSTANT_J_MOL_K = 8.314472
"""As CIPM-2007 has it (CODATA 2006)."""
DRY_KG_MOL, CARBON_KG_MOL, WATER_KG_MOL = 28.96546e-3, 12.011e-3, 18.01528e-3
"""Molar masses of CIPM-2007: dry air at 400 ppm of CO2, and what each mole of CO2 adds in the place of oxygen."""
LAPSE_K_M, SEA_LEVEL_K, ATMOSPHERE_POWER = 0.0065, 288.15, 5.25588
"""Standard atmosphere (ISO 2533)."""


def pressure_at_pa(metres_above_sea: float) -> float:
    """Standard atmosphere (ISO 2533): 101325 Pa (1 - 0.0065 h / 288.15)^5.25588, below 11 km."""
    return float(STANDARD_PRESSURE_PA * (1 - LAPSE_K_M * metres_above_sea / SEA_LEVEL_K) ** ATMOSPHERE_POWER)


def speed_of_sound_m_s(
    temperature_c: float, relative_humidity: float = 0.5, pressure_pa: float = STANDARD_PRESSURE_PA
) -> float:
    """Zero-frequency speed of sound in humid air, Cramer 1993, eq. 15.

    Parameters
    ----------
    temperature_c : float
        Published for 0 to 30 degrees C; taken from -30 to 60.
    relative_humidity : float
        0 to 1.
    pressure_pa : float
        Published for 75 to 102 kPa; taken from 60 to 110.

    Raises
    ------
    StillboxError
        If a value is out of its range.
    """
    _require_ranges(temperature_c, relative_humidity, pressure_pa)
    t, p, xc, a = temperature_c, pressure_pa, CARBON_DIOXIDE_FRACTION, CRAMER
    xw = relative_humidity * _enhancement(t, p) * _saturation_pa(t + ZERO_C_IN_K, CRAMER_SATURATION) / p
    return (
        a[0]
        + a[1] * t
        + a[2] * t**2
        + (a[3] + a[4] * t + a[5] * t**2) * xw
        + (a[6] + a[7] * t + a[8] * t**2) * p
        + (a[9] + a[10] * t + a[11] * t**2) * xc
        + a[12] * xw**2
        + a[13] * p**2
        + a[14] * xc**2
        + a[15] * xw * p * xc
    )


def density_kg_m3(
    temperature_c: float, relative_humidity: float = 0.5, pressure_pa: float = STANDARD_PRESSURE_PA
) -> float:
    """Density of humid air, CIPM-2007 (Picard et al., Metrologia 45, 149-155, 2008), with its compressibility.

    Parameters and errors as for `speed_of_sound_m_s`.
    """
    _require_ranges(temperature_c, relative_humidity, pressure_pa)
    t, p = temperature_c, pressure_pa
    kelvin = t + ZERO_C_IN_K
    xv = relative_humidity * _enhancement(t, p) * _saturation_pa(kelvin, CIPM_SATURATION) / p
    a0, a1, a2, b0, b1, c0, c1, d, e = CIPM_COMPRESSIBILITY
    first = a0 + a1 * t + a2 * t**2 + (b0 + b1 * t) * xv + (c0 + c1 * t) * xv**2
    compressibility = 1 - p / kelvin * first + (p / kelvin) ** 2 * (d + e * xv**2)
    dry_kg_mol = DRY_KG_MOL + CARBON_KG_MOL * (CARBON_DIOXIDE_FRACTION - 4e-4)
    dry_kg_m3 = p * dry_kg_mol / (compressibility * GAS_CONSTANT_J_MOL_K * kelvin)
    return dry_kg_m3 * (1 - xv * (1 - WATER_KG_MOL / dry_kg_mol))


def _saturation_pa(kelvin: float, coefficients: tuple[float, float, float, float]) -> float:
    """Pressure of water vapour over water."""
    a, b, c, d = coefficients
    return math.exp(a * kelvin**2 + b * kelvin + c + d / kelvin)


def _enhancement(temperature_c: float, pressure_pa: float) -> float:
    """Factor by which saturation in air exceeds that of pure water vapour (both publications)."""
    alpha, beta, gamma = ENHANCEMENT
    return alpha + beta * pressure_pa + gamma * temperature_c**2


def _require_ranges(temperature_c: float, relative_humidity: float, pressure_pa: float) -> None:
    checks = (
        ("temperature", temperature_c, _TEMPERATURE_RANGE_C, "degrees C"),
        ("relative humidity", relative_humidity, (0.0, 1.0), "(as a fraction)"),
        ("air pressure", pressure_pa, _PRESSURE_RANGE_PA, "Pa"),
    )
    for name, value, (low, high), unit in checks:
        if not low <= value <= high:
            raise StillboxError(f"{name} {value:g} is outside {low:g} to {high:g} {unit}", "correct it")
