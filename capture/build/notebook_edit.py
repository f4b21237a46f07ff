"""Entries of the notebook: added, corrected, withdrawn, brought back. What stood there before stays in the file."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

import tomlkit
from pydantic import ValidationError
from tomlkit.items import AoT

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.notebook import (
    Entry,
    Notebook,
    Said,
    moment_of,
    notebook_from_text,
    notebook_path,
    notebook_text,
    read_notebook,
)
from stillbox.capture.build.notebook_picture import picture_for_notebook
from stillbox.capture.errors import StillboxError, describe_validation_error
from stillbox.capture.files.build_layout import NOTEBOOK_FOLDER, own_folder
from stillbox.capture.files.whole_file import write_whole
from stillbox.capture.recording.take import TakeInfo
from stillbox.capture.stop_signals import kept_back

CONTENT = tuple(Said.model_fields)
"""What a person says in an entry, in the order in which it is written."""

HEAD = """\
# Notebook of this build: what was done, what it cost, what was heard; the oldest entry first.
# It may be edited by hand. 'stillbox log' adds to it and never takes anything out.
"""


def add_entry(build: BuildFolder, said: Mapping[str, Any], pictures: Sequence[Path] = ()) -> Entry:
    """Write a new entry at the end of the notebook.

    Parameters
    ----------
    build : BuildFolder
    said : mapping
        Values of `Said` by their names; what is None or empty is left out, and without ``made`` it is made now.
    pictures : sequence of Path
        Files of which upright, small copies are kept.

    Raises
    ------
    StillboxError
        If nothing is said, a value is out of range, a picture cannot be read, or the file cannot be written.
    """
    told = {"made": now(), **_told(said)}
    if not pictures and not set(told) - {"made", "unit", "state", "currency"}:
        raise StillboxError("nothing is said in this entry", "say what was done or heard")

    def append(before: Notebook, text: str, names: Sequence[str]) -> Written:
        _require_there(before, told)
        entry = checked_entry({"number": before.next_number, **told, **({"pictures": names} if names else {})})
        document, table = tomlkit.parse(text), tomlkit.table()
        for key in ("number", *CONTENT):
            if key in entry.model_fields_set:
                table.add(key, _as_written(getattr(entry, key)))
        table.trivia.indent = "\n"  # a line between entries
        if "entry" not in document:
            document.append("entry", tomlkit.aot())
        document["entry"].append(table)
        return entry, tomlkit.dumps(document)

    return _changed(build, append, pictures)


def correct_entry(
    build: BuildFolder, number: int, changes: Mapping[str, Any], pictures: Sequence[Path] = ()
) -> Entry:
    """Replace values of an entry; what stood there stays below it, with the moment of the correction.

    Parameters
    ----------
    changes : mapping
        Values of `Said` by their names; None or empty takes one away.
    pictures : sequence of Path
        Further pictures.
    """

    def correct(before: Notebook, text: str, names: Sequence[str]) -> Written:
        was = before.entry(number)
        _require_there(before, changes)
        wanted = {**changes, **({"pictures": (*was.pictures, *names)} if names else {})}
        changed = {key: value for key, value in wanted.items() if _bare(value) != _bare(getattr(was, key))}
        if not changed:
            raise StillboxError(f"entry {number} says that already", "give what is to be another")
        former = {key: getattr(was, key) for key in CONTENT if key in changed and _bare(getattr(was, key)) is not None}
        kept = {key: value for key, value in was.model_dump(exclude_unset=True).items() if key not in changed}
        past = (*was.former, {"changed": now(), **former})
        entry = checked_entry({**kept, "number": number, **_told(changed), "former": past})
        document = tomlkit.parse(text)
        table = document["entry"][before.entries.index(was)]
        for key in changed:
            if key in _told(changed):
                table[key] = _as_written(getattr(entry, key))
            else:
                table.remove(key)
        lines = tomlkit.array()
        for one in entry.former:
            line = tomlkit.inline_table()
            for key in ("changed", *CONTENT):
                if key in one.model_fields_set:
                    line.append(key, _as_written(getattr(one, key)))
            lines.append(line)
        table["former"] = lines.multiline(True)
        return entry, tomlkit.dumps(document)

    return _changed(build, correct, pictures)


def withdraw_entry(build: BuildFolder, number: int) -> Entry:
    """Let an entry count no more; it stays where it stands."""

    def withdraw(before: Notebook, text: str, _: Sequence[str]) -> Written:
        was = before.entry(number)
        if was.withdrawn is not None:
            raise StillboxError(f"entry {number} is withdrawn already", "--restore brings it back")
        moment = now()
        document = tomlkit.parse(text)
        document["entry"][before.entries.index(was)]["withdrawn"] = moment
        return was.model_copy(update={"withdrawn": moment}), tomlkit.dumps(document)

    return _changed(build, withdraw)


def restore_entry(build: BuildFolder, number: int) -> Entry:
    """Let an entry that was withdrawn count again."""

    def restore(before: Notebook, text: str, _: Sequence[str]) -> Written:
        was = before.entry(number)
        if was.withdrawn is None:
            raise StillboxError(f"entry {number} is not withdrawn", "look at the list again")
        document = tomlkit.parse(text)
        document["entry"][before.entries.index(was)].remove("withdrawn")
        return was.model_copy(update={"withdrawn": None}), tomlkit.dumps(document)

    return _changed(build, restore)


def now() -> datetime:
    """The moment in local time, in whole seconds."""
    return datetime.now().astimezone().replace(microsecond=0)


def day_of(text: str) -> date:
    """A day as it is written on the command line, or this moment where it is today.

    Raises
    ------
    StillboxError
        If it is none, or is still to come.
    """
    try:
        day = date.fromisoformat(text) if len(text) == 10 else None
    except ValueError:
        day = None
    if day is None:
        raise StillboxError(f"'{text[:40]}' is no day", f"write year, month and day, as in {date.today().isoformat()}")
    if moment_of(day) > now():
        raise StillboxError(f"{day.isoformat()} is still to come", "give the day on which the work was done")
    return now() if day == date.today() else day


def checked_entry(values: Mapping[str, Any]) -> Entry:
    """An entry of these values; StillboxError names the one that cannot be."""
    try:
        return Entry.model_validate(values)
    except ValidationError as error:
        raise StillboxError(describe_validation_error(error), "give another value") from error


def _told(said: Mapping[str, Any]) -> dict[str, Any]:
    """What is told of it: an empty text, an empty list and None say nothing; 0 does."""
    return {key: said[key] for key in CONTENT if _bare(said.get(key)) is not None}


def _bare(value: Any) -> Any:
    """A value to be compared; None where nothing is said."""
    if isinstance(value, list | tuple):
        return tuple(value) or None
    return None if value == "" else value


def _require_there(notebook: Notebook, said: Mapping[str, Any]) -> None:
    """StillboxError where the material of an entry is taken out that is not there."""
    for number in said.get("takes_out") or ():
        if isinstance(number, int):  # what is no number is told with its range
            notebook.entry(number)


def _as_written(value: Any) -> Any:
    """A value as TOML has it: whole numbers without a point, lists for tuples."""
    if isinstance(value, tuple):
        return list(value)
    return int(value) if isinstance(value, float) and value.is_integer() else value


Written = tuple[Entry, str]
"""An entry, and the text of the notebook with it."""
Change = Callable[[Notebook, str, Sequence[str]], Written]


@kept_back()
def _changed(build: BuildFolder, change: Change, pictures: Sequence[Path] = ()) -> Entry:
    """Change the file: the pictures first, then all of the text at once; what others wrote in it stays as it is."""
    ready = [picture_for_notebook(path) for path in pictures]
    with build.lock():
        path = notebook_path(build.path)
        text = notebook_text(build.path)
        before = notebook_from_text(text, path)
        if not isinstance(tomlkit.parse(text).get("entry", AoT([])), AoT):
            raise _laid_out(path)
        names = _free_names(build, before, len(ready))
        entry, written = change(before, text or HEAD, names)
        _require_kept(before, entry, notebook_from_text(written, path), path)
        for name, content in zip(names, ready, strict=True):
            write_whole(own_folder(build.path, NOTEBOOK_FOLDER) / name, content)
        write_whole(path, written)
    return entry


def _require_kept(before: Notebook, entry: Entry, after: Notebook, path: Path) -> None:
    """StillboxError where the file would not say what it is to say: nothing is written then."""
    there = {one.number: one for one in before.entries}
    if {one.number: one for one in after.entries} != {**there, entry.number: entry}:
        raise _laid_out(path)


def _laid_out(path: Path) -> StillboxError:
    return StillboxError(
        f"{path} is laid out in a way in which nothing can be changed safely", "write each entry as a block [[entry]]"
    )


def _free_names(build: BuildFolder, notebook: Notebook, count: int) -> list[str]:
    """Names for new pictures, none of which is there: what an interrupted write left is nobody's, and stays."""
    if not count:
        return []
    folder = own_folder(build.path, NOTEBOOK_FOLDER)
    try:
        folder.mkdir(exist_ok=True)
        there = {*os.listdir(folder), *(name for entry in notebook.entries for name in entry.pictures)}  # noqa: PTH208
    except OSError as error:
        raise StillboxError(f"cannot write to {folder}: {error.strerror}", "check the rights there") from error
    names = (f"{notebook.next_number:04d}-{place}.jpg" for place in range(1, len(there) + count + 1))
    return [name for name in names if name not in there][:count]


