"""Ctrl-C, SIGTERM and SIGHUP: the same for all, in a sweep, in an import, in the window; nothing is left half done."""

from __future__ import annotations

import hashlib
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from places import ROOT

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.files.whole_file import write_whole
from stillbox.capture.stop_signals import GRACE_S, Stopped, answered_by, kept_back, stop_signals

DEMO = ROOT / "demo_recordings"
SIGNALS = [signal.SIGINT, signal.SIGTERM, signal.SIGHUP]


def started(*arguments: str, prefix: tuple[str, ...] = ()) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*prefix, sys.executable, "-m", "stillbox", *arguments],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT, bufsize=1,
    )  # fmt: skip


def started_sweep(build: BuildFolder, *options: str, prefix: tuple[str, ...] = ()) -> subprocess.Popen[str]:
    """A program in the middle of a sweep."""
    device = ("--device", "practice rig: good box")
    program = started("record", str(build.path), "--subject", "in-box", *device, *options, prefix=prefix)
    assert program.stdout is not None
    while "sweeping" not in (line := program.stdout.readline()):
        assert line, program.communicate()
    time.sleep(0.5)
    assert [path.suffix for path in takes_of(build)] == [".part"]
    return program


def takes_of(build: BuildFolder) -> list[Path]:
    return sorted((build.path / "takes").iterdir())


@pytest.mark.parametrize("number", SIGNALS)
def test_a_signal_in_mid_sweep_leaves_nothing(build: BuildFolder, number: signal.Signals) -> None:
    program = started_sweep(build)
    program.send_signal(number)
    _, errors = program.communicate(timeout=20)
    assert (program.returncode, errors.strip()) == (128 + number, "stillbox: stopped")
    assert takes_of(build) == [] and build.damaged() == []


def test_a_closing_terminal_that_sends_several_is_one_stop(build: BuildFolder) -> None:
    program = started_sweep(build)
    for number in (signal.SIGHUP, signal.SIGTERM, signal.SIGINT, signal.SIGTERM):
        program.send_signal(number)
        time.sleep(0.002)
    _, errors = program.communicate(timeout=20)
    assert (program.returncode, errors.strip()) == (128 + signal.SIGHUP, "stillbox: stopped")
    assert takes_of(build) == []


def test_what_nohup_lets_live_lives(build: BuildFolder) -> None:
    program = started_sweep(build, "--seconds", "2", "--repeats", "1", prefix=("nohup",))
    program.send_signal(signal.SIGHUP)
    program.communicate(timeout=60)
    assert program.returncode == 0
    assert len(build.takes()) == 1


@pytest.mark.parametrize("number", SIGNALS)
def test_a_signal_at_any_moment_of_an_import_leaves_a_whole_take_or_none(
    build: BuildFolder, number: signal.Signals
) -> None:
    whole = stopped = 0
    before = hashlib.sha256((DEMO / "in-box-stock.flac").read_bytes()).digest()
    draw = random.Random(int(number))
    began_s = time.monotonic()
    arguments = ("import", str(build.path), str(DEMO / "in-box-stock.flac"), "--excitation",
                 str(DEMO / "sweep-5s.json"), "--subject", "in-box", "--state", "stock")  # fmt: skip
    program = started(*arguments)
    program.communicate(timeout=60)
    assert program.returncode == 0
    length_s = time.monotonic() - began_s
    for part in (0.97, 0.9, 0.8, draw.uniform(0.5, 1.0)):
        program = started(*arguments)
        time.sleep(part * length_s)
        program.send_signal(number)
        _, errors = program.communicate(timeout=60)
        # The last: it came while Python itself began or ended, when nothing was under way.
        assert program.returncode in (0, 128 + number, -number), errors
        assert "Traceback" not in errors or program.returncode == -number, errors
        stopped += program.returncode != 0
        assert build.unfinished() == [] and build.damaged() == []
        assert not list(build.path.rglob("*.part"))
    for take in build.takes():
        build.load(take)
        whole += 1
    assert whole >= 1 and whole + stopped >= 5
    assert hashlib.sha256((DEMO / "in-box-stock.flac").read_bytes()).digest() == before


def test_a_file_is_whole_before_a_signal_is_heeded(tmp_path: Path) -> None:
    path = tmp_path / "kept.toml"
    text = "x" * 200_000

    class Interrupting(str):
        def encode(self, *_: object, **__: object) -> bytes:
            os.kill(os.getpid(), signal.SIGTERM)
            return str.encode(text)

    with stop_signals() as signals:
        with pytest.raises(Stopped):
            write_whole(path, Interrupting(text))
        assert signals.status == 128 + signal.SIGTERM
    assert path.read_text() == text and [entry.name for entry in tmp_path.iterdir()] == ["kept.toml"]


def test_a_signal_is_answered_once_and_then_raises(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    before = [signal.getsignal(number) for number in SIGNALS]
    with stop_signals() as signals, answered_by(lambda: asked.append(1)):
        os.kill(os.getpid(), signal.SIGHUP)
        os.kill(os.getpid(), signal.SIGTERM)  # at once: the same
        assert asked == [1] and signals.number == signal.SIGHUP
        monkeypatch.setattr(signals, "_came_s", time.monotonic() - 2 * GRACE_S)
        with pytest.raises(Stopped):
            os.kill(os.getpid(), signal.SIGINT)
        assert asked == [1]
    with pytest.raises(Stopped), stop_signals():
        os.kill(os.getpid(), signal.SIGTERM)
    with stop_signals(), pytest.raises(Stopped), kept_back(), kept_back():
        os.kill(os.getpid(), signal.SIGTERM)
        asked.append(2)
    assert asked == [1, 2]
    assert [signal.getsignal(number) for number in SIGNALS] == before
