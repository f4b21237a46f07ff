"""The house itself: arrows between the rooms, size of modules, a light front door, help for every command."""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
import typer
from places import ROOT, TOPS

from stillbox.commands import front_door

MAY_NOT_IMPORT = {
    "capture": {"PyQt5", "matplotlib", "typer", "rich", "jinja2"},
    "calibration": {"PyQt5", "matplotlib", "typer", "rich", "jinja2", "sounddevice", "soundfile"},
    "analysis": {"PyQt5", "typer", "rich", "sounddevice"},
    "gui": {"typer", "rich"},
    "commands": set(),
}
"""Of other people's packages."""

FROM_THE_GROUND = (
    "stillbox",
    "capture", "capture.files", "capture.sweep", "capture.recording", "capture.build", "capture.sound",
    "capture.practice", "capture.live", "capture.jig",
    "calibration",
    "analysis.maths", "analysis.physics", "analysis.parts", "analysis.sweeps", "analysis.impedance", "analysis.network",
    "analysis.wrong_part", "analysis.ringing",
    "analysis.waterfall", "analysis.drawing", "analysis.lumped", "analysis.enclosure", "analysis.system",
    "analysis", "analysis.levels", "analysis.curve", "analysis.decay", "analysis.findings", "analysis.driver",
    "analysis.box", "analysis.bass", "analysis.part", "analysis.crossover", "analysis.checking",
    "analysis.comparison", "analysis.notebook", "analysis.page",
    "gui.parts", "gui.work", "gui.results", "gui.views", "gui.bench", "gui",
    "commands",
)  # fmt: skip
"""All rooms; each may import those before it (table in DEVELOPERS.md). What lies at the root of a room stands where
it is used: errors and arrays below all, the bench above what it computes, the main window above its parts."""

DATA_TYPES_OF_CAPTURE = {"capture.arrays", "capture.errors", "capture.sweep.excitation", "capture.recording.take"}
"""All that calibration may know of capture."""

LIVE_CAPTURE = {"capture.sound.audio_device", "capture.sound.sound_card", "capture.practice.practice_rig",
                "capture.live.live_take"}  # fmt: skip
"""What plays and records: nothing that analysis may know."""

MOST_LINES = 500
MOST_LINES_WITHOUT_A_REASON = 400
MOST_LINES_OF_A_ROOM, MOST_FILES_OF_A_ROOM = 3000, 20
TEST_TOOLS = {"pytest", "hypothesis", "tests", "reference", "recorded", "skrf", "pyfar", "cfsem", "sdypy", "jack"}


def modules_of(room: str) -> list[Path]:
    """Modules of a room and of the rooms in it."""
    return sorted((ROOT / room).rglob("*.py"))


def all_modules() -> list[Path]:
    return [path for room in TOPS for path in modules_of(room)] + sorted(ROOT.glob("*.py"))


def name_of(path: Path) -> str:
    """As it is imported, without the package's own name: ``capture.build.sidecar``."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts) or "stillbox"


def room_of(path: Path) -> str:
    if path == ROOT / "__main__.py":  # the door of the commands, which has to lie here
        return "commands"
    return ".".join(path.relative_to(ROOT).parent.parts) or "stillbox"


def imports(path: Path) -> set[str]:
    """Full names of all modules imported anywhere in a file, in functions and type-checking blocks too."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0 and node.module, f"{path}: imports of ours are written in full"
            found.add(node.module)
            if f"{node.module}.".startswith("stillbox."):  # "from stillbox.capture import errors" names a module too
                found.update(f"{node.module}.{alias.name}" for alias in node.names)
    return found


def ours(path: Path) -> set[Path]:
    """The modules of ours that a module imports."""
    found = set()
    for name in imports(path):
        if f"{name}.".startswith("stillbox."):
            place = ROOT.joinpath(*name.split(".")[1:])
            found |= {one for one in (place.with_suffix(".py"), place / "__init__.py") if one.is_file()}
        else:
            assert name.split(".")[0] not in TOPS, f"{path.relative_to(ROOT)} imports {name} without 'stillbox.'"
    return found


def test_the_rooms_are_there() -> None:
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]["packages"]
    assert {f"stillbox.{room}".removesuffix(".stillbox") for room in map(room_of, all_modules())} == set(declared)
    assert set(map(room_of, all_modules())) == set(FROM_THE_GROUND)


