"""Starts, watches and replaces the process that holds PortAudio (`capture.sound.sound_worker`).

The process is started when a sound card is first asked for and kept, so that a sweep begins at once. When it dies, or
does not answer, it is taken away; the next one is another process with a list of devices of its own.
"""

from __future__ import annotations

import atexit
import queue
import subprocess
import sys
import threading
from contextlib import suppress
from functools import cache
from typing import IO

import numpy as np

from stillbox.capture.errors import StillboxError
from stillbox.capture.sound.audio_device import RECORDED_CHANNELS, BlockSink, Playback, StreamReport, StreamState
from stillbox.capture.sound.sound_messages import Head, MessageWriter, read_message

PROGRAM = "stillbox.capture.sound.sound_worker"

POLL_S = 0.005
STREAM_PATIENCE_S = 4.0
"""A running stream that has sent nothing for so long is dead; its own process notices a silent device earlier."""

ANSWER_PATIENCE_S = 20.0
"""Systems with many devices take some seconds to list or open them."""

END_PATIENCE_S = 1.0
WAITING_BLOCKS = 1024
"""Blocks that may wait for the disk here; more of them wait in the process that plays, and then are counted as lost."""

MOST_LATENCY_S = 10.0
"""PortAudio tells nonsense for some host APIs: more than this is none."""

NO_ANSWER = (
    "the sound system ended or does not answer (its sound server may just have gone)",
    "start that again, then try anew; "
    "the practice rig works without"
)

Answer = tuple[Head, bytes] | None


class WorkerGone(Exception):
    """The process has died, or does not answer."""


class _Worker:
    """One process."""

    def __init__(self) -> None:
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", PROGRAM],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,  # the libraries of sound servers talk there
                creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
            )
        except OSError as error:
            raise StillboxError(
                f"no sound card can be used, as {sys.executable} cannot be started for it ({error.strerror})",
                "check the rights there; the practice rig works without",
            ) from error
        assert self._process.stdin is not None and self._process.stdout is not None
        self._writer = MessageWriter(self._process.stdin)
        self._answers: queue.Queue[Answer] = queue.Queue(WAITING_BLOCKS)
        self._ended = threading.Event()
        self._reader = threading.Thread(
            target=self._read, args=(self._process.stdout,), name="sound process", daemon=True
        )
        self._reader.start()

    @property
    def alive(self) -> bool:
        return self._process.poll() is None

    def send(self, head: Head, samples: bytes = b"") -> None:
        try:
            self._writer.send(head, samples)
        except (OSError, ValueError) as error:
            raise WorkerGone from error

    def answer(self, patience_s: float) -> tuple[Head, bytes] | None:
        """The next message, or None if there is none within ``patience_s``."""
        try:
            answer = self._answers.get(timeout=patience_s)
        except queue.Empty:
            return None
        if answer is None:
            raise WorkerGone
        return answer

    def _read(self, pipe: IO[bytes]) -> None:
        message: Answer = None
        with pipe:
            while not self._ended.is_set():
                message = read_message(pipe)
                while not self._ended.is_set():
                    with suppress(queue.Full):
                        self._answers.put(message, timeout=POLL_S)
                        break
                if message is None:
                    return

    def end(self, patience_s: float = 0.0) -> None:
        """Let it end, or end it; waits until it has."""
        self._ended.set()
        process = self._process
        assert process.stdin is not None
        with suppress(OSError):
            process.stdin.close()
        try:
            process.wait(patience_s)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        # A program of the system that it started may hold the pipe open for ever: the reader is left to itself then.
        self._reader.join(END_PATIENCE_S)


