"""The process that holds PortAudio: lists devices, plays and records. The only module that opens a sound device.

PortAudio and the libraries of sound servers end their process, or wait for ever, when a server dies under them. So
they live in a process of their own, which `capture.sound.sound_host` starts, watches and replaces: what dies with the
server is neither the window nor a take. Everything that is played comes from the host, which passes on what
`capture.sound.sound_card` got by a permit.

A device that was lost is never opened or closed again in this process: it reports, and ends.
"""

from __future__ import annotations

import os
import queue
import signal
import sys
import threading
import time
import traceback
from collections.abc import Callable
from typing import IO, TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.errors import StillboxError
from stillbox.capture.shown_text import in_one_line
from stillbox.capture.sound.audio_device import RECORDED_CHANNELS, OutputFeed, StreamState
from stillbox.capture.sound.block_ring import BlockRing, RingEmptier
from stillbox.capture.sound.sound_messages import Head, MessageWriter, read_message

if TYPE_CHECKING:
    import types

BLOCK_FRAMES = 512
"""Frames of one callback; a stop waits for one of them at most, then fades."""

LEAST_LATENCY_S = 0.06
RING_S = 4.0
POLL_S = 0.005
SWITCH_S = 0.0005
"""How long Python lets a thread run while the callback waits: shorter than a block by far, s."""

PRIMING_S = 0.1
SILENCE_S = 2.0
"""A device that has not called back for so long is gone, s."""

AHEAD_S = 0.5
"""So far ahead of the clock no device can be: what calls back faster is what is left of one whose server died, s."""

NO_PORTAUDIO = (
    "PortAudio is missing, so no sound card can be used",
    "install it (Debian, Ubuntu: 'apt install libportaudio2'; "
    "Fedora: 'dnf install portaudio'); the practice rig works without"
)

Orders = queue.SimpleQueue[tuple[Head, bytes] | None]


def main() -> None:
    """Obey the messages on stdin until it ends; then fade out what sounds, and end."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        # They reach the whole group of processes; the host decides what becomes of them, and its end ends this.
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    pipe = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # libraries of sound servers write there as they please
    sys.setswitchinterval(SWITCH_S)
    answer = MessageWriter(pipe)
    orders: Orders = queue.SimpleQueue()
    threading.Thread(target=_read_orders, args=(sys.stdin.buffer, orders), daemon=True).start()
    while (order := orders.get()) is not None:
        try:
            _obey(order, orders, answer)
        except StillboxError as error:
            answer.send({"is": "error", "fault": error.fault, "remedy": error.remedy})
        except OSError:
            break  # nobody listens any more
        except Exception as error:
            told = {"is": "error", "fault": f"the sound system failed ({type(error).__name__}: {error})", "remedy": ""}
            if not _says_portaudio(error):
                fault = f"{type(error).__name__}: {error}"
                told = {"is": "program fault", "fault": fault, "trace": traceback.format_exc()}
            answer.send(told)


def _says_portaudio(error: Exception) -> bool:
    sounds = sys.modules.get("sounddevice")
    return sounds is not None and isinstance(error, sounds.PortAudioError)


def _read_orders(pipe: IO[bytes], orders: Orders) -> None:
    while (message := read_message(pipe)) is not None:
        orders.put(message)
    orders.put(None)


def _obey(order: tuple[Head, bytes], orders: Orders, answer: MessageWriter) -> None:
    head, samples = order
    wanted = head["do"]
    if wanted == "stop":
        return  # what it would have stopped has ended by itself
    sounds = _portaudio()
    if wanted == "list":
        answer.send({"is": "list", "entries": _entries(sounds), "default": list(map(int, sounds.default.device))})
    elif wanted == "refusals":
        output, recording = _place(sounds, head["output"]), _place(sounds, head["input"])
        refusals = [_refusal(sounds, output, recording, rate_hz) for rate_hz in head["rates_hz"]]
        answer.send({"is": "refusals", "refusals": refusals})
    else:
        _play(sounds, head, np.frombuffer(samples, dtype="<f4"), orders, answer)


def _portaudio() -> types.ModuleType:
    """The sounddevice module; StillboxError with the remedy where it or PortAudio is missing."""
    try:
        import sounddevice
    except ImportError as error:
        raise StillboxError(f"the Python package sounddevice is missing ({error})", "install it with pip") from error
    except OSError as error:
        raise StillboxError(*NO_PORTAUDIO) from error
    module: types.ModuleType = sounddevice
    return module


def _entries(sounds: types.ModuleType) -> list[Head]:
    hosts = [host["name"] for host in sounds.query_hostapis()]
    return [
        {
            "name": entry["name"],
            "host_api": hosts[entry["hostapi"]],
            "input_channels": entry["max_input_channels"],
            "output_channels": entry["max_output_channels"],
            "default_rate_hz": round(entry["default_samplerate"]),
        }
        for entry in sounds.query_devices()
    ]


def _place(sounds: types.ModuleType, wanted: Head) -> int:
    """Number of an entry in this process' list: the host may know it from another one."""
    listed = [(entry["name"], entry["host_api"]) for entry in _entries(sounds)]
    name, index = (wanted["name"], wanted["host_api"]), int(wanted["index"])
    if index < len(listed) and listed[index] == name:
        return index
    if listed.count(name) == 1:
        return listed.index(name)
    raise StillboxError(
        f"{wanted['name']} is not there any more (unplugged, switched off, or its sound server has ended)",
        "see 'stillbox devices' for what is there, and record anew",
    )


