"""What `speed.py` measures in processes of their own: python fresh_process.py WHAT FOLDER, prints JSON."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from pathlib import Path

from table import ROOT  # sets the path of ours

from stillbox.analysis.bench import Bench
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.take_import import import_take
from stillbox.capture.sweep.excitation import read_excitation

assert ROOT


def findings(folder: Path) -> None:
    """From the takes of a build to the findings of both states."""
    bench = Bench(BuildFolder.open(folder))
    for state in ("stock", "lined"):
        assert bench.findings(state).findings


def import_and_findings(folder: Path) -> None:
    """The same, the takes imported from WAV files before."""
    build = BuildFolder.open(folder)
    excitation = read_excitation(folder / "sweep.json")
    for name in ("free-air", "in-box-stock", "in-box-lined"):
        subject, state = ("free-air", None) if name == "free-air" else ("in-box", name.removeprefix("in-box-"))
        import_take(build, folder / f"{name}.wav", excitation, subject, state)
    findings(folder)


def long_take(folder: Path) -> None:
    """Import of one long take, and its impedance at every bin."""
    build = BuildFolder.open(folder)
    take = import_take(build, folder / "long.wav", read_excitation(folder / "sweep.json"), "in-box", "stock")
    Bench(build).spectrum(take)


def long_findings(folder: Path) -> None:
    """The same with curve and findings."""
    bench = Bench(BuildFolder.open(folder))
    bench.curve(bench.in_box())
    bench.findings()


def peak_mb() -> float:
    """Largest resident memory of this process so far (Linux); not that of its parent, as getrusage may say."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    line = next(line for line in status.splitlines() if line.startswith("VmHWM"))
    return int(line.split()[1]) / 1024


WORK: dict[str, Callable[[Path], None]] = {
    "findings": findings,
    "import-and-findings": import_and_findings,
    "long-take": long_take,
    "long-findings": long_findings,
}

if __name__ == "__main__":
    work, folder = WORK[sys.argv[1]], Path(sys.argv[2])
    before_mb, wall, processor = peak_mb(), time.perf_counter(), time.process_time()
    work(folder)
    print(
        json.dumps(
            {
                "wall_s": time.perf_counter() - wall,
                "processor_s": time.process_time() - processor,
                "imports_mb": before_mb,
                "peak_mb": peak_mb(),
            }
        )
    )
