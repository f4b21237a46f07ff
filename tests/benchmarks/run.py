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

TOPICS = (
    "impedance_accuracy",
    "findings_accuracy",
    "bench",
    "decay_figures",
    "driver_and_box",
    "wild_boxes",
    "wild_levels",
    "speed",
    "kept",
    "network",
    "parts",
    "crossover",
    "checking",
    "wrong_part",
    "notebook",
)
"""Modules with ``rows(quick)``."""

APART = ("live_capture", "window", "window_network")
"""Modules with ``rows(quick)`` that need a process of their own (Qt, audio servers)."""

_PRINT_ROWS = """
import dataclasses, importlib, json, sys
found = importlib.import_module(sys.argv[1]).rows(sys.argv[2] == "quick")
print(json.dumps([dataclasses.asdict(row) for row in found]))
"""


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
    folders = [str(ROOT / "tests" / "benchmarks"), str(ROOT / "tests")]
    ran = subprocess.run(
        [sys.executable, "-c", _PRINT_ROWS, topic, "quick" if quick else "whole"],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(folders)},
        check=False,
    )
    if ran.returncode:
        said = ran.stderr.strip().splitlines() or ["no word"]
        return [Row(topic, "runs", f"exit status {ran.returncode}: {said[-1]}", "", False)]
    return [Row(**row) for row in json.loads(ran.stdout.strip().splitlines()[-1])]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
