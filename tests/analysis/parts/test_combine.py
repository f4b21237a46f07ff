"""Combinations: all there are, none of parts that are not there, with what they are worth."""

from __future__ import annotations

import itertools
import json
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invoked import one_line, run

from stillbox.analysis.parts.combine import Combination, combinations
from stillbox.analysis.parts.drawer import DrawerPart, drawer_from_text, read_drawer
from stillbox.analysis.parts.kinds import KINDS, Kind
from stillbox.capture.errors import StillboxError


def every_value(kind: Kind, drawer: list[DrawerPart], most_parts: int) -> Iterator[float]:
    """By trying all: values of all that can be joined, each part by its own name as often as it is there."""
    pieces = [part for part in drawer for _ in range(part.count if part.count is not None else most_parts)]

    def series(*values: float) -> float:
        return sum(values) if kind != "capacitor" else 1 / sum(1 / value for value in values)

    def parallel(*values: float) -> float:
        return 1 / sum(1 / value for value in values) if kind != "capacitor" else sum(values)

    for number in range(1, most_parts + 1):
        for chosen in itertools.combinations(pieces, number):
            values = [part.value for part in chosen]
            yield series(*values)
            yield parallel(*values)
            if number == 3:
                for third in range(3):
                    two = values[:third] + values[third + 1 :]
                    yield parallel(series(*two), values[third])
                    yield series(parallel(*two), values[third])


@pytest.mark.parametrize("seed", range(12))
def test_nothing_nearer_is_missed(seed: int) -> None:
    rng = np.random.default_rng(seed)
    kind: Kind = ("capacitor", "coil", "resistor")[seed % 3]
    drawer = [
        DrawerPart(float(np.exp(rng.normal(0, 1.2))) * 1e-5, int(rng.integers(0, 3)), 5.0, None, f"p{number}")
        for number in range(int(rng.integers(1, 8)))
    ]
    drawer.append(DrawerPart(2e-5, 1, 5.0, None, "last"))
    most = 1 + seed % 3
    target = float(np.exp(rng.normal(0, 1))) * 1e-5
    results = 8
    found = combinations(target, kind, drawer, most, results)
    every = sorted({round(abs(value / target - 1), 12) for value in every_value(kind, drawer, most)})
    errors = sorted({round(abs(one.error), 12) for one in found})
    assert np.allclose(errors, every[: len(errors)], atol=2e-12)
    assert len(found) == results or len(errors) == len(every)
    counts = {part.name: part.count for part in drawer}
    for one in found:
        assert all(times <= (counts[name] or 0) for name, times in Counter(part.name for part in one.parts).items())
    assert [abs(one.error) for one in found] == sorted(abs(one.error) for one in found)


def test_a_combination_is_there_once() -> None:
    drawer = [
        DrawerPart(1e-6, 3, 5.0, None, "a"),
        DrawerPart(1e-6, 2, 5.0, None, "b"),
        DrawerPart(2e-6, 1, 1.0, 0.5, "c"),
    ]
    found = combinations(2.4e-6, "capacitor", drawer, results=100)
    assert len({(one.text(), one.parts) for one in found}) == len(found)
    assert len({one.text() for one in found}) == len(found)


def test_of_the_same_error_the_simpler_and_cheaper_comes_first() -> None:
    drawer = [
        DrawerPart(5.0, None, 5.0, 0.1, "five"), DrawerPart(10.0, None, 5.0, 3.0, "dear"),
        DrawerPart(10.0, None, 5.0, 1.0, "cheap"),
    ]  # fmt: skip
    found = combinations(10.0, "resistor", drawer)
    assert [[part.name for part in one.parts] for one in found[:3]] == [["cheap"], ["dear"], ["five", "five"]]


