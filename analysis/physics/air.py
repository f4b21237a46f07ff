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

# Cramer, JASA 93(5) 2510-2516, 1993, Table III. A public transcription drops a8 and shifts the rest by one.
_CRAMER = (
    331.5024, 0.603055, -0.000528, 51.471935, 0.1495874, -0.000782, -1.82e-7, 3.73e-8,
    -2.93e-10, -85.20931, -0.228525, 5.91e-5, -2.835149, -2.15e-13, 29.179762, 0.000486,
)  # fmt: skip


def pressure_at_pa(metres_above_sea: float) -> float:
    """Standard atmosphere (ISO 2533): 101325 Pa (1 - 0.0065 h / 288.15)^5.25588, below 11 km."""
    return float(STANDARD_PRESSURE_PA * (1 - 0.0065 * metres_above_sea / 288.15) ** 5.25588)


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
    t, p, xc, a = temperature_c, pressure_pa, CARBON_DIOXIDE_FRACTION, _CRAMER
    kelvin = t + ZERO_C_IN_K
    # Cramer's own saturation pressure (Davis 1992, with the constants that he gives in eq. A3).
    saturation_pa = math.exp(1.2811805e-5 * kelvin**2 - 1.9509874e-2 * kelvin + 34.04926034 - 6.3536311e3 / kelvin)
    xw = relative_humidity * _enhancement(t, p) * saturation_pa / p
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
    saturation_pa = math.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    xv = relative_humidity * _enhancement(t, p) * saturation_pa / p
    compressibility = (
        1
        - p
        / kelvin
        * (
            1.58123e-6
            - 2.9331e-8 * t
            + 1.1043e-10 * t**2
            + (5.707e-6 - 2.051e-8 * t) * xv
            + (1.9898e-4 - 2.376e-6 * t) * xv**2
        )
        + (p / kelvin) ** 2 * (1.83e-11 - 0.765e-8 * xv**2)
    )
    dry_kg_mol = 28.96546e-3 + 12.011e-3 * (CARBON_DIOXIDE_FRACTION - 4e-4)
    water_kg_mol, gas_constant = 18.01528e-3, 8.314472
    return p * dry_kg_mol / (compressibility * gas_constant * kelvin) * (1 - xv * (1 - water_kg_mol / dry_kg_mol))


def _enhancement(temperature_c: float, pressure_pa: float) -> float:
    """Factor by which saturation in air exceeds that of pure water vapour (both publications)."""
    return 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * temperature_c**2


def _require_ranges(temperature_c: float, relative_humidity: float, pressure_pa: float) -> None:
    checks = (
        ("temperature", temperature_c, _TEMPERATURE_RANGE_C, "degrees C"),
        ("relative humidity", relative_humidity, (0.0, 1.0), "(as a fraction)"),
        ("air pressure", pressure_pa, _PRESSURE_RANGE_PA, "Pa"),
    )
    for name, value, (low, high), unit in checks:
        if not low <= value <= high:
            raise StillboxError(f"{name} {value:g} is outside {low:g} to {high:g} {unit}", "correct it")
