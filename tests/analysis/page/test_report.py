"""The report: whole HTML, nothing from the network, everything said, everything escaped."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import invented_speaker
import numpy as np
import pytest

from stillbox.analysis.cautions import CAUTIONS, cautions_for
from stillbox.analysis.comparison.comparison_section import comparison_section, tuning_section
from stillbox.analysis.findings.findings_section import StateFindings, findings_section
from stillbox.analysis.impedance.findings import Finding
from stillbox.analysis.maths.quantity import value_text
from stillbox.analysis.maths.table import Table
from stillbox.analysis.page.report import Report, render_report, write_report
from stillbox.analysis.ringing.comparison import Change, Comparison, Verdict
from stillbox.analysis.ringing.summary import summary_of_findings
from stillbox.analysis.section import ReportPart, ReportPicture, Section
from stillbox.analysis.waterfall.ridges import Ridge
from stillbox.capture.errors import StillboxError

SVG = b'<svg xmlns="http://www.w3.org/2000/svg" width="10" height="10"><path d="M0 0L9 9"/></svg>'
VOID = {"meta", "img", "br", "hr", "link", "input"}


class Page(HTMLParser):
    """Collects text, tags and links, and checks that tags close in order."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.links: list[str] = []
        self.text: list[str] = []
        self.rows: list[list[str]] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.links.extend(value or "" for name, value in attrs if name in ("href", "src", "action"))
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] == "style":
            return
        self.text.append(data)
        if self.rows and self.rows[-1] and ("td" in self.open or "th" in self.open):
            self.rows[-1][-1] += data

    @property
    def words(self) -> str:
        return " ".join(" ".join(self.text).split())


def ridge(frequency_hz: float, slope: float, std: float, reason: str = "") -> Ridge:
    nothing = np.empty(0)
    if reason:
        return Ridge(frequency_hz, nothing, nothing, nothing, reason=reason)
    return Ridge(frequency_hz, nothing, nothing, nothing, slope, std)


def state(name: str = "stock", parts: tuple = invented_speaker.BARE) -> StateFindings:
    fit = invented_speaker.fit(parts)
    ridges = tuple(ridge(frequency_hz, 27.2875 * frequency_hz / q, 8.0) for frequency_hz, q, _ in parts)
    return StateFindings(
        name,
        f"take 6: in-box/{name}/A",
        invented_speaker.report(fit, name),
        (("Level", "-12 dBFS"),),
        (*ridges[:-1], ridge(parts[-1][0], 0, 0, "clear of noise in 2 slices only")),
        ("ends at 5000 Hz",),
    )


def both_states() -> tuple[StateFindings, StateFindings]:
    return state(), state("lined", invented_speaker.LINED)


def report(
    states: tuple[StateFindings, ...] | None = None,
    comparison: Comparison | None = None,
    others: tuple[Section, ...] = (),
    **changes: object,
) -> Report:
    """A report of states, of what changed between them, and of other topics."""
    if states is None:
        states = (state(),) if comparison is None else both_states()
    found = [] if comparison is None else [comparison_section(comparison, [one.findings for one in states])]
    sections = (*found, *(findings_section(one) for one in states), *others)
    whole = Report(
        build="bench-pair",
        unit="A",
        written="2024-05-03 18:20",
        program="Stillbox 0.1.0",
        names=tuple(one.name for one in states),
        summary=tuple(summary_of_findings(one.findings) for one in states),
        sections=sections,
        measurement=(("Jig", "high-side, 10 Ω reference resistor, 1 %"),),
        calibration=("Corrected with open, short and load.", "Not corrected: warmth of the resistor."),
        pictures=(ReportPicture("Impedance above, decay below.", SVG),),
        cautions=cautions_for("amplifier", "hearing"),
    )
    return replace(whole, **changes)


def comparison() -> Comparison:
    before = state().findings.findings
    after = state("lined", invented_speaker.LINED).findings.findings

    def change(
        one: Finding | None, other: Finding | None, verdict: Verdict, significance: float, limit: float
    ) -> Change:
        named = one or other
        assert named is not None
        return Change(named.resonance.frequency_hz, one, other, verdict, significance, limit)

    changes = (
        change(before[0], after[0], "reduced", -5.9, 0.0071),
        change(before[1], None, "gone", -221.0, 0.0072),
        change(before[2], None, "gone", -64.0, 0.0073),
        change(None, after[1], "new", 33.0, 0.0074),
    )
    return Comparison("stock", "lined", "A", changes, (), ("levels differ", "stock: the noise is high"))


def test_the_page_stands_alone() -> None:
    html = render_report(report(comparison=comparison()))
    page = Page(html)
    assert html.startswith("<!DOCTYPE html>")
    assert {"link", "script", "iframe"}.isdisjoint(page.tags)
    assert page.links and all(link.startswith("data:") for link in page.links)
    assert not re.search(r"https?:|url\(|@import", html)


