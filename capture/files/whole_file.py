"""Write a small file so that a reader sees the old or the new one, never a part; give files their names."""

from __future__ import annotations

import os
import secrets
import time
from contextlib import suppress
from pathlib import Path

from stillbox.capture.errors import StillboxError
from stillbox.capture.stop_signals import kept_back

PARTIAL_SUFFIX = ".part"
ON_WINDOWS = os.name == "nt"
PAUSES_S = (0.05, 0.1, 0.2, 0.4, 0.8) if ON_WINDOWS else ()
"""Between tries to rename: on Windows whoever looks at a file, as a virus scanner does, is in the way for a moment."""

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
        move_file(partial_path, path)
        sync_folder(path.parent)
    except OSError as error:
        with suppress(OSError):  # the folder itself may be what is wrong
            partial_path.unlink(missing_ok=True)
        held = ", and whether another program has it open" if ON_WINDOWS else ""
        raise StillboxError(
            f"cannot write {path}: {error.strerror}", f"check free space and rights there{held}"
        ) from error
    except BaseException:
        with suppress(OSError):
            partial_path.unlink(missing_ok=True)
        raise


def move_file(source: Path, target: Path) -> None:
    """Give a file another name on the same disk; what bears that name is replaced."""
    for pause_s in PAUSES_S:
        try:
            source.replace(target)
        except PermissionError:
            time.sleep(pause_s)
        else:
            return
    source.replace(target)


def sync_file(path: Path) -> None:
    """Flush a file that was written to the disk; Windows does so only where it is open for writing."""
    with path.open("r+b") as file:
        os.fsync(file.fileno())


def sync_folder(path: Path) -> None:
    """Flush the names in a folder to the disk, where the system can do that."""
    if os.name != "posix":
        return
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