@pytest.mark.parametrize("seed", range(6))
def test_tolerances_are_those_of_draws(seed: int) -> None:
    rng = np.random.default_rng(seed)
    parts = tuple(
        DrawerPart(float(value), None, float(percent))
        for value, percent in zip(rng.uniform(1, 20, 3), rng.choice([1, 2, 5, 10], 3), strict=True)
    )
    one = Combination(("capacitor", "coil", "resistor")[seed % 3], parts, seed % 2, seed // 2 % 2, 10.0)
    drawn = [part.value * (1 + rng.uniform(-1, 1, 200_000) * (part.tolerance_percent or 0) / 100) for part in parts]
    values = np.array(one._joined(drawn))  # type: ignore[arg-type]
    off = np.abs(values / one.value - 1)
    assert one.worst_percent is not None and one.likely_percent is not None
    assert off.max() <= one.worst_percent / 100 * (1 + 1e-12)
    assert np.mean(off < one.likely_percent / 100) == pytest.approx(0.95, abs=0.01)
    assert one.likely_percent < one.worst_percent


def test_equal_tolerances_stay_what_they_are() -> None:
    """A value made of parts is of the first degree in all of them together."""
    parts = tuple(DrawerPart(value, None, 10.0) for value in (3.0, 5.0, 8.0))
    for inner, outer in itertools.product((0, 1), repeat=2):
        assert Combination("coil", parts, inner, outer, 1.0).worst_percent == pytest.approx(10.0, rel=1e-12)
    assert Combination("coil", (*parts[:2], DrawerPart(8.0)), 0, 1, 1.0).worst_percent is None


@pytest.mark.parametrize(
    ("kind", "inner", "outer", "value", "text"),
    [
        ("resistor", 0, 0, 24.0, "4 ohm + 8 ohm + 12 ohm"),
        ("resistor", 1, 1, 24 / 11, "4 ohm || 8 ohm || 12 ohm"),
        ("resistor", 0, 1, 6.0, "(4 ohm + 8 ohm) || 12 ohm"),
        ("coil", 1, 0, 8 / 3 + 12, "(4 ohm || 8 ohm) + 12 ohm"),
        ("capacitor", 0, 1, 6.0, "(4 ohm || 8 ohm) + 12 ohm"),
        ("capacitor", 1, 0, 8 / 3 + 12, "(4 ohm + 8 ohm) || 12 ohm"),
    ],
)
def test_what_adds_up_in_series_and_what_in_parallel(
    kind: Kind, inner: int, outer: int, value: float, text: str
) -> None:
    """Against the rule for two: resistors and coils add in series, capacitors in parallel."""
    scale = {"resistor": 1.0, "coil": 1e-3, "capacitor": 1e-6}[kind]
    unit = {"resistor": "ohm", "coil": "mH", "capacitor": "µF"}[kind]
    one = Combination(kind, tuple(DrawerPart(number * scale) for number in (4.0, 8.0, 12.0)), inner, outer, scale)
    assert one.value == pytest.approx(value * scale, rel=1e-12)
    assert one.text() == text.replace("ohm", unit)


# Lists


def test_a_list_with_decimal_commas_reads_as_one_with_points() -> None:
    plain = "value,count,tolerance_percent,price,name\n4.7u,2,5,1.20,bag\n\n6u8J,1,,,\n"
    comma = "\ufeffName;Value;Count;Price;Tolerance_percent\nbag;4,7 µF;2;1,20;5 %\n;6u8J;1\n"
    expected = [DrawerPart(4.7e-6, 2, 5.0, 1.2, "bag"), DrawerPart(6.8e-6, 1, 5.0)]
    assert drawer_from_text(plain).parts("capacitor") == expected
    assert drawer_from_text(comma.removeprefix("\ufeff")).parts("capacitor") == expected
    assert drawer_from_text("value\tname\n4.7u\tbag\n").parts("coil") == [DrawerPart(4.7e-6, name="bag")]


def test_kinds_are_told_apart() -> None:
    drawer = drawer_from_text("value,kind\n10u,C\n1m,coil\n0.33 mH,\n4R7,\n22,R\n470,\n")
    assert drawer.kinds() == {"capacitor", "coil", "resistor"}
    assert [part.value for part in drawer.parts("resistor")] == [4.7, 22.0, 470.0]
    with pytest.raises(StillboxError, match=r"line 7: '470': a capacitor's value without a prefix"):
        drawer.parts("capacitor")


GOOD = "value,count,tolerance_percent,price,name\n4.7u,1,5,1.2,a\n"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("value,", "", "first line: there is no column 'value'; name the columns there, as value,count"),
        ("count,", "amount,", "first line: 'amount' is no column"),
        ("count,", "price,", "first line: the column 'price' is there twice"),
        ("4.7u,1", "4.7u,1.5", "line 2: the count '1.5' is no whole number"),
        ("4.7u,1", "4.7u,-1", "line 2: the count '-1' is no whole number"),
        (",5,", ",100,", "line 2: the tolerance '100' is no percentage"),
        (",5,", ",nan,", "line 2: the tolerance 'nan' is no percentage"),
        (",1.2,", ",1.2 EUR,", "line 2: the price '1.2 EUR' is no number"),
        (",1.2,", ",inf,", "line 2: the price 'inf' is no number"),
        ("4.7u,1", "4,7u,1", "line 2: 6 cells below 5 columns; where decimals have a comma"),
        ("4.7u", "", "line 2: the value is missing"),
        ("4.7u", "4.7q", "line 2: '4.7q': the letter q means no multiplier"),
        ("4.7u", "4.7 mF5", "line 2: '4.7 mF5': no value"),
        ("4.7u", "4.7mF 3m", "line 2"),
        ("4.7u", "400mF", "line 2: '400mF' is 400000 µF, which no capacitor has"),
        ("4.7u", "4.7mH", "list lists no capacitor"),
        ("4.7u,1", "4.7u,0", "list lists no capacitor"),
        ("4.7u,1,5,1.2,a\n", "", "list lists no parts"),
        (GOOD, "", "list lists no parts"),
        ("4.7u", '"4.7u', "it is no table of text"),
        ("4.7u,1,5,1.2,a\n", "1u\n" * 1001, "lists 1001 parts; leave 1000 at most"),
    ],
)
def test_a_wrong_list_is_told(old: str, new: str, said: str) -> None:
    assert old in GOOD
    with pytest.raises(StillboxError) as raised:
        drawer_from_text(GOOD.replace(old, new)).parts("capacitor")
    assert said in str(raised.value) and raised.value.remedy


