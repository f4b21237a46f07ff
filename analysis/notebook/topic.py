"""The notebook: told, written, put into the report."""

from __future__ import annotations

from stillbox.analysis.bench import Bench
from stillbox.analysis.controls import Asked
from stillbox.analysis.notebook.notebook_controls import NUMBERS
from stillbox.analysis.notebook.notebook_document import notebook_document
from stillbox.analysis.notebook.notebook_report import NotebookReport, notebook_report
from stillbox.analysis.notebook.notebook_section import notebook_sections
from stillbox.analysis.notebook.notebook_words import (
    effects_table,
    entry_lines,
    expense_words,
    opening,
    step_head,
    step_lines,
)
from stillbox.analysis.topic import Said, Topic


def _log(bench: Bench, asked: Asked) -> NotebookReport:
    """With what each step did, unless ``short``."""
    return notebook_report(bench, with_steps=not asked.get("short"))


def _said(report: NotebookReport, everything: bool) -> Said:
    yield opening(report)
    yield from entry_lines(report)
    titled = [*(("", step) for step in report.steps or ()), *(("the sum, ", step) for step in report.sums)]
    for title, step in titled:
        yield ""
        yield f"{title}{step_head(step)}"
        table = effects_table(step, everything)
        if table is not None:
            yield table
        yield from step_lines(step, everything)
    spent = expense_words(report.expense)
    if spent:
        yield ""
        yield f"all entries together: {spent}"
    yield from report.questions


NOTEBOOK = Topic(
    name="log",
    title="Work",
    needs="entries in the notebook, and takes of in-box before and after the work",
    compute=_log,
    said=_said,
    warnings=lambda report: report.warnings,
    document=notebook_document,
    controls=NUMBERS,
    sections=notebook_sections,
)
