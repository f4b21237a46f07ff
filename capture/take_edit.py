"""Changes to a build that a person may take back: the state of a take, and its way to the wastebasket and back.

Samples are never touched: a new state changes the sidecar alone, removing moves both files as they are.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from capture.build_folder import AUDIO_SUFFIXES, TAKES_FOLDER, BuildFolder
from capture.errors import StillboxError
from capture.sidecar import read_sidecar, write_sidecar
from capture.states import check_name
from capture.take import TakeInfo, check_state

WASTEBASKET_FOLDER = "wastebasket"


def rename_state(build: BuildFolder, number: int, state: str) -> TakeInfo:
    """Give a take another state; returns what its sidecar says then.

    Parameters
    ----------
    state : str
        Letters, digits, space and ``._+-``, at most 40; empty for none; not all subjects may have one.

    Raises
    ------
    StillboxError
        The name cannot be one, there is no such take, or the disk refuses.
    """
    with build.lock():
        path = _sidecar_path(build.path / TAKES_FOLDER, number)
        info = read_sidecar(path)
        if state:
            check_name(state)
        check_state(info.subject, state)
        changed = info.model_copy(update={"state": state})
        write_sidecar(path, changed)
    return changed


def remove_take(build: BuildFolder, number: int) -> None:
    """Move a take to the wastebasket of its build; StillboxError if there is none of that number."""
    with build.lock():
        _move(build.path / TAKES_FOLDER, build.path / WASTEBASKET_FOLDER, number)


def restore_take(build: BuildFolder, number: int) -> None:
    """Take a take out of the wastebasket again."""
    with build.lock():
        if any((build.path / TAKES_FOLDER).glob(f"{number:04d}-*")):
            raise StillboxError(f"there is a take {number} in the build already; move one of the two away by hand")
        _move(build.path / WASTEBASKET_FOLDER, build.path / TAKES_FOLDER, number)


def removed_takes(build: BuildFolder) -> list[TakeInfo]:
    """What lies in the wastebasket and can be restored, by number."""
    found = []
    for path in sorted((build.path / WASTEBASKET_FOLDER).glob("*.json")):
        with suppress(StillboxError):  # a damaged file there harms nobody, and cannot be restored
            found.append(read_sidecar(path))
    return found


def _sidecar_path(folder: Path, number: int) -> Path:
    paths = sorted(folder.glob(f"{number:04d}-*.json"))
    if not paths:
        raise StillboxError(f"there is no take {number} in {folder}; look at the list again")
    return paths[0]


def _move(source: Path, target: Path, number: int) -> None:
    """The sidecar goes last where a take appears and first where it disappears: half a take is none."""
    sidecar = _sidecar_path(source, number)
    samples = [path for suffix in AUDIO_SUFFIXES if (path := sidecar.with_suffix(suffix)).is_file()]
    moved: list[tuple[Path, Path]] = []
    try:
        target.mkdir(exist_ok=True)
        for path in [sidecar, *samples] if target.name == WASTEBASKET_FOLDER else [*samples, sidecar]:
            path.rename(target / path.name)
            moved.append((target / path.name, path))
    except OSError as error:
        for there, here in reversed(moved):
            with suppress(OSError):
                there.rename(here)
        raise StillboxError(f"cannot move take {number} to {target}: {error.strerror}; it stays") from error
