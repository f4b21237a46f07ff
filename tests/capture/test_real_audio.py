"""`stillbox record` through PortAudio: on JACK with a virtual speaker, on PulseAudio with two null sinks."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from places import ROOT
from server_kills import kill_server_while_recording, wait_for
from sound_servers import JACK_DEVICE, PULSE_DEVICE, jack_missing, jack_speaker, pulse_missing, pulse_speaker
from virtual_speaker import JIG, truth_ohm

from stillbox.analysis.sweeps.transfer import channel_ratio
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.recording.take import TakeInfo

NO_JACK, NO_PULSE = jack_missing(), pulse_missing()
needs_jack = pytest.mark.skipif(NO_JACK is not None, reason=f"no real audio through JACK: {NO_JACK}")
needs_pulse = pytest.mark.skipif(NO_PULSE is not None, reason=f"no real audio through PulseAudio: {NO_PULSE}")


def stillbox(environment: dict[str, str], *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "stillbox", *arguments],
        env=environment, cwd=ROOT, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip


def record_arguments(build: Path, device: str) -> list[str]:
    return ["record", str(build), "--subject", "in-box", "--device", device, "--seconds", "1",
            "--cautions-read", "--loudest-volts", "1"]  # fmt: skip


def kept_take(environment: dict[str, str], build: BuildFolder, device: str, tries: int) -> TakeInfo:
    """A take through the command line; a busy machine may lose samples on the way, which must be what is said then."""
    refusals = []
    for _ in range(tries):
        done = stillbox(environment, *record_arguments(build.path, device))
        if done.returncode == 0:
            [take] = build.takes()
            return take
        assert done.returncode == 2 and "Traceback" not in done.stderr, done
        refusals.append(done.stderr.strip().splitlines()[-1])
        named = ("lost", "gap", "flow(s)", "went away", "no sweep", "dead", "noise")
        assert any(word in refusals[-1] for word in named), refusals
        assert build.takes() == [] and build.damaged() == []
    raise AssertionError(refusals)


def impedance_error(build: BuildFolder, take: TakeInfo) -> float:
    """95th percentile of the relative error of the impedance, 15 Hz to 20 kHz."""
    ratio = channel_ratio(build.load(take))
    inside = (ratio.frequency_hz >= 15) & (ratio.frequency_hz <= 20_000)
    measured = JIG.reference_ohm * ratio.ratio[inside] / (1 - ratio.ratio[inside])
    return float(np.percentile(np.abs(measured / truth_ohm(ratio.frequency_hz[inside]) - 1), 95))


@pytest.fixture(scope="module")
def jack(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    with jack_speaker() as (environment, _):
        settings = tmp_path_factory.mktemp("settings")
        yield {**environment, "XDG_CONFIG_HOME": str(settings)}


@pytest.fixture
def build(tmp_path: Path) -> BuildFolder:
    made = BuildFolder.create(tmp_path / "build")
    made.set_calibration(JIG.reference_ohm)
    return made


@needs_jack
def test_record_through_jack_and_portaudio(jack: dict[str, str], build: BuildFolder) -> None:
    listed = stillbox(jack, "devices")
    assert listed.returncode == 0, listed
    line = next(line for line in listed.stdout.splitlines() if JACK_DEVICE in line)
    assert "JACK Audio Connection Kit" in line and "48000" in line
    assert "practice rig" in listed.stdout
    take = kept_take(jack, build, JACK_DEVICE, tries=3)
    assert take.live is not None
    assert (take.live.device, take.live.host_api) == (JACK_DEVICE, "JACK Audio Connection Kit")
    assert take.latency_s is not None and 0.02 < take.latency_s < 0.3
    assert take.live.reported_latency_s is None or take.live.reported_latency_s < 1.0
    assert impedance_error(build, take) < 1e-4


@needs_jack
def test_a_rate_that_the_server_does_not_run_at_is_refused(jack: dict[str, str], build: BuildFolder) -> None:
    done = stillbox(jack, *record_arguments(build.path, JACK_DEVICE), "--rate", "96000")
    assert done.returncode == 2
    assert "refuses 96000 Hz" in done.stderr and "choose --rate of 48000" in done.stderr
    assert build.takes() == []


@needs_jack
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_fades_out_in_the_real_output_stream(
    jack: dict[str, str], build: BuildFolder, number: signal.Signals
) -> None:
    """A JACK client listens to what the program plays."""
    import jack as jack_library

    client = jack_library.Client("listener", no_start_server=True, servername=jack["JACK_DEFAULT_SERVER"])
    port = client.inports.register("in")
    heard: list[np.ndarray] = []
    client.set_process_callback(lambda _: heard.append(port.get_array().copy()))
    with client:
        program = subprocess.Popen(
            [sys.executable, "-m", "stillbox", *record_arguments(build.path, JACK_DEVICE)],
            env=jack, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, bufsize=1,
        )  # fmt: skip
        assert program.stdout is not None
        while "sweeping" not in (line := program.stdout.readline()):
            assert line, program.communicate()
        end_s = time.monotonic() + 10
        while not (outputs := client.get_ports("PortAudio.*", is_output=True, is_audio=True)):
            assert time.monotonic() < end_s
            time.sleep(0.01)
        client.connect(outputs[0], port)
        while not heard or np.abs(heard[-1]).max() < 0.3:
            assert time.monotonic() < end_s
            time.sleep(0.01)
        time.sleep(0.3)
        asked = sum(map(len, heard))
        program.send_signal(number)
        _, errors = program.communicate(timeout=30)
        time.sleep(0.1)
    assert program.returncode == 128 + number and "stopped" in errors
    assert build.takes() == [] and build.damaged() == []
    out = np.concatenate(heard)
    last = int(np.flatnonzero(out)[-1])
    # A tone of full level ends in a fade and not in a step: 50 ms before its end it is still there in full.
    full = np.abs(out[asked - 9600 : asked]).max()
    loud = np.flatnonzero(np.abs(out) > 0.95 * full)
    assert last - loud[-1] < 0.05 * 48_000
    assert np.abs(np.diff(out[loud[-1] : last + 2])).max() < 0.5 * full
    # The signal, the interpreter and two buffers lie between the key and the fade.
    assert last - asked < 0.5 * 48_000


@needs_jack
@pytest.mark.parametrize("death", [signal.SIGTERM, signal.SIGKILL])
def test_device_lost_in_the_middle(tmp_path: Path, build: BuildFolder, death: signal.Signals) -> None:
    killed = kill_server_while_recording(build, tmp_path, death, lambda program: wait_for("sweeping", program, 0.7))
    assert killed.clear, killed
    assert "went away while it ran" in killed.errors and "record anew" in killed.errors
    assert build.takes() == [] and build.damaged() == []


@needs_jack
def test_a_server_killed_at_random_moments_takes_neither_program_nor_take(tmp_path: Path, build: BuildFolder) -> None:
    draw = random.Random(3)
    for _ in range(3):
        wait_s = draw.uniform(0.3, 4.0)
        killed = kill_server_while_recording(build, tmp_path, signal.SIGKILL, lambda _, s=wait_s: time.sleep(s))
        assert killed.clear, killed
        assert build.damaged() == [] and build.unfinished() == []
    for take in build.takes():
        build.load(take)


@needs_pulse
def test_a_jittery_path_gives_true_takes_or_none(tmp_path: Path, build: BuildFolder) -> None:
    """PulseAudio on a busy machine breaks now and then: what is kept must be true, what is not kept is named."""
    folder = tmp_path / "pulse"
    folder.mkdir()
    with pulse_speaker(folder) as environment:
        take = kept_take(environment, build, PULSE_DEVICE, tries=6)
    assert impedance_error(build, take) < 1e-3
