"""One thing wrong in a crossover: what it can be, drawing one, and building it into a wild two-way.

Sizes: a value off by at least 20 % and 4 tolerances (by ratio), up to three times; a loss of 1 to 6 ohm more (cold
joint, dried out capacitor, coil of too thin wire). Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from reference.wild_crossover import Plan
from reference.wild_parts import Part
from reference.wild_two_ways import WildTwoWay

FAULTS = ("value", "open", "short", "loss", "exchanged", "driver not connected")

LEAST_OFF, TOLERANCES_OFF, MOST_OFF = 0.2, 4, 3.0
LOSS_OHM = (1.0, 6.0)
LEAST_DIFFERENCE = 1.2
"""Ratio of two parts whose exchange is a fault at all."""


@dataclass(frozen=True)
class Fault:
    """``part`` is a part, or a driver that is not connected; ``value``, ``loss_ohm`` are as built."""

    kind: str
    part: str
    other: str = ""
    value: float | None = None
    loss_ohm: float | None = None

    @property
    def parts(self) -> frozenset[str]:
        return frozenset({self.part, self.other} - {""})

    @property
    def words(self) -> str:
        return f"{self.kind} {self.part}{' with ' + self.other if self.other else ''}"


def possible_faults(plan: Plan) -> list[Fault]:
    """Every single one, without sizes."""
    found = []
    for part in plan.parts:
        kinds = ("value", "open", "short") + (("loss",) if part.kind != "resistor" else ())
        found += [Fault(kind, part.name) for kind in kinds]
    for one, other in combinations(plan.parts, 2):
        ratio = max(one.planned / other.planned, other.planned / one.planned)
        if one.kind == other.kind and ratio >= LEAST_DIFFERENCE:
            found.append(Fault("exchanged", one.name, other.name))
    return found + [Fault("driver not connected", name) for name in plan.drivers]


def least_ratio(part: Part) -> float:
    """The smallest ratio by which the value of a part is wrong."""
    return 1 + max(LEAST_OFF, TOLERANCES_OFF * part.tolerance_percent / 100)


def draw_fault(wild: WildTwoWay, rng: np.random.Generator, kind: str | None = None) -> Fault:
    """A fault; every kind is as likely as another, as far as the plan has it."""
    every = possible_faults(wild.plan)
    kinds = [name for name in FAULTS if any(fault.kind == name for fault in every)]
    kind = kind or str(rng.choice(kinds))
    fitting = [fault for fault in every if fault.kind == kind]
    fault = fitting[int(rng.integers(len(fitting)))]
    if kind == "value":
        part = wild.plan.part(fault.part)
        least = least_ratio(part)
        ratio = float(np.exp(rng.uniform(np.log(least), np.log(max(MOST_OFF, 1.5 * least)))))
        return replace(fault, value=part.planned * (ratio if rng.random() < 0.5 else 1 / ratio))
    if kind == "loss":
        return replace(fault, loss_ohm=wild.plan.part(fault.part).loss_ohm + float(rng.uniform(*LOSS_OHM)))
    return fault


def with_fault(wild: WildTwoWay, fault: Fault) -> WildTwoWay:
    """The same speaker with one thing wrong; what is planned of it stays."""
    plan = wild.plan
    if fault.kind in ("open", "driver not connected"):
        return replace(wild, opened=wild.opened | {fault.part})
    if fault.kind == "short":
        return replace(wild, shorted=wild.shorted | {fault.part})
    part = plan.part(fault.part)
    if fault.kind == "exchanged":
        other = plan.part(fault.other)
        return replace(wild, plan=plan.with_parts(at_place_of(other, part), at_place_of(part, other)))
    if fault.kind == "value":
        assert fault.value is not None
        return replace(wild, plan=plan.with_parts(replace(part, value=fault.value)))
    assert fault.kind == "loss" and fault.loss_ohm is not None
    return replace(wild, plan=plan.with_parts(replace(part, loss_ohm=fault.loss_ohm)))


def at_place_of(part: Part, other: Part) -> Part:
    """A part soldered in where another belongs: what is planned is the place's."""
    return replace(
        part,
        name=other.name,
        planned=other.planned,
        tolerance_percent=other.tolerance_percent,
        planned_loss_ohm=other.planned_loss_ohm,
    )
