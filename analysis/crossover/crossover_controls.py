"""What may be changed in the reading of a crossover, beside its parts."""

from __future__ import annotations

from stillbox.analysis.controls import Number

USUAL_V = 2.83
"""What is called 1 W into 8 ohm."""

VOLTS = Number(
    "volts", "dri&ven by", "V", 0.01, 200.0, 1.0, USUAL_V, 2,
    "Rms voltage at the terminals, for the heat in the resistors.", "--volts",
)  # fmt: skip
