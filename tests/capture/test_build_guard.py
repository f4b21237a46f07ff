"""What guards a build: one writer at a time, no ghost of a deleted one, whose word it is that cautions were read."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from invoked import one_line, run
from places import ROOT

from stillbox.capture.build import consent
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.build_lock import build_lock
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo
from stillbox.capture.sound.safety import acknowledge_cautions, cautions_acknowledged
from stillbox.capture.sweep.excitation import Excitation

SWEEP = Excitation(seconds=0.3, silence_before_s=0.2, silence_after_s=0.2, repeats=1)

HOLD = """
import sys, time
from pathlib import Path
from stillbox.capture.build.build_lock import build_lock
with build_lock(Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(float(sys.argv[2]))
"""


@pytest.fixture
def build(tmp_path: Path) -> BuildFolder:
    return BuildFolder.create(tmp_path / "build")


def add(build: BuildFolder, subtype: str = "PCM_24") -> TakeInfo:
    noise = 0.1 * np.random.default_rng(0).standard_normal((40_000, 2))
    return build.add_take(noise, subtype, subject="open", excitation=SWEEP, sweep_starts=[9_600], origin="a.wav")


# The lock


def hold(build: BuildFolder, seconds: float) -> subprocess.Popen[bytes]:
    """Another program that holds the build for a while."""
    command = [sys.executable, "-c", HOLD, str(build.path), str(seconds)]
    other = subprocess.Popen(command, stdout=subprocess.PIPE, cwd=ROOT)
    assert other.stdout is not None
    assert other.stdout.readline() == b"held\n"
    return other


def test_a_lock_held_for_a_moment_is_waited_for_with_a_word(build: BuildFolder) -> None:
    with hold(build, 3.0) as other:
        code, out, err = run("calibrate", build.path, "--reference-ohms", "10")
        assert code == 0
        assert "reference resistor 10 ohm" in out
        assert f"waiting for process {other.pid} on" in err
        assert err.count("waiting for") == 1
    assert build.calibration is not None


def test_a_lock_held_for_long_is_told(build: BuildFolder) -> None:
    said: list[str] = []
    with hold(build, 60.0) as other:
        with (
            pytest.raises(StillboxError, match=rf"by process {other.pid} on .*; wait .*0\.2 s were not enough"),
            build_lock(build.path, patience_s=0.2, say=said.append),
        ):
            pass
        other.kill()
    assert len(said) == 1


def test_a_deleted_build_does_not_come_back(build: BuildFolder) -> None:
    add(build)
    shutil.rmtree(build.path)
    for change in (
        lambda: build.set_calibration(10.0),
        lambda: add(build),
        lambda: build.remove_unfinished(),
        lambda: acknowledge_cautions(build),
    ):
        with pytest.raises(StillboxError, match=r"is no build any more: it has no build\.toml"):
            change()
        assert not build.path.exists()


def test_a_build_deleted_while_it_is_waited_for_does_not_come_back(
    build: BuildFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    from filelock import FileLock

    acquire = FileLock.acquire

    def late(self: FileLock, *args: object, **kwargs: object) -> object:
        shutil.rmtree(build.path)
        return acquire(self, *args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(FileLock, "acquire", late)
    with pytest.raises(StillboxError, match="is no build any more"):
        build.set_calibration(10.0)
    assert not build.path.exists()


@pytest.mark.parametrize("make", ["file", "folder", "hard link"])
def test_what_has_the_name_of_the_lock_is_not_touched(build: BuildFolder, tmp_path: Path, make: str) -> None:
    lock, precious = build.path / ".lock", tmp_path / "precious"
    precious.write_text("precious")
    if make == "folder":
        lock.mkdir()
    elif make == "file":
        shutil.copy(precious, lock)
    else:
        os.link(precious, lock)
    with pytest.raises(StillboxError, match="is something else than a lock"):
        build.set_calibration(10.0)
    assert precious.read_text() == "precious"


# Cautions


@pytest.fixture
def person(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "one person"))
    return tmp_path


def test_cautions_count_for_the_person_who_read_them(
    build: BuildFolder, person: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert not cautions_acknowledged(build)
    acknowledge_cautions(build)
    assert cautions_acknowledged(build)
    copied = BuildFolder.open(shutil.copytree(build.path, person / "copied by the same person"))
    assert cautions_acknowledged(copied)
    assert not cautions_acknowledged(BuildFolder.create(person / "another build"))

    monkeypatch.setenv("XDG_DATA_HOME", str(person / "somebody else"))
    assert not cautions_acknowledged(build)
    acknowledge_cautions(build)
    assert cautions_acknowledged(build)

    machine = person / "machine-id"
    machine.write_text("another machine\n")
    monkeypatch.setattr(consent, "_MACHINE_FILE", machine)
    assert not cautions_acknowledged(build)


@pytest.mark.parametrize("content", ["", "read = 2026-11-01T10:00:00\n", "reader = true\n", 'reader = ""', "[", "\x00"])
def test_an_empty_or_foreign_file_of_cautions_says_nothing(build: BuildFolder, person: Path, content: str) -> None:
    (build.path / "cautions-read.toml").write_text(content)
    assert not cautions_acknowledged(build)
    acknowledge_cautions(BuildFolder.create(person / "other"))
    assert not cautions_acknowledged(build)


def test_a_secret_that_is_none_makes_no_mark(build: BuildFolder, person: Path) -> None:
    acknowledge_cautions(build)
    for content in ("", 'secret = ""\n', "secret = 1\n"):
        consent.reader_path().write_text(content)
        assert not cautions_acknowledged(build)
    consent.reader_path().unlink()
    os.mkfifo(consent.reader_path())
    assert not cautions_acknowledged(build)


# Takes that are cut short


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT"])
@pytest.mark.parametrize("left", [0.9999, 0.999, 0.9, 0.5, 0.01])
def test_a_take_cut_short_is_named(build: BuildFolder, subtype: str, left: float) -> None:
    for _ in range(2):
        info = add(build, subtype)
    path = build.path / "takes" / info.audio_file
    content = path.read_bytes()
    path.write_bytes(content[: min(round(left * len(content)), len(content) - 1)])
    code, out, err = run("takes", build.path)
    assert code == 0
    assert "open/-/A" in out
    said = one_line(err)
    assert path.name in said
    assert "cut short" in said or "where its sidecar says" in said or "cannot be read as audio" in said
    assert "put the original back" in said
    if path.suffix == ".flac" and left > 0.4:
        assert "take 2: " in said
        assert "cut short: its end cannot be read" in said
    assert [take.number for take in build.takes()] == [1]
