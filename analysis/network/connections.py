"""Whether the elements of a network hang together: what floats, and what no current can pass."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from stillbox.analysis.network.network import GROUND, INPUT

Ends = tuple[str, str]
"""The nodes of an element."""


def loose_ends(elements: Sequence[Ends]) -> list[str]:
    """Nodes that one element alone touches, terminals aside."""
    touched = Counter(node for ends in elements for node in ends)
    return [node for node, times in touched.items() if times == 1 and node not in (INPUT, GROUND)]


def islands(elements: Sequence[Ends]) -> list[str]:
    """Nodes from which no way leads to a terminal."""
    groups = _groups(elements)
    ashore = {groups.get(INPUT), groups.get(GROUND)} - {None}
    return [node for node, group in groups.items() if group not in ashore]


def without_current(elements: Sequence[Ends]) -> list[int]:
    """Places of the elements that no current from `INPUT` to `GROUND` can pass, whatever their values.

    An element carries current where a way from terminal to terminal leads through it that touches no node twice,
    that is where no single node cuts it off from both terminals (the blocks of a graph; Tarjan, SIAM J. Comput. 1,
    146, 1972 [M]; a network is small, so that each node is simply taken out in turn).
    """
    dead: set[int] = set()
    for cut in {node for ends in elements for node in ends} | {INPUT, GROUND}:
        groups = _groups(tuple(node for node in ends if node != cut) for ends in elements)
        sources = {groups.get(node) for node in (INPUT, GROUND) if node != cut} - {None}
        for place, ends in enumerate(elements):
            rest = [node for node in ends if node != cut]
            if all(groups[node] not in sources for node in rest):
                dead.add(place)
    return sorted(dead)


def _groups(elements: Iterable[Sequence[str]]) -> dict[str, str]:
    """For each node one that stands for all it hangs together with."""
    parent: dict[str, str] = {}

    def top(node: str) -> str:
        parent.setdefault(node, node)
        while parent[node] != node:
            node = parent[node]
        return node

    for ends in elements:
        for node in ends:
            parent[top(node)] = top(ends[0])
    return {node: top(node) for node in tuple(parent)}
