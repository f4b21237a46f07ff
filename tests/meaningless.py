"""Numbers that tell a person nothing: found in whatever is printed, shown in the window or written to a page."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from invoked import run

from stillbox.analysis.bench import Bench
from stillbox.capture.recording.take import TakeInfo
from stillbox.gui.results.view import Results
from stillbox.gui.views.all_views import ALL_VIEWS

PATTERNS = (
    r"\d[eE][+-]?\d\d",  # Q 1e+02, +- 9e-05 Hz
    r"significance",
    r"(?<!± )\b0\.00\d* %",
    r"undecided +100 %|undecided +above 99 %|undecided: .*\bsure\b",
    r"probability: .*\b100 %",
    r"\bnan\b|\binf\b|\bNone\b",
    r"± 0(\.0*)?(?![.\d])",
    r"– (Hz|Ω|ohm|ms|%)",  # a unit without a number
    r"\bby 0(\.0+)? |\btime\(s\)",
    r"told: .*\(",
)
VALUE = re.compile(r"(\d+(?:\.\d+)?) ± (\d+(?:\.\d+)?)(?: (Hz|%))?")
SUREST_HZ = 5e-4
"""No speaker repeats its frequencies better (relative): less than that is the noise of one take alone."""


def meaningless(text: str) -> Iterator[str]:
    """Lines with a number that tells nothing, each with what is wrong in it."""
    for line in text.splitlines():
        for pattern in PATTERNS:
            if found := re.search(pattern, line):
                yield f"{found[0]!r} in: {line}"
        for value, std, unit in VALUE.findall(line):
            if unit == "%":
                continue
            decimals = [len(number.partition(".")[2]) for number in (value, std)]
            if decimals[0] != decimals[1] or len(std.replace(".", "").strip("0")) > 2:
                yield f"digits of {value} ± {std} in: {line}"
            elif unit == "Hz" and float(std) < SUREST_HZ * float(value):
                yield f"{value} ± {std} Hz is surer than a speaker repeats, in: {line}"


def texts_of_results(results: Results) -> Iterator[str]:
    """All that a view of the window tells in words."""
    yield from (results.title, results.sentence, *results.notes)
    for row in results.rows:
        yield from (row.head, row.numbers, *row.values, *row.details, row.advice, row.meaning)
    for control in results.controls:
        yield from (control.words, control.tip)


def texts_of_window(bench: Bench, choices: Sequence[Sequence[TakeInfo]]) -> Iterator[tuple[str, str]]:
    """Each view of each choice of takes that it fits, complete: what it is, and its words."""
    for view in ALL_VIEWS:
        yield f"view {view.key}", "\n".join((view.title, view.tip, view.list_tip, view.pick))
        for takes in choices:
            if view.fits(takes):
                *_, results = view.compute(bench, takes)
                addresses = " and ".join(take.address for take in takes)
                yield f"view {view.key} of {addresses}", "\n".join(texts_of_results(results))


def text_of_page(page: str) -> str:
    """What a report says, without what makes it HTML; each element a line."""
    body = page.partition("<body>")[2]
    assert body
    return html.unescape(re.sub(r"\s*<[^>]*>\s*", "\n", body))


def text_of_command(build: Path, command: Sequence[str]) -> str:
    """What a command prints, complaints too."""
    code, out, err = run(command[0], build, *command[1:])
    assert code == 0, err
    return f"{out}\n{err}"


COMMANDS = (
    ("findings", "--state", "stock", "--all"),
    ("findings", "--state", "lined", "--all"),
    ("compare", "stock", "lined", "--all"),
    ("compare", "lined", "stock", "--all"),
    ("decay", "in-box/stock"),
    ("decay", "in-box/lined"),
    ("curve", "in-box/stock"),
    ("driver",),
    ("box", "--state", "stock"),
    ("box", "--state", "lined"),
    ("bass", "--state", "stock"),
    ("bass", "--state", "lined", "--against", "stock"),
    ("bass", "--state", "lined", "--volume-percent", "80"),
    ("takes",),
    ("calibrate",),
)
"""For a build with the states stock and lined, and a take in free air."""
