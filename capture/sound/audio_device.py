"""What every device that plays and records can do, be it a sound card or the practice rig.

A device plays one channel on its first output and records its first two inputs at the same time. Frame ``k`` of the
recording and frame ``k`` of the output belong to the same call of the device, so what lies between a sound going out
and coming back is the round-trip latency.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.errors import StillboxError
from stillbox.capture.sound.sound_permit import SoundPermit

if TYPE_CHECKING:  # the process that plays starts quickly without what checks sidecars
    from stillbox.capture.recording.take import JigKind, Subject

RATES_HZ = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
"""Rates that devices are asked for."""

RECORDED_CHANNELS = 2
FADE_OUT_S = 0.02
"""Length of the fade after a stop, s; with the block that is under way it stays below 50 ms."""

BlockSink = Callable[[NDArray[np.float32]], None]
"""Takes a recorded block, shape (frames, 2), full scale = 1; the block is only valid during the call."""


@dataclass(frozen=True)
class DeviceInfo:
    """One entry of the list of devices.

    Attributes
    ----------
    default_rate_hz : int
    rates_hz : tuple of int
        Of RATES_HZ, those that the device accepts for playing and recording at once; empty where it cannot do both.
    loudest_volts : float or None
        Voltage of the output at full scale, V rms, where the device knows it.
    harmless : bool
        True where nothing real is driven, so no caution applies.
    netlist : str
        The crossover of the speaker on the clips as it was planned, where the device knows it.
    """

    name: str
    host_api: str
    kind: Literal["sound card", "practice rig"]
    input_channels: int
    output_channels: int
    default_rate_hz: int
    rates_hz: tuple[int, ...]
    loudest_volts: float | None = None
    harmless: bool = False
    netlist: str = ""

    @property
    def key(self) -> str:
        """The name that tells it from all others."""
        return f"{self.host_api}: {self.name}"


@dataclass(frozen=True)
class Clips:
    """What a person was asked to clip on: the practice rig obeys, a sound card takes no notice."""

    subject: Subject
    state: str = ""
    unit: str = "A"
    load_ohm: float | None = None
    jig: JigKind = "high-side"
    port_closed: bool = False
    of: str = ""


@dataclass(frozen=True)
class Playback:
    """What to play; how loud it may get is a matter of the permit.

    Attributes
    ----------
    samples : float32 ndarray, shape (frames,)
        Full scale = 1.
    tail_frames : int
        Silence that is recorded after the end, for the latency.
    """

    samples: NDArray[np.float32]
    sample_rate_hz: int
    tail_frames: int = 0

    def __post_init__(self) -> None:
        if self.samples.ndim != 1 or not np.isfinite(self.samples).all():
            raise StillboxError("what is to be played holds values that are no numbers, or more than one channel", "")

    @property
    def total_frames(self) -> int:
        return self.samples.size + self.tail_frames


class RecordingStopped(StillboxError):
    """Someone asked to stop; nothing was kept."""

    def __init__(self) -> None:
        super().__init__("stopped; nothing of this recording was kept", "")


class DeviceLost(StillboxError):
    """The device went away in the middle; it must not be opened again without the person's doing."""

    def __init__(self, name: str) -> None:
        super().__init__(
            f"{name} went away while it ran (unplugged, switched off, its sound server ended, or taken by another "
            "program), so nothing of this recording was kept",
            "see that it is there again and that its volume is as it "
            "was ('stillbox devices' lists what is there), then record anew"
        )


class StreamState:
    """What a running stream tells whoever watches it, and how it is stopped. Single values only, so no locks.

    Attributes
    ----------
    progress : float
        Part that is done, 0 to 1.
    sweeping : bool
        Whether it is the sweep of a take that runs or is looked at, and no test tones.
    stop_requested : bool
    """

    def __init__(self) -> None:
        self.progress = 0.0
        self.sweeping = False
        self.stop_requested = False
        self._peaks = np.zeros(RECORDED_CHANNELS, dtype=np.float32)

    def request_stop(self) -> None:
        """Fade out and end; may be called from any thread or from a signal handler."""
        self.stop_requested = True

    def take_peaks(self) -> tuple[float, float]:
        """Peaks of both inputs since the last call, full scale = 1."""
        first, second = float(self._peaks[0]), float(self._peaks[1])
        self._peaks[:] = 0
        return first, second

    def add_block(self, block: NDArray[np.float32]) -> None:
        """Used by devices: note the peaks of a recorded block, shape (frames, 2)."""
        if len(block):
            np.maximum(self._peaks, np.abs(block).max(axis=0), out=self._peaks)