def carry_entries(build: BuildFolder, take: TakeInfo, state: str) -> tuple[str, ...]:
    """Let the entries of a take's state go with it to another name where no take of the old one stays, or say why not.

    To be called with the lock of the build held, before the take gets its other state.

    Returns
    -------
    tuple of str
        What became of them, in words; empty where no entry is concerned.
    """
    if take.subject != "in-box" or not take.state or not state or state == take.state:
        return ()
    try:
        notebook = read_notebook(build.path)
    except StillboxError as error:
        return (f"entries of the notebook stay with state '{take.state}': {error}",)
    carried, words = [], []
    for entry in notebook.entries:
        if entry.state != take.state or entry.unit not in (None, take.unit):
            continue
        mine = [one for one in build.takes() if one.subject == "in-box" and entry.unit in (None, one.unit)]
        left = {one.state for one in mine if one.number != take.number}
        if take.state in left:
            continue
        if state in left:
            stays = f"entry {entry.number} of the notebook stays with state '{take.state}'"
            words.append(f"{stays}, of which no take is left: there is '{state}' already")
            continue
        correct_entry(build, entry.number, {"state": state})
        carried.append(str(entry.number))
    if carried:
        words.append(f"of the notebook these entries go with it to state '{state}': {', '.join(carried)}")
    return tuple(words)
