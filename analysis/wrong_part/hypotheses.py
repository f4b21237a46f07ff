"""What may be wrong in a network: every single fault, and how each is put into the same circuit.

All hypotheses share one circuit, so that all are solved at once: an open part has next to no admittance, a shorted one
next to no impedance, exchanged parts have each other's values and tolerances.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

from stillbox.analysis.network.network import GROUND, INPUT, Network
from stillbox.analysis.wrong_part.result import FAULT_KINDS, Fault, FaultKind

LEAST_DIFFERENCE = 1.1
"""Ratio of two values from which on an exchange is one."""


def possible_faults(network: Network) -> Iterator[Fault]:
    """Every single fault that a network can have; of those that no measurement could ever tell apart, one.

    A part across the speaker's terminals cannot be shorted there: nothing would be left to measure.
    """
    for part in network.parts:
        yield Fault("value", part.name)
        yield Fault("open", part.name)
        if set(part.nodes) != {INPUT, GROUND}:
            yield Fault("short", part.name)
        if part.kind != "resistor":
            yield Fault("loss", part.name)
    for one, other in combinations(network.parts, 2):
        larger, smaller = max(one.value, other.value), min(one.value, other.value)
        if one.kind == other.kind and larger / smaller > LEAST_DIFFERENCE:
            yield Fault("exchanged", one.name, other.name)
    for place in network.drivers:
        yield Fault("driver not connected", place.name)


@dataclass(frozen=True)
class Odds:
    """What is likely before anything is measured: every kind of fault as likely as another (no source)."""

    planned: float
    of_kind: Mapping[FaultKind, float]

    def of(self, fault: Fault | None) -> float:
        """Probability of one fault; None is a network as planned."""
        return self.planned if fault is None else self.of_kind[fault.kind]


PLANNED_BEFORE = 0.5
"""Who measures a finished speaker for its parts has a reason (no source)."""


def odds_before(faults: tuple[Fault, ...]) -> Odds:
    """The odds of a list of faults."""
    there = [kind for kind in FAULT_KINDS if any(fault.kind == kind for fault in faults)]
    return Odds(
        PLANNED_BEFORE,
        {kind: (1 - PLANNED_BEFORE) / len(there) / sum(fault.kind == kind for fault in faults) for kind in there},
    )
