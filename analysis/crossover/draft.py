"""A crossover while somebody writes it down: rows of words, and the network that they mean."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

from stillbox.analysis.drawing.schematic import Drawn
from stillbox.analysis.maths.number_words import short_number
from stillbox.analysis.network.netlist import network_from_text
from stillbox.analysis.network.network import GROUND, INPUT, Network
from stillbox.analysis.network.spice_number import spice_text
from stillbox.analysis.parts.kinds import LETTERS, Kind
from stillbox.analysis.parts.part_codes import read_marking, value_words
from stillbox.capture.errors import StillboxError

USUAL_VALUES: Mapping[Kind, str] = {"capacitor": "10 µF", "coil": "1 mH", "resistor": "10 Ω"}
"""Of a part that has just been added."""


@dataclass(frozen=True)
class DraftRow:
    """One part or driver in words.

    Attributes
    ----------
    name : str
        Of a part with the letter of its kind first, as in C2; of a driver as in the build.
    start, end : str
        Nodes by the names that people give them; of a driver the positive one first.
    value, loss, tolerance : str
        As people write them (6.8u, 0.35 mH, 4R7); empty where there is none.
    is_driver : bool
    """

    name: str
    start: str
    end: str
    value: str = ""
    loss: str = ""
    tolerance: str = ""
    is_driver: bool = False

    def with_field(self, field: str, text: str) -> DraftRow:
        """With other words in one of its fields."""
        values = {key: value for key, value in vars(self).items() if key != "is_driver"}
        return DraftRow(**{**values, field: text}, is_driver=self.is_driver)

    @property
    def kind(self) -> Kind | None:
        """None for a driver, and for a name that begins with no letter of a kind."""
        return None if self.is_driver else LETTERS.get(self.name[:1].upper())


@dataclass(frozen=True)
class Draft:
    """All rows in their order."""

    rows: tuple[DraftRow, ...] = ()

    def with_row(self, place: int, row: DraftRow) -> Draft:
        """The same with another row at a place."""
        return Draft((*self.rows[:place], row, *self.rows[place + 1 :]))

    def without(self, place: int) -> Draft:
        return Draft((*self.rows[:place], *self.rows[place + 1 :]))

    def with_new_part(self, kind: Kind) -> Draft:
        """With one more part, across the terminals until it is told where it sits; parts stand before drivers."""
        letter = next(letter for letter in LETTERS if LETTERS[letter] == kind)
        row = DraftRow(self._free(letter, first=1), INPUT, GROUND, USUAL_VALUES[kind])
        place = sum(not one.is_driver for one in self.rows)
        return Draft((*self.rows[:place], row, *self.rows[place:]))

    def with_new_driver(self, known: tuple[str, ...]) -> Draft:
        """With one more driver: one that the build knows, where it is not there yet."""
        there = {row.name for row in self.rows}
        name = next((one for one in known if one not in there), None) or self._free("driver", first=1)
        return Draft((*self.rows, DraftRow(name, INPUT, GROUND, is_driver=True)))

    def _free(self, stem: str, first: int) -> str:
        taken = {row.name.casefold() for row in self.rows}
        return next(name for number in range(first, 1000) if (name := f"{stem}{number}").casefold() not in taken)

    @property
    def nodes(self) -> tuple[str, ...]:
        """All that are named, the terminals first."""
        named = (node for row in self.rows for node in (row.start.strip(), row.end.strip()) if node)
        return tuple(dict.fromkeys((INPUT, GROUND, *named)))

    def drawn(self) -> list[Drawn]:
        """What there is to draw, right or not."""
        return [
            Drawn(row.name, row.kind, (_node(row.start), _node(row.end)), _lines(row))
            for row in self.rows
            if row.name and row.start.strip() and row.end.strip() and (row.is_driver or row.kind)
        ]


def _node(name: str) -> str:
    return name.strip().casefold()


def _lines(row: DraftRow) -> tuple[str, ...]:
    if row.kind is None:
        return ()
    shown = [with_sign(row.value, row.kind), with_sign(row.loss, "resistor") if row.loss else ""]
    return tuple(line for line in shown if line)


def with_sign(text: str, kind: Kind) -> str:
    """A value as the trade writes it, with the sign of the ohm; what is no value stays as it is."""
    try:
        return value_words(read_marking(text, kind).value, kind).replace("ohm", "Ω")
    except StillboxError:
        return text.strip()


def draft_of(network: Network, tolerance_percent: Mapping[str, float]) -> Draft:
    """A network in words; names of nodes are those of its netlist."""
    parts = (
        DraftRow(
            part.name,
            *part.nodes,
            value_words(part.value, part.kind).replace("ohm", "Ω"),
            f"{short_number(part.loss_ohm, 3)} Ω" if part.loss_ohm else "",
            f"{tolerance_percent[part.name]:g}" if part.name in tolerance_percent else "",
        )
        for part in network.parts
    )
    drivers = (DraftRow(place.name, *place.nodes, is_driver=True) for place in network.drivers)
    return Draft((*parts, *drivers))


def network_of_draft(draft: Draft, planned: Network | None = None) -> Network:
    """The network that a draft means; values that still read as in ``planned`` keep all their digits.

    Raises
    ------
    StillboxError
        With the part, the fault and the remedy.
    """
    if not draft.rows:
        raise StillboxError("there is no part and no driver yet", "add them below")
    lines, losses = [], []
    for row in draft.rows:
        nodes = f"{_word(row, row.start)} {_word(row, row.end)}"
        if row.is_driver:
            lines.append(f"X{_checked_name(row)} {nodes} {row.name}")
            continue
        name, kind = _checked_name(row), row.kind
        if kind is None:
            letters = ", ".join(f"{letter} for a {LETTERS[letter]}" for letter in LETTERS)
            raise StillboxError(f"'{name}' does not say what kind of part it is", f"begin its name with {letters}")
        value, loss = _exact(row, "value", row.value, kind), _exact(row, "loss", row.loss or "0", "resistor")
        if kind == "resistor" and loss:
            raise StillboxError(f"{name} is a resistor and has a loss", "leave the loss empty")
        if not loss:
            lines.append(f"{name} {nodes} {spice_text(value)}")
            continue
        first, second = nodes.split()
        between = f"{name}x{first}".lower()
        lines.append(f"{name} {first} {between} {spice_text(value)}")
        losses.append(f"R{name} {between} {second} {spice_text(loss)}")
    text = "\n".join(["* crossover", *lines, *losses, ".end", ""])
    network = network_from_text(text, "the table", by_line=False)
    return network if planned is None else _with_digits(network, planned)


def _checked_name(row: DraftRow) -> str:
    name = row.name.strip()
    if not re.fullmatch(r"[A-Za-z0-9_]{1,40}", name):
        raise StillboxError(f"'{name}' cannot name a part or a driver", "use letters, digits and _")
    return name


def _word(row: DraftRow, node: str) -> str:
    """A node as one word."""
    name = _node(node)
    if not name or re.search(r"[\s(),=;*+$\"']", name):
        raise StillboxError(f"'{node}' cannot name a place that {row.name} joins", "use letters, digits and _")
    return name


def _exact(row: DraftRow, what: str, text: str, kind: Kind) -> float:
    if what == "loss" and text.strip() in ("0", "0 Ω"):
        return 0.0
    try:
        return read_marking(text, kind).value
    except StillboxError as error:
        raise StillboxError(f"{what} of {row.name}: {error.fault}", error.remedy) from error


def _with_digits(network: Network, planned: Network) -> Network:
    """What reads as planned is what is planned: words have four digits, netlists may have more."""
    plans = {part.name.casefold(): part for part in planned.parts}
    parts = []
    for part in network.parts:
        plan = plans.get(part.name.casefold())
        if plan is not None and plan.kind == part.kind:
            if value_words(plan.value, plan.kind) == value_words(part.value, part.kind):
                part = replace(part, value=plan.value)
            if short_number(plan.loss_ohm, 3) == short_number(part.loss_ohm, 3):
                part = replace(part, loss_ohm=plan.loss_ohm)
        parts.append(part)
    return replace(network, parts=tuple(parts))


def tolerances_of_draft(draft: Draft, usual: Mapping[str, float]) -> dict[str, float]:
    """Tolerance of each part, percent; ``usual`` where none is written.

    Raises
    ------
    StillboxError
        If one is no number of percent.
    """
    found = dict(usual)
    for row in draft.rows:
        text = row.tolerance.strip().removesuffix("%").strip().replace(",", ".")
        if row.is_driver or not text:
            continue
        if not re.fullmatch(r"\d+(\.\d+)?", text) or not 0 < float(text) <= 50:
            raise StillboxError(f"'{row.tolerance}' is no tolerance of {row.name}", "give more than 0 up to 50 percent")
        found[row.name] = float(text)
    return found


