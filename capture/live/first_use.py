"""What is settled with the person before a live take: cut-off recordings, cautions, the voltage of the output."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError
from stillbox.capture.sound.audio_device import AudioDevice
from stillbox.capture.sound.measuring_tone import MeasuringTone, ToneNotReadable, plan_tone
from stillbox.capture.sound.output_calibration import keep_loudest_volts, loudest_volts
from stillbox.capture.sound.sound_gate import cautions_due, read_cautions


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
    """Show the cautions before the first sound of a session; once per build they are acknowledged.

    Parameters
    ----------
    read : bool
        The person has said so beforehand.

    Raises
    ------
    CautionsNotRead
        If they say no, or nobody can be asked: then nothing may sound.
    """
    if device.info.harmless:
        return
    for text in texts:
        dialogue.say(f"caution: {text}")
    if cautions_due(build, device.info):
        question = "Have you read these, and does your jig heed them?"
        read_cautions(build, device.info, read or (dialogue.confirm is not None and dialogue.confirm(question)))


def know_output(build: BuildFolder, device: AudioDevice, volts: float | None, dialogue: Dialogue) -> None:
    """The voltage of the output: given, known, measured with a guide, or left unknown at the lowest level.

    The cautions come first (see ``heed_cautions``): the tone goes through the gate.
    """
    info = device.info
    if volts is not None:
        keep_loudest_volts(info, volts)
    elif loudest_volts(info) is None:
        if dialogue.ask is None or dialogue.confirm is None:
            dialogue.warn(
                f"how many volts {info.name} gives is not known, so the level stays the lowest; give --loudest-volts"
            )
            return
        measured = _measured(build, device, dialogue.ask, dialogue.confirm, dialogue)
        if measured is not None:
            keep_loudest_volts(info, measured)
            dialogue.say(f"{info.name} gives {measured:.3g} V rms at full scale; kept")


def _measured(
    build: BuildFolder,
    device: AudioDevice,
    ask: Callable[[str], str],
    confirm: Callable[[str], bool],
    dialogue: Dialogue,
) -> float | None:
    """Output at full scale, V rms: louder step by step, each with the person's yes; None where they say no."""
    try:
        plan = plan_tone(build, device)
    except ToneNotReadable as error:
        dialogue.warn(f"how many volts {device.info.name} gives is not known, so the level stays the lowest: {error}")
        return None
    dialogue.say(
        f"First use of {device.info.name}: how many volts does it give? Take the speaker off the clips, turn the "
        "volume to where it will stay, set a multimeter to AC volts and hold it across the output: source side of the "
        f"reference resistor, and ground. {plan.sentence}"
    )
    level_dbfs = plan.first_dbfs
    if not confirm(f"Measure now, beginning at {level_dbfs:.0f} dBFS? Otherwise the level stays the lowest."):
        return None
    while True:
        with MeasuringTone(device, plan, level_dbfs) as tone:
            answer = ask(f"{level_dbfs:.0f} dBFS: volts on the meter (Enter alone: too little to read)")
            if answer.strip():
                return tone.loudest_volts(_number(answer))
            tone.require_sound()
        louder_dbfs = plan.after(level_dbfs)
        if louder_dbfs is None:
            raise StillboxError(
                f"nothing to read at {level_dbfs:.0f} dBFS, where the tone stops",
                "check the meter, its range, the volume and the cable, or give --loudest-volts",
            )
        if not confirm(f"{plan.question} Play it at {louder_dbfs:.0f} dBFS?"):
            return None
        level_dbfs = louder_dbfs


def _number(answer: str) -> float:
    try:
        return float(answer.strip().replace(",", "."))
    except ValueError as error:
        raise StillboxError(f"'{answer.strip()[:40]}' is no number of volts", "write 0.14") from error
