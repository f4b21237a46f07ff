"""The command line as a person uses it: in this process for many cases, or as a process of its own to be measured."""

from __future__ import annotations

import contextlib
import io
import json
import os
import signal
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest
from places import ROOT

from stillbox.commands import front_door


def run(*arguments: object) -> tuple[int, str, str]:
    """Run ``front_door.main`` in this process; returns status, stdout, stderr."""
    out, err = io.StringIO(), io.StringIO()
    with pytest.raises(SystemExit) as exited, contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        front_door.main([str(argument) for argument in arguments])
    code = exited.value.code
    assert isinstance(code, int)
    return code, out.getvalue(), err.getvalue()


def one_line(text: str) -> str:
    """The text itself, made sure to be one line as faults are told."""
    assert text.startswith("stillbox: ")
    assert text.count("\n") == 1
    assert text.endswith("\n")
    assert "Traceback" not in text
    return text


STARTER = """
import os, sys
report, command = int(sys.argv[1]), sys.argv[2:]
os.set_inheritable(report, False)
_, status, used = os.wait4(os.posix_spawn(command[0], command, os.environ), 0)
os.write(report, f"{os.waitstatus_to_exitcode(status)} {used.ru_utime + used.ru_stime} {used.ru_maxrss}".encode())
"""
"""Starts the command for us: the kernel counts as a process's memory also that of whoever started it (even over exec),
and the tests have grown large, while this one stays tiny."""


@dataclass(frozen=True)
class Measured:
    """A process that has ended: status, what it said, processor time in s, and most memory in MB."""

    status: int
    out: str
    err: str
    cpu_s: float
    memory_mb: float


def measure(*arguments: object, patience_s: float = 30.0) -> Measured:
    """Run ``python -m stillbox`` and measure it; what hangs for longer than ``patience_s`` is ended, and is a fault."""
    return measure_python("-m", "stillbox", *arguments, patience_s=patience_s)


def measure_python(*arguments: object, patience_s: float = 30.0) -> Measured:
    """Run Python with these arguments in the folder of the project, and measure it as :func:`measure` does."""
    given = [argument if isinstance(argument, bytes) else str(argument) for argument in arguments]
    report, theirs = os.pipe()
    with (
        os.fdopen(report) as reported,
        subprocess.Popen(
            [sys.executable, "-SEc", STARTER, str(theirs), sys.executable, *given],  # type: ignore[list-item]
            cwd=ROOT,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            pass_fds=[theirs],
            start_new_session=True,
        ) as process,
    ):
        os.close(theirs)
        try:
            out, err = process.communicate(timeout=patience_s)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            pytest.fail(f"{given} has not ended within {patience_s:g} s")
        status, cpu_s, memory_kb = reported.read().split()
    return Measured(
        int(status), out.decode(errors="replace"), err.decode(errors="replace"), float(cpu_s), int(memory_kb) / 1024
    )


WARM = """
import json, os, resource, signal, sys
import stillbox.analysis.bench, stillbox.capture.build.take_import
from stillbox.commands import front_door
for line in sys.stdin:
    asked = json.loads(line)
    child = os.fork()
    if not child:
        signal.alarm(asked["patience_s"])
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        for place, name in ((1, "out"), (2, "err")):
            os.dup2(os.open(asked[name], os.O_WRONLY | os.O_CREAT, 0o600), place)
        front_door.main(asked["arguments"])
        os._exit(99)
    _, status, used = os.wait4(child, 0)
    print(os.waitstatus_to_exitcode(status), used.ru_utime + used.ru_stime, used.ru_maxrss, flush=True)
"""
"""Runs commands, each in a copy of a process that has loaded what most of them need; loading is most of a command."""


class WarmProcess:
    """Measures commands without the time that Python takes to begin: for many inputs to one and the same command."""

    def __init__(self, folder: Path) -> None:
        self._out, self._err = folder / "out", folder / "err"
        self._process = subprocess.Popen(
            [sys.executable, "-c", WARM], cwd=ROOT, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip

    def measure(self, *arguments: object, patience_s: int = 30) -> Measured:
        """As `measure`; the memory is with all that was loaded."""
        assert self._process.stdin is not None and self._process.stdout is not None
        asked = {"arguments": [str(one) for one in arguments], "out": str(self._out), "err": str(self._err)}
        self._out.unlink(missing_ok=True)
        self._err.unlink(missing_ok=True)
        self._process.stdin.write(json.dumps({**asked, "patience_s": patience_s}) + "\n")
        self._process.stdin.flush()
        status, cpu_s, memory_kb = self._process.stdout.readline().split()
        assert int(status) != -signal.SIGALRM, f"{arguments} has not ended within {patience_s} s"
        said = [path.read_text(encoding="utf-8", errors="replace") for path in (self._out, self._err)]
        return Measured(int(status), *said, float(cpu_s), int(memory_kb) / 1024)

    def end(self) -> None:
        """It ends with its input."""
        self._process.communicate()
