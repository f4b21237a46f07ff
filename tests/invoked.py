"""The command line as a person uses it: in this process for many cases, or as a process of its own to be measured."""

from __future__ import annotations

import contextlib
import io
import os
import signal
import subprocess
import sys
from dataclasses import dataclass

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
