"""Windows and macOS: nothing outside of the tests that only Linux has, as far as the source shows it.

What a system has is read from the stubs of the standard library that come with mypy, so no list of names is kept here.
"""

from __future__ import annotations

import ast
import fcntl
import os
import re
import stat
import sys
from collections.abc import Callable, Iterator
from functools import cache
from itertools import product
from pathlib import Path

import mypy
import pytest
from places import ROOT, TOPS

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError
from stillbox.capture.files import build_layout, output_file, whole_file
from stillbox.capture.recording.take import NAME_PATTERN, SUBJECTS
from stillbox.commands import front_door
from stillbox.gui.results.exporting import file_stem

MODULES = sorted([*ROOT.glob("*.py"), *(path for room in TOPS for path in (ROOT / room).rglob("*.py"))])
STUBS = Path(mypy.__file__).parent / "typeshed" / "stdlib"
OTHERS = ("win32", "darwin")
ONE_HOME = "capture/files/whole_file.py"
"""Where files get their names and are flushed, as each system needs it."""


# What the standard library has on a system


def holds(test: ast.expr, platform: str) -> bool | None:
    """Whether a condition of a stub holds there; None where it is not about the system."""
    if isinstance(test, ast.BoolOp):
        parts = [holds(part, platform) for part in test.values]
        known = [part for part in parts if part is not None]
        every = isinstance(test.op, ast.And)
        if (False in known) if every else (True in known):
            return not every
        return every if len(known) == len(parts) else None
    if isinstance(test, ast.UnaryOp) and isinstance(test.op, ast.Not):
        inner = holds(test.operand, platform)
        return None if inner is None else not inner
    said = ast.unparse(test)
    if "sys.platform" in said or "sys.version_info" in said:
        told = {"platform": platform, "version_info": sys.version_info}
        return bool(eval(said, {"sys": type("sys", (), told)}))
    return None


@cache
def names_of(module: str, platform: str, imported: bool = True) -> frozenset[str]:
    """Names that a module of the standard library has on a system, with those that it imports, or without."""
    place = STUBS.joinpath(*module.split("."))
    path = place / "__init__.pyi" if place.is_dir() else place.with_suffix(".pyi")
    text = path.read_text(encoding="utf-8") if path.is_file() else ""
    return frozenset(_names(ast.parse(text).body, platform, imported))


def _names(body: list[ast.stmt], platform: str, imported: bool) -> Iterator[str]:
    for node in body:
        if isinstance(node, ast.If):
            told = holds(node.test, platform)
            yield from _names(node.body, platform, imported) if told is not False else ()
            yield from _names(node.orelse, platform, imported) if told is not True else ()
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            yield node.name
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            yield node.target.id
        elif isinstance(node, ast.Assign):
            yield from (target.id for target in node.targets if isinstance(target, ast.Name))
        elif isinstance(node, ast.ImportFrom) and node.names[0].name == "*" and node.module and not node.level:
            yield from names_of(node.module, platform, imported)
        elif isinstance(node, ast.Import | ast.ImportFrom) and imported:
            yield from (alias.asname or alias.name for alias in node.names)


def lacking(module: str) -> frozenset[str]:
    """Names that Linux has and another of the systems has not."""
    return frozenset().union(*(names_of(module, "linux") - names_of(module, other) for other in OTHERS))


def gone(module: str) -> bool:
    """Whether Linux has a module that defines nothing elsewhere."""
    return bool(names_of(module, "linux", False)) and not all(names_of(module, other, False) for other in OTHERS)


# What a source asks for


def of_linux_alone(source: str) -> list[str]:
    """Imports and attributes of the standard library that another system lacks, where nothing asks for them first."""
    tree = ast.parse(source)
    modules: dict[str, str] = {}
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            modules.update({alias.asname or alias.name: alias.name for alias in node.names})
            found += [f"{node.lineno} import {alias.name}" for alias in node.names if gone(alias.name)]
        elif isinstance(node, ast.ImportFrom) and node.module:
            missing = {alias.name for alias in node.names} & lacking(node.module)
            found += [f"{node.lineno} {node.module}.{name}" for name in sorted(missing)]
    asked = set(_asked_for(tree))
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and node not in asked:
            module = modules.get(ast.unparse(node.value))
            if module is not None and node.attr in lacking(module):
                found.append(f"{node.lineno} {module}.{node.attr}")
    return found


