"""What changed between two states, as a table."""

from __future__ import annotations

from collections.abc import Sequence

from stillbox.analysis.impedance.findings import Finding
from stillbox.analysis.maths.number_words import short_number
from stillbox.analysis.maths.quantity import value_text
from stillbox.analysis.maths.table import Table
from stillbox.analysis.ringing.comparison import Change, Comparison
from stillbox.analysis.ringing.result_words import (
    NONE,
    told_text,
)


def changes_table(comparison: Comparison, changes: Sequence[Change] | None = None) -> Table:
    """One row a resonance of either state: of all changes by frequency, or of some of them in the order given."""
    heads = ("frequency, Hz", "before, ohm", "after, ohm", "verdict", "told", "seen from, ohm", "cause")
    rows = []
    for change in comparison.changes if changes is None else changes:
        named = change.before or change.after
        rows.append(
            (
                f"{change.frequency_hz:.4g}",
                height_text(change.before),
                height_text(change.after),
                change.verdict_words,
                told_text(change.significance),
                limit_text(change),
                NONE if named is None else named.cause,
            )
        )
    return Table(heads, tuple(rows))


def limit_text(change: Change) -> str:
    """What could be seen where a resonance is missing; beside one that is seen it would say nothing."""
    if change.before is not None and change.after is not None:
        return NONE
    return short_number(change.detection_limit_ohm)


def height_text(finding: Finding | None) -> str:
    """With its uncertainty; a dash where there is none."""
    if finding is None:
        return NONE
    return value_text(finding.resonance.height_ohm, finding.height_std_ohm)