def _output_channels(sounds: types.ModuleType, output: int) -> int:
    # The signal goes to the first output; cards rarely open with one channel only, so take two where there are.
    return min(2, int(sounds.query_devices(output)["max_output_channels"]))


def _refusal(sounds: types.ModuleType, output: int, recording: int, rate_hz: int) -> str | None:
    channels = _output_channels(sounds, output)
    try:
        sounds.check_output_settings(output, channels, "float32", samplerate=rate_hz)
        sounds.check_input_settings(recording, RECORDED_CHANNELS, "float32", samplerate=rate_hz)
    except (sounds.PortAudioError, ValueError) as error:
        return _reason(error)
    return None


def _latency_s(sounds: types.ModuleType, output: int, recording: int) -> tuple[float, float]:
    """Latency to ask for, input and output: that of the device for safe playing, and enough for a busy system."""
    return (
        max(LEAST_LATENCY_S, sounds.query_devices(recording)["default_high_input_latency"]),
        max(LEAST_LATENCY_S, sounds.query_devices(output)["default_high_output_latency"]),
    )


def _play(
    sounds: types.ModuleType, head: Head, samples: NDArray[np.float32], orders: Orders, answer: MessageWriter
) -> None:
    output, recording = _place(sounds, head["output"]), _place(sounds, head["input"])
    name, rate_hz = head["output"]["name"], int(head["rate_hz"])
    channels = _output_channels(sounds, output)
    feed = OutputFeed(samples, rate_hz, float(head["peak"]))
    run = _Run(feed, samples.size + int(head["tail_frames"]), rate_hz, sounds, channels)
    try:
        stream = sounds.Stream(
            samplerate=rate_hz,
            blocksize=BLOCK_FRAMES,
            device=(recording, output),
            channels=(RECORDED_CHANNELS, channels),
            dtype="float32",
            latency=_latency_s(sounds, output, recording),
            callback=run.callback,
        )
    except (sounds.PortAudioError, ValueError) as error:
        raise StillboxError(
            f"{name} cannot be opened ({_reason(error)})",
            "close the programs that use it, or choose another rate or device ('stillbox devices')",
        ) from error
    emptier = RingEmptier(run.ring, lambda block: answer.send({"is": "block"}, block.tobytes()), StreamState())
    try:
        stream.start()
        answer.send({"is": "open"})
        run.follow(stream, emptier, lambda: _stop_ordered(orders))
        if not run.device_lost:
            stream.stop()  # lets the rest of the output play out
            stream.close()
    except sounds.PortAudioError as error:
        if run.ring.written == 0:
            raise StillboxError(f"{name} cannot be started ({_reason(error)})", "see 'stillbox devices'") from error
        run.device_lost = True
    finally:
        emptier.finish()
    for failure in (run.failure, emptier.failure):
        if failure is not None:
            raise failure
    answer.send({"is": "report", **run.report(emptier, sum(stream.latency))})
    if run.device_lost:
        os._exit(0)  # not even closing is safe now


def _stop_ordered(orders: Orders) -> bool:
    try:
        order = orders.get_nowait()
    except queue.Empty:
        return False
    if order is None:
        orders.put(None)  # the host has gone: end after the fade
    return True


class _Run:
    """One stream while it lives: what the callback touches."""

    def __init__(
        self, feed: OutputFeed, total_frames: int, rate_hz: int, sounds: types.ModuleType, output_channels: int
    ) -> None:
        self._sounds = sounds
        self._feed = feed
        self._total = total_frames
        self._first_output = np.zeros(1 << 16, dtype=np.float32)
        self.ring = BlockRing(int(RING_S * rate_hz), RECORDED_CHANNELS)
        self.failure: BaseException | None = None
        self.device_lost = False
        self.done = 0
        self._input_overflows = 0
        self._output_underflows = 0
        self._several_outputs = output_channels > 1
        self._stopping = False
        self._rate_hz = rate_hz
        self._priming = int(PRIMING_S * rate_hz)

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

    def follow(self, stream: Any, emptier: RingEmptier, stop_ordered: Callable[[], bool]) -> None:
        """Wait for the end, pass on a stop, and notice when the device goes away."""
        begun_s = seen_s = time.monotonic()
        seen = self.done
        while stream.active:
            if self._ahead(begun_s):
                self.device_lost = True
                return
            if not self._stopping and (stop_ordered() or emptier.failure is not None):
                self._stopping = True
                self._feed.stop()
            if self.done != seen:
                seen, seen_s = self.done, time.monotonic()
            elif time.monotonic() - seen_s > SILENCE_S:
                self.device_lost = True
                return
            time.sleep(POLL_S)
        ended = self.done >= self._total or self._stopping or self.failure is not None
        self.device_lost = not ended or self._ahead(begun_s)

    def _ahead(self, begun_s: float) -> bool:
        return self.done / self._rate_hz > time.monotonic() - begun_s + AHEAD_S

    def report(self, emptier: RingEmptier, latency_s: float) -> Head:
        return {
            "input_overflows": self._input_overflows,
            "output_underflows": self._output_underflows,
            "lost_frames": self.ring.lost,
            "broken_frames": emptier.broken,
            "device_lost": self.device_lost,
            "latency_s": latency_s,
        }


def _reason(error: Exception) -> str:
    """What PortAudio says, without the numbers that it adds."""
    return in_one_line(str(error.args[0] if error.args else error))


if __name__ == "__main__":
    main()
