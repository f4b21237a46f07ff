"""A live take from the lock to the sidecar: what is kept, what is repeated, what is refused, and nothing lost."""

from __future__ import annotations

import hashlib
import inspect
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from kill_while_recording import kill_at_random_moments
from places import ROOT
from practice_sound import silent

from stillbox.analysis.sweeps.transfer import channel_ratio
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.build_lock import build_lock
from stillbox.capture.errors import StillboxError
from stillbox.capture.live.devices import find_device, list_devices
from stillbox.capture.live.first_use import Dialogue, offer_removal
from stillbox.capture.live.live_take import LiveRequest, record_take
from stillbox.capture.practice.practice_jig import RigParts
from stillbox.capture.practice.practice_rig import PracticeRig
from stillbox.capture.practice.practice_speakers import SPEAKERS
from stillbox.capture.sound.audio_device import Clips, DeviceLost, RecordingStopped, StreamState
from stillbox.capture.sweep.excitation import Excitation
from stillbox.commands import live, recordings
from stillbox.gui.work.settings import Settings

SHORT = LiveRequest("in-box", seconds=1.0)
IDEAL = RigParts(source_ohm=0.0, second_gain=1.0, lead_ohm=0.0, input_ohm=1e12, noise_dbfs=-130.0)


pytestmark = pytest.mark.usefixtures("own_settings")


def content(build: BuildFolder) -> dict[str, str]:
    """Checksum of every file among the takes."""
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in (build.path / "takes").iterdir()}


def test_a_take_has_its_settings_device_latency_and_the_right_impedance(build: BuildFolder) -> None:
    rig = PracticeRig("bare box", seed=1, parts=IDEAL)
    told: list[str] = []
    info = record_take(build, rig, LiveRequest("in-box", state="lined", unit="B", seconds=5.0), say=told.append)
    assert [take.number for take in build.takes()] == [1]
    assert build.damaged() == []
    assert (info.address, info.origin, info.latency_s) == ("in-box/lined/B", "practice rig: bare box", 0.01)
    assert info.live is not None
    assert (info.live.attempts, info.live.kind, info.live.loudest_volts) == (1, "practice rig", 1.4)
    assert info.live.reported_latency_s == pytest.approx(0.01)
    assert any("V rms at the open clips" in line for line in told)
    ratio = channel_ratio(build.load(info))
    inside = (ratio.frequency_hz >= 15) & (ratio.frequency_hz <= 20_000)
    frequency_hz = ratio.frequency_hz[inside]
    impedance = 10 * ratio.ratio[inside] / (1 - ratio.ratio[inside])
    truth = SPEAKERS["bare box"].impedance_ohm(Clips("in-box", "lined", "B"), frequency_hz)
    assert np.percentile(np.abs(impedance / truth - 1), 95) < 1e-4


@pytest.mark.parametrize("fault", ["dropout", "overflow"])
def test_a_bad_sweep_is_repeated(build: BuildFolder, fault: str) -> None:
    told: list[str] = []
    info = record_take(build, PracticeRig("good box", [fault], seed=2, fault_streams=1), SHORT, say=told.append)
    assert info.live is not None and info.live.attempts == 2
    assert any("sweep 1 of at most 3 was no good" in line for line in told)
    assert build.damaged() == []
    build.load(info)


def test_a_lost_device_is_not_opened_again(build: BuildFolder) -> None:
    streams: list[int] = []

    class Counted(PracticeRig):
        def play_and_record(self, permit, playback, sink, state):  # type: ignore[no-untyped-def]
            streams.append(playback.total_frames)
            return super().play_and_record(permit, playback, sink, state)

    record_take(build, PracticeRig("good box", seed=1), SHORT, say=silent)
    before = content(build)
    with pytest.raises(DeviceLost, match=r"went away while it ran.*record anew"):
        record_take(build, Counted("good box", ["device loss"], seed=2, fault_streams=1), SHORT, say=silent)
    assert sum(frames > 1.5 * 48_000 for frames in streams) == 1
    assert content(build) == before
    assert build.damaged() == []


@pytest.mark.parametrize(("fault", "words"), [("dropout", "gap"), ("overflow", "overflow")])
@pytest.mark.parametrize("seed", range(3))
def test_bad_sweeps_are_refused_in_the_end_with_the_reason(
    build: BuildFolder, fault: str, words: str, seed: int
) -> None:
    record_take(build, PracticeRig("good box", seed=1), SHORT, say=silent)
    before = content(build)
    with pytest.raises(StillboxError, match=f"3 sweeps were no good.*{words}"):
        record_take(build, PracticeRig("bare box", [fault], seed=seed), SHORT, say=silent)
    assert content(build) == before
    assert build.damaged() == []


