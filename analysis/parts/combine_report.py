"""What `stillbox combine` tells: the combinations with what they are worth, and the nearest preferred values."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stillbox.analysis.maths.number_words import counted, short_number
from stillbox.analysis.maths.quantity import MINUS
from stillbox.analysis.maths.table import Table
from stillbox.analysis.parts.combine import MOST_PARTS, Combination, combinations
from stillbox.analysis.parts.drawer import Drawer, DrawerPart, read_drawer
from stillbox.analysis.parts.kinds import KINDS, REASONABLE, UNITS, Kind
from stillbox.analysis.parts.part_codes import read_marking, value_words
from stillbox.capture.errors import StillboxError
from stillbox.capture.jig.e_series import nearest_value

PREFERRED = ("E12", "E24")
"""Series of which the nearest value is told."""

SMALLEST_PERCENT = 0.001
"""Errors are told to this; no part is known better."""


@dataclass(frozen=True)
class CombineReport:
    """Combinations for a value.

    Attributes
    ----------
    target : float
        F, H or ohm.
    kind : str
    found : tuple of Combination
        The nearest first.
    simpler : tuple of Combination
        The nearest of fewer parts, where ``found`` has none of so many.
    notes : tuple of str
    """

    target: float
    kind: Kind
    found: tuple[Combination, ...]
    simpler: tuple[Combination, ...]
    notes: tuple[str, ...]

    @property
    def preferred(self) -> dict[str, float]:
        """Nearest value of each series in `PREFERRED`."""
        return {series: nearest_value(self.target, series) for series in PREFERRED}

    def said(self) -> Iterator[str | Table]:
        """Sentences and tables."""
        yield f"{value_words(self.target, self.kind)} out of {self.kind}s:"
        shown = (*self.found, *self.simpler)
        heads = [
            "value",
            "error",
            "worst",
            "likely",
            *(["price"] if self._priced(shown) else []),
            "+ series, || parallel",
        ]
        if any(part.name for one in shown for part in one.parts):
            heads.append("names")
        yield Table(tuple(heads), tuple(tuple(self._row(one, heads)) for one in shown))
        yield "worst: all parts at the same end of their tolerance; likely: 95 of 100 lie within; both re the value"
        near = (
            f"{series} {value_words(value, self.kind)} ({_percent(value / self.target - 1)})"
            for series, value in self.preferred.items()
        )
        yield f"nearest preferred values: {', '.join(near)}"

    def document(self) -> dict[str, Any]:
        """For other programs; SI units."""
        return {
            "target": self.target,
            "kind": self.kind,
            "unit": UNITS[self.kind],
            "combinations": [_document(one) for one in self.found],
            "simpler": [_document(one) for one in self.simpler],
            "preferred": [
                {"series": series, "value": value, "error_percent": 100 * (value / self.target - 1)}
                for series, value in self.preferred.items()
            ],
            "warnings": list(self.notes),
        }

    @staticmethod
    def _priced(shown: tuple[Combination, ...]) -> bool:
        return any(part.price is not None for one in shown for part in one.parts)

    def _row(self, one: Combination, heads: list[str]) -> Iterator[str]:
        yield value_words(one.value, self.kind)
        yield _percent(one.error)
        for percent in (one.worst_percent, one.likely_percent):
            yield "–" if percent is None else f"± {short_number(percent)} %"
        if "price" in heads:
            yield "–" if one.price is None else f"{one.price:.2f}"
        yield one.text()
        if "names" in heads:
            yield ", ".join(part.name or "–" for part in one.parts)


def combine_report(
    target: str, path: Path, kind: str | None = None, most_parts: int = MOST_PARTS, results: int = 10
) -> CombineReport:
    """Combinations of listed parts for a value as somebody writes it.

    Parameters
    ----------
    target : str
        ``12.7u``, ``0.33 mH``, ``4R7``.
    path : Path
        The list (`analysis.parts.drawer.read_drawer`).
    kind : str, optional
        capacitor, coil or resistor; left out, unit and list tell, or the prefix.
    most_parts, results : int
        See `analysis.parts.combine.combinations`.

    Raises
    ------
    StillboxError
        With the remedy.
    """
    if kind is not None and kind not in KINDS:
        raise StillboxError(f"there is no kind '{kind}'", f"write {', '.join(KINDS)}")
    told: Kind | None = next((one for one in KINDS if one == kind), None)
    wanted = read_marking(target, told)
    drawer = read_drawer(path)
    told = wanted.kind or _kind_of_list(drawer)
    of = told or _likely_kind(wanted.value)
    taken = f"the target is taken for that of a {of}, as nothing tells its kind: write its unit ({UNITS[of]})"
    notes = [] if told else [taken]
    value = read_marking(target, of).value
    least, most = REASONABLE[of]
    if not least <= value <= most:
        raise StillboxError(
            f"the target '{target}' is {value_words(value, of)}, which no {of} has", "write the prefix, as in 12.7u"
        )
    parts = drawer.parts(of)
    found = combinations(value, of, parts, most_parts, results)
    lengths = {len(one.parts) for one in found}
    fewer = [combinations(value, of, parts, most, 1)[0] for most in range(most_parts - 1, 0, -1)]
    simpler = [one for one in dict.fromkeys(fewer) if len(one.parts) not in lengths]
    notes += _doubts(of, parts, found)
    return CombineReport(
        value,
        of,
        tuple(found),
        tuple(simpler),
        tuple(notes),
    )


def _kind_of_list(drawer: Drawer) -> Kind | None:
    """The kind of all parts of a list, where it tells of one only."""
    kinds = drawer.kinds()
    return kinds.pop() if len(kinds) == 1 else None


def _likely_kind(value: float) -> Kind:
    """By its prefix: millionths are farads, thousandths henries, all else ohms."""
    return "capacitor" if value < 0.9e-3 else "coil" if value < 0.9 else "resistor"


def _doubts(kind: Kind, parts: list[DrawerPart], found: list[Combination]) -> Iterator[str]:
    if any(part.tolerance_percent is None for one in found for part in one.parts):
        yield "the tolerance of some parts is not told: theirs stay open (column tolerance_percent)"
    unlimited = sum(part.count is None for part in parts)
    if unlimited:
        yield f"of {counted(unlimited, 'line')} the list tells no count: taken as many as needed (column count)"
    if kind == "coil":
        yield "coils count as if none felt the other's field: set them apart, and at right angles"


def _document(one: Combination) -> dict[str, Any]:
    return {
        "value": one.value,
        "error_percent": 100 * one.error,
        "joined": one.text(),
        "parts": [
            {
                "name": part.name,
                "value": part.value,
                "tolerance_percent": part.tolerance_percent,
                "price": part.price,
            }
            for part in one.parts
        ],
        "tolerance_worst_percent": one.worst_percent,
        "tolerance_likely_percent": one.likely_percent,
        "price": one.price,
    }


def _percent(part: float) -> str:
    """+0.12 %, −3.4 %; what no part is good for is left out."""
    percent = 100 * part
    if abs(percent) < SMALLEST_PERCENT:
        return "0 %"
    return f"{'+' if percent > 0 else MINUS}{short_number(abs(percent), 2 if abs(percent) < 10 else 3)} %"
