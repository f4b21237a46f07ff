"""A table of text: what terminal, window and report show alike."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Table:
    """Heads and rows of text."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def text_of_lines(head: str, rows: Iterable[str]) -> str:
    """A file of lines."""
    return "\n".join([head, *rows]) + "\n"
