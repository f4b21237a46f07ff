"""Sound cards, through PortAudio."""

from __future__ import annotations

import atexit
import re
import threading
import time
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from capture.audio_device import (
    RATES_HZ,
    RECORDED_CHANNELS,
    BlockSink,
    Clips,
    DeviceInfo,
    OutputFeed,
    Playback,
    StreamReport,
    StreamState,
)
from capture.block_ring import BlockRing, RingEmptier
from capture.errors import StillboxError

if TYPE_CHECKING:
    import types

BLOCK_FRAMES = 512
"""Frames of one callback; a stop waits for one of them at most, then fades."""

LEAST_LATENCY_S = 0.06
MOST_LATENCY_S = 10.0
"""PortAudio tells nonsense for some host APIs: more than this is none."""

RING_S = 4.0
POLL_S = 0.005
PRIMING_S = 0.1
CLOSING_S = 2.0
SILENCE_S = 2.0
"""A device that has not called back for so long is gone, s."""

NO_PORTAUDIO = (
    "PortAudio is missing, so no sound card can be used; install it (Debian, Ubuntu: 'apt install libportaudio2'; "
    "Fedora: 'dnf install portaudio'); the practice rig works without"
)
NO_CARD = (
    "no sound card with an output and two inputs is there; plug one in (line inputs, not a headset), close the "
    "programs that hold it, and try again; the practice rig works without"
)


def portaudio() -> types.ModuleType:
    """The sounddevice module; StillboxError with the remedy where it or PortAudio is missing."""
    try:
        import sounddevice
    except ImportError as error:
        raise StillboxError(f"the Python package sounddevice is missing ({error}); install it with pip") from error
    except OSError as error:
        raise StillboxError(NO_PORTAUDIO) from error
    return sounddevice


class SoundCard:
    """An output and two inputs of PortAudio, as one device.

    Parameters
    ----------
    output_index, input_index : int
        Numbers of PortAudio's list; equal where one entry has both directions.
    """

    def __init__(self, output_index: int, input_index: int) -> None:
        self._library = portaudio()
        self._output, self._input = output_index, input_index

    @property
    def info(self) -> DeviceInfo:
        described = _described(self._library, self._output)
        if self._input == self._output:
            return described
        recording = _described(self._library, self._input)
        return DeviceInfo(
            name=f"{described.name} + {recording.name}",
            host_api=described.host_api,
            kind="sound card",
            input_channels=recording.input_channels,
            output_channels=described.output_channels,
            default_rate_hz=described.default_rate_hz,
            rates_hz=(),
        )

    def connect(self, clips: Clips) -> None:
        """Nothing to do: the person clips it on."""

    def rates_hz(self) -> tuple[int, ...]:
        """Of RATES_HZ, those that both directions accept; asks the system, which takes a moment."""
        return tuple(rate_hz for rate_hz in RATES_HZ if self._refusal(rate_hz) is None)

    def require_rate(self, sample_rate_hz: int) -> None:
        refusal = self._refusal(sample_rate_hz)
        if refusal is None:
            return
        rates = ", ".join(map(str, self.rates_hz()))
        remedy = f"choose --rate of {rates}" if rates else "is another program using it?"
        raise StillboxError(f"{self.info.name} refuses {sample_rate_hz} Hz ({refusal}); {remedy}")

    def _refusal(self, rate_hz: int) -> str | None:
        sounds = self._library
        channels = self._output_channels()
        try:
            sounds.check_output_settings(self._output, channels, "float32", samplerate=rate_hz)
            sounds.check_input_settings(self._input, RECORDED_CHANNELS, "float32", samplerate=rate_hz)
        except (sounds.PortAudioError, ValueError) as error:
            return _reason(error)
        return None

    def _latency_s(self) -> tuple[float, float]:
        """Latency to ask for, input and output: that of the device for safe playing, and enough for a busy system."""
        query = self._library.query_devices
        return (
            max(LEAST_LATENCY_S, query(self._input)["default_high_input_latency"]),
            max(LEAST_LATENCY_S, query(self._output)["default_high_output_latency"]),
        )

    def _output_channels(self) -> int:
        # The signal goes to the first output; cards rarely open with one channel only, so take two where there are.
        return min(2, int(self._library.query_devices(self._output)["max_output_channels"]))

    def play_and_record(self, playback: Playback, sink: BlockSink, state: StreamState) -> StreamReport:
        sounds = self._library
        run = _Run(playback, sounds, self._output_channels())
        try:
            stream = sounds.Stream(
                samplerate=playback.sample_rate_hz,
                blocksize=BLOCK_FRAMES,
                device=(self._input, self._output),
                channels=(RECORDED_CHANNELS, self._output_channels()),
                dtype="float32",
                latency=self._latency_s(),
                callback=run.callback,
            )
        except (sounds.PortAudioError, ValueError) as error:
            raise StillboxError(
                f"{self.info.name} cannot be opened ({_reason(error)}); close the programs that use it, or choose "
                "another rate or device ('stillbox devices')"
            ) from error
        emptier = RingEmptier(run.ring, sink, state)
        interrupt: KeyboardInterrupt | None = None
        try:
            stream.start()
            while True:
                try:
                    run.follow(stream, emptier, state)
                    break
                except KeyboardInterrupt as error:
                    if interrupt is not None:
                        raise
                    interrupt = error
                    state.request_stop()
        except sounds.PortAudioError as error:
            run.device_lost = True
            if run.ring.written == 0:
                raise StillboxError(
                    f"{self.info.name} cannot be started ({_reason(error)}); see 'stillbox devices'"
                ) from error
        finally:
            closed = _close(stream, sounds, run.device_lost)
            emptier.finish()
        if interrupt is not None:
            raise interrupt
        for failure in (run.failure, emptier.failure):
            if failure is not None:
                raise failure
        if not closed:
            raise StillboxError(
                f"{self.info.name} went away while it ran and does not answer any more (its sound server or driver has "
                "gone); start that again, then record anew"
            )
        return run.report(emptier, sum(stream.latency), state)