@dataclass(frozen=True)
class StreamReport:
    """What became of a stream.

    Attributes
    ----------
    frames : int
        Frames that were handed to the sink.
    input_overflows, output_underflows : int
        Blocks in which the system dropped recorded samples, or had none to play in time.
    lost_frames : int
        Recorded frames that were dropped because the disk did not keep up.
    broken_frames : int
        Recorded frames for which the system delivered no numbers.
    device_lost : bool
        The device went away before the end.
    stopped : bool
        The stream was asked to stop.
    reported_latency_s : float or None
        Input and output latency as the system tells them, s; None where what it tells makes no sense.
    """

    frames: int
    input_overflows: int = 0
    output_underflows: int = 0
    lost_frames: int = 0
    broken_frames: int = 0
    device_lost: bool = False
    stopped: bool = False
    reported_latency_s: float | None = None

    def require_device(self, name: str) -> None:
        """DeviceLost if the device went away: it must not be opened again by itself."""
        if self.device_lost:
            raise DeviceLost(name)

    @property
    def faults(self) -> list[str]:
        """What makes the recording unusable though the device is still there, one phrase each."""
        found = []
        if self.input_overflows:
            found.append(f"the system dropped recorded samples ({self.input_overflows} overflow(s))")
        if self.output_underflows:
            found.append(f"the output ran dry ({self.output_underflows} underflow(s))")
        if self.lost_frames:
            found.append(f"{self.lost_frames} recorded frames were lost because the disk was too slow")
        if self.broken_frames:
            found.append(f"the system delivered {self.broken_frames} frames that are no sound")
        return found


class AudioDevice(Protocol):
    """A device that plays and records."""

    @property
    def info(self) -> DeviceInfo: ...

    def connect(self, clips: Clips) -> None:
        """Say what is on the clips from now on."""

    def require_rate(self, sample_rate_hz: int) -> None:
        """StillboxError, with the rates there are, if the device refuses this one."""

    def play_and_record(
        self, permit: SoundPermit, playback: Playback, sink: BlockSink, state: StreamState
    ) -> StreamReport:
        """Play and record to the end, or until ``state`` asks to stop; then the output fades out.

        The calling thread waits. KeyboardInterrupt fades out too and is raised again afterwards.

        Parameters
        ----------
        permit : SoundPermit
            From `capture.sound.sound_gate`; the first thing that is done is to require it.

        Raises
        ------
        StillboxError
            If the permit does not cover this, or the device cannot be opened.
        Exception
            What the sink raised; the output has faded out by then.
        """


class OutputFeed:
    """Hands out what is to be played, block by block, without allocating; the last stage before a device.

    Whatever comes in, no value that goes out exceeds ``peak``, and after the end, a stop or a fault it is silence.
    """

    def __init__(self, samples: NDArray[np.float32], sample_rate_hz: int, peak: float) -> None:
        self._samples = np.ascontiguousarray(samples, dtype=np.float32)
        # Rounding to single precision must not lift the limit.
        limit = np.float32(peak)
        self._limit = np.nextafter(limit, np.float32(0)) if float(limit) > peak else limit
        frames = max(1, round(FADE_OUT_S * sample_rate_hz))
        self._fade = (0.5 + 0.5 * np.cos(np.pi * np.arange(1, frames + 1) / frames)).astype(np.float32)
        self._position = 0
        self._faded: int | None = None
        self._stop = False

    def stop(self) -> None:
        """Begin the fade with the next block."""
        self._stop = True

    @property
    def position(self) -> int:
        """Frames handed out so far of what is to be played."""
        return self._position

    @property
    def finished(self) -> bool:
        """Only silence follows."""
        return self._position >= self._samples.size or (self._faded is not None and self._faded >= self._fade.size)

    def fill(self, out: NDArray[np.float32]) -> None:
        """Fill the next block, shape (frames,)."""
        if self._stop and self._faded is None:
            self._faded = 0
        if self.finished:
            out[:] = 0
            return
        count = min(len(out), self._samples.size - self._position)
        out[:count] = self._samples[self._position : self._position + count]
        out[count:] = 0
        self._position += count
        if self._faded is not None:
            fading = min(len(out), self._fade.size - self._faded)
            out[:fading] *= self._fade[self._faded : self._faded + fading]
            out[fading:] = 0
            self._faded += fading
        np.clip(out, -self._limit, self._limit, out=out)


@dataclass
class Collected:
    """A sink that keeps a short recording in memory."""

    blocks: list[NDArray[np.float32]] = field(default_factory=list)

    def __call__(self, block: NDArray[np.float32]) -> None:
        self.blocks.append(block.copy())

    @property
    def samples(self) -> NDArray[np.float64]:
        """Shape (frames, 2)."""
        if not self.blocks:
            return np.zeros((0, RECORDED_CHANNELS))
        return np.concatenate(self.blocks).astype(np.float64)
