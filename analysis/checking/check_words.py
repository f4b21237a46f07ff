"""A check in words, as a table, and as a document for other programs."""

from __future__ import annotations

from typing import Any

from stillbox.analysis.checking.result import CheckReport, Item
from stillbox.analysis.maths.number_words import short_number
from stillbox.analysis.maths.table import Table
from stillbox.analysis.topic import Said


def said_of_check(report: CheckReport, everything: bool) -> Said:
    """The sentence, suspects, items, what was not checked."""
    yield report.sentence
    yield f"{report.build}, state {report.take.state or '-'}, unit {report.take.unit}, take {report.take.number}"
    for suspect in report.suspects:
        yield f"  {100 * suspect.probability:.0f} %: {suspect.words}"
        for words in suspect.evidence:
            yield f"    - {words}"
        if suspect.remedy:
            yield f"    - {suspect.remedy}"
    yield items_table(report)
    shown = report.items if everything else [item for item in report.items if item.verdict != "good"]
    for item in shown:
        yield f"{item.name}: limit from {item.limit_from}" + (f"; {item.remedy}" if item.remedy else "")
    yield "not checked:"
    for words in report.not_checked:
        yield f"  - {words}"


def items_table(report: CheckReport) -> Table:
    """Each item with value, expectation and limits."""
    heads = ("item", "verdict", "measured", "expected", "from", "to", "unit")
    return Table(heads, tuple(_row(item) for item in report.items))


def _row(item: Item) -> tuple[str, ...]:
    numbers = (item.measured, item.expected, item.low, item.high)
    return (item.name, item.verdict, *("" if one is None else short_number(one, 3) for one in numbers), item.value_unit)


def check_document(report: CheckReport) -> dict[str, Any]:
    """For other programs."""
    return {
        "build": report.build,
        "state": report.take.state,
        "unit": report.take.unit,
        "take": report.take.number,
        "against": report.against,
        "verdict": report.verdict,
        "sentence": report.sentence,
        "items": [
            {
                "name": item.name,
                "verdict": item.verdict,
                "measured": item.measured,
                "expected": item.expected,
                "low": item.low,
                "high": item.high,
                "value_unit": item.value_unit,
                "limit_from": item.limit_from,
                "remedy": item.remedy,
            }
            for item in report.items
        ],
        "suspects": [
            {
                "fault": one.kind,
                "part": one.part,
                "part_fault": one.part_fault,
                "value": one.value,
                "probability": one.probability,
                "evidence": list(one.evidence),
            }
            for one in report.suspects
        ],
        "not_checked": list(report.not_checked),
        "warnings": list(report.warnings),
    }
