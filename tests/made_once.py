"""Builds that take long to make: made once in a test run, whichever module or worker asks first, and copied.

Whoever gets one has a copy of their own. Outside of a test run, and where no folder is given, they are made anew.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock

from stillbox.analysis.page.demonstration import BOX, demonstration_build
from stillbox.capture.build.build_folder import BuildFolder

_FOLDERS: list[Path] = []


@contextmanager
def made_once(folder: Path) -> Iterator[None]:
    """Keep what is made in ``folder``, which all workers of a run share."""
    folder.mkdir(exist_ok=True)
    _FOLDERS.append(folder)
    try:
        yield
    finally:
        _FOLDERS.pop()


def copy_of(name: str, target: Path, make: Callable[[Path], object]) -> Path:
    """A folder ``target`` as ``make`` makes it; ``name`` tells apart what is made."""
    if not _FOLDERS:
        make(target)
        return target
    kept = _FOLDERS[-1] / name
    with FileLock(f"{kept}.lock"):
        if not kept.exists():
            part = kept.with_name(f"{name}.part")
            shutil.rmtree(part, ignore_errors=True)
            make(part)
            part.rename(kept)
    shutil.copytree(kept, target, symlinks=True)
    return target


def demonstration(target: Path, manifest: str = BOX) -> BuildFolder:
    """A build of the demonstration: of the box, or `TWO_WAY`."""

    def make(path: Path) -> None:
        demonstration_build(path, lambda _: None, manifest)

    return BuildFolder.open(copy_of(f"demonstration-{manifest}", target, make))
