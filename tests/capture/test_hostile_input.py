"""Whatever stands in place of an input: one sentence, soon, and with little memory."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from invoked import Measured, WarmProcess, measure, one_line, run

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.files.small_file import parse_json, parse_toml
from stillbox.capture.sweep.excitation import Excitation, write_excitation

MOST_MB = 200.0
MOST_CPU_S = 2.0
"""Twice the second that a person may wait: other work on the machine costs processor time, too."""
WHOLE_PROCESS = "huge"
"""Of this kind the command is measured with the beginning of Python; of the others only what it does to them."""
MOST_WARM_CPU_S = 1.5
"""Loading takes half a second and more."""

SWEEP = Excitation(seconds=0.3, silence_before_s=0.2, silence_after_s=0.2)
DOTS = ".".join("a" * 100_000)


@pytest.fixture
def build(tmp_path: Path) -> BuildFolder:
    made = BuildFolder.create(tmp_path / "build")
    noise = 0.1 * np.random.default_rng(0).standard_normal((40_000, 2))
    made.add_take(
        noise, "PCM_24", subject="in-box", state="stock", excitation=SWEEP, sweep_starts=[9_600], origin="a.wav"
    )
    return made


@pytest.fixture(scope="module")
def warm(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WarmProcess]:
    process = WarmProcess(tmp_path_factory.mktemp("warm"))
    yield process
    process.end()


def in_time(measured: Measured, most_cpu_s: float = MOST_CPU_S) -> str:
    assert measured.cpu_s < most_cpu_s
    assert measured.memory_mb < MOST_MB
    return one_line(measured.err)


def huge(path: Path) -> None:
    with path.open("wb") as file:
        file.truncate(20_000_000_000)


KINDS: dict[str, Callable[[Path], object]] = {
    "pipe": os.mkfifo,
    "folder": lambda path: path.mkdir(),
    "device": lambda path: path.symlink_to("/dev/zero"),
    "circle": lambda path: path.symlink_to(path),
    "huge": huge,
    "key of dots": lambda path: path.write_text(DOTS + " = 1\n"),
    "section of dots": lambda path: path.write_text(f"[{DOTS}]\n"),
    "deep": lambda path: path.write_text('{"a":' * 50_000),
    "deep array": lambda path: path.write_text("a = " + "[" * 90_000),
    "long number": lambda path: path.write_text("a = " + "1" * 90_000),
    "many keys": lambda path: path.write_text("".join(f"a{number} = 1\n" for number in range(15_000))),
    "bytes": lambda path: path.write_bytes(b"\xff\x00" * 1000),
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", ["build.toml", "calibration.toml", "takes/0001-in-box-stock-A.json"])
def test_any_thing_in_place_of_a_file_of_a_build(
    build: BuildFolder, warm: WarmProcess, name: str, kind: str
) -> None:
    path = build.path / name
    path.unlink(missing_ok=True)
    KINDS[kind](path)
    command = "calibrate" if name != "takes/0001-in-box-stock-A.json" else "takes"
    measured = (measure if kind == WHOLE_PROCESS else warm.measure)(command, build.path)
    said = in_time(measured, MOST_CPU_S if kind == WHOLE_PROCESS else MOST_WARM_CPU_S)
    assert measured.memory_mb < MOST_MB
    assert ";" in said


@pytest.mark.parametrize("kind", KINDS)
def test_any_thing_in_place_of_a_recording_or_its_excitation(
    build: BuildFolder, warm: WarmProcess, tmp_path: Path, kind: str
) -> None:
    write_excitation(SWEEP, tmp_path / "sweep.wav")
    KINDS[kind](tmp_path / "thing")
    for audio, settings in (("thing", "sweep.json"), ("sweep.wav", "thing")):
        measured = (measure if kind == WHOLE_PROCESS else warm.measure)(
            "import", build.path, tmp_path / audio, "--excitation", tmp_path / settings, "--subject", "open"
        )
        assert measured.status == 2
        assert measured.memory_mb < MOST_MB
        assert ";" in one_line(measured.err)


@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity", "1e999", "1" * 5000])
@pytest.mark.parametrize("key", ["latency_s", "load_ohm", "frames", "number"])
def test_no_number_in_a_sidecar(build: BuildFolder, key: str, value: str) -> None:
    path = build.path / "takes" / "0001-in-box-stock-A.json"
    document = {**json.loads(path.read_text()), key: "here"}
    path.write_text(json.dumps(document).replace('"here"', value))
    for arguments in ((), ("--json",)):
        code, out, err = run("takes", build.path, *arguments)
        assert code == 0
        assert [take["number"] for take in json.loads(out)["takes"]] == [] if arguments else "holds no takes" in out
        assert "put the original back" in (err if not arguments else json.loads(out)["damaged"][0])


def test_a_name_that_is_no_text(tmp_path: Path) -> None:
    measured = measure("start", os.fsencode(tmp_path) + b"/\xff")
    assert measured.status == 2
    assert "is no name in UTF-8; give the folder another" in in_time(measured)
    assert not list(tmp_path.iterdir())


VALUES = ("1e-320", "1e320", "nan", "inf", "-inf", "-1e308", "1e308")


@pytest.mark.parametrize("option", ["--accuracy", "--level", "--seconds", "--load-ohms", "--celsius"])
def test_options_of_record_out_of_all_bounds(build: BuildFolder, option: str) -> None:
    before = sorted(path.name for path in build.path.rglob("*"))
    base = ["record", build.path, "--subject", "load", "--fast", "--device", "practice rig: bare box"]
    base += [] if option == "--load-ohms" else ["--load-ohms", "8"]
    refused = {"--celsius": [value for value in VALUES if value != "1e-320"], "--level": [
        value for value in VALUES if value != "1e-320"
    ]}
    for value in [*refused.get(option, VALUES)]:
        code, _, err = run(*base, f"{option}={value}")
        assert code == 2, value
        assert ";" in one_line(err)
    assert sorted(path.name for path in build.path.rglob("*") if path.name != ".lock") == [
        name for name in before if name != ".lock"
    ]


@pytest.mark.parametrize("option", ["--low", "--high", "--seconds", "--rate", "--level", "--repeats"])
def test_options_of_an_excitation_out_of_all_bounds(tmp_path: Path, option: str) -> None:
    for value in (*VALUES, "1" + "0" * 30):
        if (option, value) == ("--level", "1e-320"):
            continue
        code, _, err = run("excitation", tmp_path / "sweep.wav", f"{option}={value}")
        assert code == 2, value
        one_line(err)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("option", ["--gate", "--points"])
def test_options_of_a_curve_out_of_all_bounds(build: BuildFolder, option: str) -> None:
    build.set_calibration(10.0)
    for value in (*VALUES, "1" + "0" * 30):
        code, _, err = run("curve", build.path, "1", f"{option}={value}")
        assert code == 2, value
        one_line(err.splitlines(keepends=True)[-1])


def test_text_that_only_looks_deep_is_read() -> None:
    dots = "." * 500
    assert parse_toml(f'notes = "a.b.c{dots}" # {dots}\nx = [1.0, 2.0]\n')["x"] == [1.0, 2.0]
    assert parse_toml('notes = """\na.b.c.d.e.f.g.h.i.j.k.l.m.n.o.p.q.r.s\n"""\n')["notes"]
    assert parse_json('["[[[[[[[[[[[[[[[[[[[[[[[[[", 1.5]') == ["[" * 25, 1.5]


def test_links_in_a_circle_among_takes(build: BuildFolder) -> None:
    audio = build.path / "takes" / "0001-in-box-stock-A.flac"
    audio.unlink()
    audio.symlink_to(audio.name)
    code, _, err = run("takes", build.path)
    assert code == 0
    assert "0001-in-box-stock-A" in one_line(err)
    shutil.rmtree(build.path)
