"""The one home of "may this be written": every file that a person asks for passes here, from command line and window.

Nothing is ever written among the takes of a build or onto its own files, whatever links lead there; the suffix must
fit what is written; and a file that is there is replaced only where Stillbox has written it, of the same kind, told by
what it holds. So what is done again may be written again, and nothing of somebody else's is lost.
"""

from __future__ import annotations

import csv
import os
import re
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from stillbox.capture.errors import StillboxError
from stillbox.capture.files.build_layout import CROSSOVER_FOLDER, NOTEBOOK_FOLDER, OWN_FOLDERS, owner_of
from stillbox.capture.files.small_file import absolute_path, kind_of, real_path
from stillbox.capture.files.whole_file import write_whole

HEAD_BYTES = 65_536
"""So much of the beginning, and of the end, of a file is looked at to tell of which kind it is and by whom."""

MARK = "Stillbox"
"""Stands in whatever is written, where the format has a place for it."""

TABLE_HEADS = {
    "curve": "frequency_hz,resistance_ohm,reactance_ohm,resistance_std_ohm,reactance_std_ohm",
    "decay": "time_s,frequency_hz,level_db,noise_floor_db,meaningful",
    "decay in cycles": "cycles,time_s,frequency_hz,level_db,noise_floor_db,meaningful",
    "driver": "frequency_hz,measured_re_ohm,measured_im_ohm,model_re_ohm,model_im_ohm",
    "bass": "frequency_hz,level_db,group_delay_ms,excursion_mm,port_speed_m_s,hatched",
}
"""First lines of tables; a table has no place for a mark, and is known by this."""


HELD = {CROSSOVER_FOLDER: "the netlists kept there", NOTEBOOK_FOLDER: "the pictures of its notebook"}
"""What the folders of a build are for, where that is no take."""

_NO_TEXT = re.compile("[\\x00-\\x08\\x0e-\\x1f\ufffd]")


@dataclass(frozen=True)
class OutputKind:
    """A kind of file that is written.

    Attributes
    ----------
    what : str
        Its name in a sentence.
    suffixes : tuple of str
        How its name may end.
    is_one : callable
        Whether a plain file that holds something is of this kind already.
    is_ours : callable
        Whether such a one was written by Stillbox.
    """

    what: str
    suffixes: tuple[str, ...]
    is_one: Callable[[Path], bool]
    is_ours: Callable[[Path], bool]


def _is_marked(path: Path) -> bool:
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES)
        file.seek(max(path.stat().st_size - HEAD_BYTES, 0))
        return any(MARK.encode(letters) in part for part in (head, file.read()) for letters in ("utf-8", "utf-16-be"))


def _has_own_head(path: Path) -> bool:
    return _text(path).partition("\n")[0].strip() in TABLE_HEADS.values()


CASELESS_DISKS = sys.platform in ("win32", "darwin")


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(HEAD_BYTES)


def _text(path: Path) -> str:
    """The beginning of a text; empty for what is no text."""
    head = _head(path).removeprefix(b"\xef\xbb\xbf")
    # A letter may be cut at the end of what was read.
    text = head.decode("utf-8", "replace")
    return "" if _NO_TEXT.search(text[:-4]) else text


def _is_table(path: Path) -> bool:
    """A text whose first lines have the same number of columns, two at least; lines with # are remarks."""
    whole = path.stat().st_size <= HEAD_BYTES
    lines = [line for line in _text(path).splitlines() if line.strip() and not line.startswith("#")]
    lines = lines[:5] if whole or len(lines) > 5 else lines[:-1]
    for separator in ",;\t":
        counts = {len(row) for row in csv.reader(lines, delimiter=separator)} if lines else set()
        if len(counts) == 1 and counts != {1}:
            return lines[0].lstrip()[0] not in "{[<"
    return False


def _is_picture(path: Path) -> bool:
    head = _head(path)
    return head.startswith((b"\x89PNG\r\n\x1a\n", b"%PDF-")) or re.search(rb"<svg[\s>]", head[:4096]) is not None


def _matches(pattern: str) -> Callable[[Path], bool]:
    sought = re.compile(pattern, re.IGNORECASE | re.MULTILINE)
    return lambda path: sought.search(_text(path)) is not None


