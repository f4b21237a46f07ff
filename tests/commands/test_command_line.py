"""The commands around takes as a person types them: exit status, one line on stderr, and what is printed."""

from __future__ import annotations

import importlib.metadata
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from invoked import one_line, run
from simple_recordings import Chain, record

import stillbox
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.sweep.excitation import read_excitation
from stillbox.gui.work.log_file import log_path

QUICK = ["--seconds", "1", "--low", "10"]


@pytest.fixture
def sweep(tmp_path: Path) -> Path:
    code, _, err = run("excitation", tmp_path / "sweep.wav", *QUICK)
    assert (code, err) == (0, "")
    return tmp_path / "sweep.json"


@pytest.fixture
def recording(tmp_path: Path, sweep: Path) -> Path:
    samples = record(read_excitation(sweep), None, Chain(noise_dbfs=-90, source_ohm=0.1), 1)
    soundfile.write(str(tmp_path / "stock.wav"), samples, 48_000, subtype="PCM_24")
    return tmp_path / "stock.wav"


def test_from_nothing_to_a_list_of_takes(tmp_path: Path, sweep: Path, recording: Path) -> None:
    build = tmp_path / "build"
    code, out, err = run("start", build, "--inside", "460x300x230", "--rated-ohms", "8")
    assert (code, err) == (0, "")
    assert "build.toml" in out
    assert BuildFolder.open(build).description.inside_mm == (460, 300, 230)
    code, out, err = run("takes", build)
    assert (code, err) == (0, "")
    assert "no takes yet" in out
    code, out, err = run("import", build, recording, "--excitation", sweep, "--subject", "in-box")
    assert (code, err) == (0, "")
    assert "take 1: in-box/stock/A, 3 sweep(s), starting at 1.026 s" in out
    for options in (["--subject", "free-air", "--unit", "B"], ["--subject", "load", "--load-ohms", "8.2"]):
        code, _, err = run("import", build, recording, "--excitation", sweep, *options)
        assert (code, err) == (0, "")
    code, out, err = run("takes", build)
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert len(lines) == 4
    assert "1" in lines[1] and "in-box/stock/A" in lines[1]
    assert "free-air/-/B" in lines[2]
    assert "marked 8.2 ohm" in lines[3]


def broken(*_: object) -> None:
    raise TypeError("no such thing")


