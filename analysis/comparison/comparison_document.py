"""What changed between two states, for other programs."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from stillbox.analysis.crossover.revision import Revision
from stillbox.analysis.findings.findings_document import finding_document
from stillbox.analysis.ringing.comparison import Change, Comparison


def _change_document(change: Change) -> dict[str, Any]:
    return {
        "frequency_hz": float(change.frequency_hz),
        "before": None if change.before is None else finding_document(change.before),
        "after": None if change.after is None else finding_document(change.after),
        "verdict": change.verdict,
        "significance": float(change.significance),
        "detection_limit_ohm": float(change.detection_limit_ohm),
    }


def comparison_document(
    comparison: Comparison, summary: str = "", revision: Revision | None = None, wrong: str = ""
) -> dict[str, Any]:
    """The changes between two states as plain data, as ``compare --json`` prints it, under the sentence on them.

    ``wrong`` says which part of a crossover is not as planned; empty where all are.
    """
    return {
        "summary": summary,
        "before": comparison.before,
        "after": comparison.after,
        "unit": comparison.unit,
        "of": comparison.of,
        "changes": [_change_document(change) for change in comparison.changes],
        "room": [_change_document(change) for change in comparison.room],
        "air": None if comparison.air is None else asdict(comparison.air),
        "tuning": [
            {
                "name": shift.name,
                "before_hz": shift.before_hz,
                "after_hz": shift.after_hz,
                "shift_hz": shift.shift_hz,
                "std_hz": shift.std_hz,
                "by_air_hz": shift.by_air_hz,
                "told": shift.is_told,
                "disturbed": shift.disturbed,
            }
            for shift in comparison.tuning_shifts
        ],
        "network": None if revision is None else revision.document(),
        "warnings": [*filter(None, (wrong,)), *comparison.warnings],
    }
