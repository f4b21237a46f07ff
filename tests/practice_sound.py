"""Playing on the practice rig in tests, without a build, or without a word."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.practice.practice_rig import PracticeRig
from stillbox.capture.sound.audio_device import BlockSink, Playback, StreamReport, StreamState
from stillbox.capture.sound.sound_gate import practice_permit
from stillbox.capture.sound.sound_permit import OutputLimit, SoundPermit


def silent(_: str) -> None:
    """In place of what tells the person."""


def leave(rig: PracticeRig, peak: float = 1.0, lowest_hz: float = 0.0) -> SoundPermit:
    """A permit for the rig, with a limit of the test's own."""
    return practice_permit(rig, OutputLimit(peak, None, lowest_hz, "a test"))


def play(
    rig: PracticeRig,
    samples: NDArray[np.float32],
    sink: BlockSink = lambda _: None,
    *,
    peak: float = 1.0,
    tail_frames: int = 0,
    state: StreamState | None = None,
) -> StreamReport:
    """Play ``samples`` on the rig at 48 kHz."""
    return rig.play_and_record(leave(rig, peak), Playback(samples, 48_000, tail_frames), sink, state or StreamState())