def test_limits_of_the_build_hold_in_every_block(build: BuildFolder) -> None:
    text = (build.path / "build.toml").read_text()
    limits = "[limits]\nclips_volts = 0.3\nlowest_hz = 900\n[limits.in-box]\nresistor_watts = 0.0001\n"
    (build.path / "build.toml").write_text(text.replace("[limits]", limits))
    heard: list[np.ndarray] = []
    rig = PracticeRig("tweeter", seed=1, listener=lambda block: heard.append(block.copy()))
    info = record_take(build, rig, LiveRequest("free-air", seconds=1.0), say=silent)
    peak = float(np.abs(np.concatenate(heard)).max())
    assert peak <= 0.3 / 1.4
    assert peak > 0.9 * 0.3 / 1.4
    assert info.excitation.low_hz == 900
    spectrum = np.abs(np.fft.rfft(np.concatenate(heard).astype(float))) ** 2
    below = int(800 / 48_000 * np.concatenate(heard).size)
    assert spectrum[:below].sum() < 1e-4 * spectrum.sum()
    heard.clear()
    record_take(build, rig, LiveRequest("in-box", seconds=1.0), say=silent)
    # 0.1 mW in 10 ohm are 31.6 mV.
    assert float(np.abs(np.concatenate(heard)).max()) <= np.sqrt(0.0001 * 10) / 1.4


def test_stop_keeps_nothing(build: BuildFolder) -> None:
    record_take(build, PracticeRig("good box", seed=1), SHORT, say=silent)
    before = content(build)
    heard: list[np.ndarray] = []
    asked: list[int] = []
    state = StreamState()

    def listen(block: np.ndarray) -> None:
        heard.append(block.copy())
        if not asked and np.abs(block).max() > 0.2 and 0.4 < state.progress < 0.6 and len(heard) > 400:
            asked.append(len(heard) * len(block))
            state.request_stop()

    with pytest.raises(RecordingStopped):
        record_take(build, PracticeRig("bare box", seed=1, listener=listen), LiveRequest("in-box"), state, silent)
    last = np.flatnonzero(np.concatenate(heard))[-1]
    assert 0 < last - asked[0] < 0.05 * 48_000
    assert content(build) == before


@pytest.mark.parametrize("moment", ["check", "sweep"])
def test_interrupt_keeps_nothing(build: BuildFolder, moment: str) -> None:
    blocks = [0]

    def listen(block: np.ndarray) -> None:
        blocks[0] += 1
        if blocks[0] == (20 if moment == "check" else 420):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        record_take(build, PracticeRig("bare box", seed=1, listener=listen), LiveRequest("in-box"), say=silent)
    assert content(build) == {}


def test_ctrl_c_at_the_command_line(tmp_path: Path, build: BuildFolder) -> None:
    program = subprocess.Popen(
        [sys.executable, "-m", "stillbox", "record", str(build.path), "--subject", "in-box",
         "--device", "practice rig: good box"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT, bufsize=1,
    )  # fmt: skip
    assert program.stdout is not None
    while "sweeping" not in (line := program.stdout.readline()):
        assert line, program.communicate()
    time.sleep(0.5)
    assert len(content(build)) == 1  # it is being written
    program.send_signal(signal.SIGINT)
    _, errors = program.communicate(timeout=20)
    assert program.returncode == 130
    assert errors.strip() == "stillbox: stopped"
    assert content(build) == {}
    assert build.damaged() == []


def test_kill_at_random_moments_loses_no_finished_take(tmp_path: Path) -> None:
    build, left = kill_at_random_moments(tmp_path / "build", times=10, seed=1)
    takes = build.takes()
    assert left > 0
    assert len(takes) >= 2 + 4  # two before the first death, and one before at least four of the others
    for take in takes:
        build.load(take)  # SHA-256
    assert build.damaged() == []


def test_two_programs_on_one_build(build: BuildFolder) -> None:
    held, release = threading.Event(), threading.Event()

    def hold() -> None:
        with build_lock(build.path):
            held.set()
            release.wait(30)

    other = threading.Thread(target=hold)
    other.start()
    held.wait(10)
    try:
        with pytest.raises(StillboxError, match=f"process {os.getpid()} on"):
            record_take(build, PracticeRig("bare box"), SHORT, say=silent)
        (build.path / "takes" / "0001-in-box-A.flac.part").write_bytes(b"being recorded by the other")
        assert build.unfinished() == []
    finally:
        release.set()
        other.join()
    assert len(build.unfinished()) == 1


def test_disk_full(build: BuildFolder) -> None:
    record_take(build, PracticeRig("good box", seed=1), SHORT, say=silent)
    before = content(build)
    limit, most = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, most))
    try:
        with pytest.raises(StillboxError, match=r"cannot write .*earlier takes are untouched"):
            record_take(build, PracticeRig("bare box", seed=1), LiveRequest("in-box"), say=silent)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, most))
    assert content(build) == before
    assert build.damaged() == []