def test_a_kind_that_is_none_is_told() -> None:
    with pytest.raises(StillboxError, match="line 2: there is no kind 'choke'"):
        drawer_from_text("value,kind\n1u,choke\n").kinds()


def test_a_file_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(StillboxError, match="cannot be read"):
        read_drawer(tmp_path / "none.csv")


cells = st.sampled_from(
    ["value", "count", "price", "kind", "4.7u", "4,7u", "1", "", "5%", "C", '"', ";", "\t", ",", "\n", "\x00"]
)


@settings(max_examples=200, deadline=None)
@given(
    st.lists(cells | st.text(max_size=3), max_size=30).map("".join) | st.just("value,count\n"), st.sampled_from(KINDS)
)
def test_any_text_is_a_list_or_told(text: str, kind: Kind) -> None:
    try:
        parts = drawer_from_text(text).parts(kind)
    except StillboxError as error:
        assert error.remedy and "\n" not in str(error)
        return
    assert combinations(parts[0].value, kind, parts)[0].parts


# The command


@pytest.fixture
def drawer(tmp_path: Path) -> Path:
    path = tmp_path / "drawer.csv"
    path.write_text("value,count,tolerance_percent,price,name\n6.8u,1,5,2.10,blue\n5.6u,2,5,1.90,grey\n33u,1,10,,\n")
    return path


def test_a_value_out_of_a_drawer(drawer: Path) -> None:
    status, out, err = run("combine", "--target", "12.7u", "--from", drawer, "--results", "4")
    assert status == 0
    lines = out.splitlines()
    assert lines[0] == "12.7 µF out of capacitors:"
    assert lines[2].split("  ")[0] == "12.4 µF" and "6.8 µF || 5.6 µF" in lines[2] and "4.00" in lines[2]
    assert "± 5 %" in lines[2] and "−2.4 %" in lines[2] and "blue, grey" in lines[2]
    assert lines[-2] == "nearest preferred values: E12 12 µF (−5.5 %), E24 13 µF (+2.4 %)"
    assert "taken for that of a capacitor" in err


def test_the_same_for_other_programs(drawer: Path) -> None:
    status, out, _ = run("combine", "--target", "12.7 uF", "--from", drawer, "--json")
    document = json.loads(out)
    assert status == 0
    assert (document["kind"], document["unit"], document["warnings"]) == ("capacitor", "F", [])
    first = document["combinations"][0]
    assert first["value"] == pytest.approx(12.4e-6) and first["price"] == pytest.approx(4.0)
    assert [part["name"] for part in first["parts"]] == ["blue", "grey"]
    assert first["tolerance_worst_percent"] == pytest.approx(5) and 3 < first["tolerance_likely_percent"] < 5
    assert {one["series"]: one["value"] for one in document["preferred"]} == {"E12": 12e-6, "E24": 13e-6}


def test_the_best_of_fewer_parts_is_told_beside(drawer: Path) -> None:
    document = json.loads(run("combine", "--target", "12.7uF", "--from", drawer, "--results", "1", "--json")[1])
    assert [len(one["parts"]) for one in (*document["combinations"], *document["simpler"])] == [2, 1]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--target", "12.7q"), "the letter q means no multiplier"),
        (("--target", "12.7"), "drawer.csv, line 2: '6.8u': the letter u means no multiplier on a resistor"),
        (("--target", "12.7", "--kind", "capacitor"), "is 12700000 µF, which no capacitor has"),
        (("--target", "12.7uF", "--kind", "coil"), "is the value of a capacitor, not of a coil"),
        (("--target", "12.7u", "--kind", "choke"), "there is no kind 'choke'"),
        (("--target", "12.7u", "--most-parts", "4"), "combinations of 4 parts are not made; ask for 1 to 3"),
        (("--target", "12.7u", "--results", "0"), "0 combinations are asked for"),
        (("--target", "12.7u", "--results", "many"), "--results 'many' is not a whole number"),
    ],
)
def test_wrong_use_is_told(drawer: Path, arguments: tuple[str, ...], said: str) -> None:
    status, out, err = run("combine", "--from", drawer, *arguments)
    assert (status, out) == (2, "")
    assert said in one_line(err)
