"""One self-contained HTML report of a build: pictures, the sections of all topics, calibration, cautions.

A pure function of plain data: `render_report` takes what it prints and nothing else. The page holds its pictures
within itself, asks nothing of the network and is made for screen and paper.
"""

from __future__ import annotations

import base64
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from stillbox.analysis.drawing.cause_signs import CAUSE_SIGNS
from stillbox.analysis.maths.like_sentences import said_once
from stillbox.analysis.section import Fact, ReportPart, ReportPicture, Section
from stillbox.capture.files.output_file import PAGE, write_output
from stillbox.capture.shown_text import visible

_TEMPLATES = Path(__file__).parent / "templates"
_MEDIA_TYPES = {"svg": "image/svg+xml", "png": "image/png", "jpeg": "image/jpeg"}
_ITEM = "  - "


@dataclass(frozen=True)
class Report:
    """All that the page says: ``summary`` on top, then pictures and sections in their order."""

    build: str
    unit: str
    names: tuple[str, ...]
    written: str
    program: str
    summary: tuple[str, ...] = ()
    sections: tuple[Section, ...] = ()
    measurement: tuple[Fact, ...] = ()
    calibration: tuple[str, ...] = ()
    pictures: tuple[ReportPicture, ...] = ()
    cautions: tuple[str, ...] = ()


def render_report(report: Report) -> str:
    """The page as HTML text; everything from outside is escaped."""
    return (
        _environment()
        .get_template("report.html.j2")
        .render(
            report=report,
            signs=CAUSE_SIGNS,
            pictures=[_picture_row(picture) for picture in report.pictures],
            sections=list(_section_rows(report.sections)),
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


def _section_rows(sections: Sequence[Section]) -> Iterator[dict[str, Any]]:
    """Each section with those of its warnings that none before it has said."""
    said: set[str] = set()
    for section in sections:
        yield {
            "title": section.title,
            "kind": section.kind,
            "content": section.content,
            "parts": [_part_rows(part) for part in section.parts],
            "warnings": said_once(warning for warning in section.warnings if warning not in said),
        }
        said |= set(section.warnings)


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
    source = f"data:{_MEDIA_TYPES[picture.kind]};base64,{encoded}"
    return {"caption": picture.caption, "source": source, "shown": "photo" if picture.kind == "jpeg" else "drawn"}
