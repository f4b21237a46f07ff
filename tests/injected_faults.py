"""Faults switched on in the practice rig with what the check before a sweep must say, and good rigs drawn by seed."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from simple_recordings import speaker_impedance

from stillbox.capture.build.build_description import Limits
from stillbox.capture.live.pre_check import PreCheck, PreCheckRefusal, check_before_sweep
from stillbox.capture.live.wiring import JigFacts
from stillbox.capture.practice.practice_jig import RigParts
from stillbox.capture.practice.practice_rig import PracticeRig
from stillbox.capture.practice.practice_speakers import SPEAKERS, PracticeSpeaker
from stillbox.capture.sound.audio_device import Clips
from stillbox.capture.sound.safety import output_limit
from stillbox.capture.sound.sound_gate import practice_permit
from stillbox.capture.sweep.excitation import Excitation

SWEEP = Excitation()
Listener = Callable[[np.ndarray], None]
BOX = Clips("in-box", "stock")
FAULTS = {
    "open clips": ("nothing on the clips", "nothing is on the clips"),
    "shorted clips": ("clips shorted", "clips are shorted"),
    "swapped channels": ("channels swapped", "exchange the two inputs"),
    "dead channel 1": ("channel 1 dead", "channel 1 is dead"),
    "dead channel 2": ("channel 2 dead", "channel 2 is dead"),
    "muted output": ("nothing arrives", "muted"),
    "inverted channel": ("inverted", "one channel is inverted"),
    "large reference": ("wrong reference", "much larger than the 10 ohm"),
    "small reference": ("wrong reference", "much smaller than the 10 ohm"),
    "hot inputs": ("overload", "turn its gain down"),
    "noise": ("noise", "would do"),
    "automatic gain": ("automatic gain", "not proportional"),
    "sample-rate conversion": ("sample-rate conversion", "does not come back"),
    "hum 50 Hz": ("hum", "mains hum of 50 Hz"),
    "hum 60 Hz": ("hum", "mains hum of 60 Hz"),
}


class RandomSpeaker(PracticeSpeaker):
    """A loudspeaker drawn by seed, on the clips for every subject."""

    def __init__(self, seed: int) -> None:
        object.__setattr__(self, "seed", seed)

    def impedance_ohm(self, clips: Clips, frequency_hz: np.ndarray) -> np.ndarray:
        return speaker_impedance(frequency_hz, np.random.default_rng(self.seed))  # type: ignore[attr-defined]


class Resistor(RandomSpeaker):
    """The same at all frequencies, so that the scatter of a curve is its noise."""

    def __init__(self) -> None:
        super().__init__(0)

    def impedance_ohm(self, clips: Clips, frequency_hz: np.ndarray) -> np.ndarray:
        return np.full(frequency_hz.shape, 10.0, dtype=complex)


def check(
    rig: PracticeRig,
    clips: Clips = BOX,
    excitation: Excitation = SWEEP,
    limits: Limits | None = None,
    rated_ohm: float | None = None,
    wanted_dbfs: float | None = None,
    accuracy: float = 0.01,
) -> PreCheck:
    rig.connect(clips)
    limit = output_limit(limits or Limits(), rig.info.loudest_volts, 10.0)
    facts = JigFacts(clips, 10.0, rated_ohm)
    return check_before_sweep(rig, practice_permit(rig, limit), excitation, facts, accuracy, wanted_dbfs)


def faulty_rig(fault: str, seed: int, listener: Listener = lambda _: None) -> PracticeRig:
    """A speaker by seed with one fault."""
    names = [name for name in SPEAKERS if name != "tweeter"]
    return PracticeRig(names[seed % len(names)], [fault], seed=seed, listener=listener)


def named_kind(rig: PracticeRig, rated_ohm: float | None) -> tuple[str, str]:
    """Kind and sentence of what the check finds; empty where it finds nothing."""
    try:
        notes = check(rig, rated_ohm=rated_ohm).notes
    except PreCheckRefusal as refusal:
        return refusal.wiring.kind, str(refusal)
    return (notes[0].kind, notes[0].sentence) if notes else ("", "")


def good_rig(seed: int) -> PracticeRig:
    """Another speaker, jig and sound card for each seed, none of them at fault."""
    draw = np.random.default_rng([7, seed])
    parts = RigParts(
        reference_ohm=10.0 * draw.uniform(0.95, 1.05),
        source_ohm=draw.uniform(0.1, 5),
        lead_ohm=draw.uniform(0.01, 0.3),
        input_ohm=draw.uniform(10e3, 1e6),
        loudest_volts=draw.uniform(0.8, 2.0),
        input_peak_volts=draw.uniform(0.7, 4),
        second_gain=draw.uniform(0.95, 1.05),
        noise_dbfs=draw.uniform(-110, -80),
        latency_frames=int(draw.integers(100, 6000)),
    )
    return PracticeRig(RandomSpeaker(seed), seed=seed, parts=parts)
