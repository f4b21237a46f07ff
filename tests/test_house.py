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

import stillbox

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("capture", "calibration", "analysis", "gui", "commands")
MAY_IMPORT = {
    "capture": {"capture"},
    "calibration": {"calibration", "capture"},
    "analysis": {"analysis", "calibration", "capture"},
    "gui": {"gui", "analysis", "calibration", "capture"},
    "commands": {"commands", "gui", "analysis", "calibration", "capture"},
}
"""Rooms of ours that a room may import (architecture table in DEVELOPERS.md)."""

MAY_NOT_IMPORT = {
    "capture": {"PyQt5", "matplotlib", "typer", "rich", "jinja2"},
    "calibration": {"PyQt5", "matplotlib", "typer", "rich", "jinja2", "sounddevice", "soundfile"},
    "analysis": {"PyQt5", "typer", "rich", "sounddevice"},
    "gui": {"typer", "rich"},
    "commands": set(),
}
"""Of other people's packages."""

DATA_TYPES_OF_CAPTURE = {"capture.arrays", "capture.errors", "capture.excitation", "capture.take"}
"""All that calibration may know of capture."""

LIVE_CAPTURE = {"capture.audio_device", "capture.sound_card", "capture.practice_rig", "capture.live_take"}
"""What plays and records: nothing that analysis may know."""

MOST_LINES = 500
TEST_TOOLS = {"pytest", "hypothesis", "tests", "reference", "recorded", "skrf", "pyfar", "sdypy", "jack"}


def modules_of(room: str) -> list[Path]:
    return sorted((ROOT / room).rglob("*.py"))


def imports(path: Path) -> set[str]:
    """Full names of all modules imported anywhere in a file, in functions and type-checking blocks too."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0 and node.module, f"{path}: imports of ours are written in full"
            found.add(node.module)
            if node.module in ROOMS:  # "from capture import take" names a module too
                found.update(f"{node.module}.{alias.name}" for alias in node.names)
    return found


def test_the_rooms_are_there() -> None:
    assert all(modules_of(room) for room in ROOMS)
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]["packages"]
    assert {name.split(".")[0] for name in declared} == set(ROOMS)
    packages = {".".join(path.parent.relative_to(ROOT).parts) for room in ROOMS for path in modules_of(room)}
    assert packages == set(declared)


@pytest.mark.parametrize("room", ROOMS)
def test_arrows_only_go_down(room: str) -> None:
    for path in modules_of(room):
        heads = {name.split(".")[0] for name in imports(path)}
        ours = heads & {*ROOMS, "stillbox"}
        assert ours <= MAY_IMPORT[room], f"{path.relative_to(ROOT)} imports {sorted(ours - MAY_IMPORT[room])}"
        wrong = heads & (MAY_NOT_IMPORT[room] | TEST_TOOLS)
        assert not wrong, f"{path.relative_to(ROOT)} imports {sorted(wrong)}"


def test_calibration_knows_only_data_types_of_capture() -> None:
    for path in modules_of("calibration"):
        of_capture = {name for name in imports(path) if name.count(".") == 1 and name.startswith("capture.")}
        assert of_capture <= DATA_TYPES_OF_CAPTURE, path.relative_to(ROOT)


def test_analysis_knows_no_audio_device() -> None:
    for path in modules_of("analysis"):
        assert not imports(path) & LIVE_CAPTURE, path.relative_to(ROOT)


def test_an_arrow_upwards_would_be_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys.modules[__name__], "ROOT", tmp_path)
    (tmp_path / "capture").mkdir()
    module = tmp_path / "capture" / "wrong.py"
    for text in ("def f():\n    from analysis.bench import Bench\n", "import analysis.bench\n", "import analysis\n"):
        module.write_text(text, encoding="utf-8")
        with pytest.raises(AssertionError, match="imports"):
            test_arrows_only_go_down("capture")
    module.write_text("from capture import take\nimport numpy as np\n", encoding="utf-8")
    assert imports(module) == {"capture", "capture.take", "numpy"}
    test_arrows_only_go_down("capture")


def test_no_module_is_too_long() -> None:
    paths = [path for room in (*ROOMS, "tests") for path in modules_of(room)] + [ROOT / "stillbox.py"]
    lengths = {path.relative_to(ROOT): len(path.read_text(encoding="utf-8").splitlines()) for path in paths}
    assert {str(path): lines for path, lines in lengths.items() if lines >= MOST_LINES} == {}


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
    call = f"    stillbox.main({arguments!r})"
    code = f"import stillbox\ntry:\n{call}\nexcept SystemExit as end:\n    assert not end.code"
    loaded = loaded_by(code)
    assert "typer" in loaded
    assert not loaded & {"scipy", "matplotlib", "PyQt5", "soundfile", "sounddevice", "jinja2"}


COMMANDS = typer.main.get_command(stillbox.app).commands  # type: ignore[attr-defined]


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


def test_linear_algebra_keeps_to_one_thread() -> None:
    """In whatever order the libraries come: each that is there when results are computed has one thread."""
    code = (
        "import analysis.bench, numpy, scipy.linalg, threadpoolctl as t\n"
        "print([one['num_threads'] for one in t.threadpool_info() if one['user_api'] == 'blas'])"
    )
    free = {name: value for name, value in os.environ.items() if not name.endswith("_NUM_THREADS")}
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, env=free, capture_output=True, text=True, check=True, timeout=60
    )
    threads = json.loads(done.stdout)
    assert threads and set(threads) == {1}
