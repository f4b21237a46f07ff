"""How the program and the process that plays talk over a pipe: a short head in JSON, and samples behind it.

A message is the length of its head (4 bytes, little-endian), the head as JSON, and ``head["bytes"]`` bytes of samples.
"""

from __future__ import annotations

import json
import threading
from typing import IO, Any

Head = dict[str, Any]
LENGTH_BYTES = 4


class MessageWriter:
    """Sends messages; may be used by several threads."""

    def __init__(self, pipe: IO[bytes]) -> None:
        self._pipe = pipe
        self._turn = threading.Lock()

    def send(self, head: Head, samples: bytes = b"") -> None:
        """OSError or ValueError if nobody reads any more."""
        text = json.dumps({**head, "bytes": len(samples)}).encode()
        with self._turn:
            self._pipe.write(len(text).to_bytes(LENGTH_BYTES, "little") + text)
            self._pipe.write(samples)
            self._pipe.flush()


def read_message(pipe: IO[bytes]) -> tuple[Head, bytes] | None:
    """The next message; None where the other side has gone."""
    length = pipe.read(LENGTH_BYTES)
    if len(length) < LENGTH_BYTES:
        return None
    text = pipe.read(int.from_bytes(length, "little"))
    try:
        head = json.loads(text)
    except ValueError:  # cut off
        return None
    samples = pipe.read(head["bytes"])
    return (head, samples) if len(samples) == head["bytes"] else None
