"""Numbers as SPICE writes them: ``4.7u``, ``1meg``, ``0.33mH``."""

from __future__ import annotations

import re
from decimal import Decimal

from stillbox.capture.errors import StillboxError

POWERS = {"t": 12, "g": 9, "meg": 6, "k": 3, "m": -3, "u": -6, "n": -9, "p": -12, "f": -15}
"""Scale factors of SPICE as powers of ten; capitals mean the same, so that M is a thousandth."""

_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d{1,3})?)([a-zω]*)", re.IGNORECASE)
_INSIDE = re.compile(r"(\d+)(meg|[tgkmunpfr])(\d+)[a-zω]*", re.IGNORECASE)
LONGEST = 40
"""Letters of a number; a longer one is none."""


def is_spice_number(text: str) -> bool:
    """Whether a word of a netlist is a number."""
    return len(text) <= LONGEST and _NUMBER.fullmatch(_latin(text)) is not None


def spice_number(text: str) -> float:
    """The number that a word of a netlist means, in units without prefix.

    Parameters
    ----------
    text : str
        A number with an optional scale factor (`POWERS`, capitals or not) and letters of a unit, which say nothing.
        The Greek letter mu stands for u.

    Raises
    ------
    StillboxError
        If it is no such number, with how to write it where that can be told.
    """
    latin = _latin(text)
    found = _NUMBER.fullmatch(latin) if len(text) <= LONGEST else None
    if found is None:
        raise StillboxError(f"'{text}' is not a number", _remedy(latin))
    letters = found[2].lower()
    if letters.startswith("mil"):
        raise StillboxError(f"'{text}' ends in mil, which SPICE takes for 25.4e-6", "write m for a thousandth")
    factor = next((name for name in sorted(POWERS, key=len, reverse=True) if letters.startswith(name)), "")
    # By way of decimals, so that 4.7u is the nearest number to 4.7e-6 and what is written can be read back unchanged.
    return float(Decimal(found[1]).scaleb(POWERS.get(factor, 0)))


def spice_text(number: float) -> str:
    """A number as SPICE and people read it, to its last digit: 4.7e-6 becomes ``4.7u``."""
    exact = Decimal(repr(float(number)))
    if exact == 0:
        return "0"
    power = 3 * (exact.adjusted() // 3)
    names = {power: name for name, power in POWERS.items() if name != "f"} | {0: ""}
    if power not in names:
        return repr(float(number))
    return f"{exact.scaleb(-power).normalize():f}{names[power]}"


def _latin(text: str) -> str:
    return text.replace("\N{MICRO SIGN}", "u").replace("\N{GREEK SMALL LETTER MU}", "u").replace("\N{OHM SIGN}", "ω")


def _remedy(text: str) -> str:
    """How what seems to be meant is written."""
    inside = _INSIDE.fullmatch(text)
    if inside is not None:
        factor = "" if inside[2].lower() == "r" else inside[2]
        return f"write {inside[1]}.{inside[3]}{factor}: in a netlist the prefix stands behind the number"
    if is_spice_number(text.replace(",", ".", 1)):
        return f"write it with a point: {text.replace(',', '.', 1)}"
    return "write one such as 4.7u (u, n, p, m, k, meg), without a space between number and prefix"
