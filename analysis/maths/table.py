"""A table of text: what terminal, window and report show alike."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Table:
    """Heads and rows of text."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
