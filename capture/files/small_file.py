"""Read small files that others may have written: nothing but a plain file of a sensible length is ever read."""

from __future__ import annotations

import errno
import json
import math
import os
import re
import stat
import tomllib
from pathlib import Path
from typing import Any

from stillbox.capture.shown_text import in_one_line

LARGEST_BYTES = 200_000
"""No text that a person or this program writes is longer."""

DEEPEST = 16
"""Parts of a key of TOML, and levels of JSON: what is deeper is no file of a build, and costs seconds and gigabytes."""

MOST_DIGITS = 30

# Strings, comments and names of TOML in the order in which they must be tried; a quote that nothing ends stands alone.
_PIECE = re.compile(
    r'''"""(?:[^\\]|\\.)*?""""{0,2}|\'\'\'.*?\'\'\'\'{0,2}|"(?:[^"\\\n]|\\[^\n])*+"|\'[^\'\n]*+\'|'''
    r"#[^\n]*+|[A-Za-z0-9_-]++|\\.|[ \t]++|.",
    re.DOTALL,
)
_STRING_OF_JSON = re.compile(r'"(?:[^"\\]|\\.?)*+(?:"|\Z)', re.DOTALL)


class UnfitFileError(ValueError):
    """A file that is not what it should be; the words say why, without the name of the file."""


def real_path(path: Path) -> Path:
    """Where a path leads, links followed as far as they can be: unlike ``resolve``, links in a circle do no harm."""
    return Path(os.path.realpath(path))


def absolute_path(path: Path) -> Path:
    """The path from the root on, with ``..`` taken out and links left as they are."""
    return Path(os.path.abspath(path))  # noqa: PTH100 - resolve() would follow them


def read_small_text(path: Path, most_bytes: int = LARGEST_BYTES) -> str:
    """The text of a small plain file.

    Raises
    ------
    UnfitFileError
        If it is longer than ``most_bytes``, or no UTF-8.
    OSError
        If it is not there, may not be read, or is a folder, a device or a pipe.
    """
    # Without O_NONBLOCK opening a pipe waits for whoever writes to it.
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    mode = os.fstat(descriptor).st_mode
    if not stat.S_ISREG(mode):
        os.close(descriptor)
        raise OSError(errno.EINVAL, f"it is {kind_of(mode)}, not a file")
    with os.fdopen(descriptor, "rb") as file:
        content = file.read(most_bytes + 1)
    if len(content) > most_bytes:
        raise UnfitFileError(f"it is longer than {most_bytes} bytes")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnfitFileError(f"it is not saved as UTF-8 (byte {error.start + 1})") from error


def kind_of(mode: int) -> str:
    """What something on the disk is, in words."""
    kinds = ((stat.S_ISDIR, "a folder"), (stat.S_ISFIFO, "a pipe"), (stat.S_ISSOCK, "a socket"))
    return next((words for test, words in kinds if test(mode)), "a device")


def parse_toml(text: str) -> dict[str, Any]:
    """A TOML document; ValueError names the place of a fault, and refuses what is nested too deeply."""
    line = _line_of_deep_key(text)
    if line is not None:
        raise UnfitFileError(f"the key in line {line} has more than {DEEPEST} parts")
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise UnfitFileError("it is nested too deeply") from error
    except tomllib.TOMLDecodeError:
        raise
    except ValueError as error:
        raise UnfitFileError("it holds a number of thousands of digits") from error


def parse_json(text: str) -> Any:
    """A JSON document; ValueError names the place of a fault, and refuses what is nested too deeply or no number."""
    if _depth(text) > DEEPEST:
        raise UnfitFileError(f"it is nested more than {DEEPEST} levels deep")
    document = json.loads(text, parse_constant=_no_number, parse_float=_finite, parse_int=_short)
    # JSON may escape halves of characters, which nothing can print.
    json.dumps(document, ensure_ascii=False).encode("utf-8")
    return document


def why_unreadable(error: OSError | ValueError) -> str:
    """The reason of a failure to read, as words within a sentence."""
    return str(error.strerror or error) if isinstance(error, OSError) else in_one_line(str(error))


def _line_of_deep_key(text: str) -> int | None:
    """Line in which more than DEEPEST names follow each other with dots between; None if there is none."""
    if text.count(".") < DEEPEST:
        return None
    names, after_dot = 0, False
    for match in _PIECE.finditer(text):
        piece = match[0]
        if piece[0] in " \t":
            continue
        if piece == ".":
            after_dot = names > 0
        elif piece[0].isalnum() or piece[0] in "_-" or (piece[0] in "\"'" and len(piece) > 1):
            names = names + 1 if after_dot else 1
            after_dot = False
            if names > DEEPEST:
                return text.count("\n", 0, match.start()) + 1
        else:
            names, after_dot = 0, False
    return None


def _depth(text: str) -> int:
    """Levels of brackets outside of strings."""
    depth = deepest = 0
    for bracket in re.findall(r"[\[\]{}]", _STRING_OF_JSON.sub("", text)):
        depth += 1 if bracket in "[{" else -1
        deepest = max(deepest, depth)
    return deepest


def _no_number(name: str) -> float:
    raise UnfitFileError(f"{name} is no number")


def _short(text: str) -> int:
    if len(text) > MOST_DIGITS:
        raise UnfitFileError(f"{text[:20]}… is too large for a number")
    return int(text)


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise UnfitFileError(f"{text[:40]} is too large for a number")
    return value
