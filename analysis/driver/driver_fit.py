"""What the fit of a driver tells beside its numbers."""

from __future__ import annotations

import numpy as np

from stillbox.analysis.lumped.driver import DriverFit
from stillbox.analysis.lumped.driver_model import AIR, CREEP, LN_QMS, LN_RE, LN_SCALE, LN_WS
from stillbox.analysis.lumped.fit_report import FitReport, Sought, fit_report

_METER = "a multimeter's reading of Re (re_ohm under [driver] in build.toml)"
_LOWER = "a sweep that begins lower"
REMEDIES = {
    frozenset(("re_ohm", "inductance_1khz_mh")): _METER,
    frozenset(("creep_factor", "fs_hz")): _LOWER,
    frozenset(("creep_factor", "qms")): _LOWER,
    frozenset(("creep_factor", "re_ohm")): f"{_METER} or {_LOWER}",
}
"""What parts two numbers, by their names in the document."""


BY_DEFINITION = (frozenset(("re_ohm", "qes")),)
"""Qes = ws Mms Re/Bl^2 (Small 1972)."""


def driver_fit_report(fit: DriverFit) -> FitReport:
    """In the ohms of the sweep: their scale, which all numbers in ohm share, is no matter of the fit."""
    sought = (
        Sought("re_ohm", "Re", LN_RE, lambda x: float(np.exp(x[LN_RE]))),
        Sought("fs_hz", "fs", LN_WS, lambda x: fit.cone(x).omega_rad_s / (2 * np.pi)),
        Sought("qms", "Qms", LN_QMS, lambda x: fit.cone(x).q_mechanical),
        Sought("qes", "Qes", LN_SCALE, fit.electrical_q),
        Sought("inductance_1khz_mh", "L at 1 kHz", None, lambda x: 1e3 * fit.inductance_of(x)),
        Sought("creep_factor", "creep of the suspension", CREEP, lambda x: float(x[CREEP])),
        Sought("free_air_part", "the air that moves with the cone", first_air(fit), lambda x: float(x[first_air(fit)])),
    )
    return fit_report(sought, fit.parameters, fit.covariance, fit.end, BY_DEFINITION)


def first_air(fit: DriverFit) -> int:
    """Where the part of the free air in the moving mass stands."""
    return int(fit.model.air.start) + AIR
