"""What the report says of the changes between two states."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from stillbox.analysis.comparison.comparison_words import height_text, limit_text
from stillbox.analysis.impedance.findings import Cause, FindingsReport
from stillbox.analysis.ringing.comparison import Change, Comparison
from stillbox.analysis.ringing.result_words import (
    TOLD_MEANING,
    named_warnings,
    told_text,
)
from stillbox.analysis.ringing.summary import (
    first_changes,
    order_of_changes,
)
from stillbox.analysis.section import ReportPart, Section


def comparison_section(comparison: Comparison, states: Sequence[FindingsReport]) -> Section:
    """What matters first, the rest folded; warnings that no state says for itself."""
    rows = _rows(comparison, states)
    named = named_warnings([comparison.before, comparison.after], [state.warnings for state in states])
    return Section(
        f"What changed from {comparison.before} to {comparison.after}",
        warnings=tuple(warning for warning in comparison.warnings if warning not in named),
        kind="changes",
        content={
            "names": (comparison.before, comparison.after),
            "first": [row for row in rows if not row["folded"]],
            "rest": [row for row in rows if row["folded"]],
            "told": TOLD_MEANING,
        },
    )


def tuning_section(comparison: Comparison) -> Section:
    """How tuning and room changed; empty where nothing is to be said."""
    return Section("Tuning", (ReportPart("", None, (*comparison.tuning, *comparison.room_words)),))


def _rows(comparison: Comparison, states: Sequence[FindingsReport]) -> list[dict[str, Any]]:
    changes = order_of_changes(comparison.changes, *states) if len(states) == 2 else comparison.changes
    first = first_changes(changes)
    rest = [change for change in changes if change not in first]
    return [{**_row(change), "folded": place >= len(first)} for place, change in enumerate([*first, *rest])]


def _row(change: Change) -> dict[str, str]:
    named = change.before or change.after
    cause: Cause = "undecided" if named is None else named.cause
    return {
        "frequency": f"{change.frequency_hz:.4g}",
        "cause": cause,
        "before": height_text(change.before),
        "after": height_text(change.after),
        "verdict": change.verdict_words,
        "told": told_text(change.significance),
        "limit": limit_text(change),
    }
