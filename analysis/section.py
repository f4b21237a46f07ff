"""A section of the report as plain data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from stillbox.analysis.maths.table import Table

Fact = tuple[str, str]
"""A label and its value, in words."""


@dataclass(frozen=True)
class ReportPicture:
    """A picture with its caption; ``content`` is the whole file: SVG or PNG of a drawing, JPEG of a photograph."""

    caption: str
    content: bytes
    kind: Literal["svg", "png", "jpeg"] = "svg"


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
class Section:
    """What the report says of a topic.

    Attributes
    ----------
    title : str
    parts : tuple of ReportPart
    warnings : tuple of str
        Shown below; what an earlier section has said is left out.
    kind : str
        The macro of the page that shows ``content`` before the parts; empty where there are parts only.
    content : mapping
        Plain data for that macro.
    """

    title: str
    parts: tuple[ReportPart, ...] = ()
    warnings: tuple[str, ...] = ()
    kind: str = ""
    content: Mapping[str, Any] = field(default_factory=dict)
