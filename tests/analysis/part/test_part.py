"""Takes of parts, from the recording to the words of the command."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invoked import one_line, run
from part_takes import PartBench, part_bench
from reference.renderings import one_bench
from reference.wild_parts import Part, farads, henries, in_series, ohms

from stillbox.analysis.part.part_report import against_band
from stillbox.capture.sweep.excitation import Excitation

LOAD_H = 1.6e-6
"""It takes some 30 mohm off the ESR of C2, which has 24 by itself."""
SWEEP = Excitation(sample_rate_hz=44_100, seconds=0.7, low_hz=10.0, high_hz=21_000.0, level_dbfs=-6.0, repeats=1,
                   silence_before_s=0.3, silence_after_s=0.5)  # fmt: skip

C1 = Part("C1", "capacitor", "PP", 1e-6, 5.0, 0.0, 0.983e-6, 0.006, 2e-8, ((2e-4, 1e3), (2e-4, 3e4)))
C2 = Part("C2", "capacitor", "PP", 6.8e-6, 5.0, 0.0, 7.05e-6, 0.018, 3e-8, ((2e-4, 1e3), (2e-4, 3e4)))
C3 = Part("C3", "capacitor", "PP", 6.8e-6, 5.0, 0.0, 7.12e-6, 0.02, 3e-8, ((2e-4, 1e3), (2e-4, 3e4)))
L1 = Part("L1", "coil", "air", 0.33e-3, 5.0, 0.25, 0.3402e-3, 0.244, 0.0, ((0.01, 4e4),), 9e5)
R1 = Part("R1", "resistor", "film", 10.0, 5.0, 0.0, 11.2, 0.0, 3e-8)
TRAP = in_series(ohms(0.3), henries(0.4e-3), farads(12e-6))


@pytest.fixture(scope="module")
def bench() -> PartBench:
    drawn = part_bench(3)
    return replace(drawn, load_h=LOAD_H, sweep=SWEEP)


@pytest.fixture(scope="module")
def build(bench: PartBench, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = bench.build(tmp_path_factory.mktemp("parts") / "build", [C1, C2, C3, L1, R1], shorts=2)
    bench.keep(folder, "part", TRAP.impedance, "T1")
    return folder.path


@pytest.fixture(scope="module", autouse=True)
def computed_once() -> Iterator[None]:
    """All commands share what was computed."""
    with one_bench():
        yield


def document(build: Path, *given: str) -> dict:
    status, out, said = run("part", build, *given, "--json")
    assert status == 0, said
    return json.loads(out)


def held(estimate: dict, true: float) -> bool:
    low, high = estimate["interval_95"]
    return bool(low <= true <= high)


@pytest.mark.parametrize("part", [C1, C2, L1, R1], ids=lambda part: part.name)
def test_value_and_loss_are_those_of_the_part(build: Path, part: Part) -> None:
    found = document(build, part.name)
    assert (found["name"], found["unit"], found["kind"]) == (part.name, "A", part.kind)
    assert found["value"]["value"] == pytest.approx(part.value, rel=5e-3)
    assert held(found["value"], part.value)
    if part.kind == "resistor":
        assert found["loss"] is None
        assert held(found["inductance"], part.lead_h)
        return
    loss_ohm = part.loss_ohm if part.kind == "coil" else part.series_ohm()
    assert held(found["loss"], loss_ohm)
    if part.name != "C1":
        assert found["loss"]["value"] == pytest.approx(loss_ohm, abs=0.010)
    assert held(found["loss_factor_1khz"], part.loss_factor())


def test_the_inductance_of_the_load_is_told_by_all_parts(build: Path, bench: PartBench) -> None:
    found = document(build, "C2")["load_inductance_over_resistance"]
    assert held(found, bench.load_h / bench.jig.load_ohm)
    assert found["interval_95"][0] > 1e-7  # no part has a negative loss


def test_one_part_alone_says_what_it_cannot_know(bench: PartBench, tmp_path: Path) -> None:
    part = replace(C2, loss_ohm=0.001)
    folder = bench.build(tmp_path / "build", [part], shorts=1)
    found = document(folder.path, "C2")
    assert part.series_ohm() < found["loss"]["at_most"] < 0.08
    out = run("part", folder.path, "C2")[1]
    assert "ESR at 1 kHz" in out and "at most" in out
    assert "sweep a small capacitor, a coil and a resistor, too" in out
    assert "discharge capacitors" in out


@pytest.mark.parametrize(
    ("name", "marked", "more", "verdict"),
    [
        ("C2", "6u8J", (), "within"),
        ("C2", "6.8 uF", ("--tolerance", "1"), "outside"),
        ("C2", "6.8u", ("--tolerance", "3.65"), "cannot be told"),
        ("R1", "10R0J", (), "outside"),
        ("L1", "0.33mH", ("--tolerance", "5"), "within"),
        ("L1", "330nF", ("--tolerance", "5"), "outside"),
        ("L1", "0.33mH", (), "cannot be told"),
    ],
)
def test_against_its_marking(build: Path, name: str, marked: str, more: tuple[str, ...], verdict: str) -> None:
    found = document(build, name, "--marked", marked, *more)
    assert (found["marked"], found["verdict"]) == (marked, verdict)


def test_a_trap_is_no_part(build: Path) -> None:
    found = document(build, "T1")
    assert found["kind"] == "none of these" and found["value"] is None
    at_hz = 1 / (2 * np.pi * np.sqrt(0.4e-3 * 12e-6))
    assert f"{at_hz:.1g}"[0] in found["reason"] and "changes sign" in found["reason"]
    assert "neither a capacitor nor a coil nor a resistor" in run("part", build, "T1")[1]


def test_all_parts_with_the_pair_that_matches(build: Path) -> None:
    found = document(build)
    assert [part["name"] for part in found["parts"]] == ["C1", "C2", "C3", "L1", "R1", "T1"]
    (pair,) = found["pairs"]
    assert (pair["first"], pair["second"]) == ("part/-/A/C2", "part/-/A/C3")
    true = 100 * (C3.value / C2.value - 1)
    assert pair["difference"]["value"] == pytest.approx(true, abs=0.02)  # the scale of the ohms cancels
    out = run("part", build)[1]
    assert "a pair: C2, unit A and C3, unit A" in out and "none of these" in out


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (("C9",), "has no take of a part C9"),
        (("--marked", "4u7"), "belong to one part"),
        (("C2", "--tolerance", "5"), "5 % of what"),
        (("C2", "--marked", "6u8J", "--tolerance", "10"), "says 10 %"),
        (("C2", "--marked", "soup"), "'soup'"),
    ],
)
def test_wrong_use_is_told(build: Path, given: tuple[str, ...], words: str) -> None:
    status, _, said = run("part", build, *given)
    assert status == 2
    assert words in one_line(said)


def test_an_interval_against_a_band() -> None:
    assert against_band((9.6, 10.4), 10.0, 5.0) == "within"
    assert against_band((10.6, 10.7), 10.0, 5.0) == "outside"
    assert against_band((10.4, 10.6), 10.0, 5.0) == "cannot be told"


def test_one_bad_clipping_of_the_short_spoils_no_part(bench: PartBench, tmp_path: Path) -> None:
    folder = bench.build(tmp_path / "build", [L1], shorts=3)
    bench.keep(folder, "short", lambda omega: np.full(omega.size, 0.03 + 0j))
    found = document(folder.path, "L1")
    assert found["loss"]["value"] == pytest.approx(L1.loss_ohm, abs=0.010)
    assert held(found["loss"], L1.loss_ohm)


def test_without_a_short_wires_and_clips_are_in_the_interval(bench: PartBench, tmp_path: Path) -> None:
    folder = bench.build(tmp_path / "build", [L1], shorts=0)
    found = document(folder.path, "L1")
    assert held(found["loss"], L1.loss_ohm)
    assert found["loss"]["std"] == pytest.approx(0.05, rel=0.1)
    assert "record --subject short" in run("part", folder.path, "L1")[1]


def test_a_resistor_that_gets_warm_is_seen(bench: PartBench, tmp_path: Path) -> None:
    folder = bench.build(tmp_path / "build", [], shorts=1)
    bench.keep_warming(folder, (6.8, 6.806, 6.811), "R1")
    bench.keep_warming(folder, (6.8, 6.8), "R2")
    drift = document(folder.path, "R1")["drift"]
    assert drift["value"] == pytest.approx(0.011, abs=0.001)
    assert drift["std"] < 0.001
    assert "it moves by +11" in run("part", folder.path, "R1")[1]
    assert abs(document(folder.path, "R2")["drift"]["value"]) < 0.001
    assert "it stays within" in run("part", folder.path, "R2")[1]
