"""Losses of parts of which a netlist tells none: up to what is usual for their kind.

A coil has at most the DC resistance of air-core windings of thin wire, which grows as its inductance to the power of
0.6 where the proportions stay. A capacitor of small value is a film one; a larger one may be electrolytic.
"""

from __future__ import annotations

import math

import numpy as np

from stillbox.analysis.network.network import LOSS, Network, Part
from stillbox.capture.arrays import FloatArray

THIN_COIL_OHM, THIN_COIL_H, THIN_COIL_POWER = 0.85, 1e-3, 0.6
"""Of copper wire of 0.7 mm in the proportions that need least of it (`analysis.physics.coils`)."""
LEAST_ELECTROLYTIC_F = 9e-6
"""From about here on capacitors are electrolytic as often as not (common practice, no source)."""
ELECTROLYTIC_FACTOR, FILM_FACTOR, FACTOR_HZ = 0.1, 0.002, 1000.0
"""Loss factors that are seldom exceeded, and where they are told (common practice, no source)."""


def most_usual_loss_ohm(part: Part) -> float:
    """Above this the DC resistance of a coil or the ESR of a capacitor is unusual, ohm; 0 for a resistor."""
    if part.kind == "resistor":
        return 0.0
    if part.kind == "coil":
        return float(THIN_COIL_OHM * (part.value / THIN_COIL_H) ** THIN_COIL_POWER)
    factor = ELECTROLYTIC_FACTOR if part.value >= LEAST_ELECTROLYTIC_F else FILM_FACTOR
    return factor / (2 * math.pi * FACTOR_HZ * part.value)


def untold_losses_ohm(network: Network) -> dict[str, float]:
    """The most that is usual of each loss that a netlist does not tell, ohm, by its name: ``C2.loss``."""
    return {
        part.name + LOSS: most_usual_loss_ohm(part)
        for part in network.parts
        if part.kind != "resistor" and not part.loss_name
    }


def drawn_untold_losses(network: Network, draws: int, rng: np.random.Generator) -> dict[str, FloatArray]:
    """Losses at random that a netlist does not tell, evenly from none to the most usual; shape (draws,)."""
    return {name: most * rng.uniform(0, 1, draws) for name, most in untold_losses_ohm(network).items()}
