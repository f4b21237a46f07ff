"""Netlists of the crossover that a build keeps, each from a state of the work on; nothing is replaced.

Layout::

    BUILD/crossover/0001.cir                       for all takes
    BUILD/crossover/0002-state=lined.cir           from the first take of state lined on
    BUILD/crossover/0003-state=lined-unit=B.cir    the same of unit B alone

Names of states and units hold no ``=``. Of two for the same the later one counts.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.states import check_name
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.build_layout import CROSSOVER_FOLDER, WASTEBASKET_FOLDER, own_folder
from stillbox.capture.files.small_file import read_small_text, why_unreadable
from stillbox.capture.files.whole_file import move_file, write_whole
from stillbox.capture.recording.take import TakeInfo

_NAME = re.compile(r"(\d{4,9})(?:-state=([^=]+?))?(?:-unit=([^=]+))?\.cir")


@dataclass(frozen=True)
class KeptNetwork:
    """A netlist that a build keeps.

    Attributes
    ----------
    number : int
        The later one counts.
    state : str or None
        From the first take of that state on; None for all.
    unit : str or None
        For that unit alone; None for all.
    path : Path
    """

    number: int
    state: str | None
    unit: str | None
    path: Path

    @property
    def words(self) -> str:
        """What it is for."""
        whose = "" if self.unit is None else f" of unit {self.unit}"
        return f"for all takes{whose}" if self.state is None else f"from state {self.state} on{whose}"

    def text(self) -> str:
        """The netlist as it was given; StillboxError where it cannot be read any more."""
        try:
            return read_small_text(self.path)
        except (OSError, ValueError) as error:
            raise StillboxError(
                f"the netlist {self.path} cannot be read: {why_unreadable(error)}", "put the original back"
            ) from error


def kept_networks(build: BuildFolder) -> list[KeptNetwork]:
    """All netlists of a build, by number; what else lies in the folder is nobody's."""
    folder = own_folder(build.path, CROSSOVER_FOLDER)
    if not folder.is_dir():
        return []
    named = [(path, _NAME.fullmatch(path.name)) for path in sorted(folder.iterdir())]
    found = [KeptNetwork(int(name[1]), name[2], name[3], path) for path, name in named if name is not None]
    return sorted(found, key=lambda one: one.number)


def keep_network(
    build: BuildFolder, text: str, state: str | None = None, unit: str | None = None
) -> KeptNetwork:
    """Keep a netlist as it is: from a state on, or for all takes.

    Raises
    ------
    StillboxError
        If the state or unit cannot be named so, another program writes to the build, or the disk refuses.
    """
    if state is not None:
        check_name(state)
    if unit is not None:
        check_name(unit, "a unit")
    with build.lock():
        folder = own_folder(build.path, CROSSOVER_FOLDER)
        try:
            folder.mkdir(exist_ok=True)
            numbers = [*_numbers(folder), *_numbers(own_folder(build.path, WASTEBASKET_FOLDER))]
        except OSError as error:
            raise StillboxError(f"cannot write to {folder}: {error.strerror}", "check the rights there") from error
        number = max(numbers, default=0) + 1
        path = folder / _file_name(number, state, unit)
        write_whole(path, text)
    return KeptNetwork(number, state, unit, path)


def _numbers(folder: Path) -> list[int]:
    """Of all netlists in a folder, which need not be there."""
    if not folder.is_dir():
        return []
    return [int(name[1]) for entry in os.scandir(folder) if (name := _NAME.fullmatch(entry.name))]


def set_network_aside(build: BuildFolder, network: KeptNetwork) -> None:
    """Move a netlist to the wastebasket of its build: as if it had never been kept."""
    _move_network(build, network, CROSSOVER_FOLDER, WASTEBASKET_FOLDER)


def bring_network_back(build: BuildFolder, network: KeptNetwork) -> None:
    """Take a netlist out of the wastebasket again."""
    _move_network(build, network, WASTEBASKET_FOLDER, CROSSOVER_FOLDER)


def _move_network(build: BuildFolder, network: KeptNetwork, source: str, target: str) -> None:
    with build.lock():
        folder = own_folder(build.path, target)
        name = network.path.name
        try:
            folder.mkdir(exist_ok=True)
            move_file(own_folder(build.path, source) / name, folder / name)
        except OSError as error:
            raise StillboxError(f"cannot move {name} to {folder}: {error.strerror}", "see what lies there") from error


def carry_networks(build: BuildFolder, take: TakeInfo, state: str) -> tuple[str, ...]:
    """Let the netlists that begin with the state of a take go with it to another name, or say which do not.

    They go where no take of the old state stays and none of the new one was there before, so that they stand for the
    same takes as before. To be called with the lock of the build held, before the take gets its other state.

    Returns
    -------
    tuple of str
        What became of them, in words; empty where no netlist begins with the old state.
    """
    words = []
    networks = kept_networks(build)
    for one in networks:
        if one.state is None or one.state != take.state or one.unit not in (None, take.unit):
            continue
        mine = [other for other in build.takes() if one.unit in (None, other.unit) and other.number != take.number]
        if any(other.state == take.state for other in mine):
            words.append(f"the netlist {one.path.name} stays with state '{take.state}', of which there are other takes")
        elif not state:
            words.append(f"the netlist {one.path.name} begins with state '{take.state}', and stands for no take now")
        elif any(other.state == state for other in mine) or any(other.state == state for other in networks):
            words.append(f"the netlist {one.path.name} does not go with it: there is a state '{state}' already")
        else:
            path = one.path.with_name(_file_name(one.number, state, one.unit))
            try:
                move_file(one.path, path)
            except OSError as error:
                raise StillboxError(f"cannot rename {one.path}: {error.strerror}", "check the rights there") from error
            words.append(f"the netlist that began with state '{take.state}' begins with '{state}' now: {path.name}")
    return tuple(words)


def _file_name(number: int, state: str | None, unit: str | None) -> str:
    of_state = "" if state is None else f"-state={state}"
    of_unit = "" if unit is None else f"-unit={unit}"
    return f"{number:04d}{of_state}{of_unit}.cir"


def network_of_take(networks: Iterable[KeptNetwork], takes: Iterable[TakeInfo], take: TakeInfo) -> KeptNetwork | None:
    """The netlist that is in force at a take: the one that began last before it; None where none has begun.

    Parameters
    ----------
    networks : iterable of KeptNetwork
    takes : iterable of TakeInfo
        All of the build: they tell when a state began.
    take : TakeInfo
    """
    begun: dict[str, int] = {}
    for one in takes:
        if one.unit == take.unit and one.state:
            begun[one.state] = min(begun.get(one.state, one.number), one.number)

    def since(network: KeptNetwork) -> int:
        return 0 if network.state is None else begun.get(network.state, take.number + 1)

    there = [one for one in networks if one.unit in (None, take.unit) and since(one) <= take.number]
    return max(there, key=lambda one: (since(one), one.unit is not None, one.number), default=None)
