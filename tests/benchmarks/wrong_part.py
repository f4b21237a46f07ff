"""Finished two-ways with one wrong part each, and good ones: which part is accused (`reference.wild_faults`).

Two speakers for each seed, of one plan: as built within tolerance, and with a fault. Known are the netlist as planned,
tolerances, and takes of both drivers in free air: what the box does to the woofer is not. A fault is right where the
part is named first. Where it is not, the generator's own Fisher information (`reference.wild_fisher`) decides: a fault
that it cannot tell by 5 nats from what was named (or from a network as planned, where nothing was) counts as right.
The rival accuses whatever fits best. Once more from the finished speaker alone, both drivers known by their kind.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from time import process_time

import numpy as np
from reference.wild_faults import Fault, draw_fault, with_fault
from reference.wild_fisher import FROM_THE_CURVE, MEASURED, Information, Known
from reference.wild_two_ways import WildTwoWay, wild_two_way, write_build
from table import Row, at_least, at_most

from stillbox.analysis.bench import Bench
from stillbox.analysis.crossover.suspects import measured_speaker
from stillbox.analysis.wrong_part.guessed_driver import guessed_driver
from stillbox.analysis.wrong_part.judging import wrong_part
from stillbox.analysis.wrong_part.result import WrongPart
from stillbox.capture.build.kept_networks import keep_network
from stillbox.capture.sweep.excitation import Excitation

FIRST, SPEAKERS, QUICK_SPEAKERS = 100, 40, 6
"""Seeds from the first on; the code was made with those below 20."""
SWEEP = Excitation(repeats=1)
TAKES = (("channel-match", ""), ("load", ""), ("free-air", "woofer"), ("free-air", "tweeter"), ("in-box", ""))
NATS = 5.0


@dataclass(frozen=True)
class Judged:
    """What was told of the two speakers of a seed.

    ``named`` the part is named first; ``right`` that, or nothing better could be told; ``value_off`` of a value fault
    that was named, relative; ``within`` whether its true value is within 2.5 standard deviations.
    """

    good_is_good: bool
    named: bool
    right: bool
    value_off: float | None
    within: bool | None
    seconds: float
    good_without_takes: bool
    right_without_takes: bool


def rows(quick: bool = False) -> list[Row]:
    """Rows of good and faulty networks."""
    speakers = QUICK_SPEAKERS if quick else SPEAKERS
    with ProcessPoolExecutor() as pool:
        judged = list(pool.map(judge, range(FIRST, FIRST + speakers)))
    what = f"{speakers} two-ways"
    off = np.array([one.value_off for one in judged if one.value_off is not None])
    accused = _percent(not one.good_is_good for one in judged)
    right, named = _percent(one.right for one in judged), _percent(one.named for one in judged)
    within = [one.within for one in judged if one.within is not None]
    found = [
        at_most(f"{what}, all parts within tolerance: accused, %", accused, 5.0, "{:.1f}", "100"),
        at_least(f"{what}, one fault each: right part first, or none could, %", right, 90.0, "{:.1f}"),
        at_least(f"{what}, one fault each: right part first, %", named, 80.0, "{:.1f}"),
        at_most(
            f"{what}, good, no take of a driver: accused, %",
            _percent(not one.good_without_takes for one in judged),
            10.0,
            "{:.1f}",
        ),
        at_least(
            f"{what}, one fault, no take of a driver: right, %",
            _percent(one.right_without_takes for one in judged),
            70.0,
            "{:.1f}",
        ),
        at_most(f"{what}: seconds of the processor, largest", max(one.seconds for one in judged), 1.0, "{:.2f}"),
    ]
    if off.size:
        found += [
            at_most(f"{off.size} wrong values: median off, %", 100 * float(np.median(off)), 10.0, "{:.2f}"),
            at_least(f"{off.size} wrong values: within 10 %, %", 100 * float(np.mean(off < 0.1)), 90.0, "{:.0f}"),
            at_least(f"{off.size} wrong values: within 2.5 std, %", 100 * float(np.mean(within)), 80.0, "{:.0f}"),
        ]
    return found


def judge(seed: int) -> Judged:
    """The two speakers of a seed, through jig and takes."""
    wild = wild_two_way(seed)
    fault = draw_fault(wild, np.random.default_rng([seed, 33]))
    faulty = with_fault(wild, fault)
    with tempfile.TemporaryDirectory() as folder:
        build = write_build(wild, Path(folder) / "box", SWEEP, takes=TAKES)
        write_build(faulty, build.path, SWEEP, seed=1, takes=(("in-box", ""),), state="faulty")
        tolerances = ", ".join(f"{name} = {percent:g}" for name, percent in wild.tolerances_percent().items())
        path = build.path / "build.toml"
        said = f"{path.read_text(encoding='utf-8')}\n[crossover]\nparts = {{ {tolerances} }}\n"
        path.write_text(said, encoding="utf-8")
        keep_network(build, wild.netlist())
        bench = Bench(build)
        found, alone = {}, {}
        seconds = 0.0
        for state in ("stock", "faulty"):
            given = measured_speaker(bench, bench.in_box(state, "A"))
            assert given is not None
            begin = process_time()
            found[state] = wrong_part(*given)
            seconds = max(seconds, process_time() - begin)
            network, tolerance, drivers, curve = given
            hz = curve.frequency_hz
            by_kind = [guessed_driver(one.name, network, hz, None, one.name == "woofer") for one in drivers]
            alone[state] = wrong_part(network, tolerance, by_kind, curve)
    named = _names(found["faulty"], fault)
    right = named or _could_not(wild, faulty, fault, found["faulty"])
    seen = _names(alone["faulty"], fault) or _could_not(wild, faulty, fault, alone["faulty"], FROM_THE_CURVE)
    off, within = _value(found["faulty"], fault) if named else (None, None)
    return Judged(
        found["stock"].suspect is None, named, right, off, within, seconds, alone["stock"].suspect is None, seen
    )


def _names(told: WrongPart, fault: Fault) -> bool:
    """Whether the part is named, in a fault of whatever kind; an exchange names two, and both must be the ones."""
    return told.suspect is not None and set(told.suspect.fault.parts) == fault.parts


def _percent(some: Iterable[bool]) -> float:
    return 100 * float(np.mean(list(some)))


def _could_not(wild: WildTwoWay, faulty: WildTwoWay, fault: Fault, told: WrongPart, known: Known = MEASURED) -> bool:
    """Whether the curve does not hold what would tell the fault from what was named."""
    verdict = Information(wild, known).judge(fault, faulty)
    if told.suspect is None:
        return verdict.over_planned < NATS
    ours = told.suspect.fault
    return any(other.kind == ours.kind and other.parts == set(ours.parts) for other in verdict.alike(NATS))


def _value(told: WrongPart, fault: Fault) -> tuple[float | None, bool | None]:
    suspect = told.suspect
    if suspect is None or fault.kind != "value" or suspect.fault.kind != "value" or suspect.value is None:
        return None, None
    assert fault.value is not None and suspect.value_std is not None
    return abs(suspect.value / fault.value - 1), abs(suspect.value - fault.value) < 2.5 * suspect.value_std
