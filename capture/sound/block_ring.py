"""From the audio callback to the disk: a ring that never blocks, and the thread that empties it."""

from __future__ import annotations

import threading
import time

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.sound.audio_device import BlockSink, StreamState

PAUSE_S = 0.005
"""How long the emptying thread sleeps when there is nothing to do, s."""

LARGEST_BLOCK = 16_384
ABSURD = 100.0
"""No input delivers so many times full scale."""


class BlockRing:
    """Frames on their way from one writing to one reading thread, all memory taken beforehand.

    Only the writer moves ``written`` and only the reader moves ``read``; both are plain integers, so neither waits.
    """

    def __init__(self, capacity_frames: int, channels: int) -> None:
        self._frames = np.zeros((capacity_frames, channels), dtype=np.float32)
        self.written = 0
        self.read = 0
        self.lost = 0

    def put(self, block: NDArray[np.float32]) -> None:
        """Add a block, shape (frames, channels); where there is no room for it, it is counted as lost."""
        count, capacity = len(block), len(self._frames)
        if count > capacity - (self.written - self.read):
            self.lost += count
            return
        start = self.written % capacity
        first = min(count, capacity - start)
        self._frames[start : start + first] = block[:first]
        self._frames[: count - first] = block[first:]
        self.written += count

    def take(self) -> NDArray[np.float32]:
        """The oldest frames that lie in one piece; call ``release`` with their number when done with them."""
        capacity = len(self._frames)
        start = self.read % capacity
        count = min(self.written - self.read, capacity - start, LARGEST_BLOCK)
        return self._frames[start : start + count]

    def release(self, frames: int) -> None:
        self.read += frames


class RingEmptier:
    """A thread that hands what comes into a ring to a sink.

    Attributes
    ----------
    failure : BaseException or None
        What the sink raised; from then on the thread only throws away.
    handed : int
        Frames that the sink has taken.
    broken : int
        Frames that held no numbers, or absurd ones, as a failing driver delivers; silence was handed on for them.
    """

    def __init__(self, ring: BlockRing, sink: BlockSink, state: StreamState) -> None:
        self.failure: BaseException | None = None
        self.broken = 0
        self._ring, self._sink, self._state = ring, sink, state
        self._ending = False
        self._thread = threading.Thread(target=self._run, name="recording writer", daemon=True)
        self._thread.start()

    def finish(self) -> None:
        """Empty the ring and end the thread."""
        self._ending = True
        self._thread.join()

    def _run(self) -> None:
        while True:
            ending = self._ending
            block = self._ring.take()
            if len(block):
                self._hand_on(block)
                self._ring.release(len(block))
            elif ending:
                return
            else:
                time.sleep(PAUSE_S)

    def _hand_on(self, block: NDArray[np.float32]) -> None:
        self._mend(block)
        self._state.add_block(block)
        if self.failure is not None:
            return
        try:
            self._sink(block)
        except BaseException as error:
            self.failure = error

    def _mend(self, block: NDArray[np.float32]) -> None:
        with np.errstate(invalid="ignore"):
            absurd = ~(np.abs(block) < ABSURD).all(axis=1)
        if absurd.any():
            block[absurd] = 0
            self.broken += int(absurd.sum())
