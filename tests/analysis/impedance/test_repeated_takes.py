"""Which takes of a build count as repeated, and what a build tells with them."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from invented_findings import finding, report
from recorded import RecordedBuild, recording, remembered
from reference.random_speakers import random_speaker

from stillbox.analysis.bench import Bench
from stillbox.analysis.impedance.findings import ResonanceFit
from stillbox.analysis.impedance.repeatability import USUAL
from stillbox.analysis.impedance.repeated_takes import Repeats, repeats_of
from stillbox.capture.recording.take import TakeInfo
from stillbox.capture.sweep.excitation import Excitation

PLAIN = recording(np.zeros((10, 2)), Excitation(seconds=1.0)).info


def take(number: int, state: str = "stock", remounted: bool = False, unit: str = "A") -> TakeInfo:
    return PLAIN.model_copy(update={"number": number, "state": state, "remounted": remounted, "unit": unit})


def fit_of(height_ohm: float = 0.5) -> ResonanceFit:
    return report(finding(400.0, height_ohm)).fit


def names(repeats: Repeats) -> tuple[list[str], list[str]]:
    return [one.why for one in repeats.same], [one.why for one in repeats.remounted]


def test_takes_of_one_state_repeat_and_a_remounted_one_tells_of_the_driver() -> None:
    takes = [take(1), take(2), take(3, remounted=True), take(4, "lined"), take(5, unit="B"), take(6)]
    same, remounted = names(repeats_of(takes[0], takes, lambda _: fit_of()))
    assert same == ["takes 3 and 6, the same state", "takes 1 and 2, the same state"]
    assert remounted == ["takes 2 and 3, the driver taken out and put back"]
    # Remounting tells of the driver whatever the state is; the rest does not.
    lined = repeats_of(takes[3], takes, lambda _: fit_of())
    assert names(lined) == ([], remounted)
    assert repeats_of(takes[4], takes, lambda _: fit_of()) == Repeats()


def test_what_is_compared_is_no_measure_of_itself() -> None:
    takes = [take(1), take(2)]
    assert names(repeats_of(takes[0], takes, lambda _: fit_of(), frozenset({1, 2}))) == ([], [])


def test_takes_that_are_unlike_are_no_repeats() -> None:
    """Half of the height is gone: somebody worked on the box and kept the name."""
    takes = [take(1), take(2)]
    heights = {1: 0.5, 2: 0.2}
    assert names(repeats_of(takes[0], takes, lambda one: fit_of(heights[one.number]))) == ([], [])


def test_a_build_with_repeated_takes(tmp_path: Path) -> None:
    """The second take of a state replaces the usual size; temperatures said for takes reach the comparison."""
    build = RecordedBuild.create(tmp_path / "build", Excitation(seconds=2.0))
    device = remembered(random_speaker(11, "wall").in_box)
    build.add(device, "in-box", state="stock", celsius=18.0)
    first = Bench(build.folder).findings("stock")
    assert {one.spread.source for one in first.findings} == {USUAL}
    assert first.celsius == pytest.approx(18.0)
    build.add(device, "in-box", state="stock", celsius=25.0)
    second = Bench(build.folder).findings("stock")
    assert {one.spread.source for one in second.findings} == {"takes 1 and 2, the same state"}
    # Nothing but noise parts the two: it repeats better than usual.
    assert all(
        two.frequency_std_hz < one.frequency_std_hz for one, two in zip(first.findings, second.findings, strict=True)
    )
    assert second.peak_spread.frequency < first.peak_spread.frequency
    # What is compared does not tell how far it repeats. Walls stay where they are, whatever the thermometer says.
    bench = Bench(build.folder)
    comparison = bench.comparison_of(*bench.takes)
    assert {one.spread.source for change in comparison.changes for one in (change.before,) if one} == {USUAL}
    assert {change.verdict for change in comparison.changes} == {"unchanged"}
    assert math.isclose(bench.findings_of(bench.takes[0]).celsius or 0.0, 18.0)
