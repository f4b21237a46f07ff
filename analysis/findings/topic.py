"""What rings in the box, and why."""

from __future__ import annotations

from collections.abc import Sequence

from stillbox.analysis.bench import Bench
from stillbox.analysis.findings.findings_document import findings_document
from stillbox.analysis.findings.findings_section import findings_section, names_of, state_findings
from stillbox.analysis.findings.findings_words import finding_text, findings_table, motional_text, terminals_text
from stillbox.analysis.impedance.findings import FindingsReport
from stillbox.analysis.ringing.result_words import (
    RINGING_MEANING,
)
from stillbox.analysis.ringing.ringing import FIRST, in_order
from stillbox.analysis.ringing.summary import (
    summary_of_findings,
)
from stillbox.analysis.section import Section
from stillbox.analysis.topic import Said, Topic
from stillbox.capture.recording.take import TakeInfo


def _said(report: FindingsReport, everything: bool) -> Said:
    yield summary_of_findings(report)
    yield ""
    yield f"{report.build}, state {report.state or '-'}, unit {report.unit}: {motional_text(report)}"
    of_network = terminals_text(report)
    if of_network:
        yield of_network
    if not report.findings:
        return
    first = None if everything else FIRST
    yield findings_table(report, first)
    folded = len(report.findings) - FIRST
    if folded > 0 and not everything:
        yield f"and {folded} smaller: --all"
    yield RINGING_MEANING
    for finding, _ in in_order(report)[:first]:
        yield ""
        yield from finding_text(finding)
    for finding in report.at_terminals if everything else ():
        yield ""
        yield from finding_text(finding)


def _sections(bench: Bench, takes: Sequence[TakeInfo]) -> list[Section]:
    names = names_of(takes)
    return [findings_section(state_findings(bench, take, name)) for take, name in zip(takes, names, strict=True)]


FINDINGS = Topic(
    name="findings",
    title="Findings",
    needs="a take of in-box; one of free-air beside it makes the causes surer",
    compute=lambda bench, asked: bench.findings(asked.get("state"), asked.get("unit")),
    said=_said,
    warnings=lambda report: report.warnings,
    document=findings_document,
    sections=_sections,
)