def _asked_for(tree: ast.AST) -> Iterator[ast.AST]:
    """What stands under a condition on the system, or on whether a name is there."""
    for node in ast.walk(tree):
        condition = ast.unparse(node.test) if isinstance(node, ast.If | ast.IfExp) else ""
        if re.search(r"sys\.platform|os\.name|hasattr\(|ON_WINDOWS", condition):
            yield from ast.walk(node)


NOT_ALIKE = {
    "chmod": "knows only read-only on Windows",
    "symlink_to": "needs rights on Windows",
    "symlink": "needs rights on Windows",
    "hardlink_to": "not on every disk",
    "link": "not on every disk",
    "NamedTemporaryFile": "cannot be opened twice on Windows",
    "preexec_fn": "not on Windows",
    "start_new_session": "not on Windows",
}
"""What all systems have, but not the same."""

OF_LINUX = re.compile(r"^/(proc|dev|tmp|etc|usr|var|sys|home|run|bin|mnt)(/\S*)?$|%-[a-zA-Z]")
"""Places, and numbers of a date without leading zeros."""


def told_apart(source: str, home: bool = False) -> list[str]:
    """Calls that mean something else on another system, and texts that only Linux understands."""
    tree = ast.parse(source)
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            found += [f"{node.lineno} {fault}" for fault in _faults_of_call(node, home)]
        elif isinstance(node, ast.Import) and {alias.name for alias in node.names} & {"select", "selectors"}:
            found.append(f"{node.lineno} select: on Windows for sockets alone")
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and OF_LINUX.search(node.value):
            found.append(f"{node.lineno} {node.value!r}")
    return found


def _faults_of_call(node: ast.Call, home: bool) -> Iterator[str]:
    name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
    given = {word.arg for word in node.keywords}
    if (name in NOT_ALIKE and isinstance(node.func, ast.Attribute)) or given & set(NOT_ALIKE):
        yield f"{name}: {NOT_ALIKE.get(name, 'not on Windows')}"
    whole = ast.unparse(node.func)
    if whole == "os.kill":
        yield "ends a process at once on Windows"
    alone = isinstance(node.func, ast.Attribute) and len(node.args) == 1 and not given  # text.replace has two
    if (whole in ("os.rename", "os.replace") or (alone and name in ("rename", "replace"))) and not home:
        yield "a file gets another name: move_file"
    if name == "fsync" and not home:
        yield "a file is flushed: sync_file"
    if name in ("read_text", "write_text") and "encoding" not in given and len(node.args) < 1 + (name[0] == "w"):
        yield f"{name} without an encoding"
    mode = _mode(node, name)
    if mode is not None and "b" not in mode:
        if "encoding" not in given:
            yield "text without an encoding"
        if set(mode) & set("wax+") and "csv" in ast.unparse(node) and "newline" not in given:
            yield "a table whose line ends are translated"
    if whole in STARTERS:
        command = node.args[0]
        first = command.elts[0] if isinstance(command, ast.List) else command
        if ast.unparse(first) != "sys.executable":
            yield "a program that other systems may not have"
        if given & {"text", "universal_newlines"} and "encoding" not in given:
            yield "a program's text without an encoding"


STARTERS = {f"subprocess.{name}" for name in ("Popen", "run", "check_output", "check_call", "call")}


def _mode(node: ast.Call, name: str) -> str | None:
    """Mode in which a file is opened; None where it is no file."""
    if name == "fdopen" or (name == "open" and isinstance(node.func, ast.Name)):
        modes = node.args[1:2]
    elif name == "open" and ast.unparse(node.func) != "os.open":
        modes = [one for one in node.args[:1] if _is_mode(one)]
        if not modes and node.args:
            return None  # a build, a session: nothing of the disk's
    else:
        return None
    modes += [word.value for word in node.keywords if word.arg == "mode"]
    return str(modes[0].value) if modes and isinstance(modes[0], ast.Constant) else "r"


def _is_mode(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str) and set(node.value) <= set("rwaxbt+")


def test_the_stubs_tell_the_systems_apart() -> None:
    assert {"getuid", "fork", "O_NONBLOCK", "statvfs", "wait4"} <= lacking("os")
    assert {"SIGHUP", "SIGKILL", "pthread_kill"} <= lacking("signal")
    assert "sched_setaffinity" in lacking("os")  # macOS has none
    assert {"AF_UNIX"} <= lacking("socket") and "tzset" in lacking("time")
    assert gone("fcntl") and gone("pwd") and gone("resource") and not gone("os")
    assert not {"fsync", "open", "replace", "getpid", "dup2", "O_RDONLY"} & lacking("os")
    assert not {"SIGINT", "signal"} & lacking("signal")


