"""The sign of each cause, the same in pictures, report and window: a shape, and a colour that only supports it."""

from __future__ import annotations

from dataclasses import dataclass

from stillbox.analysis.impedance.findings import Cause


@dataclass(frozen=True)
class CauseSign:
    """``marker`` is matplotlib's name of the shape, ``glyph`` the same shape as a character."""

    marker: str
    glyph: str
    colour: str


CAUSE_SIGNS: dict[Cause, CauseSign] = {
    "driver": CauseSign("o", "\N{BLACK CIRCLE}", "#322c6d"),
    "standing wave": CauseSign("D", "\N{BLACK DIAMOND}", "#1bb08b"),
    "port": CauseSign("^", "\N{BLACK UP-POINTING TRIANGLE}", "#ca8816"),
    "wall": CauseSign("s", "\N{BLACK SQUARE}", "#7a1f38"),
    "crossover": CauseSign("*", "\N{BLACK STAR}", "#6c4f0b"),
    "room": CauseSign("P", "\N{HEAVY GREEK CROSS}", "#a73cdd"),
    "undecided": CauseSign("X", "\N{HEAVY MULTIPLICATION X}", "#616d75"),
}
