"""Sound servers of the tests' own: started under a name or folder of their own, and stopped by their process."""

from __future__ import annotations

import ctypes
import os
import shutil
import signal
import subprocess
import sys
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from virtual_speaker import NAME, SINK_BACK, SINK_OUT

START_S = 10.0
VIRTUAL_SPEAKER = str(Path(__file__).with_name("virtual_speaker.py"))
_LIBC = ctypes.CDLL(None)
_PR_SET_PDEATHSIG = 1


def _start(command: list[str], environment: dict[str, str], pipe: bool = False) -> subprocess.Popen[bytes]:
    """Start a program that ends when the tests do, however they end."""
    return subprocess.Popen(
        command,
        env=environment,
        stdout=subprocess.PIPE if pipe else subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        preexec_fn=lambda: _LIBC.prctl(_PR_SET_PDEATHSIG, signal.SIGTERM),
    )


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


def _stop(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(10)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    if process.stdout is not None:
        process.stdout.close()


def _await_ready(process: subprocess.Popen[bytes]) -> None:
    assert process.stdout is not None
    line = process.stdout.readline()
    assert line.strip() == b"ready", f"the virtual speaker said {line!r}"


@contextmanager
def jack_speaker(period_frames: int = 4096) -> Iterator[tuple[dict[str, str], subprocess.Popen]]:
    """A JACK server with the dummy driver and the virtual speaker on it.

    Yields the environment in which programs find it, and the server's process, which may be killed.
    """
    name = f"stillbox-{uuid.uuid4().hex[:10]}"
    environment = {**os.environ, "JACK_DEFAULT_SERVER": name, "JACK_NO_START_SERVER": "1"}
    # Synchronous (-S): the server waits for its clients, so a busy machine makes it late but loses nothing.
    command = ["jackd", "-r", "-S", "-t", "5000", "-n", name, "-d", "dummy", "-r", "48000", "-p", str(period_frames)]
    server = _start(command, environment)
    try:
        _await_server(name)
        client = _start([sys.executable, VIRTUAL_SPEAKER, "jack", name], environment, pipe=True)
        try:
            _await_ready(client)
            yield environment, server
        finally:
            _stop(server)  # first, as it waits long for a client that dies
            _stop(client)
    finally:
        _stop(server)
        if server.returncode == -signal.SIGKILL:
            # JACK has room for eight names a user, and only a server that ends by itself gives its name back.
            heir = _start(command, environment)
            _await_server(name)
            _stop(heir)
        for left in Path("/dev/shm").glob(f"jack_sem.*_{name}_*"):
            left.unlink(missing_ok=True)


def _await_server(name: str) -> None:
    import jack

    jack.set_error_function(lambda _: None)  # it says so on stderr as long as there is no server
    end_s = time.monotonic() + START_S
    while True:
        try:
            jack.Client("waiting", no_start_server=True, servername=name).close()
            return
        except jack.JackOpenError:
            if time.monotonic() > end_s:
                raise
            time.sleep(0.05)


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
        "XDG_RUNTIME_DIR": str(runtime),
        "PULSE_RUNTIME_PATH": str(runtime),
        "PULSE_SERVER": f"unix:{runtime}/native",
        "PULSE_SINK": SINK_OUT,
        "PULSE_SOURCE": f"{SINK_BACK}.monitor",
        "ALSA_CONFIG_PATH": str(folder / "alsa.conf"),
    }
    form = "rate=48000 format=float32le channels=2"
    sinks = [f"--load=module-null-sink sink_name={sink} {form}" for sink in (SINK_OUT, SINK_BACK)]
    server = _start(
        [
            "pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no", "--disable-shm=yes",
            f"--load=module-native-protocol-unix socket={runtime}/native auth-anonymous=1", *sinks,
        ],
        environment,
    )  # fmt: skip
    try:
        _await_pulse(environment)
        client = _start([sys.executable, VIRTUAL_SPEAKER, "pulse"], environment, pipe=True)
        try:
            _await_ready(client)
            yield environment
        finally:
            _stop(client)
    finally:
        _stop(server)


def _await_pulse(environment: dict[str, str]) -> None:
    end_s = time.monotonic() + START_S
    while SINK_BACK.encode() not in subprocess.run(
        ["pactl", "list", "short", "sinks"], env=environment, capture_output=True, check=False
    ).stdout:
        assert time.monotonic() < end_s, "PulseAudio did not start"
        time.sleep(0.05)


JACK_DEVICE = NAME
PULSE_DEVICE = "pulse"
