"""What is settled with the person before a live take: cut-off recordings, cautions, the voltage of the output."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from capture.audio_device import AudioDevice
from capture.build_folder import BuildFolder
from capture.errors import StillboxError
from capture.output_calibration import (
    TONE_HZ,
    TONE_STEP_DB,
    MeasuringTone,
    keep_loudest_volts,
    loudest_volts,
)
from capture.safety import LOWEST_LEVEL_DBFS, acknowledge_cautions, cautions_acknowledged


@dataclass(frozen=True)
class Dialogue:
    """How to talk to the person; ``confirm`` and ``ask`` are None where nobody can be asked."""

    say: Callable[[str], None]
    warn: Callable[[str], None]
    confirm: Callable[[str], bool] | None = None
    ask: Callable[[str], str] | None = None


def offer_removal(build: BuildFolder, dialogue: Dialogue) -> None:
    """Name recordings that were cut off, and remove them if the person wants."""
    unfinished = build.unfinished()
    if not unfinished:
        return
    names = ", ".join(path.name for path in unfinished)
    if dialogue.confirm is None:
        remedy = f"remove them with 'stillbox takes {build.path} --remove-unfinished'"
        dialogue.warn(f"recordings that were cut off: {names}; {remedy}")
    elif dialogue.confirm(f"Recordings that were cut off: {names}. Remove them?"):
        build.remove_unfinished()


def heed_cautions(
    build: BuildFolder, device: AudioDevice, texts: Iterable[str], read: bool, dialogue: Dialogue
) -> None:
    """Show the cautions before the first sweep of a session; once per build they are acknowledged.

    Parameters
    ----------
    read : bool
        The person has said so beforehand.
    """
    if device.info.harmless:
        return
    for text in texts:
        dialogue.say(f"caution: {text}")
    if cautions_acknowledged(build):
        return
    question = "Have you read these, and does your jig heed them?"
    if read or (dialogue.confirm is not None and dialogue.confirm(question)):
        acknowledge_cautions(build)


def know_output(device: AudioDevice, volts: float | None, dialogue: Dialogue) -> None:
    """The voltage of the output: given, known, measured with a guide, or left unknown at the lowest level."""
    info = device.info
    if volts is not None:
        keep_loudest_volts(info, volts)
    elif loudest_volts(info) is None:
        if dialogue.ask is None or dialogue.confirm is None:
            dialogue.warn(
                f"how many volts {info.name} gives is not known, so the level stays the lowest; give --loudest-volts"
            )
            return
        dialogue.say(
            f"First use of {info.name}: how many volts does it give? Take the speaker off the clips, turn the volume "
            "to where it will stay, set a multimeter to AC volts and hold it across the output: source side of the "
            f"reference resistor, and ground. A tone of {TONE_HZ:g} Hz will play, quiet at first."
        )
        if dialogue.confirm("Measure now? Otherwise the level stays the lowest."):
            measured = _measured(device, dialogue.ask)
            keep_loudest_volts(info, measured)
            dialogue.say(f"{info.name} gives {measured:.3g} V rms at full scale; kept")


def _measured(device: AudioDevice, ask: Callable[[str], str]) -> float:
    """Output at full scale, V rms: louder and louder until the person can read the meter."""
    level_dbfs = LOWEST_LEVEL_DBFS
    while level_dbfs <= 0:
        with MeasuringTone(device, device.info.default_rate_hz, level_dbfs) as tone:
            answer = ask(f"{level_dbfs:.0f} dBFS: volts on the meter (Enter alone: too little to read, play louder)")
            if answer.strip():
                return tone.loudest_volts(_number(answer))
        level_dbfs += TONE_STEP_DB
    raise StillboxError("nothing to read even at full scale; check the meter, the volume and the cable")


def _number(answer: str) -> float:
    try:
        return float(answer.strip().replace(",", "."))
    except ValueError as error:
        raise StillboxError(f"'{answer.strip()[:40]}' is no number of volts; write 0.14") from error
