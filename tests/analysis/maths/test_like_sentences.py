"""Warnings that differ in a place or a name alone are one line with a list, wherever they are told."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invoked import run
from made_once import demonstration
from meaningless import text_of_page

from stillbox.analysis.bench import Bench
from stillbox.analysis.maths.like_sentences import said_once
from stillbox.analysis.page.report import render_report
from stillbox.analysis.page.write_up import report_of

GATE_S = 0.05


@pytest.mark.parametrize(
    ("sentences", "said"),
    [
        ([], []),
        (["a", "a", "b"], ["a", "b"]),
        (["at 90 Hz", "x", "at 120 Hz", "at 1.5 Hz"], ["at 90, 120 and 1.5 Hz", "x"]),
        (["take 3 is short", "take 7 is short"], ["take 3 and 7 is short"]),
        (["at 90 Hz", "at 1.2 kHz"], ["at 90 Hz and 1.2 kHz"]),
        (["'a b' is gone", "'c' is gone"], ["'a b' and 'c' is gone"]),
        (["in-box/stock/A is old", "in-box/lined/A is old"], ["in-box/stock/A and in-box/lined/A is old"]),
        (["9 Hz, Q 4: x; y", "8 Hz, Q 5: x; y"], ["9 Hz, Q 4: x; y; likewise 8 Hz, 5"]),
        (["9 Hz of 5 ohm", "8 Hz of 5 ohm"], ["9 and 8 Hz of 5 ohm"]),
        (["3 dB above", "3 dB below"], ["3 dB above", "3 dB below"]),
        (["unit A is loud", "unit B is loud"], ["unit A is loud", "unit B is loud"]),
        (["write metres_above_sea in build.toml", "write pressure_hpa in build.toml"],
         ["write metres_above_sea in build.toml", "write pressure_hpa in build.toml"]),
    ],
)  # fmt: skip
def test_what_is_alike_is_said_once(sentences: list[str], said: list[str]) -> None:
    assert said_once(sentences) == said


@given(st.lists(st.tuples(st.integers(1, 20_000), st.integers(1, 99)), min_size=1, max_size=9, unique=True))
def test_no_number_is_lost(places: list[tuple[int, int]]) -> None:
    (line,) = said_once(f"the gate smears {hz} Hz (Q {q}); give a longer one" for hz, q in places)
    said = set(re.findall(r"\d+", line))
    assert said == {str(number) for place in places for number in place}


def test_warnings_of_many_resonances_are_one_line(tmp_path: Path) -> None:
    """A gate that smears eight resonances brought eight lines, at the terminal and in the report."""
    build = demonstration(tmp_path / "build")
    bench = Bench(build)
    take = bench.in_box("stock")
    warnings = tuple(text for text in Bench(build, GATE_S).curve(take).warnings if "smears" in text)
    places = [found[1] for warning in warnings if (found := re.search(r"at ([\d.]+ Hz)", warning))]
    assert len(places) == len(warnings) >= 8
    code, _, err = run("curve", build.path, "in-box/stock", "--gate", GATE_S)
    report = report_of(bench, [take], ())
    smeared = tuple(replace(one, warnings=warnings) for one in report.sections if one.kind == "findings")
    page = text_of_page(render_report(replace(report, sections=smeared)))
    assert code == 0
    for text in (err, page):
        (line,) = (line for line in text.splitlines() if "smears" in line)
        assert all(place in line for place in places)
