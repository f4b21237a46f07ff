"""The cable to a speaker: resistance and inductance in series at its terminals."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass, replace

from stillbox.analysis.network.network import INPUT, Network, Part
from stillbox.analysis.parts.part_codes import read_marking, value_words
from stillbox.analysis.parts.wire_size import read_wire_size
from stillbox.analysis.physics.wire import wire_resistance_ohm
from stillbox.capture.errors import StillboxError

CABLE = "cable"
"""What it is called where something is tried: ``cable=3m,1.5mm2``."""
USUAL_H_PER_M = 0.6e-6
"""Of two wires side by side in their insulation; that of usual cable is 0.5 to 0.7 microhenry (common practice, no
source)."""
LONGEST_M, MOST_OHM = 1000.0, 100.0

_LENGTH = re.compile(r"(\d+(?:[.,]\d+)?) ?m(?:[,x; ]+)(\S.*)", re.IGNORECASE)


@dataclass(frozen=True)
class Cable:
    """Both wires of a cable.

    Attributes
    ----------
    resistance_ohm : float
        There and back, at 20 degrees C.
    inductance_h : float
        0 where only its resistance is told.
    words : str
    """

    resistance_ohm: float
    inductance_h: float
    words: str


def read_cable(text: str) -> Cable:
    """The cable that a text means: its resistance (``0.2``), or one-way length and size of the wire (``3m,1.5mm2``).

    Raises
    ------
    StillboxError
        If it is neither, or no cable that leads to a speaker.
    """
    found = _LENGTH.fullmatch(text.strip())
    if found is None:
        try:
            ohm = read_marking(text, "resistor").value
        except StillboxError as error:
            raise StillboxError(
                f"'{text}' is no cable",
                f"write its ohms ({CABLE}=0.2), or length and cross-section ({CABLE}=3m,1.5mm2)",
            ) from error
        cable = Cable(ohm, 0.0, value_words(ohm, "resistor"))
    else:
        length_m, size = float(found[1].replace(",", ".")), read_wire_size(found[2])
        if not 0 < length_m <= LONGEST_M:
            raise StillboxError(f"a cable cannot be {length_m:g} m long", f"give up to {LONGEST_M:g} m")
        ohm = wire_resistance_ohm(2 * length_m, size.section_m2)
        henry = USUAL_H_PER_M * length_m
        words = f"{length_m:g} m of {size.text}: {value_words(ohm, 'resistor')}, about {value_words(henry, 'coil')}"
        cable = Cable(ohm, henry, words)
    if cable.resistance_ohm > MOST_OHM:
        raise StillboxError(f"a cable cannot have {cable.resistance_ohm:g} ohm", f"give up to {MOST_OHM:g} ohm")
    return cable


def with_cable(network: Network, cable: Cable) -> Network:
    """The network behind a cable: what was at its positive terminal is at a node of its own.

    Raises
    ------
    StillboxError
        If a part of the network has the name that the cable gets.
    """
    nodes = {*network.inner_nodes, *(part.loss_node for part in network.parts)}
    stems = (f"{CABLE}{number or ''}" for number in itertools.count())
    speaker, between = itertools.islice((stem for stem in stems if stem not in nodes), 2)
    if cable.inductance_h:
        ends = (INPUT, speaker)
        part = Part("Lcable", "coil", ends, cable.inductance_h, cable.resistance_ohm, "RLcable", between)
    else:
        part = Part("Rcable", "resistor", (INPUT, speaker), cable.resistance_ohm)
    taken = {one.name.casefold() for one in network.parts}
    if part.name.casefold() in taken:
        raise StillboxError(f"the netlist has a part '{part.name}' already", f"change that, or leave {CABLE} out")

    def moved(node: str) -> str:
        return speaker if node == INPUT else node

    return replace(
        network,
        parts=(part, *(replace(one, nodes=(moved(one.nodes[0]), moved(one.nodes[1]))) for one in network.parts)),
        drivers=tuple(
            replace(place, positive=moved(place.positive), negative=moved(place.negative)) for place in network.drivers
        ),
    )