def test_pictures_are_held_whole() -> None:
    png = b"\x89PNG\r\n\x1a\n" + bytes(range(256))
    page = Page(render_report(report(pictures=(ReportPicture("one", SVG), ReportPicture("two", png, "png")))))
    kinds = [link.split(";")[0] for link in page.links]
    assert kinds == ["data:image/svg+xml", "data:image/png"]
    assert [base64.b64decode(link.split(",")[1]) for link in page.links] == [SVG, png]


def test_everything_is_said() -> None:
    words = Page(render_report(report())).words
    for sentence in (
        "bench-pair, unit A",
        "Stillbox 0.1.0",
        "2024-05-03 18:20",
        "Impedance above, decay below.",
        "high-side, 10 Ω reference resistor, 1 %",
        "Not corrected: warmth of the resistor.",
        "invented evidence for 287 Hz",
        "Invented advice: filling where the air moves.",
        "no decay time: clear of noise in 2 slices only",
        "Decay: ends at 5000 Hz.",
        CAUTIONS["amplifier"],
        CAUTIONS["hearing"],
        CAUTIONS["limits"],
    ):
        assert sentence in words
    assert CAUTIONS["materials"] not in words


def test_findings_table() -> None:
    rows = Page(render_report(report())).rows
    assert rows[0] == [
        "Frequency, Hz",
        "Cause",
        "Sure",
        "Rings out, ms",
        "Q",
        "Height, Ω",
        "Detection limit, Ω",
        "Decay time, ms",
    ]
    # T60 = 60 Q / (27.2875 f0) (check-values, section 6): 60 * 16 / (27.2875 * 287) = 122.58 ms, and 8 of 489 dB/s
    assert rows[2][:3] == ["287.00 ± 0.11", "◆standing wave", "90 %"]
    assert rows[2][4:] == [
        "16.00 ± 0.32",
        "1.9000 ± 0.0060",
        "0.0081",  # 0.0064 for Q 10, sqrt(16 / 10) times that for this Q
        "122.6 ± 2.0",
    ]
    seconds = [float(row[3]) for row in rows[1:4]]
    assert seconds == sorted(seconds, reverse=True) and rows[1][1] == "■wall"
    assert rows[4] == rows[0] and rows[5][-1] == "–"  # the rest is folded


def test_advice_stands_outside_of_the_tables() -> None:
    page = render_report(report())
    cells = "".join(re.findall(r"<table.*?</table>", page, re.DOTALL))
    assert "Invented advice" in page and "Invented advice" not in cells
    assert "invented evidence" in page and "invented evidence" not in cells
    folded = "".join(re.findall(r"<details>.*?</details>", page, re.DOTALL))
    assert folded.count("<tr><td") == 1 and "and 1 smaller" in folded


def test_comparison_table() -> None:
    page = Page(render_report(report(comparison=comparison())))
    rows = page.rows[:5]
    assert rows[0][2:5] == ["stock, Ω", "lined, Ω", "Verdict"]
    assert rows[1] == ["178", "■wall", "0.3500 ± 0.0060", "0.3000 ± 0.0060", "reduced", "5.9 times", "–"]
    assert rows[2] == ["287", "◆standing wave", "1.9000 ± 0.0060", "–", "gone", "beyond doubt", "0.0072"]
    assert rows[4] == ["1178", "●driver", "–", "0.7800 ± 0.0060", "new", "beyond doubt", "0.0074"]
    assert "levels differ" in page.words
    words = Page(render_report(report(comparison=comparison(), summary=("one sentence on top",)))).words
    assert words.index("one sentence on top") < words.index("What changed from stock to lined")


def test_tuning_is_told_in_a_section_of_its_own() -> None:
    told = replace(comparison(), room=())
    assert tuning_section(told).parts[0].sentences == (*told.tuning, *told.room_words)
    moved = Section("Tuning", (ReportPart("", None, ("The tuning moved from 36.6 Hz to 35.9 Hz.",)),))
    assert "Tuning The tuning moved from 36.6 Hz" in Page(render_report(report(others=(moved,)))).words


def test_sections_of_parts() -> None:
    table = Table(("driver", "fit"), (("Re", "5.61 ± 0.02 ohm"), ("fs", "43.7 ± 0.1 Hz")))
    sentences = ("coil: simple", "volume: 30 litres", "  - port: 1 litre", " leaves 29")
    driver = Section("Driver", (ReportPart("", table, sentences),), ("hum at 50 Hz", "the driver has changed"))
    picture = ReportPicture("Bass of one state.", SVG)
    bass = Section("Bass", (ReportPart("Titled", None, ("no numbers",), picture),), ("the driver has changed",))
    one = state()
    noisy = replace(one, findings=replace(one.findings, warnings=("hum at 50 Hz",)))
    page = Page(render_report(report(states=(noisy,), others=(driver, bass), pictures=())))
    assert "Driver driver fit Re 5.61 ± 0.02 ohm fs 43.7 ± 0.1 Hz coil: simple" in page.words
    assert "volume: 30 litres port: 1 litre leaves 29 the driver has changed Bass" in page.words
    assert "Bass Titled no numbers Bass of one state." in page.words
    assert ["fs", "43.7 ± 0.1 Hz"] in page.rows
    assert [base64.b64decode(link.split(",")[1]) for link in page.links] == [SVG]
    assert page.words.count("hum at 50 Hz") == page.words.count("the driver has changed") == 1
    assert "Driver" not in Page(render_report(report())).words


