"""What a process is measured to have used is its own, whoever measures it."""

from __future__ import annotations

import fcntl
from pathlib import Path

import numpy as np
import pytest
from invoked import measure_python


def test_memory_of_whoever_measures_is_not_counted() -> None:
    held = np.ones(500_000_000, dtype=np.uint8)
    small = measure_python("-S", "-c", "pass")
    assert held.nbytes == 500_000_000
    assert 1.0 < small.memory_mb < 50.0
    assert measure_python("-S", "-c", "x = bytearray(100_000_000)").memory_mb == pytest.approx(
        small.memory_mb + 100e6 / 1024**2, abs=5.0
    )


def test_time_status_and_words_are_those_of_the_command() -> None:
    busy = "import sys, time\nwhile time.process_time() < 0.3: pass\nprint('out'); sys.stderr.write('err'); sys.exit(7)"
    measured = measure_python("-S", "-c", busy)
    assert (measured.status, measured.out, measured.err) == (7, "out\n", "err")
    assert 0.3 <= measured.cpu_s < 0.6
    assert measure_python("-S", "-c", "import os; os.kill(os.getpid(), 9)").status == -9


def test_what_hangs_is_ended_with_all_that_it_started(tmp_path: Path) -> None:
    held = tmp_path / "held"
    hanging = f"import fcntl, os, time\nheld = open({str(held)!r}, 'w')\nfcntl.flock(held, fcntl.LOCK_EX)\n"
    with pytest.raises(pytest.fail.Exception, match=r"has not ended within 2 s"):
        measure_python("-S", "-c", f"{hanging}os.fork()\ntime.sleep(1000)", patience_s=2.0)
    with held.open("a") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