def test_folder_gone_while_recording(build: BuildFolder) -> None:
    blocks = [0]

    def listen(_: np.ndarray) -> None:
        blocks[0] += 1
        if blocks[0] == 420:
            shutil.rmtree(build.path)

    with pytest.raises(StillboxError, match="cannot write"):
        record_take(build, PracticeRig("bare box", seed=1, listener=listen), LiveRequest("in-box"), say=silent)


@pytest.mark.skipif(os.geteuid() == 0 and shutil.which("setpriv") is None, reason="root may write anywhere")
def test_read_only_folder() -> None:
    with tempfile.TemporaryDirectory() as folder:  # pytest's own folders are closed to other users
        Path(folder).chmod(0o755)
        build = BuildFolder.create(Path(folder) / "build")
        record_take(build, PracticeRig("good box", seed=1), SHORT, say=silent)
        before = content(build)
        closed = [build.path, build.path / "takes"]
        for path in (*closed, *build.path.glob(".lock*")):
            path.chmod(0o555)
        command = [sys.executable, "-m", "stillbox", "record", str(build.path)]
        command += ["--subject", "in-box", "--fast"]
        if os.geteuid() == 0:
            command = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups", *command]
        environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1", "HOME": "/nonexistent"}
        try:
            done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, env=environment, check=False)
        finally:
            for path in closed:
                path.chmod(0o755)
        assert done.returncode == 2, done
        assert "cannot write" in done.stderr and "check the rights" in done.stderr
        assert "Traceback" not in done.stderr
        assert content(build) == before


@pytest.mark.parametrize(("request_", "words"), [
    (LiveRequest("in box"), "there is no subject"),
    (LiveRequest("load"), "--load-ohms"),
    (LiveRequest("in-box", jig="both"), "there is no jig"),
    (LiveRequest("in-box", state="a/b"), "cannot name a state"),
    (LiveRequest("in-box", state=""), "needs a state"),
    (LiveRequest("free-air", state="lined"), "leave the state out"),
    (LiveRequest("in-box", unit="../x"), "cannot name a unit"),
    (LiveRequest("in-box", sample_rate_hz=12_345), "sample_rate_hz"),
    (LiveRequest("in-box", seconds=0.01), "seconds"),
    (LiveRequest("in-box", repeats=0), "repeats"),
    (LiveRequest("in-box", accuracy_percent=0), "accuracy"),
    (LiveRequest("in-box", level_dbfs=-200.0), "a level of -200 dBFS cannot be played; give -80 to 0"),
    (LiveRequest("in-box", level_dbfs=3.0), "a level of 3 dBFS cannot be played"),
    (LiveRequest("in-box", level_dbfs=float("nan")), "a level of nan dBFS"),
    (LiveRequest("in-box", sample_rate_hz=-5), "a sample rate of -5 Hz"),
    (LiveRequest("load", load_ohm=float("nan")), "load_ohm nan is outside 0.01 to 100000 ohm"),
    (LiveRequest("load", load_ohm=0.0), "load_ohm 0 is outside"),
    (LiveRequest("load", load_ohm=10.0, load_tolerance_percent=float("nan")), "a tolerance of nan %"),
])
def test_wrong_requests_get_a_sentence(build: BuildFolder, request_: LiveRequest, words: str) -> None:
    with pytest.raises(StillboxError, match=words):
        record_take(build, PracticeRig("bare box"), request_, say=silent)
    assert content(build) == {}


def test_cut_off_recordings_are_offered_for_removal(build: BuildFolder) -> None:
    record_take(build, PracticeRig("good box", seed=1), SHORT, say=silent)
    before = content(build)
    for name in ("0002-in-box-A.flac.part", "0003-in-box-A.flac", "0003-in-box-A.json.part"):
        (build.path / "takes" / name).write_bytes(b"half a recording")
    told: list[str] = []
    offer_removal(build, Dialogue(told.append, told.append))
    assert "0002-in-box-A.flac.part" in told[0] and "--remove-unfinished" in told[0]
    offer_removal(build, Dialogue(told.append, told.append, lambda _: False))
    assert len(build.unfinished()) == 3
    offer_removal(build, Dialogue(told.append, told.append, lambda _: True))
    assert content(build) == before