def test_no_warning_is_said_twice() -> None:
    stock = state()
    noisy = replace(stock, findings=replace(stock.findings, warnings=("the noise is high",)))
    other = Section("Box", warnings=("hum at 50 Hz", "the noise is high"))
    both = (noisy, both_states()[1])
    words = Page(render_report(report(states=both, comparison=comparison(), others=(other,)))).words
    assert [words.count(text) for text in ("levels differ", "hum at 50 Hz", "the noise is high")] == [1, 1, 1]


def test_summary_of_states() -> None:
    assert summary_of_findings(state().findings) in Page(render_report(report())).words
    empty = StateFindings("lined", "take 7", invented_speaker.report(invented_speaker.fit(()), "lined"))
    (said,) = report(states=(empty,)).summary
    assert said.startswith("Good enough: no resonance stands out of the noise. Next: ")
    words = Page(render_report(report(states=(empty,)))).words
    assert "No resonance stands clear of the noise." in words


def test_nothing_found_in_two_states() -> None:
    nothing = Comparison("stock", "lined", "A", (), ())
    words = Page(render_report(report(comparison=nothing))).words
    assert words.count("No resonance was found in either state.") == 1


def test_strange_names_cannot_become_markup() -> None:
    nasty = '<script>alert("1")</script> & <b>'
    one = state()
    strange = replace(
        one,
        name=nasty,
        take=nasty,
        facts=((nasty, nasty),),
        decay_notes=(nasty,),
        findings=replace(
            one.findings,
            warnings=(nasty,),
            findings=tuple(replace(found, evidence=(nasty,), advice=nasty) for found in one.findings.findings),
        ),
    )
    html = render_report(
        report(
            build=nasty,
            unit=nasty,
            program=nasty,
            written=nasty,
            states=(strange,),
            measurement=((nasty, nasty),),
            calibration=(nasty,),
            pictures=(ReportPicture(nasty, SVG),),
            names=(nasty,),
            summary=(nasty,),
            cautions=(nasty,),
            others=(
                Section(
                    nasty,
                    (ReportPart(nasty, Table((nasty,), ((nasty,),)), (nasty,), ReportPicture(nasty, SVG)),),
                    (nasty + "!",),
                ),
            ),
        )
    )
    page = Page(html)
    assert "script" not in page.tags and "b" not in page.tags
    assert page.words.count('alert("1")') >= 25


@pytest.mark.parametrize(
    ("value", "std", "text"),
    [
        # JCGM 100, H.2: R 127.732, u 0.071; X 219.847, u 0.295; Z 254.260, u 0.236, with two digits of u.
        (127.73217, 0.07107, "127.732 ± 0.071"),
        (219.84651, 0.29558, "219.85 ± 0.30"),
        (254.25970, 0.23634, "254.26 ± 0.24"),
        (1234.5, 99.6, "1230 ± 100"),
        (1234.5, 123.0, "1230 ± 120"),
        (0.00123, 0.000456, "0.00123 ± 0.00046"),
        (24.10423, 0.00018, "24.104 ± 0.001"),
        (173.1421, 0.0021, "173.14 ± 0.01"),
        (123456.0, 0.1, "123456 ± 1"),
        (987.65, 0.07, "987.65 ± 0.07"),  # 100 * 0.07 is a little above 7
        (12346.0, 250.0, "12350 ± 250"),
        (0.0, 0.0123, "0.000 ± 0.012"),
        (-3.14159265, 0.0000123, "-3.1416 ± 0.0001"),
        (12.0, 0.0, "12"),
        (12.0, float("nan"), "12"),
    ],
)
def test_values_with_two_digits_of_uncertainty(value: float, std: float, text: str) -> None:
    assert value_text(value, std) == text
    assert value_text(value, std, "Ω") == text + " Ω"


def test_cautions_keep_their_order_and_close_with_the_limits() -> None:
    assert cautions_for("hearing", "amplifier") == (CAUTIONS["amplifier"], CAUTIONS["hearing"], CAUTIONS["limits"])
    assert cautions_for() == (CAUTIONS["limits"],)


def test_writing(tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    write_report(path, report())
    assert path.read_text(encoding="utf-8") == render_report(report())
    with pytest.raises(StillboxError, match="cannot write"):
        write_report(tmp_path / "nowhere" / "report.html", report())
