"""Killing a sound server while `stillbox record` plays through it."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from places import ROOT
from sound_servers import JACK_DEVICE, jack_speaker

from stillbox.capture.build.build_folder import BuildFolder

PATIENCE_S = 60.0


@dataclass(frozen=True)
class Killed:
    """What became of the program.

    Attributes
    ----------
    ended_s : float
        So long after the server; PATIENCE_S where it had to be killed.
    """

    status: int
    output: str
    errors: str
    ended_s: float

    @property
    def clear(self) -> bool:
        """It ended by itself, with a take or with one sentence that is no traceback."""
        if self.status == 0:
            return True
        said = self.errors.strip().splitlines()
        return self.status == 2 and bool(said) and said[-1].startswith("stillbox: ") and "Traceback" not in self.errors


def wait_for(words: str, program: subprocess.Popen[str], then_s: float) -> None:
    """Read what the program says until there are these words, and wait so long more."""
    assert program.stdout is not None
    while words not in (line := program.stdout.readline()):
        assert line, program.communicate()
    time.sleep(then_s)


def kill_server_while_recording(
    build: BuildFolder, settings: Path, death: signal.Signals, wait: Callable[[subprocess.Popen[str]], None]
) -> Killed:
    """Start a server and a sweep of 1 s through it, ``wait``, end the server by ``death``, and see."""
    with jack_speaker() as (environment, server):
        program = subprocess.Popen(
            [sys.executable, "-m", "stillbox", "record", str(build.path), "--subject", "in-box",
             "--device", JACK_DEVICE, "--seconds", "1", "--cautions-read", "--loudest-volts", "1"],
            env={**environment, "XDG_CONFIG_HOME": str(settings)}, cwd=ROOT, text=True, bufsize=1,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip
        wait(program)
        server.send_signal(death)
        ended_s = time.monotonic()
        try:
            output, errors = program.communicate(timeout=PATIENCE_S)
        except subprocess.TimeoutExpired:
            program.kill()
            output, errors = program.communicate()
        return Killed(program.returncode, output, errors, time.monotonic() - ended_s)
