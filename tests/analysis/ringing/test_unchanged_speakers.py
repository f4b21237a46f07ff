"""Two takes of one speaker at which nobody worked: moved in the room, in warmer air, remounted, played in."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from reference.wild_bench import WildPair, wild_pair
from reference.wild_draw import Strength

from stillbox.analysis.bench import Bench
from stillbox.analysis.ringing.comparison import Comparison
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.sweep.excitation import Excitation

SWEEPS = Excitation(seconds=2.5, repeats=2)
Compared = tuple[WildPair, Bench, Comparison]


@pytest.fixture
def compared(tmp_path: Path) -> Callable[[str, Strength, int], Compared]:
    """Both takes in a build that tells nothing of its box, compared."""

    def make(kind: str, strength: Strength, seed: int) -> Compared:
        pair = wild_pair(kind, strength, seed, SWEEPS)
        folder = BuildFolder.create(tmp_path / "build")
        folder.set_calibration(pair.first.reference_ohm)
        takes = [
            take.keep_in(folder, "in-box", state=state)
            for take, state in ((pair.first, "stock"), (pair.second, "again"))
        ]
        bench = Bench(folder)
        return pair, bench, bench.comparison_of(*takes)

    return make


def counted(comparison: Comparison) -> list[str]:
    return [change.verdict for change in comparison.changes if change.verdict != "unchanged"]


@pytest.mark.parametrize(("strength", "seed"), [("mild", 1), ("strong", 2)])
def test_a_speaker_that_was_moved_in_the_room(
    compared: Callable[[str, Strength, int], Compared], strength: Strength, seed: int
) -> None:
    _, bench, comparison = compared("room", strength, seed)
    assert counted(comparison) == []
    assert len(comparison.room) >= 3
    assert comparison.room_words
    told = [finding for finding in bench.findings_of(bench.takes[0]).findings if finding.cause == "room"]
    assert told
    assert all("move the speaker" in finding.advice and "outdoors" in finding.advice for finding in told)


@pytest.mark.parametrize("seed", [2, 3])
def test_warmer_air(compared: Callable[[str, Strength, int], Compared], seed: int) -> None:
    """9 K; seed 2 has one standing wave and a port, seed 3 four standing waves and none."""
    pair, _, comparison = compared("warm_air", "strong", seed)
    assert counted(comparison) == []
    assert comparison.air is not None
    assert comparison.air.factor == pytest.approx(pair.air_factor, abs=1e-3)
    assert comparison.air.kelvin == pytest.approx(9.0, abs=1.0)
    assert "K warmer: all standing waves +1." in comparison.tuning[0]
    assert not any(shift.is_told for shift in comparison.tuning_shifts)


@pytest.mark.parametrize(
    ("kind", "strength"), [("remount", "mild"), ("playing_in", "strong"), ("contact_step", "strong")]
)
def test_what_a_speaker_does_by_itself(
    compared: Callable[[str, Strength, int], Compared], kind: str, strength: Strength
) -> None:
    _, _, comparison = compared(kind, strength, 2)
    assert counted(comparison) == []
    assert not any(shift.is_told for shift in comparison.tuning_shifts)
