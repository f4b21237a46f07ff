"""Sentences that say the same of several places are said once, with a list of the places."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

_UNITS = "kHz|Hz|mohm|ohm|mΩ|Ω|dBFS|dB|ms|s|mm|litres|V|W|K|%"
_PLACE = re.compile(rf"(?<![\w.])[+\-−]?\d+(?:\.\d+)?(?: (?:{_UNITS})(?![\w/]))?(?![\w/])|'[^']*'|\b[\w-]+(?:/[\w-]+)+")
"""What may differ: a number with its unit, a quoted name, the address of a take."""


def said_once(sentences: Iterable[str]) -> list[str]:
    """Sentences in their order; those that differ in numbers and names alone become one.

    Where one thing differs, it is listed in its place; where more do, they follow the first sentence.

    >>> said_once(["no panel rings at 90 Hz", "no panel rings at 120 Hz"])
    ['no panel rings at 90 and 120 Hz']
    >>> said_once(["90 Hz, 2 ohm, is of the room", "120 Hz, 3 ohm, is of the room"])
    ['90 Hz, 2 ohm, is of the room; likewise 120 Hz, 3 ohm']
    """
    alike: dict[str, list[str]] = {}
    for sentence in dict.fromkeys(sentences):
        alike.setdefault(_PLACE.sub("\0", sentence), []).append(sentence)
    return [_listed(group) for group in alike.values()]


def _listed(alike: Sequence[str]) -> str:
    first, *others = alike
    if not others:
        return first
    places = [_PLACE.findall(sentence) for sentence in alike]
    differ = [index for index, found in enumerate(zip(*places, strict=True)) if len(set(found)) > 1]
    if len(differ) > 1:
        rest = "; ".join(", ".join(found[index] for index in differ) for found in places[1:])
        return f"{first}; likewise {rest}"
    place = list(_PLACE.finditer(first))[differ[0]]
    return f"{first[: place.start()]}{_list([found[differ[0]] for found in places])}{first[place.end() :]}"


def _list(places: Sequence[str]) -> str:
    """A and B, the unit once where all have the same."""
    units = {place.partition(" ")[2] for place in places if not place.startswith("'")}
    if len(units) == 1 and "" not in units and not any(place.startswith("'") for place in places):
        (unit,) = units
        places = [*(place.partition(" ")[0] for place in places[:-1]), f"{places[-1].partition(' ')[0]} {unit}"]
    return f"{', '.join(places[:-1])} and {places[-1]}"
