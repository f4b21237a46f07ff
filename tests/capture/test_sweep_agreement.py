"""A sweep against the tones before it: lost samples of any number, changed gains, and clocks that may differ."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from practice_sound import leave, play
from scipy.signal import resample

from stillbox.capture.live.sweep_agreement import disagreement
from stillbox.capture.live.tone_burst import ToneReading, read_tones, tone_burst
from stillbox.capture.practice.practice_jig import RigParts
from stillbox.capture.practice.practice_rig import PracticeRig
from stillbox.capture.sound.audio_device import Clips, Collected, StreamState
from stillbox.capture.sweep.excitation import Excitation, excitation_samples

SWEEP = Excitation(seconds=1.0, level_dbfs=-12.0, repeats=1, silence_after_s=1.0)
START = 48_480


@cache
def recorded(source_ohm: float = 0.5, noise_dbfs: float = -100.0, seed: int = 1) -> tuple[np.ndarray, ToneReading]:
    rig = PracticeRig("bare box", seed=seed, parts=RigParts(source_ohm=source_ohm, noise_dbfs=noise_dbfs))
    rig.connect(Clips("in-box", "stock"))
    reading = read_tones(rig, leave(rig), tone_burst(48_000, 0.0), -12.0, StreamState())
    collected = Collected()
    samples = excitation_samples(SWEEP).astype(np.float32)
    play(rig, samples, collected, tail_frames=9600)
    return collected.samples[:, 0], reading


@pytest.mark.parametrize("source_ohm", [0.1, 40.0])
@pytest.mark.parametrize("noise_dbfs", [-110.0, -40.0])
def test_good_sweeps_agree(source_ohm: float, noise_dbfs: float) -> None:
    channel, reading = recorded(source_ohm, noise_dbfs)
    for start in (START, START - 400):
        assert disagreement(channel, [start], SWEEP, reading) is None


@pytest.mark.parametrize("frames", [3, 8, 33, 64, 500, 4000, -17, -1024])
@pytest.mark.parametrize("at_s", [0.45, 0.75])
def test_lost_and_repeated_samples_are_seen(frames: int, at_s: float) -> None:
    """In the sweep at 325 Hz and 3.3 kHz; negative: repeated."""
    channel, reading = recorded()
    place = START + round(at_s * 48_000)
    broken = np.concatenate([channel[:place], channel[place + frames :]])
    found = disagreement(broken, [START], SWEEP, reading)
    assert found is not None and "gap" in found


@pytest.mark.parametrize("at_s", [0.4, 0.7])
def test_a_gain_that_changes_is_seen(at_s: float) -> None:
    channel, reading = recorded()
    gain = np.where(np.arange(channel.size) < START + at_s * 48_000, 1.0, 0.75)
    found = disagreement(channel * gain, [START], SWEEP, reading)
    assert found is not None and "gain is not steady" in found


@pytest.mark.parametrize("more_frames", [-20, 3])
def test_clocks_that_differ_are_no_gap(more_frames: int) -> None:
    """20 frames in 3.6 s are 116 ppm."""
    channel, reading = recorded()
    drifted = resample(channel, channel.size + more_frames)
    assert disagreement(drifted, [START], SWEEP, reading) is None
    place = START + 30_000
    broken = np.concatenate([drifted[:place], drifted[place + 100 :]])
    assert disagreement(broken, [START], SWEEP, reading) is not None
