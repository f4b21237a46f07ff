"""Round wire of copper: gauges, resistance, skin effect, and what a resistance before a driver does."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

MU_0 = 4e-7 * math.pi
"""H/m."""
COPPER_OHM_M = 1e-6 / 58
"""Resistivity at 20 degrees C (IEC 60028: 1/58 ohm mm2/m)."""
COPPER_PER_K = 0.00393
"""Relative change of it (IEC 60028, as in the Industrial Power Engineering Handbook, p. 970)."""
COPPER_KG_M3 = 8890.0
"""Density at 20 degrees C (IEC 60028 [M])."""

FLEXIBLE_OHM_PER_KM = {1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.30}
"""Highest resistance at 20 degrees C of flexible conductors (class 5, plain copper) by their section in mm2 (IEC 60228,
as listed by uecables.com)."""

GAUGES = (0, 40)


def gauge_diameter_m(gauge: int) -> float:
    """Diameter of an AWG wire: 0.127 mm times 92 to the power of (36 - gauge)/39; gauge 0 to 40."""
    return float(0.127e-3 * 92 ** ((36 - gauge) / 39))


def resistivity_ohm_m(celsius: float = 20.0) -> float:
    """Of copper."""
    return COPPER_OHM_M * (1 + COPPER_PER_K * (celsius - 20.0))


def wire_resistance_ohm(length_m: float, section_m2: float, celsius: float = 20.0) -> float:
    """DC resistance of a copper wire."""
    return resistivity_ohm_m(celsius) * length_m / section_m2


def skin_depth_m(frequency_hz: float, celsius: float = 20.0) -> float:
    """Depth at which the current density in thick copper has fallen to 1/e: sqrt(2 rho/(w mu))."""
    return math.sqrt(2 * resistivity_ohm_m(celsius) / (2 * math.pi * frequency_hz * MU_0))


def skin_effect_factor(diameter_m: float, frequency_hz: float, celsius: float = 20.0) -> float:
    """AC resistance of a straight round copper wire over its DC resistance, 1 or more.

    Re(k r J0(k r) / (2 J1(k r))) with k = (1 - j)/skin depth (Ramo, Whinnery, Van Duzer, Fields and Waves in
    Communication Electronics, 4.9 [M]). Wires beside it add to that.
    """
    x = (1 - 1j) * 0.5 * diameter_m / skin_depth_m(frequency_hz, celsius)
    # Both functions grow alike, and scaled they do not overflow.
    return float(np.real(x * special.jve(0, x) / (2 * special.jve(1, x))))


@dataclass(frozen=True)
class SeriesEffect:
    """What a resistance between amplifier and driver does.

    Attributes
    ----------
    level_db : float
        Change of level where the impedance is the DC resistance.
    peak_level_db : float or None
        At the resonance, where it is highest; None without Qms.
    qes, qts : float or None
        With the resistance; None where they follow from nothing that is known.
    """

    level_db: float
    peak_level_db: float | None
    qes: float | None
    qts: float | None


def series_effect(resistance_ohm: float, re_ohm: float, qes: float | None, qms: float | None) -> SeriesEffect:
    """What a resistance in series with a driver does to its level and its Q.

    The electrical damping sees Re and the resistance together, so that Qes grows by (Re + R)/Re; Qms stays (Small,
    Direct-Radiator Loudspeaker System Analysis, JAES 20(5), 1972 [M]). The impedance is Re far from the resonance and
    Re (1 + Qms/Qes) at it.

    Parameters
    ----------
    resistance_ohm, re_ohm : float
        Re above 0.
    qes, qms : float or None
        Of the driver itself, in its box or out of it; above 0.
    """
    with_it = None if qes is None else qes * (re_ohm + resistance_ohm) / re_ohm
    qts = None if with_it is None or qms is None else with_it * qms / (with_it + qms)
    peak = None if qes is None or qms is None else re_ohm * (1 + qms / qes)
    return SeriesEffect(
        _level_db(resistance_ohm, re_ohm), None if peak is None else _level_db(resistance_ohm, peak), with_it, qts
    )


def _level_db(resistance_ohm: float, impedance_ohm: float) -> float:
    return 20 * math.log10(impedance_ohm / (impedance_ohm + resistance_ohm))
