"""What is told of a finished speaker where there is nothing to set it against but its plan."""

from __future__ import annotations

from dataclasses import dataclass

from stillbox.analysis.bench import Bench
from stillbox.analysis.checking.result import CheckSuspect, Item
from stillbox.analysis.crossover.known_crossover import planned_network
from stillbox.analysis.crossover.suspects import wrong_part_of
from stillbox.analysis.network.network import Network
from stillbox.analysis.wrong_part.suspect_words import fault_words
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo


@dataclass(frozen=True)
class OfThePlan:
    """Items and suspects by the netlist alone, and why there are none."""

    items: tuple[Item, ...] = ()
    suspects: tuple[CheckSuspect, ...] = ()
    doubts: tuple[str, ...] = ()
    network: Network | None = None


def of_the_plan(bench: Bench, take: TakeInfo) -> OfThePlan:
    """What the netlist and takes of the drivers alone tell."""
    try:
        wrong = wrong_part_of(bench, take)
        planned = None if wrong is None else planned_network(bench, take)[1]
    except StillboxError as error:
        return OfThePlan(doubts=(str(error),))
    if wrong is None or planned is None:
        return OfThePlan()
    source = "the netlist, tolerances of its parts, and the drivers as they were swept alone: the misfit that is left"
    found = [one for one in (wrong.suspect, *wrong.alternatives) if one is not None]
    bad = wrong.suspect is not None or not wrong.explained
    remedy = "; ".join(wrong.suspect.look_at) if wrong.suspect is not None else wrong.sentence if bad else ""
    off = wrong.planned_misfit_percent
    item = Item("crossover", "look" if bad else "good", off, None, None, None, "%", source, remedy)
    if wrong.suspect is None:
        return OfThePlan((item,))
    suspects = []
    for one in found:
        wrong_one = one.fault
        open_driver = wrong_one.kind == "driver not connected"
        value = one.loss_ohm if wrong_one.kind == "loss" else one.value
        also = (f"exchanged with {one.fault.other}",) if one.fault.other else ()
        suspects.append(
            CheckSuspect(
                "driver not connected" if open_driver else "wrong part", one.fault.part,
                None if open_driver else one.fault.kind, value, one.probability, (*one.evidence, *also),
                fault_words(one, planned), "; ".join(one.look_at), one.fault.other,
            )
        )  # fmt: skip
    return OfThePlan((item,), tuple(suspects), network=wrong.as_measured)
