"""No number of the cause model stands bare in an expression, and none is without its reason."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest
from places import ROOT

MODULES = sorted((ROOT / "analysis" / "ringing").glob("*.py"))
PLAIN = {0, 0.5, 1, 2, 3, 4, 10, 20}
"""Of formulas: halves, squares, roots, dimensions, decibels."""
UNITS = {100, 1e3, 1e-3, 1e-9}
"""Percent, milli and kilo, cubic millimetres."""


def bare_numbers(source: str) -> Iterator[tuple[int, float]]:
    """Line and value of numbers in functions and classes that are neither plain nor a unit's; defaults count too."""
    for top in ast.parse(source).body:
        if not isinstance(top, (ast.FunctionDef, ast.ClassDef)):
            continue
        for node in ast.walk(top):
            number = isinstance(node, ast.Constant) and isinstance(node.value, (int, float))
            if number and node.value not in PLAIN | UNITS:
                yield node.lineno, node.value


def numbers_without_a_reason(source: str) -> Iterator[str]:
    """Names of constants made of numbers with no words: below their group, or in a comment above it."""
    lines = source.splitlines()
    group: list[str] = []
    told = False
    for node in [*ast.parse(source).body, None]:
        words = (
            isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str)
        )
        if words:
            group, told = [], False
            continue
        if node is None or not lines[node.lineno - 2].strip() or lines[node.lineno - 2].startswith("#"):
            yield from [] if told else group
            group = []
            told = node is not None and lines[node.lineno - 2].startswith("#")
        if isinstance(node, (ast.Assign, ast.AnnAssign)) and node.value is not None:
            parts = list(ast.walk(node.value))
            numbers = any(isinstance(part, ast.Constant) and isinstance(part.value, (int, float)) for part in parts)
            if numbers and not any(isinstance(part, ast.JoinedStr) for part in parts):
                group.append(ast.unparse(node.targets[0] if isinstance(node, ast.Assign) else node.target))


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_every_number_has_a_name(path: Path) -> None:
    assert list(bare_numbers(path.read_text(encoding="utf-8"))) == []


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_every_number_has_a_reason(path: Path) -> None:
    assert list(numbers_without_a_reason(path.read_text(encoding="utf-8"))) == []


def test_a_bare_number_would_be_seen() -> None:
    assert list(bare_numbers("def f(x, y=0.7):\n    return 0.5 * x + 0.05\n")) == [(1, 0.7), (2, 0.05)]
    assert list(bare_numbers("A = 0.7\n\n\ndef f(x):\n    return A * x**2 / 10\n")) == []


def test_a_number_without_a_reason_would_be_seen() -> None:
    assert list(numbers_without_a_reason('A = 0.7\nB = (1, 2)\n"""Why."""\nC = 5\n\nD = f(3)\n')) == ["C", "D"]
    assert list(numbers_without_a_reason("# Why.\nA = 0.7\nB = 2\n\n\nC = 'words'\nD: int = 1\n")) == ["D"]