class SoundHost:
    """The way to sound cards; one conversation at a time."""

    def __init__(self) -> None:
        self._worker: _Worker | None = None
        self._turn = threading.Lock()
        atexit.register(self.end)

    def end(self) -> None:
        """End the process, if there is one; the next question starts another."""
        worker, self._worker = self._worker, None
        if worker is not None:
            worker.end(END_PATIENCE_S)

    def ask(self, question: Head) -> Head:
        """Put a question that makes no sound; a process that dies of it is replaced once.

        Raises
        ------
        StillboxError
            With the sentence of the process, or if there is no answer.
        """
        with self._turn:
            for _ in range(2):
                try:
                    worker = self._alive()
                    worker.send(question)
                    return _sound(worker.answer(ANSWER_PATIENCE_S))[0]
                except WorkerGone:
                    self._drop()
                except KeyboardInterrupt:
                    self._drop()  # its answer would be taken for that to the next question
                    raise
        raise StillboxError(*NO_ANSWER)

    def play(self, order: Head, playback: Playback, sink: BlockSink, state: StreamState) -> StreamReport:
        """Play and record as `capture.sound.audio_device.AudioDevice` says; only `capture.sound.sound_card` may ask.

        A process that dies meanwhile is a device that went away.
        """
        if not self._turn.acquire(blocking=False):
            raise StillboxError("a sound card is playing already", "wait for its end, or stop it")
        try:
            return self._play(order, playback, sink, state)
        finally:
            self._turn.release()

    def _play(self, order: Head, playback: Playback, sink: BlockSink, state: StreamState) -> StreamReport:
        stream = _Stream(playback, sink, state)
        try:
            worker = self._alive()
            worker.send({"do": "play", **order}, np.ascontiguousarray(playback.samples, dtype="<f4").tobytes())
            end = stream.follow(worker)
        except WorkerGone:
            end = {"device_lost": True}
        except BaseException:  # it would not open, or a second interrupt, or a fault of ours: end it at once
            self._drop()
            raise
        if end["device_lost"]:
            self._drop()
        if stream.failure is not None:
            raise stream.failure
        return stream.report(end)

    def _alive(self) -> _Worker:
        if self._worker is not None and not self._worker.alive:
            self._drop()
        if self._worker is None:
            self._worker = _Worker()
        return self._worker

    def _drop(self) -> None:
        worker, self._worker = self._worker, None
        if worker is not None:
            worker.end()


class _Stream:
    """One stream as the host sees it."""

    def __init__(self, playback: Playback, sink: BlockSink, state: StreamState) -> None:
        self._total = playback.total_frames
        self._sink, self._state = sink, state
        self._frames = 0
        self.failure: BaseException | None = None

    def follow(self, worker: _Worker) -> Head:
        """Hand on what comes until the end is told; what the sink raised, or an interrupt, ends it with a fade."""
        stopping = opened = False
        silent_s = 0.0
        while True:
            try:
                if not stopping and (self._state.stop_requested or self.failure is not None):
                    stopping = True
                    worker.send({"do": "stop"})
                answer = worker.answer(POLL_S)
                if answer is None:
                    silent_s += POLL_S
                    if silent_s > (STREAM_PATIENCE_S if opened else ANSWER_PATIENCE_S):
                        raise WorkerGone
                    continue
                silent_s = 0.0
                head, samples = _sound(answer)
                opened = True
                if head["is"] == "block":
                    self._take(np.frombuffer(samples, dtype="<f4").reshape(-1, RECORDED_CHANNELS))
                elif head["is"] == "report":
                    break
            except KeyboardInterrupt as interrupt:
                if isinstance(self.failure, KeyboardInterrupt):
                    raise
                self.failure = interrupt
        return head

    def _take(self, block: np.ndarray) -> None:
        self._state.add_block(block)
        if self.failure is not None:
            return
        try:
            self._sink(block)
        except BaseException as error:
            self.failure = error
            return
        self._frames += len(block)
        self._state.progress = min(1.0, self._frames / self._total)

    def report(self, end: Head) -> StreamReport:
        latency_s = end.get("latency_s", 0.0)
        return StreamReport(
            frames=self._frames,
            input_overflows=end.get("input_overflows", 0),
            output_underflows=end.get("output_underflows", 0),
            lost_frames=end.get("lost_frames", 0),
            broken_frames=end.get("broken_frames", 0),
            device_lost=end["device_lost"],
            stopped=self._state.stop_requested,
            reported_latency_s=latency_s if 0 < latency_s < MOST_LATENCY_S else None,
        )


def _sound(answer: tuple[Head, bytes] | None) -> tuple[Head, bytes]:
    """An answer that is one: StillboxError where the process says what is wrong, WorkerGone where it says nothing.

    A fault of ours that happened there is raised here, with the traceback from there as a note.
    """
    if answer is None:
        raise WorkerGone
    if answer[0]["is"] == "program fault":
        fault = RuntimeError(f"in the process that plays: {answer[0]['fault']}")
        fault.add_note(answer[0]["trace"])
        raise fault
    if answer[0]["is"] == "error":
        raise StillboxError(answer[0]["fault"], answer[0]["remedy"])
    return answer


@cache
def sound_host() -> SoundHost:
    """The one host of this program."""
    return SoundHost()
