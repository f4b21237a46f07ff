"""All figures in one table: what is asked, what was measured, what others reach on the same data.

Run: python tests/benchmarks/run.py [--quick] [TOPIC ...]

The table is the last thing printed; the exit status is 1 where a bar is missed. ``--quick`` takes fewer seeds,
speakers and rounds. Times need a quiet machine; they are medians, and ratios are measured turn by turn.
"""

from __future__ import annotations

import importlib
import json
import os
import subprocess
import sys
import time

from table import ROOT, Row, table

TOPICS = ("impedance_accuracy", "findings_accuracy", "decay_figures", "driver_and_box", "speed")
"""Modules with ``rows(quick)``."""

APART = ("live_capture", "window")
"""Modules that need a process of their own (Qt, audio servers): they print their rows with ``--json``."""


def main(arguments: list[str]) -> int:
    """Measure the topics named, or all; print the table; 1 where a bar is missed."""
    quick = "--quick" in arguments
    topics = [name for name in arguments if name != "--quick"] or [*TOPICS, *APART]
    unknown = set(topics) - {*TOPICS, *APART}
    if unknown:
        print(f"no topic {', '.join(sorted(unknown))}; there are {', '.join((*TOPICS, *APART))}", file=sys.stderr)
        return 2
    found: list[Row] = []
    for topic in topics:
        begin = time.perf_counter()
        found += _apart(topic, quick) if topic in APART else importlib.import_module(topic).rows(quick)
        print(f"... {topic}: {time.perf_counter() - begin:.0f} s", file=sys.stderr, flush=True)
    print(table(found))
    return 0 if all(row.ok for row in found) else 1


def _apart(topic: str, quick: bool) -> list[Row]:
    """Rows of a module in a process of its own; one row that says so where it fails."""
    command = [sys.executable, str(ROOT / "tests" / "benchmarks" / f"{topic}.py"), "--json"]
    ran = subprocess.run(
        [*command, "--quick"] if quick else command,
        capture_output=True,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "tests")])},
        check=False,
    )
    if ran.returncode:
        said = ran.stderr.strip().splitlines() or ["no word"]
        return [Row(topic, "runs", f"exit status {ran.returncode}: {said[-1]}", "", False)]
    lines = json.loads(ran.stdout.strip().splitlines()[-1])
    return [Row(what, bar, value, "", bool(kept)) for what, value, bar, kept in lines]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
