"""A build that an earlier version of the program made opens, and gives the numbers that it gave then.

``tests/reference/stored_build`` holds what version 0.1.0 wrote of the demonstration before the code moved into rooms:
description, calibration, sidecars, and its numbers. The recordings are those of the demonstration, which an import
keeps as they are.
"""

from __future__ import annotations

import json
import shutil
from typing import Any

import pytest
from places import RECORDINGS, ROOT

from stillbox.analysis.bench import Bench
from stillbox.analysis.box.topic import BOX
from stillbox.analysis.comparison.topic import COMPARISON
from stillbox.analysis.driver.topic import DRIVER
from stillbox.analysis.findings.topic import FINDINGS
from stillbox.analysis.topic import Topic
from stillbox.capture.build.build_folder import BuildFolder

STORED = ROOT / "tests" / "reference" / "stored_build"
SAME = 0.02
"""Of what the noise of the take does to a number: a fit ends somewhere in so small a neighbourhood of the best."""
NUMBERS: dict[str, Any] = json.loads((STORED / "numbers.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    folder = tmp_path_factory.mktemp("stored") / "build"
    shutil.copytree(STORED, folder, ignore=shutil.ignore_patterns("numbers.json"))
    for sidecar in (folder / "takes").glob("*.json"):
        take = json.loads(sidecar.read_text(encoding="utf-8"))
        shutil.copy(RECORDINGS / take["origin"], folder / "takes" / take["audio_file"])
    return Bench(BuildFolder.open(folder))


def document(topic: Topic[Any], bench: Bench, **asked: str) -> dict[str, Any]:
    assert topic.document is not None
    return topic.document(topic.compute(bench, asked))


def test_all_takes_are_whole(bench: Bench) -> None:
    assert [take.number for take in bench.takes] == list(range(1, 10))
    assert bench.build.damaged() == []
    assert all(bench.build.load(take) for take in bench.takes)


@pytest.mark.parametrize("state", ["stock", "lined"])
def test_findings_are_what_they_were(bench: Bench, state: str) -> None:
    found = document(FINDINGS, bench, state=state)["findings"]
    told = NUMBERS[f"findings {state}"]
    assert [one["cause"] for one in found] == [cause for *_, cause in told]
    for one, (frequency_hz, q, height_ohm, _) in zip(found, told, strict=True):
        for name, std, was in (
            ("frequency_hz", "frequency_std_hz", frequency_hz),
            ("q", "q_std", q),
            ("height_ohm", "height_std_ohm", height_ohm),
        ):
            assert abs(one[name] - was) < SAME * one["noise"][std], (name, was)


def test_verdicts_are_what_they_were(bench: Bench) -> None:
    found = document(COMPARISON, bench, before="stock", after="lined")["changes"]
    assert [one["verdict"] for one in found] == [verdict for _, verdict in NUMBERS["changes"]]
    places = [place for place, _ in NUMBERS["changes"]]
    assert [one["frequency_hz"] for one in found] == pytest.approx(places, rel=2e-5)


def test_driver_and_box_are_what_they_were(bench: Bench) -> None:
    """Fits of boxes have been mended since: what they tell stays within its own interval."""
    driver = document(DRIVER, bench)["parameters"]
    assert {name: one["value"] for name, one in driver.items()} == pytest.approx(NUMBERS["driver"], rel=1e-6)
    for state in ("stock", "lined"):
        box = document(BOX, bench, state=state)["parameters"]
        assert set(box) == set(NUMBERS[f"box {state}"])
        for name, value in NUMBERS[f"box {state}"].items():
            assert abs(box[name]["value"] - value) < 2 * box[name]["std"], (state, name)
