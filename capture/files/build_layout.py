"""The names of everything that a build holds, and which paths lie among them."""

from __future__ import annotations

import os
import re
import stat
from pathlib import Path

from stillbox.capture.errors import StillboxError

DESCRIPTION_FILE = "build.toml"
CALIBRATION_FILE = "calibration.toml"
ACKNOWLEDGED_FILE = "cautions-read.toml"
NOTEBOOK_FILE = "notebook.toml"
LOCK_FILE = ".lock"
HOLDER_FILE = ".lock-holder"
OWN_FILES = (DESCRIPTION_FILE, CALIBRATION_FILE, ACKNOWLEDGED_FILE, NOTEBOOK_FILE, LOCK_FILE, HOLDER_FILE)

TAKES_FOLDER = "takes"
WASTEBASKET_FOLDER = "wastebasket"
CROSSOVER_FOLDER = "crossover"
NOTEBOOK_FOLDER = "notebook"
OWN_FOLDERS = (TAKES_FOLDER, WASTEBASKET_FOLDER, CROSSOVER_FOLDER, NOTEBOOK_FOLDER)

NUMBERED = re.compile(r"^(\d{4,9})-")
"""How the files of a take begin: with its number."""


def own_folder(build_path: Path, name: str) -> Path:
    """The folder of that name in a build, there already or not.

    Raises
    ------
    StillboxError
        If something else is there: a link, which may lead anywhere, or a file.
    """
    path = build_path / name
    if is_link(path):
        raise StillboxError(
            f"{path} is a link, and nothing is read or written through it", "put the folder itself there"
        )
    if path.exists() and not path.is_dir():
        raise StillboxError(f"{path} is not a folder", "move it away")
    return path


def is_link(path: Path) -> bool:
    """Whether a path leads elsewhere: a link, or what Windows calls a junction."""
    try:
        status = path.lstat()
    except OSError:
        return False
    junction = getattr(stat, "IO_REPARSE_TAG_MOUNT_POINT", None)
    return stat.S_ISLNK(status.st_mode) or (junction is not None and getattr(status, "st_reparse_tag", 0) == junction)


def owner_of(path: Path) -> tuple[Path, str] | None:
    """The build to which a path belongs, and as what of it; None where it belongs to none.

    A path belongs to a build as one of its own files, or as anything within its takes or its wastebasket. ``path``
    must be absolute; on disks that do not tell capitals apart, ``TAKES`` is ``takes``.
    """
    for folder in path.parents:
        inside = path.relative_to(folder).parts
        name = inside[0].casefold()
        is_build = os.path.lexists(folder / DESCRIPTION_FILE)
        if name in OWN_FOLDERS and (is_build or _holds_takes(folder / inside[0])):
            return folder, name
        if is_build and len(inside) == 1 and name in OWN_FILES:
            return folder, name
    return None


def _holds_takes(folder: Path) -> bool:
    """Whether numbered files lie in a folder: then it is one of takes, though ``build.toml`` may be gone."""
    try:
        return any(NUMBERED.match(name) for name in os.listdir(folder))  # noqa: PTH208 - names are enough
    except OSError:
        return False
