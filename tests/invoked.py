"""The command line as a person uses it: in this process for many cases, or as a process of its own to be measured."""

from __future__ import annotations

import contextlib
import io
import os
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path

import pytest

import stillbox

ROOT = Path(__file__).resolve().parents[1]


def run(*arguments: object) -> tuple[int, str, str]:
    """Run ``stillbox.main`` in this process; returns status, stdout, stderr."""
    out, err = io.StringIO(), io.StringIO()
    with pytest.raises(SystemExit) as exited, contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        stillbox.main([str(argument) for argument in arguments])
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


@dataclass(frozen=True)
class Measured:
    """A process that has ended: status, what it said, processor time in s, and most memory in MB."""

    status: int
    out: str
    err: str
    cpu_s: float
    memory_mb: float


def measure(*arguments: object, patience_s: float = 30.0) -> Measured:
    """Run ``python -m stillbox`` and measure it; what hangs for longer than ``patience_s`` is ended."""
    given = [argument if isinstance(argument, bytes) else str(argument) for argument in arguments]
    with (
        subprocess.Popen(
            [sys.executable, "-m", "stillbox", *given],  # type: ignore[list-item]
            cwd=ROOT,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        ) as process,
    ):
        assert process.stdout is not None
        assert process.stderr is not None
        limit = threading.Timer(patience_s, process.kill)
        limit.start()
        err: list[bytes] = []
        reader = threading.Thread(target=lambda: err.append(process.stderr.read()))  # type: ignore[union-attr]
        reader.start()
        out = process.stdout.read()
        reader.join()
        _, status, usage = os.wait4(process.pid, 0)
        limit.cancel()
        process.returncode = os.waitstatus_to_exitcode(status)
    return Measured(
        process.returncode,
        out.decode(errors="replace"),
        err[0].decode(errors="replace"),
        usage.ru_utime + usage.ru_stime,
        usage.ru_maxrss / 1024,
    )
