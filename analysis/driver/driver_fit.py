"""What the fit of a driver tells beside its numbers."""

from __future__ import annotations

import numpy as np

from stillbox.analysis.lumped.driver import DriverFit
from stillbox.analysis.lumped.driver_model import CONE, cone_of
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
    air = fit.model.layout.index("air_part")
    sought = (
        Sought("re_ohm", "Re", CONE.ln_re, lambda x: float(np.exp(cone_of(x).ln_re))),
        Sought("fs_hz", "fs", CONE.ln_ws, lambda x: fit.cone(x).omega_rad_s / (2 * np.pi)),
        Sought("qms", "Qms", CONE.ln_qms, lambda x: fit.cone(x).q_mechanical),
        Sought("qes", "Qes", CONE.ln_scale, fit.electrical_q),
        Sought("inductance_1khz_mh", "L at 1 kHz", None, lambda x: 1e3 * fit.inductance_of(x)),
        Sought("creep_factor", "creep of the suspension", CONE.creep, lambda x: cone_of(x).creep),
        Sought("free_air_part", "the air that moves with the cone", air, lambda x: fit.model.air_of(x).air_part),
    )
    return fit_report(sought, fit.parameters, fit.covariance, fit.end, BY_DEFINITION)
