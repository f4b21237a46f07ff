"""How many volts an output gives: kept per user and device, measured with a multimeter."""

from __future__ import annotations

import threading
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from capture.audio_device import AudioDevice, DeviceInfo, Playback, StreamState
from capture.errors import StillboxError
from capture.safety import LOWEST_LEVEL_DBFS
from capture.whole_file import write_whole

LOUDEST_RANGE_VOLTS = (0.001, 200.0)
TONE_HZ = 100.0
"""Where cheap multimeters are still right; not a mains frequency, so that hum is not taken for it."""

TONE_S = 300.0
TONE_STEP_DB = 10.0


def outputs_path() -> Path:
    """The user's file of measured outputs."""
    import platformdirs

    return platformdirs.user_config_path("stillbox") / "outputs.toml"


def device_key(info: DeviceInfo) -> str:
    return f"{info.host_api}: {info.name}"


def loudest_volts(info: DeviceInfo) -> float | None:
    """Voltage of a device's output at full scale, V rms; None where it was never measured."""
    if info.loudest_volts is not None:
        return info.loudest_volts
    entry = _read().get(device_key(info))
    volts = entry.get("loudest_volts") if isinstance(entry, dict) else None
    if isinstance(volts, int | float) and LOUDEST_RANGE_VOLTS[0] <= volts <= LOUDEST_RANGE_VOLTS[1]:
        return float(volts)
    return None


def keep_loudest_volts(info: DeviceInfo, volts: float) -> None:
    """Remember the voltage of a device's output at full scale, V rms."""
    low, high = LOUDEST_RANGE_VOLTS
    if not low <= volts <= high:
        raise StillboxError(f"an output of {volts:g} V rms is outside {low:g} to {high:g} V; measure it again")
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment("Written by Stillbox: output voltage of each device at full scale, V rms."))
    entries = _read()
    moment = datetime.now(UTC).replace(microsecond=0)
    entries[device_key(info)] = {"loudest_volts": float(volts), "measured": moment}
    for key, entry in entries.items():
        document.add(key, tomlkit.item(entry))
    path = outputs_path()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StillboxError(f"cannot make {path.parent}: {error.strerror}; check the rights there") from error
    write_whole(path, tomlkit.dumps(document))


def _read() -> dict[str, dict[str, object]]:
    path = outputs_path()
    if not path.is_file():
        return {}
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise StillboxError(f"cannot read {path}: {error}; mend it, or delete it and measure again") from error
    return {key: entry for key, entry in document.items() if isinstance(entry, dict)}


class MeasuringTone:
    """A steady tone while a person reads a multimeter, as a context manager.

    Attributes
    ----------
    level_dbfs : float
    """

    def __init__(self, device: AudioDevice, sample_rate_hz: int, level_dbfs: float = LOWEST_LEVEL_DBFS) -> None:
        self.level_dbfs = min(level_dbfs, 0.0)
        self._device, self._rate_hz = device, sample_rate_hz
        self._state = StreamState()
        self._failure: Exception | None = None
        self._thread = threading.Thread(target=self._play, name="measuring tone", daemon=True)

    def __enter__(self) -> MeasuringTone:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._state.request_stop()
        self._thread.join()

    def loudest_volts(self, reading_volts: float) -> float:
        """Output at full scale for what the meter reads now, V rms.

        Raises
        ------
        StillboxError
            If the tone could not be played, or the reading cannot be.
        """
        if self._failure is not None:
            raise StillboxError(f"the measuring tone stopped: {self._failure}") from self._failure
        if not reading_volts > 0:
            raise StillboxError(f"a reading of {reading_volts:g} V tells nothing; give volts above 0")
        return reading_volts * 10 ** (-self.level_dbfs / 20)

    def _play(self) -> None:
        peak = 10 ** (self.level_dbfs / 20)
        phase = 2 * np.pi * TONE_HZ / self._rate_hz * np.arange(round(TONE_S * self._rate_hz))
        samples = np.sin(phase).astype(np.float32) * np.float32(peak)
        try:
            self._device.play_and_record(Playback(samples, self._rate_hz, peak), lambda _: None, self._state)
        except Exception as error:  # shown by loudest_volts: a failure always surfaces
            self._failure = error
