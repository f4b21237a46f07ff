"""The list of devices, and the device that a name means."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from capture.audio_device import RECORDED_CHANNELS, AudioDevice, DeviceInfo
from capture.errors import StillboxError
from capture.practice_rig import RIG_NAME, PracticeRig, rig_named
from capture.sound_card import NO_CARD, SoundCard, default_indices, list_entries


@dataclass(frozen=True)
class DeviceList:
    """What can be played and recorded on.

    Attributes
    ----------
    devices : tuple of DeviceInfo
        Sound card entries in PortAudio's order, then the practice rig.
    default_name : str
        What is taken when no device is named.
    remedy : str or None
        What to install or plug in, where there is no usable sound card.
    """

    devices: tuple[DeviceInfo, ...]
    default_name: str
    remedy: str | None


def list_devices() -> DeviceList:
    """All devices with the rates they accept; asking the system for them takes a moment."""
    cards, remedy = _cards()
    rated = tuple(
        replace(info, rates_hz=SoundCard(index, index).rates_hz()) if _complete(info) else info
        for index, info in enumerate(cards)
    )
    rig = replace(PracticeRig().info, name=RIG_NAME)
    return DeviceList((*rated, rig), _default(cards).info.name if cards else RIG_NAME, remedy)


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
    cards, remedy = _cards()
    if name is None and input_name is None:
        device = _default(cards)
        return PracticeRig(real_pace=real_pace) if isinstance(device, PracticeRig) else device
    if not cards:
        raise StillboxError(remedy or NO_CARD)
    if name is None:
        raise StillboxError("--input-device needs --device for the output; see 'stillbox devices'")
    output = _matching(cards, name, "output")
    if input_name is not None:
        return SoundCard(output, _matching(cards, input_name, "input"))
    return SoundCard(output, output if _complete(cards[output]) else _partner(cards, output))


def _cards() -> tuple[list[DeviceInfo], str | None]:
    """Entries of PortAudio, and the remedy where none can be used."""
    try:
        cards = list_entries()
    except StillboxError as error:
        return [], str(error)
    usable = any(info.input_channels >= RECORDED_CHANNELS for info in cards) and any(
        info.output_channels for info in cards
    )
    return cards, None if usable else NO_CARD


def _complete(info: DeviceInfo) -> bool:
    return info.input_channels >= RECORDED_CHANNELS and info.output_channels >= 1


def _default(cards: list[DeviceInfo]) -> AudioDevice:
    """The system's default pair, else the first entry with both directions, else the practice rig."""
    if not cards:
        return PracticeRig()
    output, recording = default_indices()
    if (
        0 <= output < len(cards)
        and 0 <= recording < len(cards)
        and cards[output].output_channels
        and cards[recording].input_channels >= RECORDED_CHANNELS
        and cards[output].host_api == cards[recording].host_api
    ):
        return SoundCard(output, recording)
    for index, info in enumerate(cards):
        if _complete(info):
            return SoundCard(index, index)
    return PracticeRig()


def _matching(cards: list[DeviceInfo], name: str, direction: str) -> int:
    """Number of the only entry that fits; an exact name wins over parts of names."""
    if name.isascii() and name.isdigit() and int(name) < len(cards):
        return int(name)
    wanted = name.strip().lower()
    least_outputs, least_inputs = (1, 0) if direction == "output" else (0, RECORDED_CHANNELS)
    able = {
        index: (info.name.lower(), f"{info.host_api}: {info.name}".lower())
        for index, info in enumerate(cards)
        if info.output_channels >= least_outputs and info.input_channels >= least_inputs
    }
    exact = [index for index, labels in able.items() if wanted in labels]
    fitting = exact or [index for index, labels in able.items() if wanted in labels[1]]
    if len(fitting) == 1:
        return fitting[0]
    listed = ", ".join(f"{index} {cards[index].host_api}: {cards[index].name}" for index in fitting or able)
    fault = "fits several devices" if fitting else f"is no device with an {direction}"
    raise StillboxError(f"'{name}' {fault}; give one by its number: {listed or 'none'}, or '{RIG_NAME}'")


def _partner(cards: list[DeviceInfo], output: int) -> int:
    """The entry with two inputs that shares most words with an output-only entry, in the same host API."""
    own = cards[output]
    words = set(re.findall(r"\w{3,}", own.name.lower()))
    able = [
        index
        for index, info in enumerate(cards)
        if info.host_api == own.host_api and info.input_channels >= RECORDED_CHANNELS
    ]
    shared = {index: len(words & set(re.findall(r"\w{3,}", cards[index].name.lower()))) for index in able}
    best = [index for index in able if shared[index] == max(shared.values()) > 0]
    if len(best) != 1:
        raise StillboxError(
            f"{own.name} has no two inputs; name the entry with the inputs by --input-device ('stillbox devices')"
        )
    return best[0]
