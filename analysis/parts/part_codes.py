"""Values as they stand on parts and in lists: letter and digit codes, units with prefixes, tolerances; and in words.

IEC 60062 puts the letter of the multiplier where the point would be: 4R7 is 4.7 ohm, 4K7 is 4.7 kohm, 6n8 is 6.8 nF,
R47 is 0.47 ohm; a letter behind it is the tolerance. (4R7 and 4K7 as in the article on the RKM code; the letters of
multipliers and tolerances [M].)
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from stillbox.analysis.maths.number_words import short_number
from stillbox.analysis.parts.kinds import UNITS, Kind
from stillbox.capture.errors import StillboxError

TOLERANCE_PERCENT: Mapping[str, float] = {
    "E": 0.005, "L": 0.01, "P": 0.02, "W": 0.05, "B": 0.1, "C": 0.25, "D": 0.5, "F": 1.0, "G": 2.0, "H": 3.0, "J": 5.0,
    "K": 10.0, "M": 20.0, "N": 30.0,
}  # fmt: skip
"""Letters of symmetrical tolerances, percent (IEC 60062 [M])."""

LOPSIDED = {"Q": "-10/+30", "T": "-10/+50", "S": "-20/+50", "Z": "-20/+80"}
"""Letters of tolerances that reach further up than down, percent (IEC 60062 [M])."""

_SMALL = {"p": -12, "n": -9, "u": -6, "m": -3}
_MULTIPLIERS: Mapping[Kind, Mapping[str, int]] = {
    "capacitor": {**_SMALL, "F": 0},
    "coil": {**_SMALL, "H": 0},
    "resistor": {"L": -3, "R": 0, "K": 3, "M": 6, "G": 9, "T": 12},
}
"""Powers of ten of the letters that may stand for the point."""
_PREFIXES = {**_SMALL, "": 0, "k": 3, "K": 3, "M": 6, "G": 9}
_UNIT_NAMES: Mapping[str, Kind] = {"f": "capacitor", "h": "coil", "ohm": "resistor", "ohms": "resistor"}

_PERCENT = re.compile(r"\s*(?:±|\+/-|\+-)?\s*(\d+(?:[.,]\d+)?)\s*%$")
_CODE = re.compile(r"(?P<whole>\d*)(?P<letter>[A-Za-z])(?P<part>\d+)\s?(?P<tail>[A-Za-z]*)")
_PLAIN = re.compile(r"(?P<number>\d+\.?\d*|\.\d+)\s?(?P<tail>(?:[A-Za-z]+\s?)*)")
_EXPONENT = re.compile(r"(?P<number>(?:\d+\.?\d*|\.\d+)[eE][+-]?\d{1,2})\s?(?P<unit>[A-Za-z]*)")
_WITH_UNIT = re.compile(r"(?P<prefix>[pnumkg]?)(?P<unit>ohms?|f|h)(?P<tolerance>[A-Z]?)", re.IGNORECASE)
_THREE_DIGITS = re.compile(r"(\d\d)(\d)")
LONGEST = 40

_EXAMPLES = "write it as in 4.7u, 4u7, 0.33 mH or 4R7"


@dataclass(frozen=True)
class Marking:
    """What is written on a part.

    Attributes
    ----------
    value : float
        F, H or ohm; above 0.
    kind : str or None
        capacitor, coil or resistor, None where the marking does not tell.
    tolerance_percent : float or None
        None where none is told.
    """

    value: float
    kind: Kind | None
    tolerance_percent: float | None = None


def read_marking(text: str, kind: Kind | None = None) -> Marking:
    """What a marking means.

    Parameters
    ----------
    text : str
        A code of IEC 60062 (``4R7J``, ``6n8``, ``473K`` of a capacitor), or a number with prefix and unit or without
        (``12.7u``, ``0,33 mH``, ``4.7 kohm 5 %``). The letter mu may be written u.
    kind : str, optional
        What the part is, if that is known: it decides what letters mean.

    Raises
    ------
    StillboxError
        If it means nothing, more than one thing, or a part of another kind; with the remedy.
    """
    bare, tolerance = _without_percent(text.strip())
    try:
        found = _read(_plain_letters(bare), kind)
    except StillboxError as error:
        raise StillboxError(f"'{text}': {error.fault}", error.remedy) from error
    if kind is not None and found.kind not in (None, kind):
        raise StillboxError(f"'{text}' is the value of a {found.kind}, not of a {kind}", "correct the one or the other")
    if not 0 < found.value < math.inf:
        raise StillboxError(f"'{text}' is no value above 0", _EXAMPLES)
    if tolerance is not None and found.tolerance_percent is not None:
        raise StillboxError(f"'{text}' has two tolerances", "give one")
    told = found.tolerance_percent if tolerance is None else tolerance
    return Marking(found.value, found.kind or kind, told)


def value_words(value: float, kind: Kind) -> str:
    """A value as the trade writes it: 12.7 µF, 0.33 mH, 4.7 ohm."""
    scales = {
        "capacitor": ((1e-7, 1e-6, "µF"), (1e-9, 1e-9, "nF"), (0.0, 1e-12, "pF")),
        "coil": ((1e-4, 1e-3, "mH"), (1e-6, 1e-6, "µH"), (0.0, 1e-9, "nH")),
        "resistor": ((1e6, 1e6, "Mohm"), (1e3, 1e3, "kohm"), (0.1, 1.0, "ohm"), (0.0, 1e-3, "mohm")),
    }[kind]
    _, unit, name = next(scale for scale in scales if value >= scale[0] * (1 - 1e-9) or scale[0] == 0)
    return f"{short_number(value / unit, 4)} {name}"


def _plain_letters(text: str) -> str:
    """In letters of ASCII, decimals behind a point."""
    for letter, other in (("µ", "u"), ("μ", "u"), ("Ω", "ohm"), ("Ω", "ohm"), ("\N{NO-BREAK SPACE}", " ")):
        text = text.replace(letter, other)
    text = text.strip()
    return text.replace(",", ".") if text.count(",") == 1 and "." not in text else text


def _without_percent(text: str) -> tuple[str, float | None]:
    found = _PERCENT.search(text)
    return (text, None) if found is None else (text[: found.start()].strip(), float(found[1].replace(",", ".")))


def _read(text: str, kind: Kind | None) -> Marking:
    if len(text) <= LONGEST:
        if found := _EXPONENT.fullmatch(text):
            unit = found["unit"].lower()
            if unit in ("", *_UNIT_NAMES):
                return Marking(float(found["number"]), _UNIT_NAMES.get(unit))
        if found := _CODE.fullmatch(text):
            return _code(found, kind)
        if found := _PLAIN.fullmatch(text):
            return _plain(found["number"], found["tail"].replace(" ", ""), kind)
    raise StillboxError("no value of a part", _EXAMPLES)


def _code(found: re.Match[str], kind: Kind | None) -> Marking:
    """A letter in the place of the point."""
    power, told = _multiplier(found["letter"], kind)
    number = Decimal(f"{found['whole'] or '0'}.{found['part']}")
    value, tail = float(number.scaleb(power)), found["tail"]
    # Behind a code F is the tolerance, and H too but on coils, which the standard does not cover.
    letter = tail == "F" or (tail == "H" and (told or kind) not in (None, "coil"))
    if tail.lower() in _UNIT_NAMES and not letter:
        return Marking(value, _UNIT_NAMES[tail.lower()])
    return Marking(value, told, _tolerance(tail))


def _plain(number: str, tail: str, kind: Kind | None) -> Marking:
    """A number with a point or without, and what stands behind it."""
    if (with_unit := _WITH_UNIT.fullmatch(tail)) and not (len(tail) == 1 and kind == "resistor"):
        prefix, of = with_unit["prefix"], _UNIT_NAMES[with_unit["unit"].lower()]
        power = _power_before_unit(prefix, of)
        return Marking(float(Decimal(number).scaleb(power)), of, _tolerance(with_unit["tolerance"]))
    if kind == "capacitor" and number.isdigit() and (tail in TOLERANCE_PERCENT or not tail):
        return _three_digits(number, tail)
    if not tail:
        return Marking(float(number), None)
    if len(tail) == 1 and tail in TOLERANCE_PERCENT and not _is_multiplier(tail, kind):
        return Marking(float(number), None, _tolerance(tail))
    power, told = _multiplier(tail[0], kind)
    return Marking(float(Decimal(number).scaleb(power)), told, _tolerance(tail[1:]))


def _three_digits(number: str, letter: str) -> Marking:
    """473K on a capacitor: two digits and the number of noughts behind them, in picofarads [M]."""
    found = _THREE_DIGITS.fullmatch(number)
    if not number.strip("0"):
        return Marking(0.0, None)
    if found is None or not letter:
        as_code = f" or {number}K for {found[1]} and {found[2]} noughts in pF" if found else ""
        raise StillboxError("a capacitor's value without a prefix", f"write {number}u{as_code}")
    return Marking(float(Decimal(found[1]).scaleb(int(found[2]) - 12)), "capacitor", _tolerance(letter))


def _power_before_unit(prefix: str, kind: Kind) -> int:
    name = prefix.lower() if prefix.lower() in ("p", "n", "u") else prefix
    if name not in _PREFIXES or (kind != "resistor" and name in ("k", "K", "M", "G")):
        unit = UNITS[kind]
        raise StillboxError(f"'{prefix}{unit}' is no unit of a {kind}", f"write u{unit} for millionths, m{unit} for "
                            "thousandths" if kind != "resistor" else "write mohm, ohm, kohm or Mohm")  # fmt: skip
    return _PREFIXES[name]


def _is_multiplier(letter: str, kind: Kind | None) -> bool:
    kinds = _MULTIPLIERS if kind is None else (kind,)
    return any(letter in _MULTIPLIERS[one] for one in kinds)


def _multiplier(letter: str, kind: Kind | None) -> tuple[int, Kind | None]:
    """Power of ten of a letter in the place of the point, and the kind of part that it tells."""
    if letter == "m" and kind == "resistor":
        raise StillboxError("m may mean a thousandth or a million here", "write L for the one, M for the other")
    # What cannot be mistaken may be written large or small: 4k7, 6N8.
    name = letter.upper() if letter in "rkgt" else letter.lower() if letter in "PNU" else letter
    told: list[Kind] = [one for one in _MULTIPLIERS if name in _MULTIPLIERS[one] and kind in (None, one)]
    if not told:
        at = "here" if kind is None else f"on a {kind}"
        raise StillboxError(f"the letter {letter} means no multiplier {at}", _EXAMPLES)
    return _MULTIPLIERS[told[0]][name], told[0] if len(told) == 1 else None


def _tolerance(letter: str) -> float | None:
    """Percent that a letter stands for; None without letter."""
    if not letter:
        return None
    if letter in LOPSIDED:
        raise StillboxError(f"the letter {letter} is a tolerance of {LOPSIDED[letter]} %",
                            "leave it out, and give the larger side as a tolerance in percent")  # fmt: skip
    if letter not in TOLERANCE_PERCENT:
        raise StillboxError(f"'{letter}' is neither a unit nor a letter of a tolerance", _EXAMPLES)
    return TOLERANCE_PERCENT[letter]
