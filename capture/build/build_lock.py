"""One writer at a time in a build folder."""

from __future__ import annotations

import os
import socket
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from stillbox.capture.errors import StillboxError
from stillbox.capture.files.build_layout import DESCRIPTION_FILE, HOLDER_FILE, LOCK_FILE
from stillbox.capture.files.small_file import read_small_text
from stillbox.capture.files.whole_file import write_whole

PATIENCE_S = 5.0
"""How long a lock that another program holds is waited for."""

MOST_HOLDER_BYTES = 400


@contextmanager
def build_lock(
    build_path: Path, patience_s: float = PATIENCE_S, say: Callable[[str], None] | None = None
) -> Iterator[None]:
    """Hold the build for writing; a thread that holds it already may enter again.

    Parameters
    ----------
    say : callable, optional
        Is told once, in words, where another program holds the build and is waited for.

    Raises
    ------
    StillboxError
        If there is no build, another program holds it for longer than ``patience_s`` (says who), or the folder
        cannot be written.
    """
    from filelock import FileLock, Timeout

    _require_build(build_path)
    lock = FileLock(_lock_path(build_path), is_singleton=True)
    try:
        try:
            lock.acquire(timeout=0)
        except Timeout:
            if say is not None and patience_s > 0:
                say(f"waiting for {_holder(build_path)}, which is writing to {build_path}")
            lock.acquire(timeout=patience_s)
    except Timeout as error:
        enough = f" ({patience_s:g} s were not enough)" if patience_s else ""
        raise StillboxError(
            f"{build_path} is being written to by {_holder(build_path)}",
            f"wait until that program is done{enough}, or end it",
        ) from error
    except OSError as error:
        raise StillboxError(f"cannot write to {build_path}: {error.strerror}", "check the rights there") from error
    try:
        _require_no_ghost(build_path)
        if lock.lock_counter == 1:
            write_whole(build_path / HOLDER_FILE, f"process {os.getpid()} on {socket.gethostname()}\n")
        yield
    finally:
        if lock.lock_counter == 1:
            with suppress(OSError):
                (build_path / HOLDER_FILE).unlink(missing_ok=True)
        lock.release()


def _require_build(build_path: Path) -> None:
    """StillboxError where there is no build: the lock would make the folder of a deleted one anew."""
    if not (build_path / DESCRIPTION_FILE).is_file():
        raise StillboxError(
            f"{build_path} is no build any more: it has no {DESCRIPTION_FILE}",
            f"put the folder back, or make a new one with 'stillbox start {build_path}'",
        )


def _require_no_ghost(build_path: Path) -> None:
    """The same once more: a folder that was deleted while it was waited for holds nothing but the new lock."""
    try:
        _require_build(build_path)
    except StillboxError:
        with suppress(OSError):
            (build_path / LOCK_FILE).unlink()
            build_path.rmdir()
        raise


def _lock_path(build_path: Path) -> Path:
    """Path of the lock; StillboxError where something else has its name."""
    path = build_path / LOCK_FILE
    try:
        status = path.lstat()
    except OSError:
        return path
    if stat.S_ISLNK(status.st_mode):
        raise StillboxError(f"{path} is a link", "delete it")
    if not stat.S_ISREG(status.st_mode) or status.st_size:
        raise StillboxError(f"{path} is something else than a lock, which is an empty file", "move it away")
    return path


def _holder(build_path: Path) -> str:
    try:
        return " ".join(read_small_text(build_path / HOLDER_FILE, MOST_HOLDER_BYTES).split()) or "another program"
    except (OSError, ValueError):
        return "another program"
