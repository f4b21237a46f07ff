"""Pairs of two-ways of which the second has just been put together: is it told that, and what, is wrong.

Unit A is known: netlist as planned, tolerances, both drivers in free air, a take at its terminals. Of unit B there is
one take at its terminals alone (`reference.wild_checks`). For each seed good ones and faults in turn. A wrong part
counts where it is seen at all by the generator's own Fisher information (`reference.wild_fisher`): 5 nats over a
network as planned, drivers known to 2 %. The rival looks at the worst difference of the curves: more than 10 % is a
fault.
"""

from __future__ import annotations

import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from time import perf_counter

import numpy as np
from reference.wild_checks import FAULTS, WildCheck, fitting_faults, wild_check
from reference.wild_fisher import PLANNED, Information, Known
from reference.wild_two_ways import write_build
from table import Row, at_least, at_most

from stillbox.analysis.bench import Bench
from stillbox.analysis.checking.at_the_clips import at_the_clips
from stillbox.analysis.checking.check import check_of_take, set_against
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.kept_networks import keep_network
from stillbox.capture.sweep.excitation import Excitation, sweep_starts

FIRST, SPEAKERS, QUICK_SPEAKERS = 200, 40, 4
"""Seeds from the first on; the code was made with those below 100."""
GOOD, FAULTY = 5, 2
"""Of each speaker: so many good twins, and so many with a fault."""
KNOWN_SWEEP, SWEEP = Excitation(repeats=1), Excitation()
TAKES = (("channel-match", ""), ("load", ""), ("free-air", "woofer"), ("free-air", "tweeter"), ("in-box", ""))
NATS = 5.0
TWINS = Known(woofer=(0.02, 0.02, 0.02, 0.02, 0.02, 0.01), small=(0.02, 0.02, 0.02, 0.02, 0.02))
RIVAL_LIMIT = 0.1


@dataclass(frozen=True)
class Checked:
    """One second unit: what was wrong, and what was said."""

    seed: int
    fault: str
    words: str
    stop: bool
    counts: bool
    verdict: str
    first: str
    named: bool
    rival: bool
    clips_seconds: float
    seconds: float


def rows(quick: bool = False) -> list[Row]:
    """Rows of good and faulty ones."""
    speakers = QUICK_SPEAKERS if quick else SPEAKERS
    with ProcessPoolExecutor() as pool:
        checked = [one for some in pool.map(check, range(FIRST, FIRST + speakers)) for one in some]
    return rows_of(checked)


def rows_of(checked: list[Checked]) -> list[Row]:
    """The same of what was checked."""
    good = [one for one in checked if not one.fault]
    faulty = [one for one in checked if one.fault and one.counts]
    stops = [one for one in checked if one.stop]
    seen = 100 * float(np.mean([one.verdict != "good" for one in faulty]))
    rival_seen, rival_accused = (100 * float(np.mean([one.rival for one in some])) for some in (faulty, good))
    named = 100 * float(np.mean([one.named for one in faulty]))
    accused = 100 * float(np.mean([one.verdict != "good" for one in good]))
    clips_s, whole_s = (float(np.median([seconds(one) for one in checked])) for seconds in (_of_clips, _of_all))
    stopped = sum(one.verdict == "stop" for one in stops)
    found = [
        at_least(f"{len(stops)} that must stop: stopped", stopped, len(stops), "{:.0f}"),
        at_least(f"{len(faulty)} with one fault: not good, %", seen, 95.0, "{:.1f}", f"{rival_seen:.0f}"),
        at_least(f"{len(faulty)} with one fault: named first, %", named, 85.0, "{:.1f}"),
        at_most(f"{len(good)} good ones: not good, %", accused, 3.0, "{:.1f}", f"{rival_accused:.0f}"),
        at_most("contact and impedance after a sweep, median, s", clips_s, 0.3, "{:.2f}"),
        at_most("whole check after a sweep, median, s", whole_s, 1.2, "{:.2f}"),
    ]  # fmt: skip
    for fault in FAULTS:
        some = [one for one in faulty if one.fault == fault]
        if some:
            told = sum(one.named for one in some)
            found.append(at_least(f"{fault}: named first, of {len(some)}", told, round(0.6 * len(some)), "{:.0f}"))
    return found


def _of_clips(one: Checked) -> float:
    return one.clips_seconds


def _of_all(one: Checked) -> float:
    return one.seconds


def check(seed: int) -> list[Checked]:
    """All second units of a seed."""
    possible = fitting_faults(seed)
    number = FAULTY * (seed - FIRST)
    faults = [possible[(number + place) % len(possible)] for place in range(FAULTY)]
    return check_some(seed, [*[""] * GOOD, *faults])


def check_some(seed: int, faults: list[str]) -> list[Checked]:
    """A second unit for each of some faults; empty: none."""
    found = []
    with tempfile.TemporaryDirectory() as folder:
        build = _known(wild_check(seed), Path(folder) / "box")
        cases = [wild_check(seed, fault, number) for number, fault in enumerate(faults)]
        for number, case in enumerate(cases):
            build.add_take(
                case.samples(SWEEP), "PCM_24", subject="in-box", state="stock", unit=f"B{number}", excitation=SWEEP,
                sweep_starts=tuple(sweep_starts(SWEEP)), origin="computed", jig="high-side",
            )  # fmt: skip
        bench = Bench(build)
        for number, case in enumerate(cases):
            found.append(_checked(bench, case, f"B{number}"))
    return found


def _known(case: WildCheck, path: Path) -> BuildFolder:
    build = write_build(case.first, path, KNOWN_SWEEP, takes=TAKES)
    tolerances = ", ".join(f"{name} = {percent:g}" for name, percent in case.first.tolerances_percent().items())
    text = (path / "build.toml").read_text(encoding="utf-8")
    (path / "build.toml").write_text(f"{text}\n[crossover]\nparts = {{ {tolerances} }}\n", encoding="utf-8")
    keep_network(build, case.first.netlist())
    return build


def _checked(bench: Bench, case: WildCheck, unit: str) -> Checked:
    take, known = bench.in_box("stock", unit), bench.in_box("stock", "A")
    against = set_against(bench, take, "in-box/stock/A")
    begin = perf_counter()
    at_the_clips(bench, take, None)
    clips = perf_counter() - begin
    report = check_of_take(bench, take, against)
    seconds = perf_counter() - begin
    first = report.suspects[0] if report.suspects else None
    parts = frozenset() if case.part is None else case.part.parts
    named = first is not None and first.kind == case.fault and (not parts or bool(first.parts & parts))
    curves = [np.abs(bench.curve(one).impedance_ohm) for one in (take, known)]
    size = min(map(len, curves))
    rival = bool(np.max(np.abs(np.log(curves[0][:size] / curves[1][:size]))) > RIVAL_LIMIT)
    said = "" if first is None else f"{first.kind} {first.part or ''} {first.part_fault or ''} {first.probability:.2f}"
    words = case.fault if case.part is None else case.part.words
    stop, counts = case.is_stop, _counts(case)
    return Checked(case.seed, case.fault, words, stop, counts, report.verdict, said, named, rival, clips, seconds)


def _counts(case: WildCheck) -> bool:
    """Whether a wrong part is seen at all."""
    if case.part is None:
        return True
    about = Information(case.first, TWINS)
    curve = about.curve_of(case.second)
    bare = replace(case.part, value=None, loss_ohm=None)
    return about.cost(PLANNED, curve) - about.cost(bare, curve) >= NATS
