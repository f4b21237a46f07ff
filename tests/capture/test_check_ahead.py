"""The sweeps of a live take but the last are checked while the last one is played, and nothing is decided by it."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from stillbox.capture.build import take_import
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.take_import import check_recording
from stillbox.capture.errors import StillboxError
from stillbox.capture.live.check_ahead import CheckAhead
from stillbox.capture.live.devices import find_device
from stillbox.capture.live.live_take import LiveRequest, record_take
from stillbox.capture.recording import sweep_search, sweep_track
from stillbox.capture.recording.audio_file import AudioClip, read_audio
from stillbox.capture.recording.recording_checks import Circumstances, sample_step
from stillbox.capture.recording.sweeps_so_far import SweepsSoFar
from stillbox.capture.recording.take import TakeInfo

Counted = list[tuple[str, str, int]]
"""What was done, in which thread, for the sweep that begins at this frame."""


def counted(monkeypatch: pytest.MonkeyPatch) -> Counted:
    """Notes each sweep that is followed, tracked or checked."""
    done: Counted = []

    def note(owner: Any, name: str, place: int) -> None:
        kept = getattr(owner, name)

        def noting(*given: Any) -> Any:
            start = given[place] if isinstance(given[place], int) else given[place].start
            done.append((name, threading.current_thread().name, start))
            return kept(*given)

        monkeypatch.setattr(owner, name, noting)

    note(sweep_search, "_follow", 2)
    note(sweep_track, "track_sweep", 1)
    note(take_import, "_check_sweep", 2)
    return done


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> tuple[BuildFolder, TakeInfo]:
    build = BuildFolder.create(tmp_path_factory.mktemp("ahead") / "build")
    build.set_calibration(10.0)
    take = record_take(build, find_device("practice rig"), LiveRequest("in-box", seconds=1.0), say=lambda _: None)
    return build, take


def clip_and_case(recorded: tuple[BuildFolder, TakeInfo]) -> tuple[AudioClip, Circumstances]:
    build, take = recorded
    clip = read_audio(build.path / "takes" / take.audio_file)
    step = sample_step(clip.samples, 2.0**-23)
    return clip, Circumstances("in-box", take.jig, take.excitation, step, None, 10.0)


def beginning_of(clip: AudioClip, take: TakeInfo) -> np.ndarray:
    """Up to where the last sweep was to begin."""
    return clip.samples[: take.sweep_starts[-1] - 1]


def test_at_the_end_of_a_take_only_its_last_sweep_is_looked_at(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done = counted(monkeypatch)
    build = BuildFolder.create(tmp_path / "build")
    build.set_calibration(10.0)
    take = record_take(build, find_device("practice rig"), LiveRequest("in-box", seconds=1.0), say=lambda _: None)
    assert len(take.sweep_starts) == 3
    here = threading.current_thread().name
    assert {start for _, thread, start in done if thread == here} == {take.sweep_starts[-1]}
    assert {start for _, thread, start in done if thread == "check ahead"} == set(take.sweep_starts[:-1])
    # Once each: followed, checked, and tracked in the samples and in the signal that was searched.
    assert sorted(name for name, _, _ in done) == 3 * ["_check_sweep"] + 3 * ["_follow"] + 6 * ["track_sweep"]


def test_what_was_found_ahead_is_what_is_found_at_the_end(
    recorded: tuple[BuildFolder, TakeInfo], monkeypatch: pytest.MonkeyPatch
) -> None:
    clip, case = clip_and_case(recorded)
    beginning = beginning_of(clip, recorded[1])
    so_far = SweepsSoFar(beginning)
    check_recording(AudioClip(beginning, clip.sample_rate_hz, clip.subtype), case, so_far)
    done = counted(monkeypatch)
    assert check_recording(clip, case, so_far) == check_recording(clip, case)
    starts = recorded[1].sweep_starts
    assert [start for name, _, start in done if name == "_check_sweep"] == [starts[-1], *starts]


def test_another_beginning_is_not_taken_for_this_one(recorded: tuple[BuildFolder, TakeInfo]) -> None:
    clip, case = clip_and_case(recorded)
    beginning = beginning_of(clip, recorded[1])
    so_far = SweepsSoFar(beginning)
    check_recording(AudioClip(beginning, clip.sample_rate_hz, clip.subtype), case, so_far)
    broken = clip.samples.copy()
    first = recorded[1].sweep_starts[0] + 24_000
    broken[first : first + 200] = broken[first]  # in the first sweep, that was found to be good ahead
    assert not so_far.hold_for(broken)
    with pytest.raises(StillboxError, match="gap"):
        check_recording(AudioClip(broken, clip.sample_rate_hz, clip.subtype), case, so_far)


def test_of_a_sweep_that_may_go_on_behind_the_beginning_nothing_is_kept(
    recorded: tuple[BuildFolder, TakeInfo],
) -> None:
    excitation, start = recorded[1].excitation, recorded[1].sweep_starts[0]
    end = start + excitation.sweep_frames
    computed: list[int] = []
    for frames, times in ((end + 4_800, 2), (end + 9_600, 1)):
        so_far = SweepsSoFar(np.zeros((frames, 2), dtype=np.int32))
        computed.clear()
        for _ in range(2):
            so_far.of("what", start, excitation, lambda: computed.append(1))
        assert len(computed) == times


def test_a_fault_in_the_beginning_is_left_to_the_check_at_the_end(recorded: tuple[BuildFolder, TakeInfo]) -> None:
    excitation = recorded[1].excitation
    asked: list[int] = []

    def refuse(samples: np.ndarray, so_far: SweepsSoFar) -> None:
        asked.append(len(samples))
        raise StillboxError("bad", "")

    ahead = CheckAhead(excitation, "PCM_24", refuse)
    assert ahead.so_far() is None
    period = excitation.sweep_frames + excitation.silence_after_frames
    wanted = excitation.silence_before_frames + 2 * period
    for _ in range(-(-wanted // 1_000) + 3):
        ahead(np.zeros((1_000, 2), dtype=np.float32))
    assert ahead.so_far() is not None and asked == [wanted]


def test_one_sweep_alone_has_no_check_ahead(recorded: tuple[BuildFolder, TakeInfo]) -> None:
    excitation = recorded[1].excitation.model_copy(update={"repeats": 1})
    ahead = CheckAhead(excitation, "PCM_24", lambda *_: pytest.fail("there is nothing to check"))
    ahead(np.zeros((excitation.total_frames, 2), dtype=np.float32))
    assert ahead.so_far() is None
