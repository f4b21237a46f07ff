"""The check right after assembly: told, and as a document."""

from __future__ import annotations

from stillbox.analysis.bench import Bench
from stillbox.analysis.checking.check import check_report
from stillbox.analysis.checking.check_words import check_document, said_of_check
from stillbox.analysis.checking.result import CheckReport
from stillbox.analysis.controls import Asked
from stillbox.analysis.topic import Topic


def _check(bench: Bench, asked: Asked) -> CheckReport:
    """Of a ``state`` and ``unit``, ``against`` a reference."""
    return check_report(bench, asked.get("state"), asked.get("unit"), asked.get("against"))


CHECK = Topic(
    name="check",
    title="Check",
    needs="a take of in-box; to be set against, one of the other unit, of an earlier state, or a netlist",
    compute=_check,
    said=said_of_check,
    warnings=lambda report: report.warnings,
    document=check_document,
)
