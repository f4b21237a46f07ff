"""The sentence on top, the order of findings, and when a box is good enough."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import invented_speaker
import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from invoked import run
from meaningless import COMMANDS, meaningless, text_of_command, text_of_page, texts_of_window
from places import ROOT
from practice_takes import practice_takes

from stillbox.analysis.bench import Bench
from stillbox.analysis.comparison.opening import cost_in_bass, opening_of
from stillbox.analysis.impedance.findings import DOUBTED, Cause, FindingsReport
from stillbox.analysis.maths.number_words import ratio_words, short_number
from stillbox.analysis.page.write_up import write_build_report
from stillbox.analysis.ringing.comparison import compare
from stillbox.analysis.ringing.ringing import (
    FALL,
    FIRST,
    GOOD_ENOUGH_S,
    good_enough,
    in_order,
    ringing_s,
    to_be_treated,
)
from stillbox.analysis.ringing.summary import summary_of_comparison, summary_of_findings
from stillbox.analysis.system.meanings import AT_HZ
from stillbox.capture.build.build_folder import BuildFolder

Parts = tuple[tuple[float, float, float], ...]


def report_of(parts: Parts, state: str = "stock", cause: Cause = "wall") -> FindingsReport:
    """Findings of an invented speaker, all with one cause."""
    made = invented_speaker.report(invented_speaker.fit(()), state)
    fit = invented_speaker.fit(parts)
    template = invented_speaker.report(invented_speaker.fit(), state).findings[0]
    found = tuple(replace(template, resonance=one, cause=cause) for one in fit.resonances)
    return replace(made, findings=found, fit=fit)


@given(frequency_hz=st.floats(100, 3000), q=st.floats(3, 150), height_ohm=st.floats(0.001, 3.0))
def test_ringing_of_one_alone_is_the_closed_form(frequency_hz: float, q: float, height_ohm: float) -> None:
    """tau ln(h / (|Z| / 1000)): the time from h down to 60 dB below what is around."""
    fit = invented_speaker.fit(((frequency_hz, q, height_ohm),))
    around = abs(fit.baseline_ohm(np.array([frequency_hz]))[0])
    expected = q / (math.pi * frequency_hz) * math.log(max(height_ohm / (FALL * around), 1.0))
    assert ringing_s(fit.resonances, fit)[0] == pytest.approx(expected, rel=1e-9)


def test_a_long_low_one_comes_before_a_high_short_one() -> None:
    """By ohms alone the wall would be the last."""
    report = report_of(((180.0, 40.0, 0.04), (350.0, 10.0, 0.9), (700.0, 9.0, 0.4)))
    assert [round(finding.resonance.frequency_hz) for finding, _ in in_order(report)] == [180, 350, 700]


@given(st.floats(1.002, 1.01), st.floats(0.02, 0.6))
def test_what_stands_in_the_skirt_of_a_greater_neighbour_does_not_ring_out(apart: float, part: float) -> None:
    fit = invented_speaker.fit(((750.0, 60.0, 0.5), (750.0 * apart, 60.0, 0.5 * part)))
    skirt = 1 / abs(1 + 2j * 60 * (apart - 1))
    seconds = ringing_s(fit.resonances, fit)
    assert seconds[0] > 0.05
    if part < 0.98 * skirt:
        assert seconds[1] == 0.0


@pytest.mark.parametrize(
    ("parts", "cause", "enough"),
    [
        ((), "wall", "no resonance stands out of the noise"),
        (((400.0, 6.0, 0.06),), "standing wave", "nothing rings out of its surroundings longer than 30 ms"),
        (((400.0, 40.0, 0.6),), "driver", "is not of the box"),
        (((400.0, 40.0, 0.6),), "room", "is not of the box"),
        (((400.0, 40.0, 0.6),), "wall", ""),
        (((400.0, 40.0, 0.6),), "undecided", ""),
    ],
)
def test_good_enough_is_a_verdict_with_its_reason(parts: Parts, cause: Cause, enough: str) -> None:
    report = report_of(parts, cause=cause)
    said = good_enough(report)
    assert enough in said and bool(said) == bool(enough)
    assert summary_of_findings(report).startswith("Good enough: " if enough else "Rings longest: 400 Hz")
    assert bool(to_be_treated(report)) == (not enough)


def test_comparison_in_words() -> None:
    before = report_of(((180.0, 40.0, 0.5), (412.0, 40.0, 1.0), (700.0, 30.0, 0.3)))
    after = report_of(((412.0, 10.0, 0.2), (1100.0, 60.0, 0.5)), "lined")
    said = summary_of_comparison(compare(before, after), before, after, "bass \N{MINUS SIGN}0.9 dB at 38 Hz")
    assert said.startswith(
        "From stock to lined: 180 Hz gone, 412 Hz down to a fifth, 700 Hz gone, new: 1.1 kHz, bass −0.9"
    )
    assert said.endswith("Next: look at 1.1 kHz, which is new, before you go on.")
    fine = report_of(((412.0, 4.0, 0.05),), "lined")
    said = summary_of_comparison(compare(before, fine), before, fine)
    assert ", nothing new. Good enough: nothing rings out" in said
    assert said.endswith("Next: listen, then do the other unit.")
    other = replace(fine, unit="B", state="lined B")
    said = summary_of_comparison(compare(before, other), before, other)
    assert said.endswith("Next: listen to both.")


def test_numbers_that_are_not_to_be_trusted_are_never_good_enough() -> None:
    before, fine = report_of(((180.0, 40.0, 0.5),)), report_of(((412.0, 4.0, 0.05),), "lined")
    doubted = replace(fine, warnings=(*fine.warnings, f"what is seen does not fit, so {DOUBTED}"))
    for said in (summary_of_comparison(compare(before, doubted), before, doubted), summary_of_findings(doubted)):
        assert "Good enough" not in said and "listen" not in said and "look for what is wrong in the crossover" in said
    assert "Good enough" in summary_of_findings(fine)
    said = summary_of_comparison(compare(before, fine), before, fine, to_mend="C1 is open in lined")
    assert said.endswith("new: 412 Hz. Next: mend the crossover, for C1 is open in lined.")


def test_what_has_grown_is_never_left_out() -> None:
    """However many ring out longer: with how much where that matters, else that it is good enough."""
    longer = ((180.0, 40.0, 0.5), (412.0, 40.0, 1.0), (600.0, 40.0, 0.8))
    before = report_of((*longer, (1368.0, 20.0, 0.1)))
    short = report_of((*longer, (1368.0, 20.0, 0.4)), "lined")
    said = summary_of_comparison(compare(before, short), before, short)
    assert "600 Hz unchanged, one has grown but is still good enough (1.37 kHz), nothing new. Next" in said
    long = report_of((*longer, (1368.0, 60.0, 1.0)), "lined")
    before = report_of((*longer, (1368.0, 60.0, 0.3)))
    said = summary_of_comparison(compare(before, long), before, long)
    assert "600 Hz unchanged, 1.37 kHz up to 3.3 times" in said
    assert said.endswith("look at 1.37 kHz, which has grown, before you go on.")


@given(st.floats(0.01, 10))
@example(0.294921875)
def test_ratios_in_words_are_near_what_they_say(ratio: float) -> None:
    parts = {
        "half": 2,
        "third": 3,
        "quarter": 4,
        "fifth": 5,
        "sixth": 6,
        "seventh": 7,
        "eighth": 8,
        "ninth": 9,
        "tenth": 10,
    }
    words = ratio_words(ratio)
    number = next((1 / parts[word] for word in words.split() if word in parts), None)
    if number is None and "%" in words:
        number = float(words.split()[2]) / 100
    if number is None:
        number = 2.0 if "twice" in words else float(words.split()[2]) if "times" in words else 1.0
    assert number == pytest.approx(ratio, rel=0.13)


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The practice rig's bare box, in free air, as it is, and lined."""
    takes = (("free-air", None), ("in-box", "stock"), ("in-box", "lined"))
    return practice_takes(tmp_path_factory.mktemp("summary"), takes)