class _Run:
    """One stream while it lives: what the callback touches."""

    def __init__(self, playback: Playback, sounds: types.ModuleType, output_channels: int) -> None:
        self._sounds = sounds
        self._feed = OutputFeed(playback)
        self._total = playback.total_frames
        self._first_output = np.zeros(1 << 16, dtype=np.float32)
        self.ring = BlockRing(int(RING_S * playback.sample_rate_hz), RECORDED_CHANNELS)
        self.failure: BaseException | None = None
        self.device_lost = False
        self.done = 0
        self._input_overflows = 0
        self._output_underflows = 0
        self._several_outputs = output_channels > 1
        self._stopping = False
        self._priming = int(PRIMING_S * playback.sample_rate_hz)

    def callback(
        self, recorded: NDArray[np.float32], out: NDArray[np.float32], frames: int, _: Any, status: Any
    ) -> None:
        """Called by PortAudio's thread: no locks, no files, no new arrays."""
        try:
            self._count(status)
            wanted = min(frames, self._total - self.done)
            self.ring.put(recorded[:wanted])
            self.done += wanted
            first = self._first_output[:frames]
            self._feed.fill(first)
            if self._several_outputs:
                out[:] = 0
            out[:, 0] = first
        except BaseException as error:
            out[:] = 0
            self.failure = error
            raise self._sounds.CallbackAbort from error
        if self.done >= self._total or (self._stopping and self._feed.finished):
            raise self._sounds.CallbackStop

    def _count(self, status: Any) -> None:
        # The first blocks of a stream may be flagged while it primes: nothing is played yet.
        if status and self.done > self._priming:
            self._input_overflows += bool(status.input_overflow)
            self._output_underflows += bool(status.output_underflow)

    def follow(self, stream: Any, emptier: RingEmptier, state: StreamState) -> None:
        """Wait for the end, pass on a stop, and notice when the device goes away."""
        seen, seen_s = self.done, time.monotonic()
        while stream.active:
            if state.stop_requested or emptier.failure is not None:
                self._stopping = True
                self._feed.stop()
            state.progress = min(1.0, self.done / self._total)
            if self.done != seen:
                seen, seen_s = self.done, time.monotonic()
            elif time.monotonic() - seen_s > SILENCE_S:
                self.device_lost = True
                return
            time.sleep(POLL_S)
        ended = self.done >= self._total or self._stopping or self.failure is not None
        self.device_lost = not ended
        if ended and self.failure is None:
            state.progress = min(1.0, self.done / self._total)

    def report(self, emptier: RingEmptier, latency_s: float, state: StreamState) -> StreamReport:
        return StreamReport(
            frames=emptier.handed,
            input_overflows=self._input_overflows,
            output_underflows=self._output_underflows,
            lost_frames=self.ring.lost,
            broken_frames=emptier.broken,
            device_lost=self.device_lost,
            stopped=state.stop_requested,
            reported_latency_s=latency_s if 0 < latency_s < MOST_LATENCY_S else None,
        )


def _close(stream: Any, sounds: types.ModuleType, device_lost: bool) -> bool:
    """Let the rest of the output play out, then close; False if a lost device leaves the system waiting for ever."""

    def close() -> None:
        try:
            if device_lost:
                stream.abort()
            else:
                stream.stop()
        except sounds.PortAudioError:
            pass  # it is gone already; closing below is all that is left
        finally:
            stream.close(ignore_errors=True)

    if not device_lost:
        close()
        return True
    closing = threading.Thread(target=close, name="closing a lost device", daemon=True)
    closing.start()
    closing.join(CLOSING_S)
    if closing.is_alive():
        # PortAudio would wait for the device at the end of the program too.
        atexit.unregister(sounds._exit_handler)
        return False
    return True


def _reason(error: Exception) -> str:
    text = " ".join(str(error.args[0] if error.args else error).split())
    return re.sub(r"\s*\[PaErrorCode.*$", "", text)


def _described(sounds: types.ModuleType, index: int) -> DeviceInfo:
    entry = sounds.query_devices(index)
    return DeviceInfo(
        name=entry["name"],
        host_api=sounds.query_hostapis(entry["hostapi"])["name"],
        kind="sound card",
        input_channels=entry["max_input_channels"],
        output_channels=entry["max_output_channels"],
        default_rate_hz=round(entry["default_samplerate"]),
        rates_hz=(),
    )


def list_entries() -> list[DeviceInfo]:
    """Every entry of PortAudio's list, in its order, without rates."""
    sounds = portaudio()
    return [_described(sounds, index) for index in range(len(sounds.query_devices()))]


def default_indices() -> tuple[int, int]:
    """PortAudio's default output and input; -1 where there is none."""
    recording, playing = portaudio().default.device
    return int(playing), int(recording)
