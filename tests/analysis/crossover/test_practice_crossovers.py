"""Crossovers of the practice rig as a person meets them: the wrong part is found, and nothing else is blamed for it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from invoked import run
from practice_sound import silent

from stillbox.analysis.bench import Bench
from stillbox.analysis.checking.of_the_plan import of_the_plan
from stillbox.analysis.comparison.topic import COMPARISON
from stillbox.analysis.crossover.built import as_built
from stillbox.analysis.crossover.suspects import wrong_part_of
from stillbox.analysis.notebook.effects import effects_between
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.live.live_take import LiveRequest, record_take
from stillbox.capture.practice.practice_build import practice_build
from stillbox.capture.practice.practice_rig import PracticeRig

OF_THE_BOX_HZ = (379, 751, 840, 1139, 1211, 1364, 1425, 1500)
"""What the same box shows without a crossover; none of it is of a wall."""


def swept(parent: Path, speaker: str) -> Bench:
    """The finished speaker before and after, with own takes of its drivers."""
    build, rig = practice_build(parent / "two", speaker), PracticeRig(speaker, seed=4)
    for request in (
        LiveRequest("free-air", of="woofer", seconds=1.0, repeats=1),
        LiveRequest("free-air", of="tweeter", seconds=1.0, repeats=1),
        LiveRequest("in-box", seconds=1.0, repeats=1),
        LiveRequest("in-box", state="final", seconds=1.0, repeats=1),
    ):
        record_take(build, rig, request, say=silent)
    return Bench(build)


@pytest.mark.usefixtures("own_settings")
def test_a_wrong_capacitor_is_found_and_no_wall_is_blamed(tmp_path: Path) -> None:
    bench = swept(tmp_path, "wrong capacitor")
    wrong = wrong_part_of(bench, bench.in_box("stock"))
    assert wrong is not None and wrong.suspect is not None
    assert (wrong.suspect.fault.kind, wrong.suspect.fault.part) == ("value", "C1")
    assert wrong.suspect.value == pytest.approx(4.7e-6, rel=0.03)
    assert "instead of 6.8 µF" in str(of_the_plan(bench, bench.in_box("stock")).suspects[0])
    right = wrong_part_of(bench, bench.in_box("final"))
    assert right is not None and right.suspect is None
    for state in ("stock", "final"):
        blamed = [one for one in bench.findings(state).findings if one.cause in ("wall", "standing wave")]
        assert blamed
        for one in blamed:
            assert min(abs(one.resonance.frequency_hz / hz - 1) for hz in OF_THE_BOX_HZ) < 0.03
    compared = bench.comparison("stock", "final")
    assert any("crossover" in one for one in compared.warnings)
    assert compared.tuning and not [line for line in compared.tuning if "a shift (" in line]
    read_as_it_was_built(bench)


def read_as_it_was_built(bench: Bench) -> None:
    """What was mended in the crossover is said to be that, and no change of the box is made of it."""
    report = COMPARISON.compute(bench, {"before": "stock", "after": "final"})
    words = r"C1 seems to be (\S+) µF in stock and (\S+) µF in final: the crossover was changed\. "
    said = re.match(words, report.opening)
    assert said and float(said[1]) == pytest.approx(4.7, rel=0.03) and float(said[2]) == pytest.approx(6.8, rel=0.05)
    assert COMPARISON.document(report)["warnings"][0] == said[0].rstrip(". ")
    assert not any("trust" in one for one in report.comparison.warnings)
    assert {one.verdict_words for one in report.comparison.changes} <= {"unchanged", "cannot be told"}
    takes = bench.in_box("stock"), bench.in_box("final")
    effects = effects_between(bench, *takes)
    assert [one.name.split(" at ")[0] for one in effects.told] == ["drive of tweeter"] and not effects.missing
    assert {"volume", "bass"} <= {one.kind for one in effects.every}
    (drive,) = effects.told
    assert drive.change.value > 3 and 0 < drive.change.std < 0.4  # of the tolerances, mostly
    # The plan goes on being told by whoever asks the bench itself.
    assert as_built(bench, takes) is not bench and as_built(bench, takes[1:]) is bench
    assert bench.findings_of(takes[0]).is_doubted


def test_a_practice_build_knows_its_speaker(tmp_path: Path) -> None:
    status, out, _ = run("start", tmp_path / "two", "--practice", "exchanged coils")
    assert status == 0 and "practice rig: exchanged coils" in out
    build = BuildFolder.open(tmp_path / "two")
    description = build.description
    assert description.driver.name == "woofer" and description.limits.drivers["tweeter"].lowest_hz == 1500
    assert description.inside_mm is not None and build.calibration is not None
    plain = practice_build(tmp_path / "plain").description
    assert plain.driver.name is None and not plain.limits.drivers
    assert "choose one of good box" in run("start", tmp_path / "none", "--practice", "horn")[2]
    assert "leave the other options out" in run("start", tmp_path / "x", "--practice", "leaky", "--rated-ohms", "4")[2]
    assert not (tmp_path / "none").exists() and not (tmp_path / "x").exists()