def test_the_rigs_ringing_wall_is_among_the_first_and_gets_advice(rig: Path) -> None:
    bench = Bench(BuildFolder.open(rig))
    found = in_order(bench.findings("stock"))
    decays = {round(one.resonance.frequency_hz): one.resonance.q / one.resonance.frequency_hz for one, _ in found}
    assert max(decays, key=lambda hz: decays[hz]) == 232  # the longest of all
    assert 232 in [round(one.resonance.frequency_hz) for one, _ in found[:FIRST]]
    code, out, _ = run("findings", rig, "--state", "stock")
    assert code == 0 and "232" in out.splitlines()[0] and "Find the wall that rings at 232 Hz" in out
    assert f"and {len(found) - FIRST} smaller: --all" in out
    assert out.count("advice: ") == FIRST
    code, out, _ = run("findings", rig, "--state", "stock", "--all")
    assert out.count("advice: ") == len(found) and "smaller: --all" not in out
    assert good_enough(bench.findings("lined")) and not good_enough(bench.findings("stock"))
    assert found[0][1] > GOOD_ENOUGH_S


def test_all_open_with_the_same_sentence(rig: Path, tmp_path: Path) -> None:
    bench = Bench(BuildFolder.open(rig))
    stock, lined = bench.in_box("stock"), bench.in_box("lined")
    one, both = opening_of(bench, [stock]), opening_of(bench, [stock, lined])
    assert "bass " in both and "nothing new" in both
    for arguments, said in (
        (("findings", rig, "--state", "stock"), one),
        (("box", rig, "--state", "stock"), one),
        (("compare", rig, "stock", "lined"), both),
    ):
        code, out, _ = run(*arguments)
        assert code == 0 and out.splitlines()[0] == said
        code, out, _ = run(*arguments, "--json")
        assert code == 0 and json.loads(out)["summary"] == said
    for takes, said in (([stock], one), ([stock, lined], both)):
        write_build_report(bench, takes, tmp_path / "report.html")
        page = (tmp_path / "report.html").read_text(encoding="utf-8")
        assert f'<p class="short">{said}</p>' in page
        assert list(meaningless(text_of_page(page))) == []


