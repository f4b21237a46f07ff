"""What the tests of imported recordings share: the sweep, a good chain, and the check as the import makes it."""

from __future__ import annotations

import numpy as np
import pytest
from simple_recordings import Chain

from stillbox.capture.build.take_import import check_recording
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.audio_file import AudioClip, quantum, to_raw
from stillbox.capture.recording.recording_checks import Circumstances, sample_step
from stillbox.capture.recording.take import JigKind, Subject
from stillbox.capture.sweep.excitation import Excitation

SWEEP = Excitation(seconds=2.0, silence_before_s=0.5, silence_after_s=0.5, repeats=1)
GOOD = Chain(noise_dbfs=-90, hum_dbfs=-75, coupling_hz=2.0, source_ohm=0.1)
RATE_HZ = SWEEP.sample_rate_hz
START = GOOD.extra_before + SWEEP.silence_before_frames
SEEDS = (1, 2, 3)


def check(
    samples: np.ndarray,
    subject: Subject = "in-box",
    jig: JigKind = "high-side",
    excitation: Excitation = SWEEP,
    subtype: str = "PCM_24",
) -> tuple[tuple[int, ...], tuple[str, ...]]:
    clip = AudioClip(to_raw(samples, subtype), excitation.sample_rate_hz, subtype)
    step = sample_step(clip.samples, quantum(subtype))
    found = check_recording(clip, Circumstances(subject, jig, excitation, step))
    return found.starts, found.flags


def refusal(samples: np.ndarray, subject: Subject = "in-box", jig: JigKind = "high-side") -> str:
    with pytest.raises(StillboxError) as caught:
        check(samples, subject, jig)
    message = str(caught.value)
    assert "\n" not in message
    assert ";" in message, "an error says what to do"
    return message
