"""The tone by which a person measures with a multimeter how many volts an output gives.

It obeys every limit of the build, begins where even an output never measured stays within them, rises in steps, each
of which the person has to want, and stops at HIGHEST_TONE_DBFS.
"""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError
from stillbox.capture.sound.audio_device import AudioDevice, Playback, StreamState
from stillbox.capture.sound.output_calibration import loudest_volts
from stillbox.capture.sound.safety import LOWEST_LEVEL_DBFS, UNMEASURED_VOLTS, allowed_volts
from stillbox.capture.sound.sound_gate import tone_permit
from stillbox.capture.sound.sound_permit import SoundPermit

TONE_HZ = 100.0
"""Where cheap multimeters are still right; not a mains frequency, so that hum is not taken for it."""

METER_HZ = 1000.0
"""Multimeters are not to be trusted above."""

TONE_S = 120.0
TONE_STEP_DB = 10.0
RISE_S = 0.05


@dataclass(frozen=True)
class TonePlan:
    """What the tone may be on one device.

    Attributes
    ----------
    permit : SoundPermit
    frequency_hz : float
    first_dbfs, highest_dbfs : float
        Levels of the first step, and of the last.
    allowed_volts : float
        What the limits of the build allow at the source, V rms.
    """

    permit: SoundPermit
    frequency_hz: float
    first_dbfs: float
    highest_dbfs: float
    allowed_volts: float

    @property
    def safe_reading_volts(self) -> float:
        """Below this reading the next step keeps within the limits, V rms."""
        return self.allowed_volts / 10 ** (TONE_STEP_DB / 20)

    @property
    def sentence(self) -> str:
        """What will be heard, for the person."""
        return (
            f"A tone of {self.frequency_hz:g} Hz plays, at {self.first_dbfs:.0f} dBFS first; each step louder needs "
            f"your yes, and it stops at {self.highest_dbfs:.0f} dBFS."
        )

    @property
    def question(self) -> str:
        """What must hold before it gets louder."""
        return f"Does the meter show less than {self.safe_reading_volts:.2g} V?"

    def after(self, level_dbfs: float) -> float | None:
        """Level of the next step; None after the last."""
        return None if level_dbfs >= self.highest_dbfs else min(level_dbfs + TONE_STEP_DB, self.highest_dbfs)


def plan_tone(build: BuildFolder, device: AudioDevice) -> TonePlan:
    """The tone that the limits of a build allow on a device.

    Raises
    ------
    ToneNotReadable
    StillboxError
        If the gate gives no leave.
    """
    permit = tone_permit(build, device)
    frequency_hz = max(TONE_HZ, permit.limit.lowest_hz)
    if frequency_hz > METER_HZ:
        raise ToneNotReadable(
            f"[limits] in {build.path / 'build.toml'} allows nothing below {frequency_hz:g} Hz, where multimeters do "
            "not read right, so no tone is played",
            "measure the output on a build without that limit and nothing on the clips, or give its voltage "
            "(--loudest-volts)",
        )
    calibration = build.calibration
    reference_ohm = None if calibration is None else calibration.reference_ohm
    allowed, _ = allowed_volts(build.description.limits.of_whatever(), reference_ohm)
    highest_dbfs = permit.limit.dbfs
    first_dbfs = min(LOWEST_LEVEL_DBFS, highest_dbfs)
    if loudest_volts(device.info) is None:
        first_dbfs = min(first_dbfs, 20 * math.log10(allowed / UNMEASURED_VOLTS))
    return TonePlan(permit, frequency_hz, first_dbfs, highest_dbfs, allowed)


class ToneNotReadable(StillboxError):
    """The limits leave no tone that a multimeter reads."""


class MeasuringTone:
    """A steady tone while a person reads a multimeter, as a context manager.

    Attributes
    ----------
    level_dbfs : float
    failure : Exception or None
        Why it does not sound.
    """

    def __init__(self, device: AudioDevice, plan: TonePlan, level_dbfs: float) -> None:
        self.level_dbfs = min(level_dbfs, plan.highest_dbfs)
        self.failure: Exception | None = None
        self._device, self._plan = device, plan
        self._state = StreamState()
        self._thread = threading.Thread(target=self._play, name="measuring tone", daemon=True)

    def __enter__(self) -> MeasuringTone:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._state.request_stop()
        self._thread.join()

    def require_sound(self) -> None:
        """StillboxError if the tone could not be played, or has ended by itself."""
        if self.failure is not None:
            if not isinstance(self.failure, StillboxError):
                raise self.failure
            fault, remedy = self.failure.fault, self.failure.remedy
            raise StillboxError(f"the measuring tone stopped: {fault}", remedy) from self.failure
        if not self._thread.is_alive():
            raise StillboxError(f"the measuring tone has ended after {TONE_S:g} s", "play it again")

    def loudest_volts(self, reading_volts: float) -> float:
        """Output at full scale for what the meter reads now, V rms.

        Raises
        ------
        StillboxError
            If the tone does not sound, or the reading cannot be.
        """
        self.require_sound()
        if not reading_volts > 0:
            raise StillboxError(f"a reading of {reading_volts:g} V tells nothing", "give volts above 0")
        return reading_volts * 10 ** (-self.level_dbfs / 20)

    def _play(self) -> None:
        device, plan = self._device, self._plan
        rate_hz = device.info.default_rate_hz
        samples = _tone(plan.frequency_hz, rate_hz) * np.float32(10 ** (self.level_dbfs / 20))
        try:
            report = device.play_and_record(plan.permit, Playback(samples, rate_hz), lambda _: None, self._state)
            report.require_device(device.info.name)
        except Exception as error:  # shown by require_sound: a failure always surfaces
            self.failure = error


def _tone(frequency_hz: float, rate_hz: int) -> NDArray[np.float32]:
    """TONE_S of a sine of peak 1 with a soft beginning, float32."""
    frames = np.arange(round(TONE_S * rate_hz))
    samples: NDArray[np.float32] = np.sin(2 * np.pi * frequency_hz / rate_hz * frames).astype(np.float32)
    rise = round(RISE_S * rate_hz)
    samples[:rise] *= (0.5 - 0.5 * np.cos(np.pi * frames[:rise] / rise)).astype(np.float32)
    return samples