def test_a_fault_of_the_program_is_no_wrong_use(
    build: BuildFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setattr(BuildFolder, "takes", broken)
    code, out, err = run("takes", build.path)
    assert (code, out) == (1, "")
    told = one_line(err)
    assert "something went wrong inside Stillbox (TypeError: no such thing); nothing recorded is lost" in told
    assert str(log_path()) in told
    kept = log_path().read_text(encoding="utf-8")
    assert f"ERROR stillbox takes {build.path}\n" in kept
    assert "Traceback" in kept and "in broken\n" in kept
    run("takes", build.path)
    assert log_path().read_text(encoding="utf-8").count("in broken\n") == 2


def test_a_fault_of_the_program_that_no_log_can_keep_is_shown(
    build: BuildFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "state").write_text("no folder")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setattr(BuildFolder, "takes", broken)
    code, _, err = run("takes", build.path)
    *trace, said = err.splitlines()
    assert code == 1 and trace[0].startswith("Traceback") and trace[-1] == "TypeError: no such thing"
    assert said.endswith("where it happened stands above")


@pytest.mark.parametrize(
    ("inside", "told"),
    [
        ("60x35x28", "60 x 35 x 28 millimetres holds 0.0588 litres"),
        ("60x35x28", "if these are centimetres, write 600 x 350 x 280"),
        ("460x300x23", "23 millimetres at its narrowest"),
        ("5000x5000x280", "holds 7e+03 litres, which hardly any box is; check the lengths"),
    ],
)
def test_lengths_in_another_unit_are_warned_of(tmp_path: Path, inside: str, told: str) -> None:
    code, out, err = run("start", tmp_path / "build", "--inside", inside)
    assert code == 0
    assert "build.toml" in out
    assert told in one_line(err)


@pytest.mark.parametrize("inside", ["460x300x230", "120x80x60", "2000x1000x900", "80x80x50"])
def test_lengths_of_real_boxes_are_not_doubted(tmp_path: Path, inside: str) -> None:
    assert run("start", tmp_path / "build", "--inside", inside)[2] == ""


def test_takes_as_json(tmp_path: Path, sweep: Path, recording: Path) -> None:
    build = tmp_path / "build"
    run("start", build)
    run("import", build, recording, "--excitation", sweep, "--subject", "in-box", "--state", "lined", "--unit", "B")
    (build / "takes" / "0002-spoilt.json").write_text("{")
    code, out, err = run("takes", build, "--json")
    assert (code, err) == (0, "")
    document = json.loads(out)
    assert document["build"] == str(build)
    (take,) = document["takes"]
    assert (take["number"], take["subject"], take["state"], take["unit"]) == (1, "in-box", "lined", "B")
    assert take["excitation"]["seconds"] == 1
    assert "0002-spoilt.json" in document["damaged"][0]
    # In words the list is the same, and the damage stands on stderr.
    code, out, err = run("takes", build)
    assert code == 0
    assert "in-box/lined/B" in out
    assert "0002-spoilt.json" in one_line(err)


def test_a_slip_in_the_name_of_a_build_is_told_from_one_in_a_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("mybox", "Other"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "build.toml").touch()
    for slip, meant in (("mybox2", "mybox"), ("other2", "Other"), ("fndings", "findings"), ("boxx", "box")):
        code, _, err = run(slip)
        assert code == 2 and f"(did you mean '{meant}'?)" in one_line(err)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["fly"], "'fly' is no command and no folder of a build; make a build of this name"),
        (["no/such/build"], "'stillbox start no/such/build'"),
        (["finding", "nowhere"], "(did you mean 'findings'?)"),
        ([".", "takes"], "'takes' after the folder . means nothing; the command comes first"),
        ([""], "word 1 of the command is empty"),
        (["start", ""], "word 2 of the command is empty, as a shell variable without a value gives it"),
        (["excitation", "sweep.wav", "--rate", "0"], "a sample rate of 0 Hz cannot be"),
        (["--fly"], "--fly"),
        (["excitation"], "OUT.wav"),
        (["excitation", "sweep.mp3"], "does not end in .wav"),
        (["excitation", "sweep.wav", "--level", "loud"], "--level"),
        (["excitation", "sweep.wav", "--level", "6"], "level_dbfs"),
        (["excitation", "sweep.wav", "--rate", "8000"], "sample_rate_hz"),
        (["excitation", "sweep.wav", "--high", "30000"], "above half of the sample rate"),
        (["excitation", "sweep.wav", "--seconds", "nan"], "seconds"),
        (["excitation", "sweep.wav", "--repeats", "1.5"], "--repeats"),
        (["excitation", "no/such/folder/sweep.wav"], "cannot write"),
        (["start"], "BUILD"),
        (["start", "new", "--inside", "460x300"], "HEIGHTxWIDTHxDEPTH"),
        (["start", "new", "--inside", "460x300x1"], "must be 20 to 5000 mm"),
        (["start", "new", "--inside", "axbxc"], "HEIGHTxWIDTHxDEPTH"),
        (["start", "new", "--rated-ohms", "-8"], "rated_ohm"),
        (["takes", "nowhere"], "is no build"),
        (["takes", __file__], "is a file; give the folder that build.toml is in"),
        (["takes", "nowhere", "--json"], "is no build"),
        (["import", "nowhere", "a.wav", "--subject", "in-box"], "--excitation"),
        (["import", "nowhere", "a.wav", "--excitation", "e.json", "--subject", "in-box"], "is no build"),
    ],
)
def test_wrong_use_is_one_line_and_status_2(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], told: str
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = run(*arguments)
    assert code == 2
    assert out == ""
    assert told in one_line(err)
    assert list(tmp_path.iterdir()) == []


