"""Errors are objects: no code steers by their words, each says what to do, a fault of ours is never the person's."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest
from places import ROOT, TOPS

from stillbox.capture.errors import StillboxError

MODULES = sorted(path for room in TOPS for path in (ROOT / room).rglob("*.py"))

FOR_PYTHON = "nobody but Python code gives such a value, and the range is in the fault"
SAYS_ITSELF = "what is wrong and what is needed are one phrase"
OF_THE_SYSTEM = "the reason is that of the system, and the command can be given again"

WITHOUT_REMEDY = {
    "a decay needs at least 2 slices": FOR_PYTHON,
    "the fall of the decay's window": FOR_PYTHON,
    "the rise of the decay's window": FOR_PYTHON,
    "the record of the decay must be": FOR_PYTHON,
    "the sample rate of the decay must be": FOR_PYTHON,
    "the slices of a decay must start": FOR_PYTHON,
    "the impulse response": FOR_PYTHON,
    "frequencies of the decay must lie": FOR_PYTHON,
    "give either slice_times_s or cycles": FOR_PYTHON,
    "ridges are followed over time": FOR_PYTHON,
    "the spectrum's first frequency": FOR_PYTHON,
    "a picture shows one state or two": FOR_PYTHON,
    "a report is of one state or of two": FOR_PYTHON,
    "QB3 asks for a QT": FOR_PYTHON,
    "the Chebyshev parameter k": FOR_PYTHON,
    "what is to be played holds": FOR_PYTHON,
    "what was to be played goes below": FOR_PYTHON,
    "{} drives something real": FOR_PYTHON,
    "the volume may change by": SAYS_ITSELF,
    "another port can be foretold for": SAYS_ITSELF,
    "Vas, Mms and Bl need": SAYS_ITSELF,
    "{}: the name of {} must end in": SAYS_ITSELF,
    "the response does not cross": "a property of the box, not a mistake",
    "no resonance of the closed box shows": "a property of the box, not a mistake",
    "stopped; nothing of this recording": "the person has asked for it",
    "cannot write {}: {}; nothing was kept": OF_THE_SYSTEM,
    "cannot write to {}: {}; nothing was kept": OF_THE_SYSTEM,
    "cannot move take {} to {}": OF_THE_SYSTEM,
    "{}": "made of reasons that were put in words elsewhere, with what to do where there is something",
}
"""Beginnings of the faults to which there is no remedy, {} for what is filled in, each with its reason."""

WORDS_OF_ERRORS = {"fault", "remedy", "strerror", "message", "sentence", "advice"}
NAMES_OF_WORDS = {"fault", "remedy", "flag", "warning", "note", "doubt", "advice"}
LISTS_OF_WORDS = {f"{name}s" for name in NAMES_OF_WORDS}
CUTTING = {
    "split", "rsplit", "splitlines", "partition", "rpartition", "startswith", "endswith", "removeprefix",
    "removesuffix", "find", "rfind", "index", "rindex", "count", "replace", "translate",
}  # fmt: skip
SEARCHING = {"match", "search", "fullmatch", "findall", "finditer", "sub", "split"}


def steered_by_words(source: str) -> list[int]:
    """Lines in which the words of an error or a warning are compared, searched or cut."""
    tree = ast.parse(source)
    errors = {handler.name for handler in ast.walk(tree) if isinstance(handler, ast.ExceptHandler) and handler.name}
    errors |= {
        argument.arg
        for argument in ast.walk(tree)
        if isinstance(argument, ast.arg) and argument.annotation and "Error" in ast.unparse(argument.annotation)
    }
    words = set(NAMES_OF_WORDS)

    def worded(node: ast.AST) -> bool:
        """Whether it is text of an error, or holds some."""
        # What has fields of its own is no text: ``suspect.fault.kind``.
        inside = [one for one in ast.walk(node) if isinstance(one, ast.Attribute)]
        things = {id(one.value) for one in inside if not hasattr(str, one.attr)}
        for inner in ast.walk(node):
            if isinstance(inner, ast.Attribute) and inner.attr in WORDS_OF_ERRORS and id(inner) not in things:
                return True
            if isinstance(inner, ast.Attribute) and inner.attr == "args" and ast.unparse(inner.value) in errors:
                return True
            if isinstance(inner, ast.Name) and inner.id in words and id(inner) not in things:
                return True
            if isinstance(inner, ast.Call | ast.FormattedValue):
                parts = inner.args if isinstance(inner, ast.Call) else [inner.value]
                named = ast.unparse(inner.func) if isinstance(inner, ast.Call) else "str"
                if named in ("str", "repr") and any(ast.unparse(part) in errors for part in parts):
                    return True
        return False

    for node in ast.walk(tree):  # names that were given such text
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Call | ast.JoinedStr) and worded(node.value):
            words |= {target.id for target in node.targets if isinstance(target, ast.Name) and target.id == "reason"}
    return sorted({node.lineno for node in ast.walk(tree) if _steers(node, worded)})


def _steers(node: ast.AST, worded) -> bool:  # type: ignore[no-untyped-def]
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
        if node.func.attr in CUTTING and node.args and worded(node.func.value):
            return True
        return (
            isinstance(node.func.value, ast.Name)
            and node.func.value.id == "re"
            and node.func.attr in SEARCHING
            and any(map(worded, node.args[1:]))
        )
    if isinstance(node, ast.Compare):
        sides = [node.left, *node.comparators]
        texts = [isinstance(side, ast.Constant | ast.JoinedStr) and _is_text(side) for side in sides]
        lists = any(isinstance(side, ast.Name) and side.id in LISTS_OF_WORDS for side in sides)
        return any(texts) and (lists or any(worded(side) for side, text in zip(sides, texts, strict=True) if not text))
    return isinstance(node, ast.Subscript) and isinstance(node.slice, ast.Slice) and worded(node.value)


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str))


@pytest.mark.parametrize(
    "line",
    [
        'if "clipped" in str(error): pass',
        'reason = str(error)\n    if "clipped" in reason: pass',
        'str(error).rpartition(";")[0]',
        'str(error).partition("; give the .json")',
        'error.fault.split(";")',
        'if error.args[0] == "no": pass',
        'f"{error}".startswith("no")',
        're.sub("no", "", str(error))',
        '[flag for flag in flags if flag.startswith("between")]',
        'if "three-point" in warnings: pass',
        "str(error)[:20]",
        'finding.advice.split(";")[0]',
        'if error.fault.lower() == "no": pass',
    ],
)
def test_steering_by_words_would_be_seen(line: str) -> None:
    assert steered_by_words(f"try:\n    pass\nexcept StillboxError as error:\n    {line}\n")


def test_what_only_shows_an_error_is_not_steering() -> None:
    shown = 'print(f"{error}"); " ".join(str(error).split()); isinstance(error, OSError); error.errno == 2'
    assert not steered_by_words(f"try:\n    pass\nexcept StillboxError as error:\n    {shown}\n")
    assert not steered_by_words('if suspect.fault.kind == "value": pass')  # that fault is no text


def test_no_code_steers_by_the_words_of_an_error() -> None:
    found = [
        f"{path.relative_to(ROOT)}:{line}"
        for path in MODULES
        for line in steered_by_words(path.read_text(encoding="utf-8"))
    ]
    assert found == []


def raised(tree: ast.Module, kinds: set[str]) -> Iterator[ast.Call]:
    """Calls that make an error for people, those of its kinds' own constructors too."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in kinds:
            yield node
        elif isinstance(node, ast.ClassDef) and kinds & {ast.unparse(base) for base in node.bases}:
            yield from (
                call
                for call in ast.walk(node)
                if isinstance(call, ast.Call) and ast.unparse(call.func) == "super().__init__"
            )


