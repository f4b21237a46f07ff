"""Crossovers of the practice rig as a person meets them: the wrong part is found, and nothing else is blamed for it."""

from __future__ import annotations

from pathlib import Path

import pytest
from practice_sound import silent

from stillbox.analysis.bench import Bench
from stillbox.analysis.crossover.suspects import wrong_part_of
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.live.live_take import LiveRequest, record_take
from stillbox.capture.practice.practice_rig import PracticeRig
from stillbox.gui.work.session import practice_build

BOXED, LOWEST = '[driver]\nname = "woofer"\n', "[limits.drivers.tweeter]\nlowest_hz = 1500\n"
OF_THE_BOX_HZ = (379, 751, 840, 1139, 1211, 1364, 1425, 1500)
"""What the same box shows without a crossover; none of it is of a wall."""


def swept(parent: Path, speaker: str) -> Bench:
    """The finished speaker before and after, with own takes of its drivers."""
    path = practice_build(parent)
    text = (path / "build.toml").read_text(encoding="utf-8").replace("[driver]\n", BOXED)
    (path / "build.toml").write_text(text + LOWEST, encoding="utf-8")
    build, rig = BuildFolder.open(path), PracticeRig(speaker, seed=4)
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
