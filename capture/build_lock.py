"""One writer at a time in a build folder."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from capture.errors import StillboxError
from capture.whole_file import write_whole

LOCK_FILE = ".lock"
HOLDER_FILE = ".lock-holder"
PATIENCE_S = 2.0


@contextmanager
def build_lock(build_path: Path, patience_s: float = PATIENCE_S) -> Iterator[None]:
    """Hold the build for writing; a thread that holds it already may enter again.

    Raises
    ------
    StillboxError
        If another program holds it for longer than ``patience_s`` (says who), or the folder cannot be written.
    """
    from filelock import FileLock, Timeout

    lock_path = build_path / LOCK_FILE
    if lock_path.is_symlink():
        raise StillboxError(f"{lock_path} is a link; delete it")
    lock = FileLock(lock_path, is_singleton=True)
    try:
        lock.acquire(timeout=patience_s)
    except Timeout as error:
        raise StillboxError(
            f"{build_path} is being written to by {_holder(build_path)}; wait until that program is done, or end it"
        ) from error
    except OSError as error:
        raise StillboxError(f"cannot write to {build_path}: {error.strerror}; check the rights there") from error
    try:
        if lock.lock_counter == 1:
            write_whole(build_path / HOLDER_FILE, f"process {os.getpid()} on {socket.gethostname()}\n")
        yield
    finally:
        if lock.lock_counter == 1:
            with suppress(OSError):
                (build_path / HOLDER_FILE).unlink(missing_ok=True)
        lock.release()


def _holder(build_path: Path) -> str:
    if not (build_path / HOLDER_FILE).is_file():
        return "another program"
    try:
        with (build_path / HOLDER_FILE).open(encoding="utf-8", errors="replace") as file:
            return " ".join(file.read(200).split()) or "another program"
    except OSError:
        return "another program"
