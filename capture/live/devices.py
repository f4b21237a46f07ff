"""The list of devices, and the device that a name means."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from stillbox.capture.errors import StillboxError
from stillbox.capture.practice.practice_rig import RIG_NAME, PracticeRig, rig_named
from stillbox.capture.sound.audio_device import RECORDED_CHANNELS, AudioDevice, DeviceInfo
from stillbox.capture.sound.sound_card import CardEntry, SoundCard, list_entries, no_card


@dataclass(frozen=True)
class DeviceList:
    """What can be played and recorded on.

    Attributes
    ----------
    devices : tuple of DeviceInfo
        Sound card entries in PortAudio's order, then the practice rig.
    default_name : str
        What is taken when no device is named.
    trouble : StillboxError or None
        Why, and what to install or plug in, where there is no usable sound card.
    """

    devices: tuple[DeviceInfo, ...]
    default_name: str
    trouble: StillboxError | None


def list_devices() -> DeviceList:
    """All devices with the rates they accept; asking the system for them takes a moment."""
    cards = _cards()
    rated = tuple(
        replace(card.info, rates_hz=SoundCard(card, card).rates_hz()) if _complete(card.info) else card.info
        for card in cards.entries
    )
    rig = replace(PracticeRig().info, name=RIG_NAME)
    return DeviceList((*rated, rig), _default(cards).info.name if cards.entries else RIG_NAME, cards.trouble)


def device_rows(there: DeviceList) -> list[tuple[str, ...]]:
    """The list as rows of text: number, name, host API, outputs, inputs, rates."""
    return [
        (
            "" if info.kind == "practice rig" else str(number),
            info.name,
            info.host_api,
            str(info.output_channels),
            str(info.input_channels),
            ", ".join(map(str, info.rates_hz)) or f"{info.default_rate_hz} (one direction)",
        )
        for number, info in enumerate(there.devices)
    ]


def find_device(name: str | None, input_name: str | None = None, *, real_pace: bool = False) -> AudioDevice:
    """The device a person means.

    Parameters
    ----------
    name : str or None
        ``practice rig`` (with a speaker and faults behind a colon), a number of the list, or a part of a name that
        fits one entry only; None for the default: the sound card, or the practice rig where there is none.
    input_name : str or None
        Another entry for the inputs, where the system lists outputs and inputs apart.
    real_pace : bool
        Whether a practice rig takes as long as a sound card.

    Raises
    ------
    StillboxError
        If no entry fits, or several do; lists what there is.
    """
    if name is not None and name.strip().lower().startswith(RIG_NAME):
        return rig_named(name, real_pace)
    cards = _cards()
    if name is None and input_name is None:
        device = _default(cards)
        return PracticeRig(real_pace=real_pace) if isinstance(device, PracticeRig) else device
    entries = cards.entries
    if not entries:
        raise cards.trouble or no_card()
    if name is None:
        raise StillboxError("--input-device needs --device for the output", "see 'stillbox devices'")
    output = _matching(entries, name, "output")
    if input_name is not None:
        return SoundCard(output, _matching(entries, input_name, "input"))
    return SoundCard(output, output if _complete(output.info) else _partner(entries, output))


@dataclass(frozen=True)
class _Cards:
    """Entries of PortAudio, its default output and input, and why none can be used where that is so."""

    entries: list[CardEntry]
    default: tuple[int, int]
    trouble: StillboxError | None


def _cards() -> _Cards:
    try:
        entries, default = list_entries()
    except StillboxError as error:
        return _Cards([], (-1, -1), error)
    usable = any(entry.info.input_channels >= RECORDED_CHANNELS for entry in entries) and any(
        entry.info.output_channels for entry in entries
    )
    return _Cards(entries, default, None if usable else no_card())


def _complete(info: DeviceInfo) -> bool:
    return info.input_channels >= RECORDED_CHANNELS and info.output_channels >= 1


def _default(cards: _Cards) -> AudioDevice:
    """The system's default pair, else the first entry with both directions, else the practice rig."""
    entries, (output, recording) = cards.entries, cards.default
    if (
        0 <= output < len(entries)
        and 0 <= recording < len(entries)
        and entries[output].info.output_channels
        and entries[recording].info.input_channels >= RECORDED_CHANNELS
        and entries[output].info.host_api == entries[recording].info.host_api
    ):
        return SoundCard(entries[output], entries[recording])
    for entry in entries:
        if _complete(entry.info):
            return SoundCard(entry, entry)
    return PracticeRig()


def _matching(entries: list[CardEntry], name: str, direction: str) -> CardEntry:
    """The only entry that fits; an exact name wins over parts of names."""
    if name.isascii() and name.isdigit() and int(name) < len(entries):
        return entries[int(name)]
    wanted = name.strip().lower()
    least_outputs, least_inputs = (1, 0) if direction == "output" else (0, RECORDED_CHANNELS)
    able = {
        entry.index: (entry.info.name.lower(), entry.info.key.lower())
        for entry in entries
        if entry.info.output_channels >= least_outputs and entry.info.input_channels >= least_inputs
    }
    exact = [index for index, labels in able.items() if wanted in labels]
    fitting = exact or [index for index, labels in able.items() if wanted in labels[1]]
    if len(fitting) == 1:
        return entries[fitting[0]]
    listed = ", ".join(f"{index} {entries[index].info.key}" for index in fitting or able)
    fault = "fits several devices" if fitting else f"is no device with an {direction}"
    raise StillboxError(f"'{name}' {fault}", f"give one by its number: {listed or 'none'}, or '{RIG_NAME}'")


def _partner(entries: list[CardEntry], output: CardEntry) -> CardEntry:
    """The entry with two inputs that shares most words with an output-only entry, in the same host API."""
    own = output.info
    words = set(re.findall(r"\w{3,}", own.name.lower()))
    able = [
        entry
        for entry in entries
        if entry.info.host_api == own.host_api and entry.info.input_channels >= RECORDED_CHANNELS
    ]
    shared = {
        entry.index: len(words & set(re.findall(r"\w{3,}", entry.info.name.lower()))) for entry in able
    }
    best = [entry for entry in able if shared[entry.index] == max(shared.values()) > 0]
    if len(best) != 1:
        raise StillboxError(
            f"{own.name} has no two inputs", "name the entry with the inputs by --input-device ('stillbox devices')"
        )
    return best[0]
