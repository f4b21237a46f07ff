"""A network as ways from the terminals to the drivers: what lies in series, what hangs across, what bypasses what.

A row runs through nodes from left to right, parts in series between them. What leads from a node to ground hangs across
there; ways that part at a node are rows of their own below. A network that is not made so (a bridge between two rows)
has no such form.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from stillbox.analysis.network.network import GROUND, INPUT

MOST_STEPS = 20_000
"""Of looking for the longest way; then the longest one found so far is taken."""

Ends = tuple[str, str]


@dataclass(frozen=True)
class Link:
    """Elements in a row from one node to another.

    Attributes
    ----------
    nodes : tuple of str
        First and last.
    elements : tuple of str
        Their names, in the order from the first node to the last.
    """

    nodes: Ends
    elements: tuple[str, ...]

    def begun_at(self, node: str) -> Link:
        """The same, read from that node on."""
        return self if node == self.nodes[0] else Link(self.nodes[::-1], self.elements[::-1])


@dataclass(frozen=True)
class Row:
    """Nodes from left to right.

    Attributes
    ----------
    nodes : tuple of str
        The first one is where it begins: the speaker's terminal, or a node of the row that it parts from.
    series : tuple of Link
        Between each two neighbours.
    bypasses : tuple of Link
        Between two nodes of this row, beside what is in series.
    """

    nodes: tuple[str, ...]
    series: tuple[Link, ...]
    bypasses: tuple[Link, ...] = ()


@dataclass(frozen=True)
class Ladder:
    """All rows from top to bottom, and what leads from each node to ground."""

    rows: tuple[Row, ...]
    across: dict[str, tuple[Link, ...]]


def ladder_of(elements: dict[str, Ends], drivers: Sequence[str]) -> Ladder | None:
    """The rows of a network; None where it is not made of such.

    Parameters
    ----------
    elements : dict
        Nodes of each part and driver, by name.
    drivers : sequence of str
        Which of them are drivers: they stand at the end of what leads to them.
    """
    links = list(_links(elements, drivers))
    across: dict[str, list[Link]] = defaultdict(list)
    between: list[Link] = []
    for link in links:
        if GROUND in link.nodes:
            start = link.nodes[0] if link.nodes[1] == GROUND else link.nodes[1]
            across[start].append(link.begun_at(start))
        else:
            between.append(link)
    rows = list(_rows(between))
    placed = {node: index for index, row in enumerate(rows) for node in row.nodes[1:] or row.nodes}
    used = {id(link) for row in rows for link in row.series}
    bypasses: dict[int, list[Link]] = defaultdict(list)
    for link in between:
        if id(link) in used:
            continue
        same = [index for index, row in enumerate(rows) if set(link.nodes) <= set(row.nodes)]
        if not same or link.nodes[0] == link.nodes[1]:
            return None
        order = rows[same[0]].nodes
        bypasses[same[0]].append(link.begun_at(min(link.nodes, key=order.index)))
    if not all(node in placed or node == INPUT for node in across):
        return None  # what is not joined to the terminals
    whole = tuple(
        Row(row.nodes, tuple(link.begun_at(node) for link, node in zip(row.series, row.nodes, strict=False)),
            tuple(bypasses[index]))
        for index, row in enumerate(rows)
    )  # fmt: skip
    return Ladder(whole, {node: tuple(links) for node, links in across.items()})


def _links(elements: dict[str, Ends], drivers: Sequence[str]) -> Iterator[Link]:
    """Elements in as few links as there can be; a driver begins one of its own."""
    times = Counter(node for ends in elements.values() for node in ends)
    hot = {_hot_node(elements, name) for name in drivers}
    # In the order of appearance: a set of names has another order in every process.
    joints = dict.fromkeys((INPUT, *(node for node, count in times.items() if count != 2 or node in hot), GROUND))
    touching: dict[str, list[str]] = defaultdict(list)
    for name, ends in elements.items():
        for node in ends:
            touching[node].append(name)
    left = dict(elements)
    for joint in joints:
        for first in touching[joint]:
            if first not in left:
                continue
            names, node = [first], _other_end(left.pop(first), joint)
            while node not in joints:
                names.append(next(more for more in touching[node] if more in left))
                node = _other_end(left.pop(names[-1]), node)
            yield Link((joint, node), tuple(names))


def _other_end(ends: Ends, node: str) -> str:
    return ends[1] if ends[0] == node else ends[0]


def _hot_node(elements: dict[str, Ends], driver: str) -> str:
    """The terminal of a driver that is nearer to the speaker's."""
    one, other = elements[driver]
    if GROUND in (one, other):
        return other if one == GROUND else one
    seen, front = {INPUT}, [INPUT]
    while front:
        for node in (one, other):
            if node in front:
                return node
        front = [
            end
            for name, ends in elements.items()
            if name != driver and set(ends) & set(front)
            for end in ends
            if end not in seen and end != GROUND
        ]
        seen |= set(front)
    return one


def _rows(between: list[Link]) -> Iterator[Row]:
    """From the terminal on, each way as far as it goes; ways that part later come first."""
    reached = {INPUT}

    def ways(node: str) -> Iterator[Row]:
        while path := _longest(node, between, reached):
            nodes, series = [node], []
            for link in path:
                series.append(link)
                nodes.append(link.nodes[1] if link.nodes[0] == nodes[-1] else link.nodes[0])
            reached.update(nodes)
            yield Row(tuple(nodes), tuple(series))
            for later in reversed(nodes[1:]):
                yield from ways(later)

    found = list(ways(INPUT))
    yield from found or [Row((INPUT,), ())]


def _longest(start: str, between: list[Link], reached: set[str]) -> list[Link]:
    """The longest way from a node through nodes that no row has."""
    free = {node for link in between for node in link.nodes} - reached
    best: list[Link] = []
    steps = 0

    def walk(node: str, path: list[Link], seen: set[str]) -> None:
        nonlocal best, steps
        steps += 1
        if len(path) > len(best):
            best = list(path)
        if steps > MOST_STEPS:
            return
        for link in between:
            if node not in link.nodes:
                continue
            end = link.nodes[1] if link.nodes[0] == node else link.nodes[0]
            if end in free and end not in seen:
                walk(end, [*path, link], {*seen, end})

    walk(start, [], {start})
    return best
