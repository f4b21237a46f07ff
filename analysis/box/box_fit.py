"""What the fit of a box tells beside its numbers."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations

import numpy as np

from stillbox.analysis.enclosure.box import BoxFit
from stillbox.analysis.enclosure.box_quantities import filling_loss, port_loss
from stillbox.analysis.lumped.fit_report import FitReport, Sought, fit_report
from stillbox.capture.arrays import FloatArray

_NUMBERS = {
    "alpha": ("alpha", "ln_alpha"),
    "leakage": ("1/QL", "leak"),
    "absorption": ("1/QA", "absorption"),
    "softening": ("the softening of the air by filling", "soft"),
    "air_in_filling": ("the part of the air behind filling", "behind"),
    "air_load": ("the air that the box hangs on the cone", "mu"),
}
_OF_A_PORT = {
    "fb_hz": ("fB", "ln_wb"),
    "port": ("1/QP", "port_loss"),
    "filling_on_the_way": ("filling on the way to the port", "way"),
}
"""Short name, and that of the parameter."""

SHOWN_FOR_ONE = {"fb_hz": 1 / (2 * np.pi)}
"""Of numbers that are told in another unit than that of the fit."""

CLOSED_PORT = "a take with the port closed by hand (--port-closed)"
BEFORE_FILLING = "a take before the filling goes in, under a state of its own,"
DIMENSIONS = "inside_mm and the places of cone and port in build.toml"
_LOSSES = ("leakage", "absorption", "port", "filling_on_the_way")
_FILLING = ("softening", "air_in_filling", "filling_on_the_way", "absorption")


def box_fit_report(fit: BoxFit) -> FitReport:
    """Of the lumped part: what stands in the air and in the driver has numbers of its own."""
    names = _NUMBERS | (_OF_A_PORT if fit.vented else {})
    sought = [
        Sought(name, short, fit.index(parameter), _value(fit, fit.index(parameter), name))
        for name, (short, parameter) in names.items()
    ]
    return fit_report(sought, fit.parameters, fit.covariance, fit.end)


def _value(fit: BoxFit, index: int, name: str) -> Callable[[FloatArray], float]:
    """Such as the document has it under that name."""
    if fit.model.layout.parameters[index].logarithmic:
        return lambda x: float(np.exp(x[index])) * SHOWN_FOR_ONE.get(name, 1.0)
    if name == "absorption":
        return lambda x: filling_loss(fit, x)
    if name == "port":
        return lambda x: port_loss(fit, x)
    return lambda x: float(x[index])


def remedies(fit: BoxFit, port_closed: bool) -> dict[frozenset[str], str]:
    """What parts two numbers, by their names in the document; ``port_closed``: such a take has told already."""
    found = {frozenset(pair): BEFORE_FILLING for pair in combinations(_FILLING, 2)}
    found |= {frozenset(("alpha", name)): BEFORE_FILLING for name in _FILLING[:2]}
    found[frozenset(("alpha", "air_load"))] = DIMENSIONS
    if fit.vented and not port_closed:
        found |= {frozenset(pair): CLOSED_PORT for pair in combinations(("alpha", "fb_hz", *_LOSSES), 2)}
    return found
