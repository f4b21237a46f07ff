"""How commands speak: lines, tables and JSON on stdout, progress and faults on stderr."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from analysis.tables import Table


def say(text: str) -> None:
    typer.echo(text)


def show(item: str | Table) -> None:
    if isinstance(item, str):
        say(item)
    else:
        print_table(item.heads, item.rows)


def progress(text: str) -> None:
    """What is being done, on stderr so that results can be piped."""
    typer.echo(f"... {text}", err=True)


def warn(text: str) -> None:
    typer.echo(f"stillbox: {' '.join(text.split())}", err=True)


def print_json(document: dict[str, Any]) -> None:
    typer.echo(json.dumps(document, indent=2, allow_nan=False))


def print_table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """A plain table; the last column holds free text and is wrapped on a terminal."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(*heads, box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for row in rows:
        table.add_row(*map(Text, row))
    width = None if sys.stdout.isatty() else 1000
    Console(width=width, highlight=False).print(table)
