"""What a tone reading says about the wiring, in words.

With the reference resistor R and the device Z, channel 2 over channel 1 is ``m = Z/(R + Z)`` on a high-side jig and
``R/(R + Z)`` on a low-side one. For any passive Z its magnitude is at most 1 and its phase within 90 degrees; clips
left open or held together make it the same at all frequencies, a loudspeaker does not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from stillbox.capture.arrays import ComplexArray
from stillbox.capture.live.tone_burst import ToneReading
from stillbox.capture.recording.recording_checks import SPEAKER_SUBJECTS
from stillbox.capture.sound.audio_device import Clips

FaultKind = Literal[
    "nothing arrives",
    "channel 1 dead",
    "channel 2 dead",
    "channels swapped",
    "inverted",
    "nothing on the clips",
    "clips shorted",
    "wrong reference",
    "wrong device",
    "overload",
    "noise",
    "hum",
    "automatic gain",
    "sample-rate conversion",
    "dropouts",
]


SURE = 6.0
"""A tone counts where it is so many times the noise beside it."""

JUDGED_HZ = (60.0, 8_000.0)
"""Where ratios are judged: above coupling capacitors, below what a frame between the channels does."""

POLARITY_HZ = 3_000.0
DEAD_RATIO = 3e-4
DEAD_FIRST_RATIO = 0.01
PASSIVE_RATIO = 1.1
ALIKE = (0.93, PASSIVE_RATIO)
FLAT = 0.006
"""Relative spread of a ratio over frequency that still counts as none."""

SHORT_OHM = 0.9
SHORT_PART_OHM = 0.15
SHORT_SPREAD = 1.3
ORDER = 3.5
"""An impedance is of another order of magnitude when it is off by this factor."""

ASSUMED_REFERENCE_OHM = 10.0
SPEAKER_LEAST_OHM = (1.5, 25.0)
"""Range of the least impedance of loudspeakers, where the rated one is not known."""

NO_CONVERSION_DB = -30.0


@dataclass(frozen=True)
class WiringFault:
    """One fault: its kind, what is wrong and the remedy; without ``forbids`` it is only worth knowing."""

    kind: FaultKind
    fault: str
    remedy: str
    forbids: bool = True

    @property
    def sentence(self) -> str:
        return f"{self.fault}; {self.remedy}"


@dataclass(frozen=True)
class JigFacts:
    """What is known of jig and speaker; None where it is not."""

    clips: Clips
    reference_ohm: float | None = None
    rated_ohm: float | None = None


def wiring_fault(reading: ToneReading, facts: JigFacts) -> WiringFault | None:
    """The fault that explains a reading best; None for a good one."""
    fault = _signals(reading, facts)
    if fault is not None or facts.clips.subject == "microphone":
        return fault
    ratio = _ratio(reading)
    if ratio.size == 0:
        return None
    return _polarity(reading) or _order_of_channels(ratio, facts) or _load(ratio, facts)


def _signals(reading: ToneReading, facts: JigFacts) -> WiringFault | None:
    """Faults of one channel by itself."""
    for index in (0, 1):
        if reading.peak[index] >= 0.98:
            return WiringFault(
                "overload",
                f"input {index + 1} is at full scale although the test tones are at {reading.level_dbfs:.0f} dBFS "
                "only",
                "turn its gain down, or use a line input",
            )
    level = np.sqrt(np.mean(np.abs(reading.gain[:-1]) ** 2, axis=0))
    noise = np.sqrt(np.mean(reading.noise_gain[:-1] ** 2, axis=0))
    heard = [reading.clearness(index) > SURE for index in (0, 1)]
    if not any(heard):
        if _noise_dbfs(reading) > -60:
            return WiringFault(
                "noise",
                f"noise of {_noise_dbfs(reading):.0f} dBFS on the inputs hides the test tones",
                "look for a missing "
                "ground, an open input or a gain that is far too high",
            )
        return WiringFault(
            "nothing arrives",
            "nothing of the test tones arrives on either input",
            "check that the output of this device is connected "
            "and not muted, and that the jig is on its inputs",
        )
    if not heard[0] or level[0] < DEAD_FIRST_RATIO * level[1]:
        return WiringFault(
            "channel 1 dead",
            f"channel 1 is dead: the test tones are {_db(level[1] / max(level[0], noise[0], 1e-9)):.0f} dB stronger "
            "on channel 2",
            "check the cable and gain of input 1",
        )
    quiet_second = facts.clips.subject == {"high-side": "short", "low-side": "open"}[facts.clips.jig]
    if (not heard[1] or level[1] < DEAD_RATIO * level[0]) and not quiet_second:
        alike = "or the clips touch each other" if facts.clips.jig == "high-side" else "or nothing is on the clips"
        return WiringFault(
            "channel 2 dead",
            f"channel 2 is dead ({alike}): the test tones are "
            f"{_db(level[0] / max(level[1], noise[1], 1e-9)):.0f} dB stronger on channel 1",
            "check the cable and gain of input 2",
        )
    return None


def _ratio(reading: ToneReading) -> ComplexArray:
    """Channel 2 over channel 1 where channel 1 is sure, in the band where ratios are judged unless that is empty."""
    sure = reading.sure(0, SURE)
    frequency_hz = reading.frequency_hz[:-1]
    inside = sure & (frequency_hz >= JUDGED_HZ[0]) & (frequency_hz <= JUDGED_HZ[1])
    chosen = inside if inside.any() else sure
    return np.asarray(reading.gain[:-1, 1][chosen] / reading.gain[:-1, 0][chosen], dtype=np.complex128)


def _polarity(reading: ToneReading) -> WiringFault | None:
    sure = reading.sure(0, SURE) & reading.sure(1, SURE)
    low = sure & (reading.frequency_hz[:-1] <= POLARITY_HZ)
    chosen = low if low.any() else sure
    if not chosen.any():
        return None
    ratio = reading.gain[:-1, 1][chosen] / reading.gain[:-1, 0][chosen]
    turned = float(np.median(ratio.real / np.abs(ratio)))
    if turned > -0.3:
        return None
    return WiringFault(
        "inverted",
        f"one channel is inverted: the channels are {math.degrees(math.acos(max(turned, -1.0))):.0f} degrees apart "
        "where a passive load gives at most 90",
        "exchange the two wires of one input",
    )


def _order_of_channels(ratio: ComplexArray, facts: JigFacts) -> WiringFault | None:
    largest, smallest = float(np.abs(ratio).max()), float(np.abs(ratio).min())
    if largest <= PASSIVE_RATIO or (facts.clips.subject == "channel-match" and largest < 2 * smallest):
        return None
    return WiringFault(
        "channels swapped",
        f"the channels are swapped: channel 2 is up to {largest:.2f} times as loud as channel 1, which no passive "
        "load on the clips can do",
        "exchange the two inputs",
    )


def _load(ratio: ComplexArray, facts: JigFacts) -> WiringFault | None:
    """Faults of what is on the clips, or of the resistor that it is compared with."""
    subject, high_side = facts.clips.subject, facts.clips.jig == "high-side"
    same = bool(np.abs(ratio - ratio.mean()).max() < FLAT * max(abs(ratio.mean()), 1e-9))
    alike = same and ALIKE[0] < float(np.abs(ratio).mean()) < ALIKE[1]
    if subject == "channel-match":
        return None if float(np.abs(ratio).min()) > 0.5 else _wrong_device(
            f"channel 2 is only {np.abs(ratio).min():.2f} times as loud as channel 1 where both should hear the "
            "same",
            "for a channel-match take put both inputs on the source side of the resistor",
        )
    device = _device_ohm(ratio, facts)
    largest_ohm = float(np.abs(device).max())
    least_ohm = float(np.abs(device).min())
    is_open = alike if high_side else least_ohm > 1e3 * (facts.reference_ohm or ASSUMED_REFERENCE_OHM)
    short_below = SHORT_PART_OHM if subject in ("part", "load", "check-resistor") else SHORT_OHM
    is_short = alike if not high_side else largest_ohm < short_below and largest_ohm < SHORT_SPREAD * least_ohm
    if subject == "open":
        return None if is_open else _wrong_device("something is on the clips", "take it off for a take of open clips")
    if subject == "short":
        return None if is_short or (high_side and largest_ohm < SHORT_OHM) else _wrong_device(
            f"the clips read about {least_ohm:.3g} ohm",
            "hold them together for a take of shorted clips",
        )
    if is_open:
        return WiringFault(
            "nothing on the clips",
            "nothing is on the clips: both channels hear the same at all frequencies",
            "clip the device on, and look "
            "for a broken lead",
        )
    if is_short:
        return WiringFault(
            "clips shorted",
            f"the clips are shorted: they read about {least_ohm:.2g} ohm at all frequencies",
            "part them, and look for "
            "strands that touch",
        )
    return _order_of_magnitude(least_ohm, facts)


def _order_of_magnitude(least_ohm: float, facts: JigFacts) -> WiringFault | None:
    if facts.reference_ohm is None:
        return None
    subject = facts.clips.subject
    if subject in ("load", "check-resistor") and facts.clips.load_ohm is not None:
        low, high = facts.clips.load_ohm / ORDER, facts.clips.load_ohm * ORDER
        what = f"the resistor marked {facts.clips.load_ohm:g} ohm"
    elif subject in SPEAKER_SUBJECTS:
        rated = facts.rated_ohm
        low, high = SPEAKER_LEAST_OHM if rated is None else (rated / ORDER, rated * ORDER)
        what = "the speaker" if rated is None else f"the speaker rated {rated:g} ohm"
    else:
        return None
    if low <= least_ohm <= high:
        return None
    likely = "larger" if least_ohm < low else "smaller"
    return WiringFault(
        "wrong reference",
        f"{what} reads {least_ohm:.2g} ohm, another order of magnitude: the reference resistor is likely much "
        f"{likely} than the {facts.reference_ohm:g} ohm stated",
        "measure it and say so with 'stillbox calibrate'",
    )


def _device_ohm(ratio: ComplexArray, facts: JigFacts) -> ComplexArray:
    reference = facts.reference_ohm or ASSUMED_REFERENCE_OHM
    if facts.clips.jig == "high-side":
        gap = 1 - ratio
        return np.asarray(reference * ratio / np.where(gap == 0, 1e-9, gap), dtype=np.complex128)
    return np.asarray(reference * (1 - ratio) / np.where(ratio == 0, 1e-12, ratio), dtype=np.complex128)


def _wrong_device(fault: str, remedy: str) -> WiringFault:
    return WiringFault("wrong device", fault, remedy)


def conversion_fault(reading: ToneReading) -> WiringFault | None:
    """A system that converts the sample rate behind our back takes the top tone away."""
    level = np.abs(reading.gain[:, 0])
    middle = (reading.frequency_hz >= 1_000) & (reading.frequency_hz <= 16_000)
    middle[-1] = False
    if not middle.any():
        return None
    usual = float(np.median(level[middle]))
    if reading.noise_gain[-1, 0] > 10 ** (NO_CONVERSION_DB / 20) * usual / 3:
        return None
    top = max(float(level[-1]), float(reading.noise_gain[-1, 0]))
    if _db(top / usual) > NO_CONVERSION_DB:
        return None
    return WiringFault(
        "sample-rate conversion",
        f"what is played at {reading.frequency_hz[-1]:.0f} Hz does not come back: the system converts the sample "
        f"rate behind {reading.sample_rate_hz} Hz",
        "choose --rate as the device runs, or set the system to "
        f"{reading.sample_rate_hz} Hz",
    )


def _noise_dbfs(reading: ToneReading) -> float:
    return 20 * math.log10(max(float(np.std(reading.silence, axis=0).max()), 1e-9))


def _db(ratio: float) -> float:
    return 20 * math.log10(max(ratio, 1e-9))
