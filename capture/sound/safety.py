"""How loud a live sweep may get, and whether the cautions have been read."""

from __future__ import annotations

import math
from dataclasses import replace

from stillbox.capture.build.build_description import Limits
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.consent import is_read, keep_read
from stillbox.capture.files.build_layout import ACKNOWLEDGED_FILE
from stillbox.capture.sound.sound_permit import OutputLimit

DEFAULT_CLIPS_VOLTS = 2.0
DEFAULT_RESISTOR_WATTS = 0.25
DEFAULT_SPEAKER_WATTS = 1.0

UNKNOWN_REFERENCE_OHM = 1.0
"""Powers are counted with this one where the reference resistor is not known: the smaller, the more cautious."""

LOWEST_LEVEL_DBFS = -40.0
"""The highest level of sweeps whose voltage is not known, and of the first tone of a measurement of the output."""

UNMEASURED_VOLTS = 40.0
"""An output that was never measured is taken for this much at full scale, V rms: an amplifier of 200 W at 8 ohm."""

HIGHEST_TONE_DBFS = -10.0
"""Where the tone of a measurement of the output stops."""


def output_limit(limits: Limits, loudest_volts: float | None, reference_ohm: float | None) -> OutputLimit:
    """The tightest of all limits, as a peak of the output.

    With V at the source, whatever is on the clips: the clips get at most V, the resistor at most ``V^2/R`` (clips
    shorted), the device at most ``V^2/(4 R)`` (matched: the most that a source of resistance R can give).

    Parameters
    ----------
    limits : Limits
    loudest_volts : float or None
        Output at full scale, V rms; None where it was never measured.
    reference_ohm : float or None
    """
    lowest_hz = limits.lowest_hz or 0.0
    volts, reason = allowed_volts(limits, reference_ohm)
    if loudest_volts is None:
        lowest, held = 10 ** (LOWEST_LEVEL_DBFS / 20), volts / UNMEASURED_VOLTS
        reason = "" if held >= lowest else f" and might be {UNMEASURED_VOLTS:g} V, where {reason} are allowed"
        return OutputLimit(
            min(lowest, held), None, lowest_hz, f"the voltage of this output has never been measured{reason}"
        )
    if volts >= loudest_volts:
        volts, reason = loudest_volts, "the output gives no more"
    return OutputLimit(volts / loudest_volts, volts, lowest_hz, reason)


def tone_limit(limits: Limits, loudest_volts: float | None, reference_ohm: float | None) -> OutputLimit:
    """What the tone may do by which an output is measured: the limit of sweeps, and never above HIGHEST_TONE_DBFS.

    Parameters as in ``output_limit``; where the voltage is known already it is trusted, and where it is not, the person
    reads the meter before each step (see `capture.sound.measuring_tone`), so that the highest level is that of the
    tone.
    """
    highest = 10 ** (HIGHEST_TONE_DBFS / 20)
    if loudest_volts is not None:
        limit = output_limit(limits, loudest_volts, reference_ohm)
        return replace(limit, peak=min(limit.peak, highest))
    return OutputLimit(highest, None, limits.lowest_hz or 0.0, "the measuring tone goes no higher")


def allowed_volts(limits: Limits, reference_ohm: float | None) -> tuple[float, str]:
    """The highest voltage at the source, V rms, that keeps clips, resistor and device in their limits; what sets it."""
    known = UNKNOWN_REFERENCE_OHM if reference_ohm is None else reference_ohm
    resistor_watts = DEFAULT_RESISTOR_WATTS if limits.resistor_watts is None else limits.resistor_watts
    speaker_watts = DEFAULT_SPEAKER_WATTS if limits.speaker_watts is None else limits.speaker_watts
    clips_volts = DEFAULT_CLIPS_VOLTS if limits.clips_volts is None else limits.clips_volts
    about = f"{known:g} ohm" if reference_ohm is not None else f"{known:g} ohm assumed, as calibrate has not been run"
    return min(
        (clips_volts, f"{clips_volts:g} V at the clips"),
        (math.sqrt(resistor_watts * known), f"{resistor_watts:g} W in the reference resistor ({about})"),
        (math.sqrt(4 * speaker_watts * known), f"{speaker_watts:g} W in the speaker ({about})"),
    )


def cautions_acknowledged(build: BuildFolder) -> bool:
    """Whether this person has said for this build, on this machine, that the cautions were read."""
    return is_read(build.path / ACKNOWLEDGED_FILE)


def acknowledge_cautions(build: BuildFolder) -> None:
    """Keep for this build that the cautions were read."""
    with build.lock():
        keep_read(build.path / ACKNOWLEDGED_FILE)
