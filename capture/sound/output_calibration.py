"""How many volts an output gives: kept per user and device."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from stillbox.capture.errors import StillboxError
from stillbox.capture.files.small_file import parse_toml, read_small_text, why_unreadable
from stillbox.capture.files.whole_file import write_whole
from stillbox.capture.ranges import LOUDEST_RANGE_VOLTS
from stillbox.capture.sound.audio_device import DeviceInfo


def outputs_path() -> Path:
    """The user's file of measured outputs."""
    import platformdirs

    return platformdirs.user_config_path("stillbox") / "outputs.toml"


def loudest_volts(info: DeviceInfo) -> float | None:
    """Voltage of a device's output at full scale, V rms; None where it was never measured."""
    if info.loudest_volts is not None:
        return info.loudest_volts
    entry = _read().get(info.key)
    volts = entry.get("loudest_volts") if isinstance(entry, dict) else None
    if isinstance(volts, int | float) and LOUDEST_RANGE_VOLTS[0] <= volts <= LOUDEST_RANGE_VOLTS[1]:
        return float(volts)
    return None


def keep_loudest_volts(info: DeviceInfo, volts: float) -> None:
    """Remember the voltage of a device's output at full scale, V rms."""
    low, high = LOUDEST_RANGE_VOLTS
    if not low <= volts <= high:
        raise StillboxError(f"an output of {volts:g} V rms is outside {low:g} to {high:g} V", "measure it again")
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment("Written by Stillbox: output voltage of each device at full scale, V rms."))
    entries = _read()
    moment = datetime.now(UTC).replace(microsecond=0)
    entries[info.key] = {"loudest_volts": float(volts), "measured": moment}
    for key, entry in entries.items():
        document.add(key, tomlkit.item(entry))
    path = outputs_path()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StillboxError(f"cannot make {path.parent}: {error.strerror}", "check the rights there") from error
    write_whole(path, tomlkit.dumps(document))


def _read() -> dict[str, dict[str, object]]:
    path = outputs_path()
    try:
        document = parse_toml(read_small_text(path))
    except FileNotFoundError:
        return {}
    except (OSError, ValueError) as error:
        reason = why_unreadable(error)
        raise StillboxError(f"cannot read {path}: {reason}", "mend it, or delete it and measure again") from error
    return {key: entry for key, entry in document.items() if isinstance(entry, dict)}
