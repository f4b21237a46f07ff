"""The process that holds the sound library: what it plays and records, and what becomes of us when it dies."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from invented_host import Fate, invented_hosts
from places import ROOT

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError
from stillbox.capture.live.devices import find_device, list_devices
from stillbox.capture.live.live_take import LiveRequest, record_take
from stillbox.capture.sound import sound_host
from stillbox.capture.sound.audio_device import Collected, DeviceLost, Playback, StreamState
from stillbox.capture.sound.output_calibration import keep_loudest_volts
from stillbox.capture.sound.sound_gate import read_cautions, sound_permit

RATE_HZ = 48_000
CARD = "invented card"


@pytest.fixture
def build(tmp_path: Path) -> BuildFolder:
    made = BuildFolder.create(tmp_path / "build")
    made.set_calibration(10.0, 1.0)
    return made


@pytest.fixture
def card(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Fate]:
    """Gives a host whose processes find the invented card, with what is to befall it."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    monkeypatch.setenv("CARD_HEARD", str(tmp_path / "heard"))
    monkeypatch.setenv("CARD_GONE", str(tmp_path / "gone"))
    with invented_hosts(monkeypatch) as made:
        yield made


def played(build: BuildFolder, samples: np.ndarray, state: StreamState | None = None, tail: int = 2048) -> np.ndarray:
    """What is recorded while the invented card plays ``samples``."""
    device, collected = find_device(CARD), Collected()
    read_cautions(build, device.info, True)
    keep_loudest_volts(device.info, 1.0)
    permit = sound_permit(build, device, "in-box")
    report = device.play_and_record(permit, Playback(samples, RATE_HZ, tail), collected, state or StreamState())
    report.require_device(device.info.name)
    assert not report.faults and report.frames == len(collected.samples)
    return collected.samples


def heard(tmp_path: Path) -> np.ndarray:
    return np.frombuffer((tmp_path / "heard").read_bytes(), dtype=np.float32)


def until_in_full_sound(tmp_path: Path) -> None:
    """Wait until a sweep sounds as loud as anything before it, for as long as its lowest notes swing."""
    before = heard(tmp_path)
    full = np.abs(before).max()
    while np.count_nonzero(np.abs(heard(tmp_path)[before.size :]) > 0.95 * full) < 0.2 * RATE_HZ:
        time.sleep(0.05)


def noise(seconds: float, peak: float = 0.3) -> np.ndarray:
    return np.random.default_rng(1).uniform(-peak, peak, round(seconds * RATE_HZ)).astype(np.float32)


def test_every_sample_comes_back_as_it_was(card: Fate, build: BuildFolder, tmp_path: Path) -> None:
    card()
    samples = noise(2.0)
    recorded = played(build, samples)
    assert recorded.shape == (samples.size + 2048, 2)
    start = 512 + 256  # the card's own way
    assert np.array_equal(recorded[start : start + samples.size, 0], samples)
    assert np.array_equal(recorded[:, 1], 0.5 * recorded[:, 0])
    assert np.array_equal(heard(tmp_path)[: samples.size], samples)


def test_the_limit_holds_in_the_process_that_plays(card: Fate, build: BuildFolder, tmp_path: Path) -> None:
    card()
    (build.path / "build.toml").write_text("[limits]\nclips_volts = 0.2\n")
    played(build, noise(0.5, 0.9))
    assert 0.199 < np.abs(heard(tmp_path)).max() <= 0.2


def test_meters_and_progress_move_while_it_plays(card: Fate, build: BuildFolder) -> None:
    card()
    state, seen = StreamState(), set()
    ended = threading.Event()

    def watch() -> None:
        while not ended.wait(0.01):
            seen.add((state.progress, state.take_peaks()))

    watcher = threading.Thread(target=watch)
    watcher.start()
    played(build, noise(1.5), state)
    ended.set()
    watcher.join()
    assert len({progress for progress, _ in seen}) > 45  # thirty a second
    assert len({peaks for _, peaks in seen}) > 45
    assert state.progress == 1.0


def test_a_stop_fades_within_50_ms_of_sound(card: Fate, build: BuildFolder, tmp_path: Path) -> None:
    card()
    state = StreamState()
    tone = (0.3 * np.sin(2 * np.pi * 100 / RATE_HZ * np.arange(5 * RATE_HZ))).astype(np.float32)
    asked: list[int] = []

    def stop() -> None:
        asked.append(heard(tmp_path).size)
        state.request_stop()

    threading.Timer(1.0, stop).start()
    played(build, tone, state)
    out = heard(tmp_path)
    last = int(np.flatnonzero(out)[-1])
    assert last < 4 * RATE_HZ
    loud = int(np.flatnonzero(np.abs(out) > 0.29)[-1])
    assert last - loud < 0.05 * RATE_HZ
    assert np.abs(np.diff(out)).max() < 2 * 0.3 * 2 * np.pi * 100 / RATE_HZ
    assert last - asked[0] < 0.3 * RATE_HZ  # the machine may be busy
    assert played(build, noise(0.2)).any()  # by the same process


