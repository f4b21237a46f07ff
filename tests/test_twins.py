"""No function is written twice: bodies are compared with their variables renamed and their docstrings left out."""

from __future__ import annotations

import ast
from collections import defaultdict
from pathlib import Path

import pytest
from places import ROOT, TOPS

LEAST_NODES = 24
"""Of the syntax tree: what is shorter is alike by chance."""

Function = ast.FunctionDef | ast.AsyncFunctionDef


class Renamed(ast.NodeTransformer):
    """Variables of a function's own in the order in which they come; no types."""

    def __init__(self, function: Function) -> None:
        inside = list(ast.walk(function))
        given = {node.arg for node in inside if isinstance(node, ast.arg)}
        self._own = given | {one.id for one in inside if isinstance(one, ast.Name) and isinstance(one.ctx, ast.Store)}
        self._names: dict[str, str] = {}

    def _other(self, name: str) -> str:
        return self._names.setdefault(name, f"v{len(self._names)}") if name in self._own else name

    def visit_Name(self, node: ast.Name) -> ast.Name:
        return ast.Name(self._other(node.id), node.ctx)

    def visit_arg(self, node: ast.arg) -> ast.arg:
        return ast.arg(self._other(node.arg))

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        return self.generic_visit(ast.Assign([node.target], node.value) if node.value else node)


def body_of(function: Function) -> str:
    """The body as it reads with other names; empty where it is short."""
    body = function.body[1:] if ast.get_docstring(function) is not None else function.body
    if sum(1 for statement in body for _ in ast.walk(statement)) < LEAST_NODES:
        return ""
    renamed = Renamed(function)
    return "\n".join(ast.dump(renamed.visit(statement)) for statement in body)


def twins(trees: dict[str, ast.AST]) -> list[list[str]]:
    """Functions alike, as ``file:name``."""
    found: dict[str, list[str]] = defaultdict(list)
    for path, tree in trees.items():
        for node in ast.walk(tree):
            if isinstance(node, Function):
                found[body_of(node)].append(f"{path}:{node.name}")
    return [alike for body, alike in found.items() if body and len(alike) > 1]


def modules() -> list[Path]:
    return [path for room in TOPS for path in sorted((ROOT / room).rglob("*.py"))]


def test_no_function_is_written_twice() -> None:
    trees = {str(path.relative_to(ROOT)): ast.parse(path.read_text(encoding="utf-8")) for path in modules()}
    assert twins(trees) == []


@pytest.mark.parametrize(("other", "alike"), [("q", True), ("p", True), ("1 - q", False)])
def test_twins_would_be_seen(other: str, alike: bool) -> None:
    name = other[-1]
    first = "def f(x: int) -> int:\n    y: int = g(x) * h(x)\n    return y + sum(z / y for z in k(x, y))"
    second = f'def m({name}):\n    """Other words."""\n    w = g({other}) * h({name})\n'
    second += f"    return w + sum(u / w for u in k({name}, w))"
    assert bool(twins({"a": ast.parse(first), "b": ast.parse(second)})) == alike
