"""Write a small file so that a reader sees the old or the new one, never a part."""

from __future__ import annotations

import os
import secrets
from contextlib import suppress
from pathlib import Path

from stillbox.capture.errors import StillboxError
from stillbox.capture.stop_signals import kept_back

PARTIAL_SUFFIX = ".part"
LONGEST_STEM = 180
"""Letters of the name that the temporary one keeps, so that it is not too long where the name itself is not."""


@kept_back()
def write_whole(path: Path, content: str | bytes) -> None:
    """Write ``content`` under a temporary name beside ``path``, flush it to the disk and rename it; text as UTF-8."""
    if not path.name:
        raise StillboxError(f"'{path}' is no name of a file", "give one")
    # A name that nobody else has: a file of somebody's own that ends in .part stays as it is.
    partial_path = path.with_name(f"{path.name[:LONGEST_STEM]}.{secrets.token_hex(4)}{PARTIAL_SUFFIX}")
    try:
        # "x": never follow a link that someone left under the temporary name.
        with partial_path.open("xb") as file:
            file.write(content.encode("utf-8") if isinstance(content, str) else content)
            file.flush()
            os.fsync(file.fileno())
        partial_path.replace(path)
        sync_folder(path.parent)
    except OSError as error:
        with suppress(OSError):  # the folder itself may be what is wrong
            partial_path.unlink(missing_ok=True)
        raise StillboxError(f"cannot write {path}: {error.strerror}", "check free space and rights there") from error
    except BaseException:
        with suppress(OSError):
            partial_path.unlink(missing_ok=True)
        raise


def sync_folder(path: Path) -> None:
    """Flush the names in a folder to the disk, where the system can do that."""
    if os.name != "posix":
        return
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
