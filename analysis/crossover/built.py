"""From suspects to crossovers as they were built: what two takes are compared through, and how that is said."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from stillbox.analysis.as_built import BenchAsBuilt
from stillbox.analysis.bench import Bench
from stillbox.analysis.crossover.suspects import wrong_part_of
from stillbox.analysis.maths.number_words import short_number
from stillbox.analysis.network.changes import exchanged, with_values
from stillbox.analysis.network.network import LOSS, Network
from stillbox.analysis.parts.part_codes import value_words
from stillbox.analysis.through_crossover import BuiltCrossover, network_of_netlist
from stillbox.analysis.watched_build import told_apart
from stillbox.analysis.wrong_part.result import Suspect, WrongPart
from stillbox.analysis.wrong_part.suspect_words import fault_words
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo

BEYOND_DOUBT = 0.95
"""From this probability on a speaker is read through what is in it, and not through its plan."""
SAME = 3.0
"""Up to so many standard uncertainties apart two takes tell of one value."""


def as_built(bench: Bench, takes: Sequence[TakeInfo]) -> Bench:
    """The bench that reads takes of finished speakers through what is in them; itself where that is as planned.

    With a take its repeats are read so, those of its unit and state.
    """
    if isinstance(bench, BenchAsBuilt) or not any(_sure(bench, take) for take in takes):
        return bench
    places = {(take.unit, take.state) for take in takes if _sure(bench, take)}
    every = [one for one in bench.takes_of("in-box") if (one.unit, one.state) in places]
    found: dict[int, BuiltCrossover] = {}
    known: list[tuple[Suspect, Network, BuiltCrossover]] = []
    for take in every:
        suspect = _sure(bench, take)
        plan = _plan(bench, take)
        if suspect is None or plan is None:
            continue
        same = (one for other, network, one in known if network == plan and is_same(other, suspect))
        built = next(same, None) or _built(suspect, plan)
        if built is not None:
            known.append((suspect, plan, built))
            found[take.number] = built
    return BenchAsBuilt(bench, found) if found else bench


def crossover_told(bench: Bench, before: TakeInfo, after: TakeInfo) -> str:
    """What stands first where a part of one of two crossovers is not as planned; empty where all is.

    C1 seems to be 4.71 µF in stock and 6.87 µF in mended: the crossover was changed.
    """
    bench = bench.plan if isinstance(bench, BenchAsBuilt) else bench
    suspects = [_sure(bench, take) for take in (before, after)]
    first, second = suspects
    if first is None and second is None:
        return ""
    names, told = told_apart(before, after), [_wrong(bench, take) for take in (before, after)]
    if first is not None and second is not None and is_same(first, second):
        return f"{_words(bench, before, first)} in {names[0]} and {names[1]} alike"
    one = first or second
    assert one is not None
    numbers = [_number(wrong, one) for wrong in told]
    both_wrong = first is not None and second is not None
    if one.fault.kind in ("value", "loss") and None not in numbers and (not both_wrong or _alike(first, second)):
        verb = "seems to be" if one.fault.kind == "value" else "seems to have in series"
        where = " and ".join(f"{number} in {name}" for number, name in zip(numbers, names, strict=True))
        return f"{one.fault.part} {verb} {where}: the crossover was changed"
    said = [
        f"{_words(bench, take, suspect)} in {name}"
        for take, suspect, name in zip((before, after), suspects, names, strict=True)
        if suspect is not None
    ]
    right = [name for suspect, name in zip(suspects, names, strict=True) if suspect is None]
    return f"{', and '.join([*said, *(f'not in {name}' for name in right)])}: the crossover was changed"


def suspects_words(bench: Bench, takes: Sequence[TakeInfo]) -> Iterator[str]:
    """What is wrong in the crossovers of takes, each in a clause: C1 seems to be 4.71 µF instead of 6.8 µF in stock."""
    bench = bench.plan if isinstance(bench, BenchAsBuilt) else bench
    for take in takes:
        suspect = _sure(bench, take)
        if suspect is not None:
            yield f"{_words(bench, take, suspect)} in {take.state or take.address}"


def is_same(one: Suspect, other: Suspect) -> bool:
    """Whether two takes tell of one fault of one size."""
    if one.fault != other.fault:
        return False
    pairs = ((one.value, one.value_std, other.value, other.value_std),
             (one.loss_ohm, one.loss_std_ohm, other.loss_ohm, other.loss_std_ohm))  # fmt: skip
    return all(
        abs(value - another) <= SAME * math.hypot(std or 0.0, its_std or 0.0)
        for value, std, another, its_std in pairs
        if value is not None and another is not None
    )


def _words(bench: Bench, take: TakeInfo, suspect: Suspect) -> str:
    plan = _plan(bench, take)
    assert plan is not None
    return fault_words(suspect, plan)


def _alike(one: Suspect | None, other: Suspect | None) -> bool:
    return one is not None and other is not None and one.fault == other.fault


def _sure(bench: Bench, take: TakeInfo) -> Suspect | None:
    wrong = _wrong(bench, take)
    suspect = None if wrong is None else wrong.suspect
    return suspect if suspect is not None and suspect.probability > BEYOND_DOUBT else None


def _wrong(bench: Bench, take: TakeInfo) -> WrongPart | None:
    try:
        return wrong_part_of(bench, take)
    except StillboxError:  # the findings of that take say why
        return None


def _plan(bench: Bench, take: TakeInfo) -> Network | None:
    netlist = bench.network_of(take.number)
    return None if netlist is None else network_of_netlist(netlist)


def _built(suspect: Suspect, plan: Network) -> BuiltCrossover | None:
    """The plan with what is in the speaker; None where something is missing in it, as no value stands for that."""
    fault, words = suspect.fault, fault_words(suspect, plan)
    if fault.kind == "exchanged":
        return BuiltCrossover(exchanged(plan, fault.part, fault.other), (), words)
    value, std, name = suspect.value, suspect.value_std, fault.part
    if fault.kind == "loss":
        value, std, name = suspect.loss_ohm, suspect.loss_std_ohm, fault.part + LOSS
    if fault.kind not in ("value", "loss") or value is None or std is None:
        return None
    return BuiltCrossover(with_values(plan, {name: value}), ((name, std),), words)


def _number(wrong: WrongPart | None, suspect: Suspect) -> str | None:
    """What a curve tells of the part that is suspected in it or in another one."""
    if wrong is None:
        return None
    part = wrong.part(suspect.fault.part)
    if suspect.fault.kind == "loss":
        return f"{short_number(part.loss_ohm, 3)} ohm"
    return None if math.isnan(part.value) else value_words(float(f"{part.value:.3g}"), part.kind)
