"""Kinds of parts, their units, and what values they may have."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, get_args

Kind = Literal["capacitor", "coil", "resistor"]
KINDS: tuple[Kind, ...] = get_args(Kind)

LETTERS: Mapping[str, Kind] = {"C": "capacitor", "L": "coil", "R": "resistor"}
"""First letters of names in a netlist."""

UNITS: Mapping[Kind, str] = {"capacitor": "F", "coil": "H", "resistor": "ohm"}

REASONABLE: Mapping[Kind, tuple[float, float]] = {
    "capacitor": (1e-12, 20e-3),
    "coil": (1e-9, 0.2),
    "resistor": (1e-4, 10e6),
}
"""Least and largest value (F, H, ohm) that a part of a passive speaker or a wire in it may have: the largest coils
against a bass resonance and the largest electrolytic capacitors are well inside, a forgotten prefix is not."""
