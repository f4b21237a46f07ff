"""Finished two-ways (`reference.wild_two_ways`) read through their crossover, its netlist known as planned or not.

Parts as built lie within tolerance of what the netlist says; wires, and losses that owners do not state, are not in it.
Where no netlist is given a crossover is fitted along, once with a take of the tweeter alone and once without. The rival
reads the same take as if the terminals were the woofer's own, and knows of no crossover.

- A height is compared where the take shows a resonance of 50 mohm or more and a third of the current goes through the
  woofer.
- A bump is miscalled where a finding of 50 mohm or more with the cause standing wave or wall has no resonance of the
  speaker near it (a third of its width, or 2 %).
- Where it is said that the woofer cannot be seen, nothing is compared but what bumps are called.
"""

from __future__ import annotations

import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from unittest.mock import patch

import numpy as np
from reference.wild_two_way_truth import TwoWayTruth
from reference.wild_two_ways import wild_two_way, write_build
from table import Row, at_least, at_most

from stillbox.analysis.bench import Bench
from stillbox.analysis.box.box_report import box_report
from stillbox.analysis.ringing.crossover_cause import Between
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.kept_networks import keep_network
from stillbox.capture.errors import StillboxError
from stillbox.capture.sweep.excitation import Excitation

SPEAKERS, QUICK_SPEAKERS = 40, 6
TAKES = (("channel-match", ""), ("load", ""), ("free-air", "woofer"), ("in-box", ""))
TWEETER = ("free-air", "tweeter")
OFTEN_CALLED = 0.5
"""Of the rival's bumps that are called what they are not, so many may be."""
LEAST_OHM, LEAST_SHARE = 0.05, 1 / 3


@dataclass
class Reading:
    """What one speaker was told to be; percent off, whether intervals hold, bumps called what they are not."""

    fb_percent: list[float] = field(default_factory=list)
    alpha_percent: list[float] = field(default_factory=list)
    held: list[bool] = field(default_factory=list)
    height_percent: list[float] = field(default_factory=list)
    miscalled: list[float] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    seen: list[bool] = field(default_factory=list)

    @property
    def unseen_share(self) -> float:
        return 1 - float(np.mean(self.seen))


def rows(quick: bool = False) -> list[Row]:
    """One row a bar of crossovers that are known, and that are not."""
    speakers = QUICK_SPEAKERS if quick else SPEAKERS
    with ProcessPoolExecutor() as pool:
        every = list(pool.map(read, range(speakers)))
    known, fitted, blind, rival = (_together([one[place] for one in every]) for place in range(4))
    what = f"{speakers} two-ways, netlist as planned"
    return [
        at_most(f"{what}: none that cannot be read", len(known.failed), 0, "{:.0f}", f"{len(rival.failed)}"),
        *_accuracy(what, known, rival, 1.0),
        at_most(
            f"{what}: bumps called standing wave or wall", len(known.miscalled), 0, "{:.0f}", f"{len(rival.miscalled)}"
        ),
        *_without(f"{speakers} two-ways, no netlist", fitted, rival),
        *_without(f"{speakers} two-ways, no netlist, tweeter never swept", blind, rival),
    ]


def _without(what: str, ours: Reading, rival: Reading) -> list[Row]:
    seldom = OFTEN_CALLED * len(rival.miscalled)
    return [
        at_most(f"{what}: cannot be told, and said, %", 100 * ours.unseen_share, 10.0, "{:.1f}", "-"),
        at_most(f"{what}: seen, but no box is read", len(ours.failed), 0, "{:.0f}", f"{len(rival.failed)}"),
        *_accuracy(what, ours, rival, 2.0),
        at_most(
            f"{what}: bumps called standing wave or wall", len(ours.miscalled), seldom, "{:.0f}",
            f"{len(rival.miscalled)}",
        ),
    ]  # fmt: skip