TABLE = OutputKind("a table", (".csv",), _is_table, _has_own_head)
PICTURE = OutputKind("a picture", (".svg", ".png", ".pdf"), _is_picture, _is_marked)
TOUCHSTONE = OutputKind(
    "a Touchstone one-port file", (".z1p", ".s1p"), _matches(r"^[ \t]*#[ \t]*[GMK]?HZ\b"), _is_marked
)
PAGE = OutputKind(
    "a page",
    (".html", ".htm"),
    _matches(r"\A\s*(?:<!--.*-->\s*)?<(?:!doctype\s+html|html)\b"),
    _matches(rf'<meta name="generator" content="{MARK}\b'),
)
NETLIST = OutputKind(
    "a netlist", (".cir", ".sp", ".spice", ".net"), _matches(r"^\.(?:end|ends|ac|subckt)\b"), _is_marked
)
RESULTS = OutputKind("a document of results", (".json",), _matches(r'\A\s*\{\s*"build"\s*:'), lambda _: True)
PRINT = OutputKind("a print", (".pdf", ".ps"), lambda path: _head(path).startswith((b"%PDF-", b"%!PS")), _is_marked)


def check_output(path: Path, kind: OutputKind) -> Path:
    """Where an output would be written: ``path`` with all links followed.

    Raises
    ------
    StillboxError
        If it may not be written; names the path, the reason and the remedy.
    """
    path = Path(path)
    if path.suffix.lower() not in kind.suffixes:
        allowed = " or ".join(filter(None, (", ".join(kind.suffixes[:-1]), kind.suffixes[-1])))
        raise StillboxError(f"{path}: the name of {kind.what} must end in {allowed}, not '{path.suffix}'", "")
    target = real_path(path)
    for place in (target, absolute_path(path)):
        refuse_own(place, path)
    if target.suffix.lower() not in kind.suffixes:
        raise StillboxError(f"{path} leads to {target}, whose name is not that of {kind.what}", "give another name")
    if not target.parent.is_dir():
        raise StillboxError(f"cannot write {path}: there is no folder {target.parent}", "make it, or give another")
    if os.path.lexists(target):
        _refuse_other(target, kind, path)
    return target


def check_folder(path: Path) -> None:
    """StillboxError where a folder for outputs, or a new build, would lie among the takes of a build."""
    for place in (real_path(path), absolute_path(path)):
        refuse_own(place, path)


def write_output(path: Path, kind: OutputKind, content: str | bytes) -> None:
    """Write a file that a person asked for: whole, and only where it may be (see ``check_output``)."""
    write_whole(check_output(path, kind), content)


def check_different(**outputs: Path | None) -> None:
    """StillboxError where two outputs of one command would go to one file; names are those of the options."""
    seen: dict[str, str] = {}
    for name, path in outputs.items():
        if path is not None and (other := seen.setdefault(_as_disks_tell_apart(real_path(path)), name)) != name:
            raise StillboxError(f"--{other} and --{name} name the same file, {path}", "give two names")


def _as_disks_tell_apart(path: Path) -> str:
    """Names that differ in capitals alone are one name on the disks of Windows and macOS."""
    return str(path).casefold() if CASELESS_DISKS else str(path)


def refuse_own(place: Path, path: Path) -> None:
    """StillboxError where ``place``, which the person called ``path``, belongs to a build itself."""
    owner = owner_of(place)
    if owner is None:
        return
    build, name = owner
    remedy = "give a name outside of it"
    if name in OWN_FOLDERS:
        raise StillboxError(
            f"{path} lies in the {name} of the build {build}, which holds nothing but {HELD.get(name, 'takes')}", remedy
        )
    raise StillboxError(f"{path} is {name} of the build {build}, which is never written over", "give another name")


def _refuse_other(target: Path, kind: OutputKind, path: Path) -> None:
    """StillboxError where what is there must not be replaced."""
    try:
        status = target.stat()
        plain = target.is_file()
        same = plain and (status.st_size == 0 or kind.is_one(target))
        ours = same and (status.st_size == 0 or kind.is_ours(target))
    except OSError as error:
        raise StillboxError(f"cannot read {path}, which is there: {error.strerror}", "give another name") from error
    if not plain:
        raise StillboxError(f"{path} is {kind_of(status.st_mode)}, not a file", "give another name")
    if not same:
        raise StillboxError(f"{path} is there and is not {kind.what}", "give another name, or move it away")
    if not ours:
        raise StillboxError(f"{path} is there and was not written by {MARK}", "give another name, or move it away")
    if not os.access(target, os.W_OK):
        raise StillboxError(f"{path} is there and protected against writing", "give another name, or change its rights")
