"""Numbers as a person says them; pure text, nothing else is loaded."""

from __future__ import annotations

import math
from decimal import Decimal

_FRACTIONS = {2: "half", 3: "a third", 4: "a quarter", 5: "a fifth", 6: "a sixth", 7: "a seventh", 8: "an eighth",
              9: "a ninth", 10: "a tenth"}  # fmt: skip


def frequency_words(frequency_hz: float) -> str:
    """41.3 Hz, 412 Hz, 1.18 kHz."""
    return f"{frequency_hz / 1000:.3g} kHz" if frequency_hz >= 999.5 else f"{frequency_hz:.3g} Hz"


def ohm_words(value_ohm: float, digits: int = 3) -> str:
    """Engineering units: 3.2 mΩ, 7.41 Ω, 12.0 kΩ."""
    if abs(value_ohm) >= 1000:
        return f"{value_ohm / 1000:.3g} kΩ"
    if 0 < abs(value_ohm) < 0.1:
        return f"{1000 * value_ohm:.3g} mΩ"
    return f"{value_ohm:.{digits}g} Ω"


def ratio_words(ratio: float) -> str:
    """What a height has become, from its ratio to what it was: down to a fifth, up to twice, as it was."""
    if ratio >= 0.95:
        times = "twice" if round(ratio, 1) == 2 else f"{short_number(ratio)} times"
        return "as it was" if ratio < 1.05 else f"up to {times} of what it was"
    if ratio < 0.01:
        return "down to less than 1 %"
    nearest = min(_FRACTIONS, key=lambda parts: abs(math.log(parts * ratio)))
    if abs(math.log(nearest * ratio)) <= 0.12:
        return f"down to {_FRACTIONS[nearest]}"
    return f"down to {100 * ratio:.2g} %"


def short_number(number: float, digits: int = 2) -> str:
    """So many digits that count, and never with an exponent: 120, 0.0012."""
    return format(Decimal(f"{number:.{digits}g}"), "f")


def counted(number: int, noun: str) -> str:
    """1 resonance, 7 resonances."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def signed_db(level_db: float) -> str:
    """−0.9 dB, +1.2 dB; one digit behind the point."""
    return f"{level_db:+.1f} dB".replace("-", "\N{MINUS SIGN}")


def percent_text(part: float) -> str:
    """3 %, 0.12 %; less than any resistor or contact is good for is said so, without digits."""
    percent = 100 * part
    return "below 0.01 %" if percent < 0.01 else f"{percent:.3g} %" if percent >= 100 else f"{percent:.2g} %"
