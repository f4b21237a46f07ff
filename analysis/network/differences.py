"""What differs between two networks: values, losses, places, polarities, parts that came or went."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import linear_sum_assignment

from stillbox.analysis.maths.number_words import short_number
from stillbox.analysis.network.network import GROUND, INPUT, DriverPlace, Network, Part
from stillbox.analysis.parts.part_codes import value_words

What = Literal["value", "loss", "place", "polarity", "added", "removed"]
LEAST = 1e-9
"""Values that differ by less are the same number, written in two ways."""


@dataclass(frozen=True)
class Difference:
    """One thing that differs.

    Attributes
    ----------
    name : str
        Of the part or driver.
    what : str
    words : str
        ``C2 6.8 → 8.2 µF``.
    before, after : float or None
        Values or losses, F, H or ohm; None where it is about something else.
    """

    name: str
    what: What
    words: str
    before: float | None = None
    after: float | None = None


def network_differences(before: Network, after: Network) -> tuple[Difference, ...]:
    """All that differs; names of nodes mean nothing, so that one network drawn with other names is the same.

    Nodes are those that join the most parts in common.
    """
    first, second = _elements(before), _elements(after)
    nodes = _same_nodes(first, second)
    found: list[Difference] = []
    for key, element in first.items():
        if key not in second:
            found.append(Difference(element.name, "removed", f"{element.name} removed"))
            continue
        found += _of_one(element, second[key], nodes)
    for key, element in second.items():
        if key not in first:
            words = f"{element.name} added"
            if isinstance(element, Part):
                words = f"{element.name} ({value_words(element.value, element.kind)}) added"
            found.append(Difference(element.name, "added", words))
    return tuple(found)


def _elements(network: Network) -> dict[str, Part | DriverPlace]:
    elements: tuple[Part | DriverPlace, ...] = (*network.parts, *network.drivers)
    return {element.name.casefold(): element for element in elements}


def _same_nodes(first: Mapping[str, Part | DriverPlace], second: Mapping[str, Part | DriverPlace]) -> dict[str, str]:
    """For each node of the one network the node of the other that it is."""
    touched, others = _touching(first), _touching(second)
    names, other_names = ([node for node in one if node not in (INPUT, GROUND)] for one in (touched, others))
    common = np.array([[len(touched[one] & others[two]) for two in other_names] for one in names], dtype=float)
    pairs = {INPUT: INPUT, GROUND: GROUND}
    if common.size:
        # Of equal ones that of the same name, as nobody renames a node for nothing.
        common += 0.5 * np.array([[one == two for two in other_names] for one in names])
        rows, columns = linear_sum_assignment(common, maximize=True)
        pairs.update({names[row]: other_names[column] for row, column in zip(rows, columns, strict=True)})
    return pairs


def _touching(elements: Mapping[str, Part | DriverPlace]) -> dict[str, set[str]]:
    touching: dict[str, set[str]] = defaultdict(set)
    for key, element in elements.items():
        for node in element.nodes:
            touching[node].add(key)
    return touching


def _of_one(before: Part | DriverPlace, after: Part | DriverPlace, nodes: Mapping[str, str]) -> Iterator[Difference]:
    name = after.name
    ends = tuple(nodes.get(node, "") for node in before.nodes)
    if isinstance(before, DriverPlace) and ends == after.nodes[::-1] and ends != after.nodes:
        yield Difference(name, "polarity", f"{name} has the other polarity")
    elif set(ends) != set(after.nodes):
        one, other = after.nodes
        yield Difference(name, "place", f"{name} sits elsewhere: between {one} and {other}")
    if not (isinstance(before, Part) and isinstance(after, Part)):
        return
    if before.kind == after.kind and abs(after.value / before.value - 1) > LEAST:
        values = value_words(before.value, before.kind), value_words(after.value, after.kind)
        yield Difference(name, "value", f"{name} {_arrow(*values)}", before.value, after.value)
    if abs(after.loss_ohm - before.loss_ohm) > LEAST * (before.loss_ohm + after.loss_ohm):
        losses = (f"{short_number(loss, 3)} ohm" if loss else "none" for loss in (before.loss_ohm, after.loss_ohm))
        yield Difference(name, "loss", f"{name}'s loss {_arrow(*losses)}", before.loss_ohm, after.loss_ohm)


def _arrow(before: str, after: str) -> str:
    """From the one to the other, a unit that both have said once."""
    number, _, unit = before.rpartition(" ")
    arrow = "\N{RIGHTWARDS ARROW}"
    return f"{number} {arrow} {after}" if number and after.endswith(f" {unit}") else f"{before} {arrow} {after}"