@pytest.mark.parametrize("fate", ["abort", "silence", "hang", "abort at start", "runs on", "no sound, gone"])
def test_a_sound_library_that_dies_takes_nothing_with_it(
    card: Fate, build: BuildFolder, tmp_path: Path, fate: str
) -> None:
    host = card(fate)
    with pytest.raises(DeviceLost, match="invented card went away while it ran"):
        played(build, noise(3.0))
    assert fate == "no sound, gone" or host._worker is None  # what was lost is never opened again in its process
    card()
    (tmp_path / "gone").unlink(missing_ok=True)
    assert played(build, noise(0.2)).any()


def test_a_card_that_delivers_no_sound_and_is_there_is_not_called_lost(card: Fate, build: BuildFolder) -> None:
    card("no sound", 1.0)
    device = find_device(CARD)
    read_cautions(build, device.info, True)
    keep_loudest_volts(device.info, 1.0)
    permit = sound_permit(build, device, "in-box")
    report = device.play_and_record(permit, Playback(noise(1.5), RATE_HZ, 2048), Collected(), StreamState())
    assert not report.device_lost
    [fault] = report.faults
    assert "frames that are no sound" in fault


def test_a_take_whose_device_dies_is_not_kept_and_not_tried_again(
    card: Fate, build: BuildFolder, tmp_path: Path
) -> None:
    card()
    device = find_device(CARD)
    read_cautions(build, device.info, True)
    keep_loudest_volts(device.info, 1.0)
    request = LiveRequest("check-resistor", load_ohm=10.0, seconds=1.0)
    record_take(build, device, request, say=lambda _: None)
    before = sorted(path.name for path in (build.path / "takes").iterdir())
    card("abort", 1.2)  # later than the check before the sweep
    told: list[str] = []
    with pytest.raises(DeviceLost, match="nothing of this recording was kept"):
        record_take(build, device, request, say=told.append)
    assert sum("sweeping" in line for line in told) == 1
    assert sorted(path.name for path in (build.path / "takes").iterdir()) == before
    assert build.damaged() == []


def test_a_card_that_is_gone_is_not_taken_for_another(card: Fate, build: BuildFolder, tmp_path: Path) -> None:
    card()
    assert played(build, noise(0.1)).any()
    device = find_device(CARD)
    permit = sound_permit(build, device, "in-box")
    (tmp_path / "gone").touch()
    with pytest.raises(DeviceLost, match="invented card went away"):
        device.play_and_record(permit, Playback(noise(0.1), RATE_HZ), Collected(), StreamState())
    with pytest.raises(StillboxError, match="is not there any more"):
        device.require_rate(RATE_HZ)


def test_a_list_that_cannot_be_had_leaves_the_practice_rig(card: Fate) -> None:
    card("abort at list")
    there = list_devices()
    assert [info.kind for info in there.devices] == ["practice rig"]
    assert "does not answer" in str(there.trouble)


def test_what_portaudio_refuses_is_told_and_what_is_ours_is_no_refusal(card: Fate) -> None:
    card("refused list")
    trouble = list_devices().trouble
    assert str(trouble) == "the sound system failed (PortAudioError: Error querying device -1 [PaErrorCode -9996])"
    card("wrong list")
    with pytest.raises(RuntimeError, match="in the process that plays: TypeError: list indices") as raised:
        list_devices()
    assert "in query_devices" in "".join(raised.value.__notes__)


def test_an_idle_process_that_dies_is_replaced(card: Fate, build: BuildFolder) -> None:
    host = card()
    assert played(build, noise(0.1)).any()
    assert host._worker is not None
    first = host._worker._process
    first.kill()
    first.wait()
    assert played(build, noise(0.1)).any()
    assert host._worker._process.pid != first.pid
    host.end()
    assert host._worker is None


def test_the_process_begins_quickly_and_stays(card: Fate, build: BuildFolder) -> None:
    host = card()
    find_device(CARD)
    assert host._worker is not None
    pid = host._worker._process.pid
    for _ in range(3):
        played(build, noise(0.05))
    assert host._worker._process.pid == pid


