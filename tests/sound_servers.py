"""Sound servers of the tests' own: started under a name or folder of their own, and stopped by their process."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from jack_server import jack_server
from own_process import LogFile, log_file, start, stop
from virtual_speaker import NAME, SINK_BACK, SINK_OUT

START_S = 30.0
VIRTUAL_SPEAKER = str(Path(__file__).with_name("virtual_speaker.py"))


def jack_missing() -> str | None:
    """Why the JACK tests cannot run; None if they can."""
    if shutil.which("jackd") is None:
        return "jackd is not installed (Debian: apt install jackd2)"
    try:
        import jack  # noqa: F401
        import sounddevice  # noqa: F401
    except (ImportError, OSError) as error:
        return f"{error} (pip install JACK-Client, apt install libportaudio2)"
    return None


def pulse_missing() -> str | None:
    """Why the PulseAudio tests cannot run; None if they can."""
    for program in ("pulseaudio", "pactl", "parec", "pacat"):
        if shutil.which(program) is None:
            return f"{program} is not installed (Debian: apt install pulseaudio pulseaudio-utils libasound2-plugins)"
    try:
        import sounddevice  # noqa: F401
    except OSError as error:
        return f"{error} (apt install libportaudio2)"
    return None


def _await_ready(process: subprocess.Popen[bytes], said: LogFile) -> None:
    assert process.stdout is not None
    line = process.stdout.readline()
    assert line.strip() == b"ready", f"the virtual speaker said {line!r} {said.text()}"


@contextmanager
def jack_speaker(period_frames: int = 4096) -> Iterator[tuple[dict[str, str], subprocess.Popen]]:
    """A JACK server with the dummy driver and the virtual speaker on it.

    Yields the environment in which programs find it, and the server's process, which may be killed.
    """
    with jack_server(period_frames) as (environment, server), log_file() as said:
        command = [sys.executable, VIRTUAL_SPEAKER, "jack", environment["JACK_DEFAULT_SERVER"]]
        client = start(command, environment, said, pipe=True)
        try:
            _await_ready(client, said)
            yield environment, server
        finally:
            stop(server)  # first, as it waits long for a client that dies
            stop(client)


@contextmanager
def pulse_speaker(folder: Path) -> Iterator[dict[str, str]]:
    """A PulseAudio server in ``folder`` with two null sinks and the virtual speaker between them."""
    runtime = folder / "run"
    runtime.mkdir(mode=0o700)
    plugin = "pcm.pulse { type pulse }\nctl.pulse { type pulse }\n"
    (folder / "alsa.conf").write_text(f"</usr/share/alsa/alsa.conf>\n{plugin}")
    environment = {
        **os.environ,
        "HOME": str(folder),
        "TMPDIR": str(folder),
        "XDG_RUNTIME_DIR": str(runtime),
        "PULSE_RUNTIME_PATH": str(runtime),
        "PULSE_SERVER": f"unix:{runtime}/native",
        "PULSE_SINK": SINK_OUT,
        "PULSE_SOURCE": f"{SINK_BACK}.monitor",
        "ALSA_CONFIG_PATH": str(folder / "alsa.conf"),
    }
    form = "rate=48000 format=float32le channels=2"
    sinks = [f"--load=module-null-sink sink_name={sink} {form}" for sink in (SINK_OUT, SINK_BACK)]
    command = [
        "pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no", "--disable-shm=yes",
        f"--load=module-native-protocol-unix socket={runtime}/native auth-anonymous=1", *sinks,
    ]  # fmt: skip
    with log_file() as said:
        server = start(command, environment, said)
        try:
            _await_pulse(environment, server, said)
            client = start([sys.executable, VIRTUAL_SPEAKER, "pulse"], environment, said, pipe=True)
            try:
                _await_ready(client, said)
                yield environment
            finally:
                stop(client)
        finally:
            stop(server)


def _await_pulse(environment: dict[str, str], server: subprocess.Popen[bytes], said: LogFile) -> None:
    end_s = time.monotonic() + START_S
    while SINK_BACK.encode() not in subprocess.run(
        ["pactl", "list", "short", "sinks"], env=environment, capture_output=True, check=False
    ).stdout:
        started = server.poll() is None and time.monotonic() < end_s
        assert started, f"PulseAudio did not start (status {server.returncode}): {said.text()}"
        time.sleep(0.05)


JACK_DEVICE = NAME
PULSE_DEVICE = "pulse"
