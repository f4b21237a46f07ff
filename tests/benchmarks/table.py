"""One row of the table of figures, and the table in words."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))

HEADS = ("what", "bar", "measured", "rival", "ok")


@dataclass(frozen=True)
class Row:
    """One figure: what it is, what is asked, what was measured, what others reach on the same data."""

    what: str
    bar: str
    measured: str
    rival: str
    ok: bool


def at_most(what: str, measured: float, bar: float, pattern: str = "{:.3g}", rival: str = "") -> Row:
    """Row of a figure that may not be above its bar; ``pattern`` formats both."""
    return Row(what, "<= " + pattern.format(bar), pattern.format(measured), rival, bool(measured <= bar))


def at_least(what: str, measured: float, bar: float, pattern: str = "{:.3g}", rival: str = "") -> Row:
    """Row of a figure that may not be below its bar."""
    return Row(what, ">= " + pattern.format(bar), pattern.format(measured), rival, bool(measured >= bar))


def table(rows: Sequence[Row]) -> str:
    """All rows below their heads, columns aligned."""
    cells = [HEADS, *((row.what, row.bar, row.measured, row.rival, "yes" if row.ok else "NO") for row in rows)]
    widths = [max(len(line[column]) for line in cells) for column in range(len(HEADS))]
    lines = [" | ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)) for line in cells]
    return "\n".join([lines[0], "-|-".join("-" * width for width in widths), *lines[1:]])