def test_nothing_but_stillbox_is_installed() -> None:
    named = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert all(f"{name}.".startswith("stillbox.") for name in named["tool"]["setuptools"]["packages"])
    assert "py-modules" not in named["tool"]["setuptools"]


@pytest.mark.parametrize("room", FROM_THE_GROUND)
def test_arrows_only_go_down(room: str) -> None:
    allowed = set(FROM_THE_GROUND[: FROM_THE_GROUND.index(room) + 1])
    for path in (path for path in all_modules() if room_of(path) == room):
        wrong = {name_of(other) for other in ours(path) if room_of(other) not in allowed}
        assert not wrong, f"{path.relative_to(ROOT)} imports {sorted(wrong)}"
        heads = {name.split(".")[0] for name in imports(path)}
        foreign = heads & (MAY_NOT_IMPORT.get(room.split(".")[0], set()) | TEST_TOOLS)
        assert not foreign, f"{path.relative_to(ROOT)} imports {sorted(foreign)}"


def circles(arrows: dict[Path, set[Path]]) -> list[set[Path]]:
    """Groups of modules that lead back to themselves: strongly connected components of more than one."""
    reached: dict[Path, set[Path]] = {}
    for start in arrows:
        seen, waiting = set(), [start]
        while waiting:
            new = arrows.get(waiting.pop(), set()) - seen
            seen |= new
            waiting += new
        reached[start] = seen
    found: list[set[Path]] = []
    for path in arrows:
        if path in reached[path] and not any(path in group for group in found):
            found.append({other for other in reached[path] if path in reached.get(other, set())})
    return found


def test_no_modules_import_each_other_in_a_circle() -> None:
    """Not even where only the types are wanted."""
    found = circles({path: ours(path) - {path} for path in all_modules()})
    assert [sorted(map(name_of, group)) for group in found] == []


def test_a_circle_would_be_seen() -> None:
    a, b, c, d = (Path(name) for name in "abcd")
    assert circles({a: {b}, b: {c}, c: {b, d}, d: set()}) == [{b, c}]


def unknown_names(path: Path) -> set[str]:
    """What a module imports of ours and is nowhere: neither a module, nor a name that stands in one."""
    found = set()
    for name in imports(path):
        if f"{name}.".startswith("stillbox."):
            place = ROOT.joinpath(*name.split(".")[1:])
            homes = (place.with_suffix(".py"), place / "__init__.py")
            above = (place.parent.with_suffix(".py"), place.parent / "__init__.py")
            texts = [one.read_text(encoding="utf-8") for one in above if one.is_file()]
            if not any(one.is_file() for one in homes) and not any(place.name in text for text in texts):
                found.add(name)
    return found


def test_what_tests_import_is_there() -> None:
    """A module that has moved is missed here, before any test of it is run."""
    wrong = {str(path.relative_to(ROOT)): unknown_names(path) for path in [*modules_of("tests"), *all_modules()]}
    assert {path: names for path, names in wrong.items() if names} == {}


def test_calibration_knows_only_data_types_of_capture() -> None:
    for path in modules_of("calibration"):
        of_capture = {name_of(other) for other in ours(path) if room_of(other).split(".")[0] == "capture"}
        assert of_capture - {"capture", "capture.sweep", "capture.recording"} <= DATA_TYPES_OF_CAPTURE, path


def test_analysis_knows_no_audio_device() -> None:
    for path in modules_of("analysis"):
        assert not {name_of(other) for other in ours(path)} & LIVE_CAPTURE, path.relative_to(ROOT)


def test_an_arrow_upwards_would_be_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys.modules[__name__], "ROOT", tmp_path)
    for name in ("capture/wrong", "analysis/bench", "analysis/__init__"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / f"{name}.py").touch()
    module = tmp_path / "capture" / "wrong.py"
    for text in (
        "def f():\n    from stillbox.analysis.bench import Bench\n",
        "import stillbox.analysis.bench\n",
        "import stillbox.analysis\n",
        "import analysis\n",
    ):
        module.write_text(text, encoding="utf-8")
        with pytest.raises(AssertionError, match="imports"):
            test_arrows_only_go_down("capture")
    module.write_text("from stillbox.capture import wrong\nimport numpy as np\n", encoding="utf-8")
    assert imports(module) == {"stillbox.capture", "stillbox.capture.wrong", "numpy"}
    test_arrows_only_go_down("capture")


READ_FROM_THE_DISK = {"description", "calibration", "takes"}
"""Of a build folder: in analysis one module reads these, and notes who asked."""


