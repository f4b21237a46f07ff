"""Programs that the tests start: they end when the tests do, however these end, and what they say can be read."""

from __future__ import annotations

import ctypes
import signal
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import IO

_LIBC = ctypes.CDLL(None)
_PR_SET_PDEATHSIG = 1
MOST_CHARACTERS = 4000


@dataclass(frozen=True)
class LogFile:
    """What programs said so far."""

    file: IO[bytes]

    def text(self) -> str:
        """The end of it."""
        self.file.seek(0)
        return self.file.read().decode("utf-8", "replace")[-MOST_CHARACTERS:]


@contextmanager
def log_file() -> Iterator[LogFile]:
    """A file for what programs say, gone at the end."""
    with tempfile.TemporaryFile("a+b") as file:  # programs append, wherever it is read
        yield LogFile(file)


def start(
    command: list[str], environment: dict[str, str], said: LogFile, pipe: bool = False, keep: int | None = None
) -> subprocess.Popen[bytes]:
    """Start a program whose words go to ``said``, or with ``pipe`` only its errors; it inherits the file ``keep``."""
    return subprocess.Popen(
        command,
        env=environment,
        stdout=subprocess.PIPE if pipe else said.file,
        stderr=said.file,
        pass_fds=() if keep is None else (keep,),
        preexec_fn=lambda: _LIBC.prctl(_PR_SET_PDEATHSIG, signal.SIGTERM),
    )


def stop(process: subprocess.Popen[bytes]) -> None:
    """End it, by force if need be."""
    process.terminate()
    try:
        process.wait(10)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    if process.stdout is not None:
        process.stdout.close()
