"""Builds swept on the practice rig; equal seeds, so that what is slow to fit is the same wherever it is asked for."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from practice_sound import silent

from capture.build_folder import BuildFolder
from capture.live_take import LiveRequest, record_take
from capture.practice_rig import PracticeRig
from capture.take import Subject
from gui.session import practice_build

SEED = 3


def practice_takes(parent: Path, takes: Iterable[tuple[Subject, str | None]]) -> Path:
    """A practice build in ``parent`` with a take of each subject and state; what is swept again has other noise."""
    path, done = practice_build(parent), list[tuple[Subject, str | None]]()
    for subject, state in takes:
        rig = PracticeRig("bare box", seed=SEED + done.count((subject, state)))
        record_take(BuildFolder.open(path), rig, LiveRequest(subject, state, seconds=2.0), say=silent)
        done.append((subject, state))
    return path
