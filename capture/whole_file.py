"""Write a small file so that a reader sees the old or the new one, never a part."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from capture.errors import StillboxError


def write_whole(path: Path, content: str | bytes) -> None:
    """Write ``content`` under a temporary name beside ``path``, flush it to the disk and rename it; text as UTF-8."""
    if not path.name:
        raise StillboxError(f"'{path}' is no name of a file; give one")
    partial_path = path.with_name(path.name + ".part")
    try:
        # "x" after the unlink: never follow a link that someone left under the temporary name.
        partial_path.unlink(missing_ok=True)
        with partial_path.open("xb") as file:
            file.write(content.encode("utf-8") if isinstance(content, str) else content)
            file.flush()
            os.fsync(file.fileno())
        partial_path.replace(path)
        sync_folder(path.parent)
    except OSError as error:
        with suppress(OSError):  # the folder itself may be what is wrong
            partial_path.unlink(missing_ok=True)
        raise StillboxError(f"cannot write {path}: {error.strerror}; check free space and rights there") from error


def sync_folder(path: Path) -> None:
    """Flush the names in a folder to the disk, where the system can do that."""
    if os.name != "posix":
        return
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
