"""One self-contained HTML report of a build: pictures, findings, comparison, driver and box, calibration, cautions.

A pure function of plain data: `render_report` takes what it prints and nothing else. The page holds its pictures
within itself, asks nothing of the network and is made for screen and paper.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from stillbox.analysis.decay.ridges import Ridge
from stillbox.analysis.drawing.cause_signs import CAUSE_SIGNS
from stillbox.analysis.impedance.detection import typical_limit
from stillbox.analysis.impedance.findings import Cause, Finding, FindingsReport
from stillbox.analysis.maths.like_sentences import said_once
from stillbox.analysis.maths.number_words import short_number
from stillbox.analysis.maths.quantity import value_text
from stillbox.analysis.maths.table import Table
from stillbox.analysis.page.tables import limit_text
from stillbox.analysis.ringing.result_words import (
    RINGING_MEANING,
    TOLD_MEANING,
    named_warnings,
    ringing_text,
    sure_text,
    told_text,
)
from stillbox.analysis.ringing.ringing import FIRST, in_order
from stillbox.analysis.ringing.summary import (
    first_changes,
    order_of_changes,
    summary_of_comparison,
    summary_of_findings,
)
from stillbox.capture.files.output_file import PAGE, write_output
from stillbox.capture.shown_text import visible

if TYPE_CHECKING:
    from stillbox.analysis.ringing.comparison import Change, Comparison

Fact = tuple[str, str]
"""A label and its value, in words."""

_TEMPLATES = Path(__file__).parent / "templates"
_MEDIA_TYPES = {"svg": "image/svg+xml", "png": "image/png"}
_NONE = "–"
_ITEM = "  - "


@dataclass(frozen=True)
class ReportPicture:
    """A picture with its caption; ``content`` is the whole SVG or PNG file."""

    caption: str
    content: bytes
    kind: Literal["svg", "png"] = "svg"


@dataclass(frozen=True)
class ReportState:
    """One state: its findings, and how it was measured.

    ``ridges`` belong to the findings in their order, or are empty where no decay was computed; ``decay_notes`` say
    where its band ends and why.
    """

    name: str
    take: str
    findings: FindingsReport
    facts: tuple[Fact, ...] = ()
    ridges: tuple[Ridge, ...] = ()
    decay_notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class ReportPart:
    """A part of a section: a table with sentences and a picture below it; without a title it stands alone.

    A sentence that begins with two blanks and a dash is an item of a list under the one before.
    """

    title: str
    table: Table | None = None
    sentences: tuple[str, ...] = ()
    picture: ReportPicture | None = None


@dataclass(frozen=True)
class DriverAndBox:
    """Driver, box and bass: their parts, and what is to be noted of them."""

    parts: tuple[ReportPart, ...]
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Report:
    """All that the page says; without ``driver_and_box`` that section is left out.

    ``cost`` is what the work between two states cost in bass, for the sentence on top.
    """

    build: str
    unit: str
    written: str
    program: str
    states: tuple[ReportState, ...]
    measurement: tuple[Fact, ...] = ()
    calibration: tuple[str, ...] = ()
    pictures: tuple[ReportPicture, ...] = ()
    comparison: Comparison | None = None
    tuning: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    driver_and_box: DriverAndBox | None = None
    cost: str = ""


def render_report(report: Report) -> str:
    """The page as HTML text; everything from outside is escaped."""
    return (
        _environment()
        .get_template("report.html.j2")
        .render(
            report=report,
            signs=CAUSE_SIGNS,
            summary=summary_sentences(report),
            pictures=[_picture_row(picture) for picture in report.pictures],
            states=[_state_rows(state) for state in report.states],
            comparison_warnings=_comparison_warnings(report),
            warnings=_other_warnings(report),
            parts=[] if report.driver_and_box is None else [_part_rows(part) for part in report.driver_and_box.parts],
            part_warnings=_part_warnings(report),
            changes=_change_rows(report),
            told=TOLD_MEANING,
            ringing=RINGING_MEANING,
        )
    )


def write_report(path: Path, report: Report) -> None:
    """Write the page.

    Raises
    ------
    StillboxError
        The file cannot or may not be written (see `capture.files.output_file`).
    """
    write_output(Path(path), PAGE, render_report(report))


def summary_sentences(report: Report) -> tuple[str, ...]:
    """The sentence with which findings and comparison open, too; two states that are not compared have one each."""
    if report.comparison is not None and len(report.states) == 2:
        before, after = (state.findings for state in report.states)
        return (summary_of_comparison(report.comparison, before, after, report.cost),)
    several = len(report.states) > 1
    return tuple(
        f"{state.name}: {summary_of_findings(state.findings)}" if several else summary_of_findings(state.findings)
        for state in report.states
    )


def _shown(value: Any) -> Any:
    """What a page prints: names as they are, but for letters that are none. What is HTML already stays."""
    return visible(value, "\n") if type(value) is str else value


@cache
def _environment() -> Environment:
    return Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _comparison_warnings(report: Report) -> list[str]:
    """Those of the comparison that no state says for itself."""
    if report.comparison is None:
        return []
    said = named_warnings([state.name for state in report.states], [state.findings.warnings for state in report.states])
    return said_once(warning for warning in report.comparison.warnings if warning not in said)


def _other_warnings(report: Report) -> list[str]:
    """Those that the comparison does not hold already."""
    said = () if report.comparison is None else report.comparison.warnings
    return said_once(warning for warning in report.warnings if warning not in said)


def _part_warnings(report: Report) -> list[str]:
    """Those of driver and box that no state says for itself."""
    if report.driver_and_box is None:
        return []
    said = {warning for state in report.states for warning in state.findings.warnings}
    return said_once(warning for warning in report.driver_and_box.warnings if warning not in said)


def _part_rows(part: ReportPart) -> dict[str, Any]:
    return {
        "title": part.title,
        "table": part.table,
        "sentences": _gathered(part.sentences),
        "picture": None if part.picture is None else _picture_row(part.picture),
    }


def _gathered(sentences: Sequence[str]) -> list[tuple[str, list[str]]]:
    """Sentences, each with the items that follow it."""
    found: list[tuple[str, list[str]]] = []
    for sentence in sentences:
        if sentence.startswith(_ITEM) and found:
            found[-1][1].append(sentence.removeprefix(_ITEM))
        else:
            found.append((sentence.strip(), []))
    return found


def _picture_row(picture: ReportPicture) -> dict[str, str]:
    encoded = base64.b64encode(picture.content).decode("ascii")
    return {"caption": picture.caption, "source": f"data:{_MEDIA_TYPES[picture.kind]};base64,{encoded}"}


def _state_rows(state: ReportState) -> dict[str, Any]:
    ridges: tuple[Ridge | None, ...] = state.ridges or (None,) * len(state.findings.findings)
    limit = state.findings.detection_limit
    ridge_of = {id(finding): ridge for finding, ridge in zip(state.findings.findings, ridges, strict=True)}
    rows = [
        _finding_row(
            finding, ridge_of[id(finding)], typical_limit(limit, finding.resonance.frequency_hz, finding.resonance.q)
        )
        | {"rings": ringing_text(seconds)}
        for finding, seconds in in_order(state.findings)
    ]
    return {
        "name": state.name,
        "take": state.take,
        "facts": state.facts,
        "decay_notes": state.decay_notes,
        "warnings": said_once(state.findings.warnings),
        "limit": f"as sharp there, seen with a probability of 95 %, false-alarm rate {limit.false_alarm_rate:.2g}",
        "first": rows[:FIRST],
        "rest": rows[FIRST:],
    }


def _finding_row(finding: Finding, ridge: Ridge | None, limit_ohm: float) -> dict[str, Any]:
    resonance = finding.resonance
    return {
        "place": f"{resonance.frequency_hz:.4g}",
        "frequency": value_text(resonance.frequency_hz, finding.frequency_std_hz),
        "q": value_text(resonance.q, finding.q_std),
        "height": value_text(resonance.height_ohm, finding.height_std_ohm),
        "limit": short_number(limit_ohm),
        "cause": finding.cause,
        "confidence": sure_text(finding),
        "decay": _decay_text(ridge),
        "decay_reason": "" if ridge is None else ridge.reason,
        "evidence": finding.evidence,
        "advice": finding.advice,
    }


def _decay_text(ridge: Ridge | None) -> str:
    if ridge is None or ridge.decay_time_s is None or ridge.decay_time_std_s is None:
        return _NONE
    return value_text(1e3 * ridge.decay_time_s, 1e3 * ridge.decay_time_std_s)


def _change_rows(report: Report) -> list[dict[str, Any]]:
    """What matters first; the others are marked as folded."""
    if report.comparison is None:
        return []
    changes: Sequence[Change] = report.comparison.changes
    if len(report.states) == 2:
        changes = order_of_changes(changes, *(state.findings for state in report.states))
    first = first_changes(changes)
    rest = [change for change in changes if change not in first]
    return [{**_change_row(change), "folded": place >= len(first)} for place, change in enumerate([*first, *rest])]


def _change_row(change: Change) -> dict[str, str]:
    named = change.before or change.after
    cause: Cause = "undecided" if named is None else named.cause
    return {
        "frequency": f"{change.frequency_hz:.4g}",
        "cause": cause,
        "before": _height_text(change.before),
        "after": _height_text(change.after),
        "verdict": change.verdict_words,
        "told": told_text(change.significance),
        "limit": limit_text(change),
    }


def _height_text(finding: Finding | None) -> str:
    if finding is None:
        return _NONE
    return value_text(finding.resonance.height_ohm, finding.height_std_ohm)
