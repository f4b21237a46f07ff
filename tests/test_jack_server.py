"""The JACK servers of the tests: names that leaked, and a server that does not start."""

from __future__ import annotations

import os
import signal
import struct
import subprocess
from pathlib import Path

import jack_server
import pytest
from jack_server import NAMES, REGISTRY
from jack_server import jack_server as server_of_its_own
from sound_servers import jack_missing

NO_JACK = jack_missing()
needs_jack = pytest.mark.skipif(NO_JACK is not None, reason=f"no JACK: {NO_JACK}")


def line(process: int, name: str) -> bytes:
    return struct.pack("<i", process) + f"jack-{os.getuid()}:{name}:".encode().ljust(256, b"\0")


def test_only_names_of_the_tests_whose_process_is_gone_are_stale() -> None:
    gone = subprocess.Popen(["true"])
    gone.wait()
    lines = [line(gone.pid, "stillbox-0f3"), line(os.getpid(), "stillbox-1"), line(gone.pid, "default"), line(0, "")]
    assert jack_server._stale_names(b"JACK" + bytes(20) + b"".join(lines), os.getuid()) == ["stillbox-0f3"]


@needs_jack
def test_killed_servers_leave_room_for_the_next() -> None:
    for _ in range(2):
        with server_of_its_own(1024) as (_, server):
            server.send_signal(signal.SIGKILL)
            server.wait()
    left = [name for name in NAMES if f":{name}:".encode() in REGISTRY.read_bytes()]
    assert left == []


@needs_jack
def test_names_that_others_left_make_room(monkeypatch: pytest.MonkeyPatch) -> None:
    """All of JACK's room taken by dead servers of tests, as an interrupted run may leave it."""
    taken = []
    with jack_server.log_file() as said:
        for number in range(8):
            name = f"stillbox-left{number}"
            server = jack_server.start(jack_server._command(name, 1024), jack_server._environment(name), said)
            if jack_server._answers(name, server):
                taken.append(name)
            server.kill()
            server.wait()
    assert taken
    with server_of_its_own(1024) as (_, server):
        assert server.poll() is None
    for name in taken:
        jack_server._give_back(name)
    assert not any(f":{name}:".encode() in REGISTRY.read_bytes() for name in taken)


@needs_jack
def test_a_server_that_does_not_start_says_why(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jack_server, "MOST_PORTS", "many")
    with pytest.raises(RuntimeError, match=r"did not start in 3 tries.*jackd said:\n."), server_of_its_own(1024):
        pass


def test_two_servers_never_share_a_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    with jack_server._name() as (one, _), jack_server._name() as (other, _):
        assert one != other
        with jack_server._name() as (third, _):
            assert third not in (one, other)
    with jack_server._name() as (again, _):
        assert again == one
