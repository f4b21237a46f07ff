"""The notebook: what programs that are killed while they write leave of it.

Run: python tests/benchmarks/notebook.py [--quick]
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from notebook_kills import kill_at_random_moments  # noqa: E402
from table import Row, table  # noqa: E402


def rows(quick: bool = False) -> list[Row]:
    """Kill -9 at random moments; ``quick`` takes a tenth of them."""
    times = 10 if quick else 100
    with tempfile.TemporaryDirectory() as folder:
        try:
            done = kill_at_random_moments(Path(folder) / "build", times, seed=7)
        except AssertionError as error:
            return [Row("kill -9 while logging", f"{times} times, nothing lost", f"lost or half: {error}", "", False)]
    said = f"{done.killed} killed, {done.entries - 2} entries, {done.acknowledged} acknowledged: all there and whole"
    whole = done.killed == times and done.acknowledged > 0
    return [Row("kill -9 while logging", f"{times} times, no entry lost, none half", said, "", whole)]


if __name__ == "__main__":
    print(table(rows("--quick" in sys.argv)))