def _accuracy(what: str, ours: Reading, rival: Reading, most_fb_percent: float) -> list[Row]:
    return [
        at_most(
            f"{what}: fB, 95 % within, %", _most(ours.fb_percent), most_fb_percent, "{:.2f}",
            f"{_most(rival.fb_percent):.1f}",
        ),
        at_most(
            f"{what}: alpha, median, %", _median(ours.alpha_percent), 5.0, "{:.2f}",
            f"{_median(rival.alpha_percent):.1f}",
        ),
        at_least(
            f"{what}: intervals of alpha and fB hold, %", 100 * float(np.mean(ours.held)), 90.0, "{:.1f}",
            f"{100 * float(np.mean(rival.held)):.0f}",
        ),
        at_most(
            f"{what}: heights, median, %", _median(ours.height_percent), 10.0, "{:.2f}",
            f"{_median(rival.height_percent):.1f}",
        ),
    ]  # fmt: skip


def read(seed: int) -> tuple[Reading, Reading, Reading, Reading]:
    """One speaker: through its netlist, without it, without a take of the tweeter too, and as the rival does."""
    wild, truth = wild_two_way(seed), TwoWayTruth(wild_two_way(seed))
    with tempfile.TemporaryDirectory() as folder:
        path, excitation = Path(folder) / "box", Excitation()
        build = write_build(wild, path, excitation, takes=TAKES)
        blind = _reading(build, truth, seed)
        with (
            patch("stillbox.analysis.bench.unlike_alone", return_value=False),
            patch("stillbox.analysis.ringing.causes.between", return_value=Between()),
        ):
            rival = _reading(build, truth, seed, at_terminals=True)
        build = write_build(wild, path, excitation, takes=[TWEETER])
        fitted = _reading(build, truth, seed)
        tolerances = ", ".join(f"{name} = {percent:g}" for name, percent in wild.tolerances_percent().items())
        told = build.path / "build.toml"
        said = f"{told.read_text(encoding='utf-8')}\n[crossover]\nparts = {{ {tolerances} }}\n"
        told.write_text(said, encoding="utf-8")
        keep_network(build, wild.netlist())
        return _reading(build, truth, seed), fitted, blind, rival


def _reading(build: BuildFolder, truth: TwoWayTruth, seed: int, at_terminals: bool = False) -> Reading:
    bench, told = Bench(build), Reading()
    told.seen.append(bool(bench.seen(bench.in_box())[0]))
    if told.seen[0] or at_terminals:
        _compare_box(bench, truth, seed, told)
    poles = [(pole.hz, pole.q, pole.height_ohm) for pole in truth.poles]
    for finding in bench.findings().findings:
        found = finding.resonance
        if found.height_ohm < LEAST_OHM:
            continue
        hz, q, ohm = min(poles, key=lambda pole: abs(np.log(pole[0] / found.frequency_hz)))
        is_one = abs(found.frequency_hz / hz - 1) < max(0.02, 0.3 / q)
        share = float(truth.current_share(np.array([found.frequency_hz]))[0])
        is_compared = is_one and share > LEAST_SHARE and ohm >= LEAST_OHM and (told.seen[0] or at_terminals)
        if is_compared:
            told.height_percent.append(100 * abs(found.height_ohm / ohm - 1))
        if not is_one and finding.cause in ("standing wave", "wall"):
            told.miscalled.append(found.frequency_hz)
    return told


def _compare_box(bench: Bench, truth: TwoWayTruth, seed: int, told: Reading) -> None:
    try:
        fit = box_report(bench).fit
        pairs = [(fit.alpha, truth.box.alpha, told.alpha_percent)]
        if fit.fb_hz is not None and truth.box.fb_hz is not None:
            pairs.append((fit.fb_hz, truth.box.fb_hz, told.fb_percent))
        for found, true, percent in pairs:
            percent.append(100 * abs(found.value / true - 1))
            low, high = found.interval_95
            told.held.append(low < true < high)
    except StillboxError as error:
        told.failed.append(f"{seed}: {error}")


def _together(readings: list[Reading]) -> Reading:
    names = Reading.__dataclass_fields__
    return Reading(**{name: [item for one in readings for item in getattr(one, name)] for name in names})


def _median(percent: list[float]) -> float:
    return float(np.median(percent)) if percent else float("nan")


def _most(percent: list[float]) -> float:
    return float(np.percentile(percent, 95)) if percent else float("nan")
