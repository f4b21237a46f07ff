"""Which capacitors keep the bass away from a tweeter: without one of them an amplifier may burn it."""

from __future__ import annotations

from stillbox.analysis.network.network import GROUND, INPUT, Network


def guards(network: Network) -> frozenset[str]:
    """Names of the capacitors without which direct current would flow through a driver that has none now."""
    return frozenset(
        part.name
        for part in network.parts
        if part.kind == "capacitor" and fed(network, part.name) - fed(network)
    )


def fed(network: Network, bridged: str = "") -> frozenset[str]:
    """Drivers through which direct current flows, with one capacitor bridged."""
    joined = [part.nodes for part in network.parts if part.kind != "capacitor" or part.name == bridged]
    return frozenset(
        place.name
        for place in network.drivers
        if (_reaches(joined, place.positive, INPUT) and _reaches(joined, place.negative, GROUND))
        or (_reaches(joined, place.positive, GROUND) and _reaches(joined, place.negative, INPUT))
    )  # fmt: skip


def _reaches(joined: list[tuple[str, str]], node: str, wanted: str) -> bool:
    """Whether a way of parts leads from a node to another, not across the other terminal."""
    other = GROUND if wanted == INPUT else INPUT
    reached = {node}
    while True:
        more = {end for ends in joined if set(ends) & (reached - {other}) for end in ends}
        if more <= reached:
            return wanted in reached
        reached |= more
