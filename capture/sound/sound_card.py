"""Sound cards: PortAudio's entries as devices, played through a process of its own (`capture.sound.sound_host`)."""

from __future__ import annotations

from dataclasses import dataclass, replace

from stillbox.capture.errors import StillboxError
from stillbox.capture.sound.audio_device import (
    RATES_HZ,
    BlockSink,
    Clips,
    DeviceInfo,
    DeviceLost,
    Playback,
    StreamReport,
    StreamState,
)
from stillbox.capture.sound.sound_host import sound_host
from stillbox.capture.sound.sound_messages import Head
from stillbox.capture.sound.sound_permit import SoundPermit


def no_card() -> StillboxError:
    """That no entry of the list can be used."""
    return StillboxError(
        "no sound card with an output and two inputs is there",
        "plug one in (line inputs, not a headset), close the programs that hold it, and try again; the practice rig "
        "works without",
    )


@dataclass(frozen=True)
class CardEntry:
    """One entry of PortAudio's list, with its number in it."""

    index: int
    info: DeviceInfo

    @property
    def place(self) -> Head:
        """How it is found again, in a list that may have changed meanwhile."""
        return {"index": self.index, "name": self.info.name, "host_api": self.info.host_api}


class SoundCard:
    """An output and two inputs of PortAudio, as one device; the same entry twice where it has both directions."""

    def __init__(self, output: CardEntry, recording: CardEntry) -> None:
        self._places: Head = {"output": output.place, "input": recording.place}
        same = output.index == recording.index
        self._info = replace(
            output.info,
            name=output.info.name if same else f"{output.info.name} + {recording.info.name}",
            input_channels=recording.info.input_channels,
        )

    @property
    def info(self) -> DeviceInfo:
        return self._info

    def connect(self, clips: Clips) -> None:
        """Nothing to do: the person clips it on."""

    def rates_hz(self) -> tuple[int, ...]:
        """Of RATES_HZ, those that both directions accept; asks the system, which takes a moment."""
        refusals = self._refusals(RATES_HZ)
        return tuple(rate_hz for rate_hz, refusal in zip(RATES_HZ, refusals, strict=True) if refusal is None)

    def require_rate(self, sample_rate_hz: int) -> None:
        [refusal] = self._refusals((sample_rate_hz,))
        if refusal is None:
            return
        rates = ", ".join(map(str, self.rates_hz()))
        remedy = f"choose --rate of {rates}" if rates else "is another program using it?"
        raise StillboxError(f"{self.info.name} refuses {sample_rate_hz} Hz ({refusal})", remedy)

    def _refusals(self, rates_hz: tuple[int, ...]) -> list[str | None]:
        answer = sound_host().ask({"do": "refusals", **self._places, "rates_hz": rates_hz})
        return list(answer["refusals"])

    def play_and_record(
        self, permit: SoundPermit, playback: Playback, sink: BlockSink, state: StreamState
    ) -> StreamReport:
        permit.require(self.info.key, playback.samples, playback.sample_rate_hz)
        order = {
            **self._places,
            "rate_hz": playback.sample_rate_hz,
            "tail_frames": playback.tail_frames,
            "peak": permit.limit.peak,
        }
        try:
            report = sound_host().play(order, playback, sink, state)
        except StillboxError as error:
            if self._there():
                raise
            raise DeviceLost(self.info.name) from error
        if report.broken_frames and not report.device_lost:
            # A server that dies leaves memory behind that is no sound; only another process sees that it is gone.
            sound_host().end()
            report = replace(report, device_lost=not self._there())
        return report

    def _there(self) -> bool:
        """Whether the system still lists it."""
        listed = {(entry.info.name, entry.info.host_api) for entry in list_entries()[0]}
        return {(place["name"], place["host_api"]) for place in self._places.values()} <= listed


def list_entries() -> tuple[list[CardEntry], tuple[int, int]]:
    """Every entry of PortAudio's list, in its order, without rates; and its default output and input, -1 for none."""
    answer = sound_host().ask({"do": "list"})
    entries = [
        CardEntry(index, DeviceInfo(**entry, kind="sound card", rates_hz=()))
        for index, entry in enumerate(answer["entries"])
    ]
    recording, playing = answer["default"]
    return entries, (int(playing), int(recording))
