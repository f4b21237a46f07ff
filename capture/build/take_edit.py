"""Changes to a build that a person may take back: the state of a take, and its way to the wastebasket and back.

Samples are never touched: a new state changes the sidecar alone, removing moves both files as they are.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from stillbox.capture.build.build_folder import AUDIO_SUFFIXES, BuildFolder
from stillbox.capture.build.kept_networks import carry_networks
from stillbox.capture.build.notebook_edit import carry_entries
from stillbox.capture.build.sidecar import read_sidecar, write_sidecar
from stillbox.capture.build.states import check_name
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.build_layout import TAKES_FOLDER, WASTEBASKET_FOLDER, own_folder
from stillbox.capture.files.whole_file import move_file
from stillbox.capture.recording.take import TakeInfo, check_state
from stillbox.capture.stop_signals import kept_back


def rename_state(build: BuildFolder, number: int, state: str) -> tuple[TakeInfo, tuple[str, ...]]:
    """Give a take another state, and netlists and notebook that name it, where no other take is of the old one.

    Parameters
    ----------
    state : str
        Letters, digits, space and ``._+-``, at most 40; empty for none; not all subjects may have one.

    Returns
    -------
    TakeInfo
        What its sidecar says then.
    tuple of str
        What became of netlists and of the notebook, in words.

    Raises
    ------
    StillboxError
        The name cannot be one, there is no such take, or the disk refuses.
    """
    with build.lock():
        path = _sidecar_path(own_folder(build.path, TAKES_FOLDER), number)
        info = read_sidecar(path)
        if state:
            check_name(state)
        check_state(info.subject, state)
        changed = info.model_copy(update={"state": state})
        said = () if state == info.state else (*carry_networks(build, info, state), *carry_entries(build, info, state))
        write_sidecar(path, changed)
    return changed, said


def remove_take(build: BuildFolder, number: int) -> None:
    """Move a take to the wastebasket of its build; StillboxError if there is none of that number."""
    with build.lock():
        _move(*_folders(build), number)


def restore_take(build: BuildFolder, number: int) -> None:
    """Take a take out of the wastebasket again."""
    with build.lock():
        takes, wastebasket = _folders(build)
        if any(takes.glob(f"{number:04d}-*")):
            raise StillboxError(f"there is a take {number} in the build already", "move one of the two away by hand")
        _move(wastebasket, takes, number)


def removed_takes(build: BuildFolder) -> list[TakeInfo]:
    """What lies in the wastebasket and can be restored, by number."""
    found = []
    for path in sorted(own_folder(build.path, WASTEBASKET_FOLDER).glob("*.json")):
        with suppress(StillboxError):  # a damaged file there harms nobody, and cannot be restored
            found.append(read_sidecar(path))
    return found


def _folders(build: BuildFolder) -> tuple[Path, Path]:
    """Takes and wastebasket; StillboxError where one of them is a link."""
    return own_folder(build.path, TAKES_FOLDER), own_folder(build.path, WASTEBASKET_FOLDER)


def _sidecar_path(folder: Path, number: int) -> Path:
    paths = sorted(folder.glob(f"{number:04d}-*.json"))
    if not paths:
        raise StillboxError(f"there is no take {number} in {folder}", "look at the list again")
    return paths[0]


@kept_back()
def _move(source: Path, target: Path, number: int) -> None:
    """The sidecar goes last where a take appears and first where it disappears: half a take is none."""
    sidecar = _sidecar_path(source, number)
    samples = [path for suffix in AUDIO_SUFFIXES if (path := sidecar.with_suffix(suffix)).is_file()]
    there = [path.name for path in (sidecar, *samples) if os.path.lexists(target / path.name)]
    if there:
        raise StillboxError(f"{target / there[0]} is there already, so take {number} stays", "move one of the two away")
    moved: list[tuple[Path, Path]] = []
    try:
        target.mkdir(exist_ok=True)
        for path in [sidecar, *samples] if target.name == WASTEBASKET_FOLDER else [*samples, sidecar]:
            move_file(path, target / path.name)
            moved.append((target / path.name, path))
    except OSError as error:
        for new, old in reversed(moved):
            with suppress(OSError):
                move_file(new, old)
        raise StillboxError(f"cannot move take {number} to {target}: {error.strerror}; it stays", "") from error
