"""How commands speak: lines, tables and JSON on stdout, progress and faults on stderr."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import typer

from stillbox.capture.shown_text import in_one_line, visible

if TYPE_CHECKING:
    from stillbox.analysis.maths.table import Table


def say(text: str) -> None:
    """One line on stdout; what a terminal would obey, line ends too, becomes visible (so names cannot forge lines)."""
    typer.echo(visible(text))


def say_lines(text: str) -> None:
    """A text of our own that has several lines."""
    for line in text.split("\n"):
        say(line)


def show(item: str | Table) -> None:
    """A line or a table on stdout."""
    if isinstance(item, str):
        say(item)
    else:
        print_table(item.heads, item.rows)


def progress(text: str) -> None:
    """What is being done, on stderr so that results can be piped."""
    typer.echo(f"... {visible(text)}", err=True)


def warn(text: str) -> None:
    """One line on stderr."""
    typer.echo(f"stillbox: {visible(in_one_line(text))}", err=True)


def warn_of(warnings: Iterable[str]) -> None:
    """Warnings, a line each; those that are alike but for their places are one."""
    from stillbox.analysis.maths.like_sentences import said_once

    for warning in said_once(warnings):
        warn(warning)


def confirm(question: str) -> bool:
    """Yes or no of the person at the terminal."""
    return bool(typer.confirm(visible(question)))


def ask(question: str) -> str:
    """An answer of the person at the terminal; empty where they only press Enter."""
    return str(typer.prompt(visible(question), default="", show_default=False))


def print_json(document: dict[str, Any]) -> None:
    """A document for other programs on stdout; what is no number in JSON is an error."""
    typer.echo(json.dumps(document, indent=2, allow_nan=False))


def print_table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """A plain table; the last column holds free text and is wrapped on a terminal."""
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table
    from rich.text import Text

    table = Table(*map(escape, heads), box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for row in rows:
        table.add_row(*(Text(visible(cell)) for cell in row))
    width = None if sys.stdout.isatty() else 1000
    Console(width=width, highlight=False).print(table)
