"""What the report says of the work: what was heard, each step with its pictures, the sum."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from stillbox.analysis.bench import Bench
from stillbox.analysis.notebook.notebook_report import Step, notebook_report
from stillbox.analysis.notebook.notebook_words import (
    effects_table,
    expense_words,
    made_words,
    said_words,
    step_head,
    step_lines,
)
from stillbox.analysis.section import ReportPart, ReportPicture, Section
from stillbox.capture.build.notebook import Entry
from stillbox.capture.build.notebook_picture import kept_picture
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo
from stillbox.capture.shown_text import as_sentence, in_one_line

LONGEST_PX = 640
"""Of a photograph on the page: its own file lies in the build."""


def notebook_sections(bench: Bench, takes: Sequence[TakeInfo]) -> Sequence[Section]:
    """The work on the units of the takes; nothing where the notebook is empty."""
    notebook, unread = bench.notebook()
    if not notebook.standing and not unread:
        return ()
    report = notebook_report(bench)
    if not report.notebook.standing:
        return (Section("Work", warnings=report.warnings),) if report.warnings else ()
    units = {take.unit for take in takes} | {""}
    parts: list[ReportPart] = [ReportPart("", None, tuple(_heard(report.heard)))] if report.heard else []
    for entry in report.heard:
        parts += _pictures(bench, entry) if not entry.is_work else []
    for step in report.steps or ():
        if step.unit in units and (step.entries or step.effects is not None):
            parts += _step_parts(bench, step)
    parts += [_step_part(f"The sum, {step_head(step)}", step) for step in report.sums if step.unit in units]
    spent = expense_words(report.expense)
    if spent:
        parts.append(ReportPart("", None, (f"All entries together: {spent}.",)))
    return (Section("Work", tuple(parts), report.warnings),)


def _heard(entries: Sequence[Entry]) -> Iterator[str]:
    first, *later = (as_sentence(in_one_line(entry.heard)) for entry in entries)
    yield f"What was heard at first: {first}"
    for words in later:
        yield f"And later: {words}"


def _step_parts(bench: Bench, step: Step) -> Iterator[ReportPart]:
    head = step_head(step)
    yield _step_part(head[:1].upper() + head[1:], step)
    for entry in step.entries:
        yield from _pictures(bench, entry)


def _step_part(title: str, step: Step) -> ReportPart:
    entries = [f"  - {made_words(entry.made)}: {said_words(entry)}" for entry in step.entries]
    done = (["What was done:", *entries]) if entries else []
    return ReportPart(title, effects_table(step, everything=False), (*done, *map(as_sentence, step_lines(step, True))))


def _pictures(bench: Bench, entry: Entry) -> Iterator[ReportPart]:
    for name in entry.pictures:
        caption = in_one_line(entry.text or entry.heard or entry.material) or name
        try:
            content = kept_picture(bench.build.path, name, LONGEST_PX)
        except StillboxError as error:
            yield ReportPart("", None, (f"A picture of entry {entry.number} is missing: {error}",))
        else:
            yield ReportPart("", None, (), ReportPicture(f"Entry {entry.number}: {caption}", content, "jpeg"))
