"""What each command prints for the stored build, as text files: ``python tests/reference/renderings.py`` remakes them.

A file holds one command: stdout, then stderr with ``! `` before each line. Paths of the build are
BUILD. Tables are those of a terminal of 80 or 120 columns where the name ends so, else those of a pipe.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

PROJECT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path[:0] = [str(PROJECT / "tests"), str(PROJECT / ".venv" / "rooms")]
    for library in ("OPENBLAS", "OMP"):
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")

import pytest  # noqa: E402

from stillbox.analysis.bench import Bench  # noqa: E402
from stillbox.commands import front_door  # noqa: E402
from stillbox.commands.opening import open_bench  # noqa: E402

FOLDER = PROJECT / "tests" / "reference" / "renderings"
STORED = PROJECT / "tests" / "reference" / "stored_build"
RECORDINGS = PROJECT / "demo_recordings"

OF_A_BUILD: dict[str, tuple[str, ...]] = {
    "takes": ("takes", "BUILD"),
    "calibrate": ("calibrate", "BUILD"),
    "curve": ("curve", "BUILD", "in-box/lined"),
    "curve-of-a-short": ("curve", "BUILD", "3"),
    "findings": ("findings", "BUILD"),
    "findings-stock": ("findings", "BUILD", "--state", "stock"),
    "findings-all": ("findings", "BUILD", "--all"),
    "decay": ("decay", "BUILD", "in-box/lined"),
    "decay-cycles": ("decay", "BUILD", "free-air", "--cycles"),
    "compare": ("compare", "BUILD", "stock", "lined"),
    "compare-all": ("compare", "BUILD", "stock", "lined", "--all"),
    "driver": ("driver", "BUILD", "--all"),
    "box": ("box", "BUILD", "--all"),
    "box-stock": ("box", "BUILD", "--state", "stock", "--all"),
    "bass": ("bass", "BUILD", "--state", "stock"),
    "log": ("log", "BUILD", "--all"),
    "no-such-state": ("findings", "BUILD", "--state", "painted"),
    "no-decay-of-a-short": ("decay", "BUILD", "3"),
}
ON_A_TERMINAL = ("takes", "findings", "compare", "driver", "box")
WIDTHS = (80, 120)
HELP_WIDTH = 80
"""Help is no wider on a wider terminal."""


Line = tuple[str, ...]


def cases() -> dict[str, tuple[Line, int | None]]:
    """Name of each file, its command, and the width of the terminal; None for a pipe."""
    found: dict[str, tuple[Line, int | None]] = {name: (line, None) for name, line in OF_A_BUILD.items()}
    for width in WIDTHS:
        found |= {f"{name}-{width}": (OF_A_BUILD[name], width) for name in ON_A_TERMINAL}
    found |= {f"help-{name}": ((name, "--help"), HELP_WIDTH) for name in front_door.COMMANDS}
    found["help"] = ("--help",), HELP_WIDTH
    return found


class Terminal(io.StringIO):
    """A stream that says that it is one."""

    def isatty(self) -> bool:
        return True


@contextlib.contextmanager
def surroundings(width: int | None) -> Iterator[None]:
    """Of a command: how wide the terminal is (without colours), and the clock of no place."""
    told = {"TZ": "UTC", "COLUMNS": str(width or 80), "LINES": "50", "TERM": "dumb"}
    before = {name: os.environ.get(name) for name in told}
    os.environ.update(told)
    time.tzset()
    try:
        yield
    finally:
        for name, value in before.items():
            os.environ.pop(name, None) if value is None else os.environ.update({name: value})
        time.tzset()


@contextlib.contextmanager
def one_bench() -> Iterator[None]:
    """All commands share a bench, as all parts of the window do: each result is computed once."""
    benches: dict[tuple[object, ...], Bench] = {}

    def shared(*how: Any, **more: Any) -> Bench:
        key = (*how, *sorted(more.items()))
        if key not in benches:
            benches[key] = open_bench(*how, **more)
        return benches[key]

    with pytest.MonkeyPatch.context() as patch:
        for name, module in list(sys.modules.items()):
            if name.startswith("stillbox.commands.") and vars(module).get("open_bench") is open_bench:
                patch.setattr(module, "open_bench", shared)
        yield


def stored_build(folder: Path) -> Path:
    """The stored build with the recordings that its takes were made from."""
    shutil.copytree(STORED, folder, ignore=shutil.ignore_patterns("numbers.json"))
    for sidecar in (folder / "takes").glob("*.json"):
        take = json.loads(sidecar.read_text(encoding="utf-8"))
        shutil.copy(RECORDINGS / take["origin"], folder / "takes" / take["audio_file"])
    return folder


def rendered(line: Line, width: int | None, build: Path) -> str:
    """What a command prints."""
    out, err = Terminal() if width else io.StringIO(), io.StringIO()
    arguments = [str(build) if word == "BUILD" else word for word in line]
    with surroundings(width), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            front_door.main(arguments)
        except SystemExit as end:
            status = end.code
    said = out.getvalue() + "".join(f"! {one}\n" for one in err.getvalue().splitlines())
    said = "".join(f"{one.rstrip()}\n" for one in said.splitlines())
    return f"$ stillbox {' '.join(line)}\n{said}status {status}\n".replace(str(build), "BUILD")


def main() -> None:
    """Remake all files."""
    FOLDER.mkdir(exist_ok=True)
    wanted = cases()
    for old in FOLDER.glob("*.txt"):
        if old.stem not in wanted:
            old.unlink()
    with tempfile.TemporaryDirectory() as folder, one_bench():
        build = stored_build(Path(folder) / "build")
        for name, (line, width) in wanted.items():
            text = rendered(line, width, build)
            assert "status 1\n" not in text, f"a fault of the program is not kept: {text}"
            path = FOLDER / f"{name}.txt"
            if not path.exists() or path.read_text(encoding="utf-8") != text:
                path.write_text(text, encoding="utf-8", newline="\n")
                print(path.relative_to(PROJECT))


if __name__ == "__main__":
    main()