def test_the_cost_in_bass_is_that_of_the_levels(rig: Path) -> None:
    """The rig's lining damps the air: told as a loss near the tuning; turned round, as the same gain."""
    bench = Bench(BuildFolder.open(rig))
    stock, lined = bench.in_box("stock"), bench.in_box("lined")
    there, back = cost_in_bass(bench, stock, lined), cost_in_bass(bench, lined, stock)
    assert there.startswith("bass −") and back.startswith("bass +")
    _, out, _ = run("bass", rig, "--state", "lined", "--against", "stock", "--json")
    document = json.loads(out)
    level, before = (np.array(document[name]["level_db"]) for name in ("curves", "against_curves"))
    hz = np.array(document["curves"]["frequency_hz"])
    counts = (hz >= 20) & (hz <= 300) & (before >= -10)
    assert f"{np.min((level - before)[counts]):+.1f} dB".replace("-", "−") in there
    assert cost_in_bass(Bench(BuildFolder.open(rig)), stock, stock) == "bass as it was"


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_no_number_without_a_meaning(rig: Path, command: tuple[str, ...]) -> None:
    assert list(meaningless(text_of_command(rig, command))) == []


def test_no_number_without_a_meaning_in_the_window(rig: Path) -> None:
    bench = Bench(BuildFolder.open(rig))
    both = [bench.in_box("stock"), bench.in_box("lined")]
    for what, text in texts_of_window(bench, [*([take] for take in bench.takes), both]):
        assert list(meaningless(text)) == [], what


@pytest.mark.parametrize(
    "text",
    [
        "Q 1e+02",
        "± 9e-05 Hz",
        "43.808 ± 0.001 Hz",
        "24.30 ± 1.12 litres",
        "24.3 ± 0.52 litres",
        "0.00 ± 0.00 ohm",
        "height after – Ω",
        "level 0.00054 %",
        "undecided: 100 % sure",
        "falls by 0.0 dB only",
        "the change, told: beyond doubt (its standard uncertainty)",
    ],
)
def test_the_scan_sees_what_means_nothing(text: str) -> None:
    assert list(meaningless(f"before\n{text}\nafter"))


def test_the_scan_lets_pass_what_means_something() -> None:
    said = "43.81 ± 0.18 Hz, 139 ± 25, 2790 ± 130, 10 Ω ± 1 %, 0.00150 ± 0.00014 Ω, above 99 %, by 0.5 dB, 100 ± 10 Hz"
    assert list(meaningless(said)) == []


@pytest.mark.parametrize("command", [("driver",), ("box", "--state", "lined"), ("bass", "--state", "stock")])
def test_a_table_of_driver_box_or_bass_says_what_its_names_mean(rig: Path, command: tuple[str, ...]) -> None:
    lines = text_of_command(rig, command).splitlines()
    head = next(place for place, line in enumerate(lines) if line.startswith((f"{command[0]} ",)))
    rows = lines[head + 1 : lines.index("what these are:")]
    names = {re.split(r"  +", row)[0] for row in rows if re.search(r"^\S.*\w  +\S", row)}
    told = {line[4:].split(": ")[0] for line in lines[lines.index("what these are:") + 1 :] if line.startswith("  - ")}
    assert len(names) > 4 and {AT_HZ.get(name, name) for name in names} == told


def test_frequencies_in_sentences_never_have_an_exponent() -> None:
    """Three digits of 1111 Hz would be 1.11e+03: `frequency_words` are for that."""
    for room in ("analysis", "capture", "calibration", "gui", "commands"):
        for path in (ROOT / room).rglob("*.py"):
            text = path.read_text(encoding="utf-8")
            for found in re.finditer(r"_hz(\[[^]]*\])?:\.[123]g\} Hz", text):
                known = ("number_words.py", "picture_style.py", "findings_section.py")
                assert path.name in known, f"{path}: {found[0]}"


@given(st.floats(1e-6, 1e9), st.integers(1, 4))
def test_short_numbers_have_no_exponent(number: float, digits: int) -> None:
    said = short_number(number, digits)
    assert "e" not in said.lower() and float(said) == float(f"{number:.{digits}g}")