def test_faults_of_a_recording_are_one_line_and_status_2(tmp_path: Path, sweep: Path, recording: Path) -> None:
    build = tmp_path / "build"
    run("start", build)
    samples, rate_hz = soundfile.read(str(recording))
    soundfile.write(str(tmp_path / "swapped.wav"), samples[:, ::-1], rate_hz)
    soundfile.write(str(tmp_path / "mono.wav"), samples[:, 0], rate_hz)
    soundfile.write(str(tmp_path / "noise.wav"), 0.1 * np.random.default_rng(0).standard_normal((99_999, 2)), rate_hz)
    for name, told in (
        ("swapped.wav", "swapped"),
        ("mono.wav", "1 channel(s)"),
        ("noise.wav", "no sweep"),
        ("gone.wav", "does not exist"),
        ("sweep.json", "cannot be read as audio"),
    ):
        code, out, err = run("import", build, tmp_path / name, "--excitation", sweep, "--subject", "in-box")
        assert (code, out) == (2, "")
        assert told in one_line(err)
        assert name in err
    code, _, err = run("import", build, recording, "--excitation", recording, "--subject", "in-box")
    assert code == 2
    assert "cannot read excitation" in one_line(err)
    assert BuildFolder.open(build).takes() == []


def test_flags_are_printed(tmp_path: Path, sweep: Path) -> None:
    samples = record(read_excitation(sweep), None, Chain(noise_dbfs=-100, level=0.01), 1)
    soundfile.write(str(tmp_path / "quiet.wav"), samples, 48_000, subtype="PCM_24")
    build = tmp_path / "build"
    run("start", build)
    code, out, err = run("import", build, tmp_path / "quiet.wav", "--excitation", sweep, "--subject", "in-box")
    assert (code, err) == (0, "")
    assert "note: the sweep is at -52 dBFS on channel 1 only" in out
    assert "turn up the input" in run("takes", build)[1]


def test_the_default_band_follows_the_rate(tmp_path: Path) -> None:
    run("excitation", tmp_path / "a.wav", "--rate", "44100", "--seconds", "0.3")
    assert read_excitation(tmp_path / "a.json").high_hz == pytest.approx(0.475 * 44_100)
    run("excitation", tmp_path / "b.wav", "--rate", "192000", "--seconds", "0.3", "--high", "80000", "--repeats", "2")
    excitation = read_excitation(tmp_path / "b.json")
    assert (excitation.high_hz, excitation.repeats, excitation.sample_rate_hz) == (80_000, 2, 192_000)


def stillbox_process(*arguments: str, **options: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(  # type: ignore[call-overload, no-any-return]
        [sys.executable, "-m", "stillbox", *arguments], capture_output=True, text=True, **options
    )


def test_the_version_is_that_of_the_project() -> None:
    assert run("--version") == (0, f"stillbox {stillbox.__version__}\n", "")
    assert stillbox.__version__ == importlib.metadata.version("stillbox")


def test_the_file_itself_can_be_run(tmp_path: Path) -> None:
    good = stillbox_process("excitation", "sweep.wav", "--seconds", "0.3", cwd=tmp_path)
    assert (good.returncode, good.stderr) == (0, "")
    assert (tmp_path / "sweep.wav").exists()
    bad = stillbox_process("takes", "nowhere", cwd=tmp_path)
    assert bad.returncode == 2
    assert "is no build" in one_line(bad.stderr)
    # Words that cannot be printed, and a path that is no path.
    odd = stillbox_process("takes", os.fsdecode(b"\xff\n\x1b[31m"), cwd=tmp_path)
    assert odd.returncode == 2
    assert "\x1b" not in one_line(odd.stderr)


def test_a_reader_that_goes_away_is_no_fault(tmp_path: Path) -> None:
    # As in "stillbox takes BUILD | head -0".
    stillbox_process("start", "build", cwd=tmp_path)
    read_end, write_end = os.pipe()
    os.close(read_end)
    with subprocess.Popen(
        [sys.executable, "-m", "stillbox", "takes", "build"],
        cwd=tmp_path,
        stdout=write_end,
        stderr=subprocess.PIPE,
    ) as process:
        os.close(write_end)
        _, err = process.communicate(timeout=60)
    assert err == b""
    assert process.returncode == 0
