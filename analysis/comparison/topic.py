"""What changed between two states."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from stillbox.analysis.bench import Bench
from stillbox.analysis.comparison.comparison_document import comparison_document
from stillbox.analysis.comparison.comparison_pictures import pictured
from stillbox.analysis.comparison.comparison_section import comparison_section, tuning_section
from stillbox.analysis.comparison.comparison_words import changes_table
from stillbox.analysis.comparison.opening import opening_of
from stillbox.analysis.controls import Asked
from stillbox.analysis.crossover.built import as_built, crossover_told
from stillbox.analysis.crossover.revision import Revision, revision_of
from stillbox.analysis.drawing.panels import PictureDescription
from stillbox.analysis.drawing.pictures import PicturedState, picture_of_difference, picture_overlay
from stillbox.analysis.ringing.comparison import Comparison
from stillbox.analysis.ringing.result_words import (
    TOLD_MEANING,
)
from stillbox.analysis.ringing.summary import (
    first_changes,
    order_of_changes,
)
from stillbox.analysis.section import ReportPart, Section
from stillbox.analysis.topic import Said, Topic, TopicPicture
from stillbox.capture.recording.take import TakeInfo


@dataclass(frozen=True)
class ComparisonReport:
    """Two takes compared, the earlier first, with the sentence on top."""

    bench: Bench
    takes: tuple[TakeInfo, TakeInfo]
    comparison: Comparison
    opening: str
    revision: Revision | None = None
    crossover: str = ""
    """Which part of it is not as planned; empty where all are."""


def _compare(bench: Bench, asked: Asked) -> ComparisonReport:
    """The states ``before`` and ``after`` of a ``unit``."""
    takes = bench.compared(asked["before"], asked["after"], asked.get("unit"))
    bench = as_built(bench, takes)
    comparison = bench.comparison_of(*takes)
    opening = opening_of(bench, takes)
    told = revision_of(bench, takes, comparison), crossover_told(bench, *takes)
    return ComparisonReport(bench, takes, comparison, opening, *told)


def _said(report: ComparisonReport, everything: bool) -> Said:
    result = report.comparison
    yield report.opening
    yield ""
    of_one_unit = report.takes[0].unit == report.takes[1].unit
    yield f"{result.before} -> {result.after}" + (f", unit {result.unit}" if of_one_unit else "")
    if result.changes:
        ordered = order_of_changes(result.changes, *map(report.bench.findings_of, report.takes))
        shown = ordered if everything else first_changes(ordered)
        yield changes_table(result, shown)
        if len(shown) < len(ordered):
            yield f"and {len(ordered) - len(shown)} smaller: --all"
        yield (
            f"{TOLD_MEANING}, and from a tenth of the height or a hundredth of the frequency. seen from: the smallest "
            "that could have been seen where it is missing"
        )
    else:
        yield "no resonance in either state"
    yield from (*result.tuning, *result.room_words)
    if report.revision is not None:
        yield from report.revision.sentences


def _drawn(report: ComparisonReport) -> tuple[str, PicturedState, PicturedState]:
    first, second = (pictured(report.bench, take, decay=False) for take in report.takes)
    named = f"{report.comparison.before} and {report.comparison.after}"
    return f"{report.bench.name}: {named}", first, second


def _overlay(report: ComparisonReport) -> PictureDescription:
    return picture_overlay(*_drawn(report), report.comparison)


def _difference(report: ComparisonReport) -> PictureDescription:
    return picture_of_difference(*_drawn(report), report.comparison)


def _sections(bench: Bench, takes: Sequence[TakeInfo]) -> list[Section]:
    """Of two takes."""
    if len(takes) != 2:
        return []
    bench = as_built(bench, takes)
    result = bench.comparison_of(*takes)
    sections = [comparison_section(result, [bench.findings_of(take) for take in takes])]
    revision = revision_of(bench, takes, result)
    if revision is not None:
        sections.append(Section("Crossover", (ReportPart("", None, revision.sentences),)))
    return [*sections, tuning_section(result)] if result.tuning or result.room_words else sections


COMPARISON = Topic(
    name="compare",
    title="Comparison",
    needs="takes of in-box of two states",
    compute=_compare,
    said=_said,
    warnings=lambda report: report.comparison.warnings,
    document=lambda report: comparison_document(
        report.comparison, report.opening, report.revision, report.crossover
    ),
    pictures=(
        TopicPicture("--plot", "Picture of both states", _overlay),
        TopicPicture("--difference", "Picture of the difference", _difference),
    ),
    sections=_sections,
)
