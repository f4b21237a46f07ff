"""How loud a live sweep may get, and whether the cautions have been read."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime

from capture.build_description import Limits
from capture.build_folder import BuildFolder
from capture.whole_file import write_whole

DEFAULT_CLIPS_VOLTS = 2.0
DEFAULT_RESISTOR_WATTS = 0.25
DEFAULT_SPEAKER_WATTS = 1.0

UNKNOWN_REFERENCE_OHM = 1.0
"""Powers are counted with this one where the reference resistor is not known: the smaller, the more cautious."""

LOWEST_LEVEL_DBFS = -40.0
"""The level of sweeps whose voltage is not known, and of the first tone of a measurement of the output."""

ACKNOWLEDGED_FILE = "cautions-read.toml"


@dataclass(frozen=True)
class OutputLimit:
    """What the output may do.

    Attributes
    ----------
    peak : float
        Peak that the output never exceeds, full scale = 1.
    volts : float or None
        Voltage at the clips that a sine of this peak has with nothing on them, V rms; None where the output was
        never measured.
    lowest_hz : float
        Nothing below it is played; 0 for no limit.
    reason : str
        What sets the limit, in words.
    """

    peak: float
    volts: float | None
    lowest_hz: float
    reason: str

    @property
    def dbfs(self) -> float:
        return 20 * math.log10(self.peak)


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
    if loudest_volts is None:
        return OutputLimit(
            10 ** (LOWEST_LEVEL_DBFS / 20), None, lowest_hz, "the voltage of this output has never been measured"
        )
    known = UNKNOWN_REFERENCE_OHM if reference_ohm is None else reference_ohm
    resistor_watts = DEFAULT_RESISTOR_WATTS if limits.resistor_watts is None else limits.resistor_watts
    speaker_watts = DEFAULT_SPEAKER_WATTS if limits.speaker_watts is None else limits.speaker_watts
    clips_volts = DEFAULT_CLIPS_VOLTS if limits.clips_volts is None else limits.clips_volts
    about = f"{known:g} ohm" if reference_ohm is not None else f"{known:g} ohm assumed, as calibrate has not been run"
    candidates = [
        (clips_volts, f"{clips_volts:g} V at the clips"),
        (math.sqrt(resistor_watts * known), f"{resistor_watts:g} W in the reference resistor ({about})"),
        (math.sqrt(4 * speaker_watts * known), f"{speaker_watts:g} W in the speaker ({about})"),
        (loudest_volts, "the output gives no more"),
    ]
    volts, reason = min(candidates)
    return OutputLimit(volts / loudest_volts, volts, lowest_hz, reason)


def highest_power_watts(volts: float, reference_ohm: float) -> tuple[float, float]:
    """The most that resistor and device can get of ``volts`` rms at the source, W (see output_limit)."""
    return volts**2 / reference_ohm, volts**2 / (4 * reference_ohm)


def cautions_acknowledged(build: BuildFolder) -> bool:
    """Whether someone has said for this build that the cautions were read."""
    return (build.path / ACKNOWLEDGED_FILE).is_file()


def acknowledge_cautions(build: BuildFolder) -> None:
    """Keep for this build that the cautions were read."""
    moment = datetime.now(UTC).replace(microsecond=0).isoformat()
    with build.lock():
        write_whole(
            build.path / ACKNOWLEDGED_FILE,
            "# Written by Stillbox when the cautions before the first sweep of this build were read.\n"
            f"read = {moment}\n",
        )
