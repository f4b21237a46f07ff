"""Builds swept on the practice rig; equal seeds, so that what is slow to fit is the same wherever it is asked for."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from made_once import copy_of
from practice_sound import silent

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.live.live_take import LiveRequest, record_take
from stillbox.capture.practice.practice_rig import PracticeRig
from stillbox.capture.recording.take import Subject
from stillbox.gui.work.session import practice_build

SEED = 3


def practice_takes(parent: Path, takes: Iterable[tuple[Subject, str | None]]) -> Path:
    """A practice build in ``parent`` with a take of each subject and state; what is swept again has other noise."""
    return _swept(parent / "practice, bare box", tuple(takes))


def _swept(path: Path, takes: tuple[tuple[Subject, str | None], ...]) -> Path:
    """Made from the same build without the last take: others may ask for that."""
    name = "-".join(("practice", *(f"{subject}.{state}" for subject, state in takes)))

    def make(target: Path) -> None:
        if not takes:
            made = practice_build(target.with_suffix(".new"))
            made.rename(target)
            made.parent.rmdir()
            return
        subject, state = takes[-1]
        rig = PracticeRig("bare box", seed=SEED + takes[:-1].count(takes[-1]))
        build = BuildFolder.open(_swept(target, takes[:-1]))
        record_take(build, rig, LiveRequest(subject, state, seconds=2.0), say=silent)

    return copy_of(name, path, make)