def test_list_of_devices_and_their_names() -> None:
    there = list_devices()
    assert there.devices[-1].name == "practice rig"
    assert find_device("practice rig: leaky, noise").info.name == "practice rig: leaky, noise"
    with pytest.raises(StillboxError, match="no speaker 'horn'; choose one of good box"):
        find_device("practice rig: horn")
    with pytest.raises(StillboxError, match="no fault 'gremlins'"):
        find_device("practice rig: bare box, gremlins")
    with pytest.raises(StillboxError, match=r"'practice rig leaky' is no device; .* 'practice rig: good box'"):
        find_device("practice rig leaky")


def test_the_list_names_every_speaker_of_the_rig_as_record_takes_it(capsys: pytest.CaptureFixture[str]) -> None:
    from stillbox.commands.live import devices

    devices()
    names = re.findall(r"^(practice rig: .*?)  +(.*?) *$", capsys.readouterr().out, re.MULTILINE)
    assert [name for name, _ in names] == [f"practice rig: {speaker}" for speaker in SPEAKERS]
    for name, story in names:
        assert find_device(name).info.name == name
        assert len(story) > 10


@pytest.mark.parametrize(("broken", "words"), [
    ("raise OSError('PortAudio library not found')", "PortAudio is missing"),
    ("raise ImportError('no module named _cffi')", "the Python package sounddevice is missing"),
])
def test_without_portaudio_one_line_says_what_to_install_and_the_rig_works(
    tmp_path: Path, build: BuildFolder, broken: str, words: str
) -> None:
    (tmp_path / "sounddevice.py").write_text(broken)
    environment = {**os.environ, "PYTHONPATH": str(tmp_path)}

    def stillbox(*arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "stillbox", *arguments],
            env=environment, cwd=ROOT, capture_output=True, text=True, check=False,
        )  # fmt: skip

    listed = stillbox("devices")
    assert listed.returncode == 0
    assert "practice rig" in listed.stdout and "without --device: practice rig" in listed.stdout
    assert words in listed.stderr and len(listed.stderr.strip().splitlines()) == 1
    done = stillbox("record", str(build.path), "--subject", "in-box", "--seconds", "1", "--fast")
    assert (done.returncode, done.stderr) == (0, "")
    assert "this take is of its simulated speaker" in done.stdout
    assert len(build.takes()) == 1
    refused = stillbox("record", str(build.path), "--subject", "in-box", "--device", "usb")
    assert refused.returncode == 2 and words in refused.stderr


@pytest.mark.parametrize(("times", "attempts"), [(1, 2), (9, 3)])
def test_a_sound_during_a_sweep_has_it_repeated_and_is_said_where_it_stays(
    build: BuildFolder, times: int, attempts: int
) -> None:
    """Noise for 0.2 s in the second of three sweeps, in one attempt or in all."""
    left = [times]

    class Noisy(PracticeRig):
        def play_and_record(self, permit, playback, sink, state):  # type: ignore[no-untyped-def]
            frames, generator = [0], np.random.default_rng(1)
            disturbed = playback.total_frames > 3 * 48_000 and left[0] > 0
            left[0] -= disturbed

            def louder(block: np.ndarray) -> None:
                near = (frames[0] > 2.9 * 48_000) & (frames[0] < 3.1 * 48_000)
                frames[0] += len(block)
                sound = 0.01 * generator.standard_normal(block.shape) if disturbed and near else 0.0
                sink((block + sound).astype(block.dtype))

            return super().play_and_record(permit, playback, louder, state)

    told: list[str] = []
    info = record_take(build, Noisy("good box", seed=1), SHORT, say=told.append)
    assert info.live is not None and info.live.attempts == attempts
    assert any("sweep 2 of 3 was disturbed while it ran from" in line for line in told)
    assert any("was disturbed" in flag for flag in info.flags) == (times > 1)


def test_the_usual_take_is_the_same_everywhere() -> None:
    """Recorded, played from a file and in the window."""
    usual = (Excitation().repeats, Excitation().seconds)
    assert usual[0] > 2
    assert (LiveRequest("in-box").repeats, LiveRequest("in-box").seconds) == usual
    for command in (recordings.excitation, live.record):
        parameters = inspect.signature(command).parameters
        assert (parameters["repeats"].default, parameters["seconds"].default) == usual
    assert Settings().seconds == usual[1]