def kinds_of_errors() -> tuple[set[str], set[str]]:
    """Names of StillboxError and of all classes made from it; of those with a constructor of their own."""
    kinds, own = {"StillboxError"}, set()
    classes = [
        node
        for path in MODULES
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ClassDef)
    ]
    for _ in range(3):
        for one in classes:
            if any(ast.unparse(base) in kinds for base in one.bases):
                kinds.add(one.name)
                if any(isinstance(inner, ast.FunctionDef) and inner.name == "__init__" for inner in one.body):
                    own.add(one.name)
    return kinds, own


def template(node: ast.expr) -> str:
    """The text with {} for what is filled in."""
    if isinstance(node, ast.Constant):
        return str(node.value)
    if isinstance(node, ast.JoinedStr):
        return "".join("{}" if isinstance(part, ast.FormattedValue) else template(part) for part in node.values)
    return "{}"


def test_every_error_says_what_to_do() -> None:
    kinds, own = kinds_of_errors()
    assert {"DeviceLost", "RecordingStopped", "PreCheckRefusal"} <= own
    used, wrong, count = set(), [], 0
    for path in MODULES:
        for call in raised(ast.parse(path.read_text(encoding="utf-8")), kinds - own):
            if any(isinstance(part, ast.Starred) for part in call.args):  # a pair of texts under a name
                continue
            place = f"{path.relative_to(ROOT)}:{call.lineno}"
            count += 1
            if len(call.args) != 2:
                wrong.append(f"{place} has not two parts")
                continue
            fault, remedy = map(template, call.args)
            if remedy.strip():
                continue
            reasons = [one for one in WITHOUT_REMEDY if one == fault or (one != "{}" and fault.startswith(one))]
            used.update(reasons)
            if not reasons:
                wrong.append(f"{place} says no remedy: {fault}")
    assert wrong == []
    assert count > 200
    assert used == set(WITHOUT_REMEDY), "reasons that nothing needs any more"


def test_a_fault_and_its_remedy_are_one_line() -> None:
    error = StillboxError("take 3\nis gone", "look at \x1b the list")
    assert (error.fault, error.remedy) == ("take 3\\nis gone", "look at \\x1b the list")
    assert str(error) == "take 3\\nis gone; look at \\x1b the list"
    assert str(StillboxError("nothing was kept", "")) == "nothing was kept"


OF_BUGS = {"", "Exception", "BaseException", "TypeError", "ArithmeticError", "LookupError", "KeyError", "IndexError",
           "AttributeError", "AssertionError"}  # fmt: skip


def broad_handlers(path: Path) -> list[int]:
    """Lines where an error of any kind, or a bug's own kind, is turned into one for people."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.ExceptHandler):
            continue
        caught = {ast.unparse(one) for one in _kinds(node.type)}
        turned = any(
            isinstance(inner, ast.Raise) and inner.exc is not None and "StillboxError(" in ast.unparse(inner.exc)
            for inner in ast.walk(node)
        )
        handed_on = isinstance(node.body[-1], ast.Raise) and node.body[-1].exc is None
        if turned and caught & OF_BUGS and not handed_on:
            found.append(node.lineno)
    return found


def _kinds(caught: ast.expr | None) -> list[ast.expr]:
    return [ast.Name("")] if caught is None else caught.elts if isinstance(caught, ast.Tuple) else [caught]


def test_no_bug_is_turned_into_an_error_of_the_person() -> None:
    assert {str(path.relative_to(ROOT)) for path in MODULES if broad_handlers(path)} == set()
