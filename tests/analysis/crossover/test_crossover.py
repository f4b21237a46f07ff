"""What a crossover gives its drivers and what a swap does, against a two-way whose truth others have written."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from invoked import one_line, run
from reference.wild_faults import Fault, with_fault
from reference.wild_two_way_truth import TwoWayTruth
from reference.wild_two_ways import WildTwoWay, wild_two_way, write_build

from stillbox.capture.sweep.excitation import Excitation

SWEEP = Excitation(repeats=1)
TAKES = (("channel-match", ""), ("load", ""), ("free-air", "woofer"), ("free-air", "tweeter"), ("in-box", ""))


@pytest.fixture(scope="module")
def speaker() -> WildTwoWay:
    return wild_two_way(12)  # capacitors of foil: no loss of theirs is missing in the netlist


@pytest.fixture(scope="module")
def build(speaker: WildTwoWay, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("two") / "box"
    write_build(speaker, path, SWEEP, takes=TAKES)
    tolerances = ", ".join(f"{name} = {percent:g}" for name, percent in speaker.tolerances_percent().items())
    text = (path / "build.toml").read_text(encoding="utf-8")
    (path / "build.toml").write_text(f"{text}\n[crossover]\nparts = {{ {tolerances} }}\n", encoding="utf-8")
    status, said, _ = run("crossover", path, "--netlist", path.with_suffix(".cir"))
    assert status == 0 and "kept for all takes: 6 parts, woofer, tweeter" in said
    return path


@pytest.fixture(scope="module")
def document(build: Path) -> dict:
    status, said, _ = run("crossover", build, "--swap", "C1=6.8u", "--swap", "R1=2.2", "--json")
    assert status == 0
    return dict(json.loads(said))


def test_levels_at_the_drivers_are_those_of_the_circuit(speaker: WildTwoWay, document: dict) -> None:
    """The parts as built lie within their tolerances: so do the levels, and most of them within the bands."""
    truth, inside = TwoWayTruth(speaker), []
    for name in ("woofer", "tweeter"):
        found = {key: np.array(values) for key, values in document["drivers"][name].items()}
        hz = found["frequency_hz"]
        true_db = 20 * np.log10(np.abs(truth.transfer(name, hz)))
        heard = (true_db > -20) & (hz < 15_000)
        assert np.max(np.abs(found["level_db"] - true_db)[heard]) < 3
        assert np.median(np.abs(found["level_db"] - true_db)[heard]) < 0.7  # a capacitor of 10 % makes 0.8
        inside += list(((found["band_low_db"] < true_db + 0.2) & (true_db - 0.2 < found["band_high_db"]))[heard])
    assert np.mean(inside) > 0.9


def test_lowest_impedance_is_that_of_the_terminals(speaker: WildTwoWay, document: dict) -> None:
    ohm, hz = TwoWayTruth(speaker).lowest()
    assert document["lowest_ohm"] == pytest.approx(ohm, rel=0.01)
    assert document["lowest_hz"] == pytest.approx(hz, rel=0.03)
    # What was not measured is not told as if it were.
    assert max(document["input"]["frequency_hz"]) < 20_000 < max(document["drivers"]["woofer"]["frequency_hz"]) + 1


def test_a_swap_does_what_it_does_in_the_circuit(speaker: WildTwoWay, document: dict) -> None:
    """There the parts are those built, changed by as much."""
    built = TwoWayTruth(speaker).parts
    swapped = speaker
    for name, value, planned in (("C1", 6.8e-6, 12e-6), ("R1", 2.2, 0.68)):
        fault = Fault("value", name, value=built[name].value * value / planned, loss_ohm=built[name].loss_ohm)
        swapped = with_fault(swapped, fault)
    before, after = TwoWayTruth(speaker), TwoWayTruth(swapped)
    for name in ("woofer", "tweeter"):
        hz = np.array(document["drivers"][name]["frequency_hz"])
        levels_db = [20 * np.log10(np.abs(truth.transfer(name, hz))) for truth in (before, after)]
        heard = (levels_db[0] > -20) & (hz < 15_000)
        error_db = np.array(document["change"]["difference_db"][name]) - (levels_db[1] - levels_db[0])
        assert np.max(np.abs(levels_db[1] - levels_db[0])[heard]) > 1
        assert np.median(np.abs(error_db)[heard]) < 0.1 and np.max(np.abs(error_db)[heard]) < 1.5
    assert document["change"]["resistor_watts"]["R1"] > document["resistor_watts"]["R1"]


def test_what_is_said(build: Path) -> None:
    status, said, _ = run("crossover", build)
    assert status == 0
    assert "C1    capacitor  12 µF" in said and "lowest impedance at the terminals" in said and "caution" not in said
    status, said, _ = run("crossover", build, "--swap", "C2=12.05u")
    assert status == 0
    assert "no difference that anybody has been shown to hear" in said and "caution: capacitors may be charged" in said


@pytest.mark.parametrize(
    ("options", "what"),
    [
        (("--swap", "R9=5"), "the network has no part 'R9'; its parts are L1, C1, L2, C2, R1, R2"),
        (("--swap", "C1"), "'C1' is no change of a part; write NAME=VALUE"),
        (("--state", "lined"), "no in-box take of state lined"),
        (("--volts", "nan"), "--volts"),
        (("--netlist", "any.cir", "--swap", "C1=5u"), "--netlist keeps a netlist and does nothing else"),
        (("--netlist", "nowhere.cir"), "the netlist nowhere.cir cannot be read"),
    ],
)
def test_what_cannot_be_is_told(build: Path, options: tuple[str, ...], what: str) -> None:
    status, _, said = run("crossover", build, *options)
    assert status == 2 and what in one_line(said)


def test_a_netlist_that_is_none_is_not_kept(build: Path, tmp_path: Path) -> None:
    before = sorted((build / "crossover").iterdir())
    (tmp_path / "bad.cir").write_text("* title\nL1 in a 1m\nXwoofer b 0 any\n")
    status, _, said = run("crossover", build, "--netlist", tmp_path / "bad.cir")
    assert status == 2 and "bad.cir" in one_line(said)
    assert sorted((build / "crossover").iterdir()) == before