def test_two_sounds_at_once_are_refused(card: Fate, build: BuildFolder) -> None:
    card()
    state = StreamState()
    first = threading.Thread(target=played, args=(build, noise(3.0), state))
    device = find_device(CARD)
    first.start()
    while state.progress < 0.1:
        time.sleep(0.01)
    with pytest.raises(StillboxError, match="playing already"):
        device.play_and_record(
            sound_permit(build, device, "in-box"), Playback(noise(0.1), RATE_HZ), Collected(), StreamState()
        )
    state.request_stop()
    first.join()


def test_a_failing_sink_ends_the_sound_with_a_fade(card: Fate, build: BuildFolder, tmp_path: Path) -> None:
    card()
    assert played(build, noise(0.1)).any()
    device = find_device(CARD)
    (tmp_path / "heard").unlink()
    tone = (0.3 * np.sin(2 * np.pi * 100 / RATE_HZ * np.arange(5 * RATE_HZ))).astype(np.float32)

    def refuse(_: np.ndarray) -> None:
        raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space"):
        device.play_and_record(sound_permit(build, device, "in-box"), Playback(tone, RATE_HZ), refuse, StreamState())
    out = heard(tmp_path)
    assert np.flatnonzero(out)[-1] < 4 * RATE_HZ
    assert np.abs(np.diff(out)).max() < 2 * 0.3 * 2 * np.pi * 100 / RATE_HZ


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL")
def test_a_program_that_is_killed_leaves_no_sound_behind(card: Fate, build: BuildFolder, tmp_path: Path) -> None:
    card()
    command = [sys.executable, "-m", "stillbox", "record", str(build.path), "--subject", "check-resistor"]
    command += ["--load-ohms", "10", "--device", CARD, "--cautions-read", "--loudest-volts", "1", "--seconds", "10"]
    program = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, bufsize=1)
    assert program.stdout is not None
    while "sweeping" not in (line := program.stdout.readline()):
        assert line
    until_in_full_sound(tmp_path)
    program.kill()
    program.wait()
    program.stdout.close()
    size = -1
    while size != (size := heard(tmp_path).size):
        time.sleep(0.3)
    out = heard(tmp_path)
    full, last = np.abs(out).max(), int(np.flatnonzero(out)[-1])
    loud = int(np.flatnonzero(np.abs(out) > 0.9 * full)[-1])
    assert np.abs(np.diff(out[loud : last + 2])).max() < 0.5 * full


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_every_signal_fades_what_a_card_plays(
    card: Fate, build: BuildFolder, tmp_path: Path, number: signal.Signals
) -> None:
    card()
    command = [sys.executable, "-m", "stillbox", "record", str(build.path), "--subject", "check-resistor"]
    command += ["--load-ohms", "10", "--device", CARD, "--cautions-read", "--loudest-volts", "1", "--seconds", "10"]
    program = subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, bufsize=1, start_new_session=True
    )
    assert program.stdout is not None
    while "sweeping" not in (line := program.stdout.readline()):
        assert line, program.communicate()
    until_in_full_sound(tmp_path)
    os.killpg(program.pid, number)  # as a terminal does: the process that plays gets it too
    _, errors = program.communicate(timeout=100)
    assert (program.returncode, errors.strip()) == (128 + number, "stillbox: stopped")
    assert list((build.path / "takes").iterdir()) == []
    out = heard(tmp_path)
    full, last = np.abs(out).max(), int(np.flatnonzero(out)[-1])
    loud = int(np.flatnonzero(np.abs(out) > 0.9 * full)[-1])
    assert last - loud < 0.06 * RATE_HZ
    assert np.abs(np.diff(out[loud : last + 2])).max() < 0.5 * full




def test_a_program_that_it_leaves_behind_holds_nobody_up(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """It may start a sound server, which inherits its output and outlives it."""
    left, program = tmp_path / "left", tmp_path / "leaving.py"
    program.write_text(f"""
import pathlib, subprocess, sys
left = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
pathlib.Path({str(left)!r}).write_text(str(left.pid))
sys.stdin.read()
""")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.setattr(sound_host, "PROGRAM", program.stem)
    worker = sound_host._Worker()
    end_s = time.monotonic() + 30
    while not (left.exists() and left.read_text()):
        assert time.monotonic() < end_s
        time.sleep(0.02)
    begin_s = time.monotonic()
    try:
        worker.end(patience_s=5.0)
        assert time.monotonic() - begin_s < 15
    finally:
        os.kill(int(left.read_text()), signal.SIGKILL)
    worker._reader.join(10)
    assert not worker._reader.is_alive()
