"""What the commands print for the stored build is what is stored: words exactly, numbers as far as machines differ."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from reference.renderings import FOLDER, HELP_WIDTH, ON_A_TERMINAL, WIDTHS, cases, one_bench, rendered, stored_build

NUMBER = re.compile(r"(?<![\w.])\d+(?:\.\d+)?(?:e[-+]?\d+)?")
UNITS = 1.01
"""Of the last digit that is printed, by which a number may differ: another order of sums rounds it the other way."""
RELATIVE = 1e-3
"""Or this much of it: no machine is so far from another, and no change worth a word is smaller."""
REMAKE = "if that is meant: python tests/reference/renderings.py"


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    with one_bench():
        yield stored_build(tmp_path_factory.mktemp("renderings") / "build")


def words(text: str) -> list[list[str]]:
    """Lines as words with a # for each number; how many spaces are between them goes with the numbers."""
    return [NUMBER.sub("#", line).split() for line in text.splitlines()]


def alike(found: str, wanted: str) -> bool:
    """Whether two numbers as printed are one, but for what machines do to it."""
    digits = (
        min(len(one.partition(".")[2]) for one in (found, wanted) if "e" not in one) if "e" not in found + wanted else 0
    )
    step = 0.0 if "e" in found + wanted else 10.0**-digits
    return abs(float(found) - float(wanted)) <= max(
        UNITS * step * ("." in found + wanted), RELATIVE * abs(float(wanted))
    )


def difference(found: str, wanted: str) -> str:
    """The first place where a text is another one; empty where there is none."""
    for ours, theirs in zip(found.splitlines(), wanted.splitlines(), strict=False):
        if words(ours) != words(theirs):
            return f"{ours!r} instead of {theirs!r}"
        for one, other in zip(NUMBER.findall(ours), NUMBER.findall(theirs), strict=True):
            if not alike(one, other):
                return f"{one} instead of {other} in {ours!r}"
    if len(found.splitlines()) != len(wanted.splitlines()):
        return f"{len(found.splitlines())} lines instead of {len(wanted.splitlines())}"
    return ""


@pytest.mark.parametrize("name", cases())
def test_a_command_prints_what_is_stored(name: str, stored: Path) -> None:
    line, width = cases()[name]
    found = rendered(line, width, stored)
    told = difference(found, (FOLDER / f"{name}.txt").read_text(encoding="utf-8"))
    assert not told, f"{name}: {told}; {REMAKE}"


def test_nothing_else_is_stored() -> None:
    assert {path.stem for path in FOLDER.iterdir()} == set(cases())


@pytest.mark.parametrize("width", WIDTHS)
def test_tables_fit_the_terminal(width: int) -> None:
    """Sentences are left to the terminal; what has columns is laid out for it, and uses a wider one."""
    for name in ON_A_TERMINAL:
        text = (FOLDER / f"{name}-{width}.txt").read_text(encoding="utf-8")
        columns = [
            line for line in text.splitlines() if re.search(r"\S {2,}\S", line) and not line.startswith(("  -", "!"))
        ]
        assert len(columns) > 3
        assert max(map(len, columns)) <= width, name


def test_help_fits_the_terminal() -> None:
    for path in FOLDER.glob("help*.txt"):
        assert max(map(len, path.read_text(encoding="utf-8").splitlines())) <= HELP_WIDTH, path


@pytest.mark.parametrize(
    ("found", "wanted", "same"),
    [
        ("fs 43.81 ± 0.18 Hz", "fs 43.82 ± 0.18 Hz", True),
        ("fs 43.81 ± 0.18 Hz", "fs 43.91 ± 0.18 Hz", False),
        ("Re   5.6 ohm", "Re 5.60 ohm", True),
        ("Re 5.6 ohm", "Rf 5.6 ohm", False),
        ("take 8", "take 9", False),
        ("QA 1000 or more", "QA 1000 or less", False),
        ("a\nb", "a", False),
        ("1.00e-05", "1.0005e-05", True),
    ],
)
def test_a_change_would_be_seen(found: str, wanted: str, same: bool) -> None:
    assert (difference(found, wanted) == "") is same