@pytest.mark.parametrize(
    "source",
    [
        "import os\nos.getuid()",
        "import os as o\no.O_NONBLOCK",
        "import signal\nsignal.signal(signal.SIGHUP, None)",
        "def f():\n    import fcntl",
        "from pwd import getpwuid",
        "from os import fork",
        "import time\ntime.tzset()",
    ],
)
def test_what_linux_alone_has_would_be_seen(source: str) -> None:
    assert of_linux_alone(source)


@pytest.mark.parametrize(
    "source",
    [
        "import signal\nif hasattr(signal, 'SIGHUP'):\n    signal.SIGHUP",
        "import os, sys\nif sys.platform == 'linux':\n    os.getuid()",
        "import os\ngetattr(os, 'O_NONBLOCK', 0)",
    ],
)
def test_what_is_asked_for_first_is_no_fault(source: str) -> None:
    assert not of_linux_alone(source)


@pytest.mark.parametrize(
    "source",
    [
        "path.rename(other)",
        "path.replace(other)",
        "os.replace(a)",
        "os.fsync(1)",
        "path.chmod(0o600)",
        "open('x')",
        "path.open('w')",
        "path.open()",
        "path.read_text()",
        "path.write_text('x')",
        "os.fdopen(1)",
        "open('a.csv', 'w', encoding='utf-8')",
        "x = '/dev/null'",
        "x = '/tmp'",
        "f'{now:%-d}'",
        "subprocess.run(['xdg-open', path])",
        "subprocess.run([sys.executable], text=True)",
        "subprocess.Popen([sys.executable], preexec_fn=f)",
        "import select",
        "os.kill(1, 9)",
    ],
)
def test_what_is_not_alike_would_be_seen(source: str) -> None:
    assert told_apart(source)


@pytest.mark.parametrize(
    "source",
    [
        "text.replace('a', 'b')",
        "moment.replace(microsecond=0)",
        "replace(self, a=1)",
        "path.open('rb')",
        "BuildFolder.open(path)",
        "path.read_text(encoding='utf-8')",
        "path.write_text('x', 'utf-8')",
        "f'{now:%d %b}'",
        "subprocess.Popen([sys.executable, '-m', program])",
        "os.open(path, flags)",
    ],
)
def test_what_is_alike_is_no_fault(source: str) -> None:
    assert not told_apart(source)


def test_no_code_asks_for_what_linux_alone_has() -> None:
    assert sum(1 for _ in MODULES) > 150
    found = {
        str(path.relative_to(ROOT)): faults
        for path in MODULES
        if (faults := of_linux_alone(path.read_text(encoding="utf-8")))
    }
    assert found == {}




WITH_A_REASON = {"capture/build/consent.py": "where that file is not there the name of the machine stands for it"}


def test_no_code_counts_on_what_other_systems_do_otherwise() -> None:
    found = {}
    for path in MODULES:
        name = path.relative_to(ROOT).as_posix()
        found[name] = told_apart(path.read_text(encoding="utf-8"), home=name == ONE_HOME)
    faulty = {name: faults for name, faults in found.items() if faults}
    assert set(faulty) == set(WITH_A_REASON), faulty
    assert all(len(faults) == 1 for faults in faulty.values())


# Names of files