def disk_reads(path: Path) -> set[str]:
    """Of a build folder that a bench holds: ``bench.build.description`` and the like."""
    return {
        f"{path.relative_to(ROOT)}:{node.lineno}"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute) and node.attr in READ_FROM_THE_DISK
        and isinstance(node.value, ast.Attribute) and node.value.attr in ("build", "_build")
    }  # fmt: skip


def test_what_is_computed_reads_the_build_through_the_bench() -> None:
    """Else the memory does not know what a result depends on, and keeps what no longer holds."""
    found = set[str]().union(*(disk_reads(path) for path in modules_of("analysis")))
    assert {place.split(":")[0] for place in found} == {"analysis/watched_build.py"}
    assert not set[str]().union(*(disk_reads(path) for path in modules_of("gui/views")))


def test_no_module_is_too_long() -> None:
    paths = [*all_modules(), *modules_of("tests")]
    lengths = {str(path.relative_to(ROOT)): len(path.read_text(encoding="utf-8").splitlines()) for path in paths}
    assert {path: lines for path, lines in lengths.items() if lines >= MOST_LINES} == {}
    reasons = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    long = {path for path, lines in lengths.items() if lines > MOST_LINES_WITHOUT_A_REASON}
    assert {path for path in long if not path.startswith("tests/") and f"`{path}`" not in reasons} == set()


def test_no_room_is_too_large() -> None:
    for room in FROM_THE_GROUND:
        inside = [path for path in all_modules() if room_of(path) == room]
        lines = sum(len(path.read_text(encoding="utf-8").splitlines()) for path in inside)
        assert lines <= MOST_LINES_OF_A_ROOM and len(inside) <= MOST_FILES_OF_A_ROOM, (room, lines, len(inside))


# The front door


def loaded_by(code: str) -> set[str]:
    """Heads of all modules loaded after running ``code`` in a fresh interpreter."""
    show = "import json, sys; sys.stderr.write(json.dumps(sorted({name.split('.')[0] for name in sys.modules})))"
    ran = subprocess.run(
        [sys.executable, "-c", f"{code}\n{show}"], capture_output=True, text=True, cwd=ROOT, check=True
    )
    return set(json.loads(ran.stderr))


@pytest.mark.parametrize("arguments", [["--help"], ["findings", "--help"], ["record", "--help"]])
def test_help_is_light(arguments: list[str]) -> None:
    call = f"    front_door.main({arguments!r})"
    code = f"from stillbox.commands import front_door\ntry:\n{call}\nexcept SystemExit as end:\n    assert not end.code"
    loaded = loaded_by(code)
    assert "typer" in loaded
    assert not loaded & {"scipy", "matplotlib", "PyQt5", "soundfile", "sounddevice", "jinja2"}


COMMANDS = typer.main.get_command(front_door.app).commands  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_has_help(name: str) -> None:
    command = COMMANDS[name]
    assert command.help and command.help[0].isupper() and command.help.rstrip().endswith(".")
    for parameter in command.params:
        assert getattr(parameter, "help", None), f"{name}: {parameter.name} has no help"


def test_the_commands_of_the_main_job_are_there() -> None:
    """From the first sweep to the comparison of two states."""
    named = {"demo", "excitation", "start", "import", "calibrate", "takes", "curve", "findings", "decay", "compare"}
    assert named <= set(COMMANDS)


def test_what_computes_does_not_load_all_of_statistics_and_signals() -> None:
    """They take half a second each to load; `scipy.special` and `scipy.fft` have what is needed of them."""
    code = (
        "import sys, stillbox.analysis.bench, stillbox.analysis.waterfall.ridges, stillbox.analysis.sweeps.transfer\n"
        "sys.exit(bool({'scipy.stats', 'scipy.signal'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False).returncode == 0


def test_linear_algebra_keeps_to_one_thread() -> None:
    """In whatever order the libraries come: each that is there when results are computed has one thread."""
    code = (
        "import stillbox.analysis.bench, numpy, scipy.linalg, threadpoolctl as t\n"
        "print([one['num_threads'] for one in t.threadpool_info() if one['user_api'] == 'blas'])"
    )
    free = {name: value for name, value in os.environ.items() if not name.endswith("_NUM_THREADS")}
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, env=free, capture_output=True, text=True, check=True, timeout=60
    )
    threads = json.loads(done.stdout)
    assert threads and set(threads) == {1}
