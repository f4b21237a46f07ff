"""A JACK server of the tests' own, under one of a few names that they share.

JACK keeps room for eight names a user in a table that outlives the servers (in /dev/shm). A server that is killed does
not give its name back, and when all eight are taken no server starts any more. A name that is used again is free
again, though: so the tests know only a few names, each for one server at a time over all processes and checkouts.
"""

from __future__ import annotations

import fcntl
import os
import re
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from own_process import LogFile, log_file, start, stop

START_S = 30.0
"""A busy machine may need so long until a server answers."""

TRIES = 3
NAMES = tuple(f"stillbox-{number}" for number in range(1, 5))
MOST_PORTS = "64"
"""Each port takes memory in /dev/shm, which is small on some machines: 107 MB for the usual 2048, 40 MB for these."""

SHARED = Path("/dev/shm")
REGISTRY = SHARED / "jack-shm-registry"
NO_ROOM = "Too many servers already active"


@contextmanager
def jack_server(period_frames: int) -> Iterator[tuple[dict[str, str], subprocess.Popen[bytes]]]:
    """A server with the dummy driver: the environment in which programs find it, and its process."""
    with _name() as (name, lock), log_file() as said:
        server = _started(name, lock, said, period_frames)
        try:
            yield _environment(name), server
        finally:
            stop(server)
            if server.returncode < 0:
                _give_back(name)
            _remove_left(name)


@contextmanager
def _name() -> Iterator[tuple[str, int]]:
    """A name that no other server has, and the lock that says so as long as the tests or the server hold it."""
    end_s = time.monotonic() + START_S
    while time.monotonic() < end_s:
        for name in NAMES:
            path = Path(tempfile.gettempdir()) / f"{name}-{os.getuid()}.lock"
            lock = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                os.close(lock)
                continue
            try:
                yield name, lock
            finally:
                os.close(lock)
            return
        time.sleep(0.1)
    raise RuntimeError(f"each of the names {', '.join(NAMES)} has a server of other tests; wait until they end")


def _environment(name: str) -> dict[str, str]:
    return {**os.environ, "JACK_DEFAULT_SERVER": name, "JACK_NO_START_SERVER": "1"}


def _command(name: str, period_frames: int) -> list[str]:
    # Synchronous (-S): the server waits for its clients, so a busy machine makes it late but loses nothing.
    return ["jackd", "-r", "-S", "-p", MOST_PORTS, "-t", "5000", "-n", name,
            "-d", "dummy", "-r", "48000", "-p", str(period_frames)]  # fmt: skip


def _started(name: str, lock: int, said: LogFile, period_frames: int) -> subprocess.Popen[bytes]:
    for _ in range(TRIES):
        server = start(_command(name, period_frames), _environment(name), said, keep=lock)
        try:
            if _answers(name, server):
                return server
        except BaseException:
            stop(server)
            raise
        stop(server)
        if NO_ROOM in said.text():
            for stale in _stale_names(REGISTRY.read_bytes(), os.getuid()):
                _give_back(stale)
    raise RuntimeError(
        f"the JACK server {name} did not start in {TRIES} tries; the last one ended with status "
        f"{server.returncode}, {SHARED} has {_free_megabytes()} MB left, and jackd said:\n{said.text()}"
    )


def _answers(name: str, server: subprocess.Popen[bytes]) -> bool:
    """Wait until a client can be opened; False if the server ends before, or never answers."""
    import jack

    jack.set_error_function(lambda _: None)  # it says so on stderr as long as there is no server
    end_s = time.monotonic() + START_S
    while server.poll() is None and time.monotonic() < end_s:
        with suppress(jack.JackOpenError):
            jack.Client("waiting", no_start_server=True, servername=name).close()
            return True
        time.sleep(0.05)
    return False


def _stale_names(registry: bytes, user: int) -> list[str]:
    """Names of servers of the tests that are in JACK's table though their process is gone.

    A line of the table is the number of the process, 4 bytes, and then the name.
    """
    lines = re.finditer(rb"(?s)(.{4})jack-%d:(stillbox-\w+):\0" % user, registry)
    return [line[2].decode() for line in lines if not _alive(int.from_bytes(line[1], "little"))]


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        pass
    return True


def _give_back(name: str) -> None:
    """Free a name in JACK's table as JACK does it: a server of that name that ends by itself."""
    with log_file() as said:
        heir = start(_command(name, 4096), _environment(name), said)
        try:
            _answers(name, heir)
        finally:
            stop(heir)


def _remove_left(name: str) -> None:
    """What a killed server leaves beside the table."""
    for left in SHARED.glob(f"jack_*{name}_*"):
        left.unlink(missing_ok=True)


def _free_megabytes() -> int:
    status = os.statvfs(SHARED)
    return status.f_bavail * status.f_frsize // 2**20