RESERVED = re.compile(r"^(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)


def fits_everywhere(name: str) -> bool:
    """Whether Windows takes it as it is."""
    return not re.search(r'[<>:"/\\|?*\x00-\x1f]', name) and not name.endswith((".", " ")) and not RESERVED.match(name)


def test_the_files_of_takes_have_names_that_every_system_takes(build: BuildFolder) -> None:
    names = ("A", "CON", "nul.", "a b", "x.y..", "1+", "a-", "Z" * 40)
    assert all(re.fullmatch(NAME_PATTERN, name) for name in names)
    with build.lock():
        for subject, state, unit in product(SUBJECTS, names, names):
            path = build.partial_path(subject, state if subject == "in-box" else "", unit)
            assert fits_everywhere(path.name) and fits_everywhere(path.stem), path


@pytest.mark.parametrize("title", ["CON", "aux", "lpt1", "a: b / c?", "bass.", "  ", "Ü 3/4\n", "NUL, stock", 'x"y|z*'])
def test_a_title_makes_a_name_that_every_system_takes(title: str) -> None:
    assert file_stem(title) and fits_everywhere(file_stem(title)) and fits_everywhere(f"{file_stem(title)}.csv")


def test_files_that_macos_leaves_beside_takes_are_no_damage(build: BuildFolder) -> None:
    """On disks of other systems it keeps what it knows of a file in one of the same name behind a dot and a line."""
    (build.path / "takes").mkdir(exist_ok=True)
    (build.path / "takes" / "._0001-in-box-stock-A.json").write_bytes(b"\x00\x05\x16\x07")
    assert build.damaged() == [] and build.takes() == []
    (build.path / "takes" / "0001-in-box-stock-A.json").write_bytes(b"\x00\x05\x16\x07")
    assert len(build.damaged()) == 1


def test_names_that_differ_in_capitals_are_one_where_disks_say_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    output_file.check_different(csv=tmp_path / "a.csv", out=tmp_path / "A.csv")
    monkeypatch.setattr(output_file, "CASELESS_DISKS", True)
    with pytest.raises(StillboxError, match="name the same file"):
        output_file.check_different(csv=tmp_path / "a.csv", out=tmp_path / "A.csv")
    output_file.check_different(csv=tmp_path / "a.csv", out=tmp_path / "b.csv")


# Files that somebody holds open


def held_open(monkeypatch: pytest.MonkeyPatch, times: int) -> list[Path]:
    """Let renaming fail as it does on Windows while another program looks at a file; returns who tried."""
    tried: list[Path] = []
    real: Callable[[Path, Path], Path] = Path.replace

    def replace(path: Path, target: Path) -> Path:
        tried.append(path)
        if len(tried) <= times:
            raise PermissionError(13, "Access is denied")
        return real(path, target)

    monkeypatch.setattr(Path, "replace", replace)
    monkeypatch.setattr(whole_file, "PAUSES_S", (0.0, 0.0, 0.0))
    return tried


def test_a_file_that_is_looked_at_is_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "table.csv"
    path.write_text("old", encoding="utf-8")
    tried = held_open(monkeypatch, 3)
    whole_file.write_whole(path, "new")
    assert path.read_text(encoding="utf-8") == "new" and len(tried) == 4
    assert [one.name for one in tmp_path.iterdir()] == ["table.csv"]


def test_a_file_that_stays_open_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "table.csv"
    path.write_text("old", encoding="utf-8")
    held_open(monkeypatch, 99)
    monkeypatch.setattr(whole_file, "ON_WINDOWS", True)
    with pytest.raises(StillboxError, match=r"Access is denied; check .* whether another program has it open"):
        whole_file.write_whole(path, "new")
    assert path.read_text(encoding="utf-8") == "old"
    assert [one.name for one in tmp_path.iterdir()] == ["table.csv"]


def test_a_file_is_flushed_where_it_may_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows refuses to flush what is open for reading alone."""
    path = tmp_path / "samples"
    path.write_bytes(b"samples")
    modes = []
    monkeypatch.setattr(os, "fsync", lambda number: modes.append(fcntl.fcntl(number, fcntl.F_GETFL) & os.O_ACCMODE))
    whole_file.sync_file(path)
    assert modes == [os.O_RDWR] and path.read_bytes() == b"samples"


def test_a_junction_is_a_link(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows has links to folders that need no rights and pass for folders."""
    plain = tmp_path / "takes"
    plain.mkdir()
    assert not build_layout.is_link(plain) and not build_layout.is_link(tmp_path / "nothing")
    monkeypatch.setattr(stat, "IO_REPARSE_TAG_MOUNT_POINT", 0xA0000003, raising=False)
    junction = type("status", (), {"st_mode": stat.S_IFDIR, "st_reparse_tag": 0xA0000003})
    monkeypatch.setattr(Path, "lstat", lambda _: junction)
    assert build_layout.is_link(plain)
    with pytest.raises(StillboxError, match="is a link"):
        build_layout.own_folder(tmp_path, "takes")


def test_a_pipe_that_nobody_reads_on_windows_is_no_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    broken = OSError(22, "Invalid argument")
    assert not front_door._reader_has_gone(broken) and front_door._reader_has_gone(BrokenPipeError(32, "Broken pipe"))
    monkeypatch.setattr(front_door, "ON_WINDOWS", True)
    assert front_door._reader_has_gone(broken)
    assert not front_door._reader_has_gone(OSError(22, "Invalid argument", "a?.csv"))
