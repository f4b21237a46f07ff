"""A network with other values, or with something wrong in it: for what a swap does, and for faults as hypotheses.

Names stay as they are: what carries no current any more (an open part, a driver that is not connected, what hung on
them) lies with both ends on the ground, so that its current, its voltage and its derivatives are 0.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import replace

from stillbox.analysis.network.cable import CABLE, read_cable, with_cable
from stillbox.analysis.network.connections import without_current
from stillbox.analysis.network.network import GROUND, INPUT, LOSS, DriverPlace, Network, Part
from stillbox.analysis.parts.kinds import REASONABLE
from stillbox.analysis.parts.part_codes import read_marking, value_words
from stillbox.capture.errors import StillboxError


def read_change(network: Network, text: str) -> tuple[str, float]:
    """Name and new value of what somebody wants to change: ``C2=6.8u``, ``L1.loss=0.2``; SI units.

    Raises
    ------
    StillboxError
        If there is no such part, or no such value.
    """
    name, sign, value = (word.strip() for word in text.partition("="))
    if not sign:
        raise StillboxError(f"'{text}' is no change of a part", f"write NAME=VALUE, as in C2=6.8u or L1{LOSS}=0.2")
    part, is_loss = _part_of(network, name)
    if is_loss and value == "0":
        return part.name + LOSS, 0.0
    return part.name + (LOSS if is_loss else ""), read_marking(value, "resistor" if is_loss else part.kind).value


def tried(network: Network, swaps: Sequence[str]) -> Network:
    """The network with all that somebody wants to try: ``C2=6.8u``, ``L1.loss=0.2``, ``cable=3m,1.5mm2``.

    Raises
    ------
    StillboxError
        If there is no such part, or no such value.
    """
    cables = [swap.partition("=")[2] for swap in swaps if swap.partition("=")[0].strip().casefold() == CABLE]
    if len(cables) > 1:
        raise StillboxError(f"{len(cables)} cables are tried at once", "give one of them")
    others = [swap for swap in swaps if swap.partition("=")[0].strip().casefold() != CABLE]
    network = with_values(network, dict(read_change(network, swap) for swap in others))
    return with_cable(network, read_cable(cables[0])) if cables else network


def with_values(network: Network, values: Mapping[str, float]) -> Network:
    """The network with other values, F, H, ohm, by the names of parts and losses (``L1.loss``; 0 takes it away).

    Raises
    ------
    StillboxError
        If there is no such part, or a value is out of reason.
    """
    for name, value in values.items():
        part, is_loss = _part_of(network, name)
        kind = "resistor" if is_loss else part.kind
        least, most = REASONABLE[kind]
        if not (least <= value <= most or (is_loss and value == 0)):
            limits = f"{value_words(least, kind)} to {value_words(most, kind)}"
            raise StillboxError(f"{name} cannot be {value:g} in its unit", f"give {limits}")
        new = _with_loss(network, part, value) if is_loss else replace(part, value=value)
        network = _replaced(network, {part.name: new})
    return network


def loss_can_be_added(network: Network, name: str) -> bool:
    """Whether the name that the loss of a part has in a netlist is free, or its own already."""
    part, taken = _part_of(network, name)[0], {other.name.casefold() for other in network.parts}
    return bool(part.loss_name) or _loss_name(part).casefold() not in taken


def opened(network: Network, name: str) -> Network:
    """The network with a part open, or with a driver not connected."""
    return _without_dead_ends(_moved(network, {_element(network, name).name: (GROUND, GROUND)}))


def shorted(network: Network, name: str) -> Network:
    """The network with a wire across a part or a driver.

    Raises
    ------
    StillboxError
        If it would short the terminals.
    """
    one, other = _element(network, name).nodes
    if {one, other} == {INPUT, GROUND}:
        raise StillboxError(
            f"a short of {name} shorts the speaker's terminals", "take it off before anything is driven"
        )
    kept, gone = (one, other) if other not in (INPUT, GROUND) else (other, one)
    moves = {
        element.name: (kept if element.nodes[0] == gone else element.nodes[0],
                       kept if element.nodes[1] == gone else element.nodes[1])
        for element in _elements(network)
    }  # fmt: skip
    return _without_dead_ends(_moved(network, moves))


def exchanged(network: Network, name: str, other: str) -> Network:
    """The network with two parts, each with its loss, in each other's place."""
    one, two = _element(network, name), _element(network, other)
    return _moved(network, {one.name: two.nodes, two.name: one.nodes})


def _elements(network: Network) -> tuple[Part | DriverPlace, ...]:
    return (*network.parts, *network.drivers)


def _element(network: Network, name: str) -> Part | DriverPlace:
    """Part or driver of that name."""
    for element in _elements(network):
        if element.name.casefold() == name.casefold():
            return element
    raise _no_part(network, name)


def _part_of(network: Network, name: str) -> tuple[Part, bool]:
    """The part that a value belongs to, and whether that is its loss."""
    bare = name.casefold().removesuffix(LOSS)
    is_loss = bare != name.casefold()
    for part in network.parts:
        if part.name.casefold() == bare and not (is_loss and part.kind == "resistor"):
            return part, is_loss
    raise _no_part(network, name)


def _no_part(network: Network, name: str) -> StillboxError:
    there = ", ".join(part.name for part in network.parts)
    return StillboxError(f"the network has no part '{name}'", f"its parts are {there}; a loss is named as in L1{LOSS}")


def _replaced(network: Network, parts: Mapping[str, Part]) -> Network:
    return replace(network, parts=tuple(parts.get(part.name, part) for part in network.parts))


def _moved(network: Network, nodes: Mapping[str, tuple[str, str]]) -> Network:
    """Parts and drivers between other nodes."""
    return replace(
        network,
        parts=tuple(replace(part, nodes=nodes.get(part.name, part.nodes)) for part in network.parts),
        drivers=tuple(
            replace(place, positive=ends[0], negative=ends[1])
            for place in network.drivers
            for ends in [nodes.get(place.name, place.nodes)]
        ),
    )


def _without_dead_ends(network: Network) -> Network:
    """The network with all that no current can pass on the ground."""
    elements = [element for element in _elements(network) if element.nodes[0] != element.nodes[1]]
    dead = without_current([element.nodes for element in elements])
    return _moved(network, {elements[place].name: (GROUND, GROUND) for place in dead})


def _with_loss(network: Network, part: Part, ohm: float) -> Part:
    """A part with another loss, which gets names that nobody else has where it is new."""
    if ohm == 0:
        return replace(part, loss_ohm=0.0, loss_name="", loss_node="", loss_first=False)
    if part.loss_name:
        return replace(part, loss_ohm=ohm)
    name = _loss_name(part)
    if not loss_can_be_added(network, part.name):
        raise StillboxError(
            f"the loss of {part.name} would be {name}, which is a part of its own", f"rename {name} in the netlist"
        )
    taken = {*network.inner_nodes, *(other.loss_node for other in network.parts)}
    stems = (f"{part.name.lower()}x{number or ''}" for number in itertools.count())
    return replace(part, loss_ohm=ohm, loss_name=name, loss_node=next(stem for stem in stems if stem not in taken))


def _loss_name(part: Part) -> str:
    return "R" + part.name
