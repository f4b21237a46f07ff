"""The one gate before any sound: every output opens by a permit, and permits come from here alone.

    permit = sound_permit(build, device, subject)
    device.play_and_record(permit, playback, sink, state)

A permit is only given when the cautions were read for this build and its limits are known. Whatever plays, whatever
for, goes this way: the signature of every device asks for the permit, and its first line requires it.
"""

from __future__ import annotations

from collections.abc import Iterable

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.build_layout import DESCRIPTION_FILE
from stillbox.capture.recording.take import DRIVER_SUBJECTS, Subject, driver_name
from stillbox.capture.sound.audio_device import AudioDevice, DeviceInfo
from stillbox.capture.sound.output_calibration import loudest_volts
from stillbox.capture.sound.safety import acknowledge_cautions, cautions_acknowledged, output_limit, tone_limit
from stillbox.capture.sound.sound_permit import OutputLimit, SoundPermit


class CautionsNotRead(StillboxError):
    """Nobody has said for this build that the cautions were read, so nothing may sound."""

    def __init__(self) -> None:
        super().__init__(
            "the cautions have not been read for this build yet, so nothing was played",
            "run 'stillbox record' at a terminal and answer, or give --cautions-read; in the window, sweep and answer"
        )


def cautions_due(build: BuildFolder, info: DeviceInfo) -> bool:
    """Whether the person has to read the cautions before anything may sound on a device."""
    return not info.harmless and not cautions_acknowledged(build)


def read_cautions(build: BuildFolder, info: DeviceInfo, said_so: bool) -> None:
    """Keep that the person has read the cautions; CautionsNotRead where they have not said so."""
    if not cautions_due(build, info):
        return
    if not said_so:
        raise CautionsNotRead
    acknowledge_cautions(build)


class LowestNotTold(StillboxError):
    """Nobody has said how low a driver may be swept on its own terminals, so nothing may sound there."""

    def __init__(self, driver: str) -> None:
        super().__init__(
            f"it is not known how low driver '{driver}' may be swept on its own terminals, so nothing was played",
            f"say it in {DESCRIPTION_FILE}: [limits.drivers.{driver}] lowest_hz, for a tweeter no less than twice its "
            f'resonance; or, if it is the driver in the box, [driver] name = "{driver}"',
        )


class DriverNotTold(StillboxError):
    """The speaker has several drivers, and nobody has said which one is on the clips."""

    def __init__(self, names: Iterable[str]) -> None:
        super().__init__(
            f"this speaker has drivers with limits of their own ({', '.join(names)}), and it is not told which one is "
            "on the clips, so nothing was played",
            "name it: --driver NAME, in the window 'Driver or part'",
        )


def sound_permit(build: BuildFolder, device: AudioDevice, subject: Subject, driver: str = "") -> SoundPermit:
    """Leave to play into what is on the clips, within the limits of the build for that subject.

    Parameters
    ----------
    driver : str
        Name of the driver on whose own terminals the clips sit; empty for what has no name.

    Raises
    ------
    CautionsNotRead
    LowestNotTold, DriverNotTold
    StillboxError
        If ``build.toml`` or the kept voltage of the output cannot be read: without known limits nothing sounds.
    """
    info = device.info
    _require_cautions(build, info)
    description, driver = build.description, driver_name(driver)
    limits = description.limits.of(subject, driver)
    if subject in DRIVER_SUBJECTS and subject != "in-box" and not driver and description.limits.drivers:
        raise DriverNotTold(description.limits.drivers)
    if subject in DRIVER_SUBJECTS and driver not in ("", description.driver.name):
        own = description.limits.drivers.get(driver)
        if own is None or own.lowest_hz is None:  # that of other drivers says nothing of this one
            raise LowestNotTold(driver)
    return _granted(info, output_limit(limits, loudest_volts(info), _reference_ohm(build)))


def tone_permit(build: BuildFolder, device: AudioDevice) -> SoundPermit:
    """Leave to play the tone by which the output is measured, within the tightest limits of any subject.

    Raises
    ------
    CautionsNotRead, StillboxError
        As ``sound_permit``.
    """
    info = device.info
    _require_cautions(build, info)
    limits = build.description.limits.of_whatever()
    return _granted(info, tone_limit(limits, loudest_volts(info), _reference_ohm(build)))


def practice_permit(device: AudioDevice, limit: OutputLimit) -> SoundPermit:
    """Leave to play on a device that drives nothing real, without a build; StillboxError for any other."""
    info = device.info
    if not info.harmless:
        raise StillboxError(f"{info.name} drives something real, so only the gate of a build may open it", "")
    return _granted(info, limit)


def _require_cautions(build: BuildFolder, info: DeviceInfo) -> None:
    if cautions_due(build, info):
        raise CautionsNotRead


def _reference_ohm(build: BuildFolder) -> float | None:
    calibration = build.calibration
    return None if calibration is None else calibration.reference_ohm


def _granted(info: DeviceInfo, limit: OutputLimit) -> SoundPermit:
    return SoundPermit._grant(info.key, limit)
