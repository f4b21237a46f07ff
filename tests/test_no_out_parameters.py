"""A function gives back what it finds: it fills no list, dict, set or array that somebody has handed to it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest
from places import ROOT, TOPS

FILLED_FOR_A_REASON = {
    "capture/sound/audio_device.py:fill(out)": "the device plays from its own memory, and nothing is allocated there",
    "capture/sound/sound_worker.py:callback(out)": "the same",
    "capture/sound/block_ring.py:_mend(block)": "a block of the ring, mended where it lies while sound runs",
    "analysis/network/nodal.py:circuit_of_arrays(scratch)": "memory kept for thousands of draws; only a caller has it",
    "analysis/network/branches.py:admittance(out)": "the same, as in the functions of NumPy: it gives it back",
    "analysis/maths/rational.py:without_imitated(real)": "columns made for it, in the innermost loop of all fits",
    "gui/bench/device_choice.py:__init__(panel)": "a widget: its entries are cleared",
    "gui/menus.py:fill_menu(menu)": "a widget: its entries are cleared",
}
FILLING = {"append", "appendleft", "extend", "insert", "add", "update", "setdefault", "pop", "popitem", "remove",
           "discard", "clear", "sort", "reverse"}  # fmt: skip
"""Methods that change what they belong to."""
HOLDERS = ("list", "dict", "set", "Array", "deque", "Counter", "Mutable")
"""Of types: ``x += ...`` changes these in place."""

Function = ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda


def parameters(function: Function) -> dict[str, str]:
    """Names and types."""
    given = function.args
    every = [*given.posonlyargs, *given.args, *given.kwonlyargs]
    every += [one for one in (given.vararg, given.kwarg) if one is not None]
    typed = {one.arg: ast.unparse(one.annotation) if one.annotation else "" for one in every}
    return {name: kind for name, kind in typed.items() if name not in ("self", "cls")}


def changed(node: ast.AST) -> ast.expr | None:
    """What a statement or a call changes in place."""
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in FILLING:
        return node.func.value
    if isinstance(node, ast.keyword) and node.arg == "out":
        return node.value
    if isinstance(node, ast.Subscript) and not isinstance(node.ctx, ast.Load):
        return node.value
    return node.target if isinstance(node, ast.AugAssign) else None


def root_of(place: ast.expr) -> str:
    """The variable that a place hangs on: ``a`` of ``a.b[c]``."""
    while isinstance(place, ast.Attribute | ast.Subscript):
        place = place.value
    return place.id if isinstance(place, ast.Name) else ""


def own_since(inside: list[ast.AST]) -> dict[str, int]:
    """From which line on a name is bound to something of the function's own; ``found or []`` may be what was handed."""
    found: dict[str, int] = {}
    for node in inside:
        if isinstance(node, ast.Assign) and not isinstance(node.value, ast.BoolOp | ast.IfExp):
            for name in (one for target in node.targets for one in ast.walk(target)):
                if isinstance(name, ast.Name) and isinstance(name.ctx, ast.Store):
                    found.setdefault(name.id, node.lineno)
    return found


def filled(tree: ast.AST) -> Iterator[str]:
    """Functions that change what was handed to them, as ``name(parameter)``."""
    for function in ast.walk(tree):
        if not isinstance(function, Function):
            continue
        given, inside = parameters(function), list(ast.walk(function))
        own = own_since(inside) if given else {}
        for node in inside if given else ():
            place = changed(node)
            name = "" if place is None else root_of(place)
            if name not in given or own.get(name, 10**9) < getattr(node, "lineno", 0):
                continue
            other = isinstance(node, ast.AugAssign) and isinstance(node.target, ast.Name) and given[name]
            if other and not any(holder in other for holder in HOLDERS):
                continue  # a number or a text: another one takes its name
            yield f"{getattr(function, 'name', 'lambda')}({name})"


def modules() -> list[Path]:
    return [path for room in TOPS for path in sorted((ROOT / room).rglob("*.py"))]


def test_no_function_fills_what_was_handed_to_it() -> None:
    found = {
        f"{path.relative_to(ROOT).as_posix()}:{one}"
        for path in modules()
        for one in filled(ast.parse(path.read_text(encoding="utf-8")))
    }
    assert found == set(FILLED_FOR_A_REASON)


@pytest.mark.parametrize(
    "line",
    ["found.append(1)", "found += [1]", "found[0] = 1", "found.of['a'].add(1)", "del found[0]", "np.exp(x, out=found)"],
)
def test_one_that_does_would_be_seen(line: str) -> None:
    for function in (
        f"def f(x, found: list[int]):\n    {line}",
        f"def f(x, found):\n    def g():\n        {line}",
        f"def f(x, found=None):\n    found = found or []\n    {line}",
    ):
        assert set(filled(ast.parse(function))) == {"f(found)"}


@pytest.mark.parametrize(
    "body", ["found = list(found)\n    found.append(1)", "n += 1", "for n in range(2): pass", "g(found)[0] = 1"]
)
def test_what_is_a_function_s_own_it_may_fill(body: str) -> None:
    assert not set(filled(ast.parse(f"def f(found: list[int], n: int):\n    {body}")))
