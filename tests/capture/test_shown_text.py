"""Names from people and from files are shown as they are: never obeyed by terminal, drawing, page or window."""

from __future__ import annotations

import json
import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invoked import one_line, run
from matplotlib.text import Text
from places import ROOT

from stillbox.analysis.drawing.picture_style import figure_bytes, finish, make_drawable, new_figure
from stillbox.analysis.page.report import _environment
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError
from stillbox.capture.shown_text import short_name, visible
from stillbox.capture.sweep.excitation import Excitation
from stillbox.commands.printing import print_table, say, warn

SWEEP = Excitation(seconds=0.3, silence_before_s=0.2, silence_after_s=0.2)
ESCAPES = "\x1b[31mred\x1b]0;title\x07\x9b2J\x08\x7f\r\u202e\u2066"
FORGED = "box\nstillbox: all is well"


def harmless(text: str) -> bool:
    return all(letter.isprintable() or letter == "\n" for letter in text)


@pytest.mark.parametrize("text", ["$x^2$", "$\\frac{$", "$$", "a $ b $ c \\$ d", "\\$", "$_$ {\\bf", "^_{}$\\sum$"])
def test_names_are_no_mathematics(text: str) -> None:
    figure = new_figure(4, 3)
    figure.suptitle(text)
    axes = figure.add_subplot()
    axes.set_title(text)
    axes.plot([1, 2], label=text)
    axes.set_xlabel(text)
    axes.legend()
    finish(figure)
    for suffix in ("png", "svg", "pdf"):
        assert figure_bytes(figure, suffix)
    ticks = {label for axis in (axes.xaxis, axes.yaxis) for label in axis.get_ticklabels(which="both")}
    drawn = [found for found in figure.findobj(Text) if isinstance(found, Text) and found.get_text() == text]
    assert len(drawn) == 4 and not ticks & set(drawn)  # labels of ticks are numbers of ours
    assert not any(found.get_parse_math() for found in drawn)


@given(st.text(max_size=40))
@settings(max_examples=40, deadline=None)
def test_any_name_can_be_drawn(text: str) -> None:
    figure = new_figure(2, 2)
    figure.suptitle(text)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        finish(figure)
        content = figure_bytes(figure, "svg")
    content.decode("utf-8")


def test_a_long_name_stays_in_the_picture() -> None:
    figure = new_figure(4, 3)
    title = figure.suptitle("x" * 10_000)
    make_drawable(figure)
    assert len(title.get_text()) == 120


@given(st.text())
@settings(max_examples=200, deadline=None)
def test_what_is_visible_is_harmless_and_stays_so(text: str) -> None:
    shown = visible(text)
    assert shown.isprintable()
    assert visible(shown) == shown
    shown.encode("utf-8")
    assert len(short_name(text)) <= 80


def test_plain_letters_stay() -> None:
    text = "Gehäuse Ω ± − ‘x’ $5 <b> \\n 日本 🔊"
    assert visible(text) == text
    assert visible("a\u00a0b\u2009c") == "a b c"
    assert visible("\x1b[0m\udcff") == "\\x1b[0m\\udcff"


def test_the_commands_print_nothing_that_a_terminal_obeys(capsys: pytest.CaptureFixture[str]) -> None:
    say(ESCAPES + FORGED)
    warn(ESCAPES + FORGED)
    print_table(("head",), [(ESCAPES + FORGED,)])
    out, err = capsys.readouterr()
    assert harmless(out + err)
    assert out.startswith("\\x1b[31mred\\x1b]0;title\\x07\\x9b2J\\x08\\x7f\\r\\u202e\\u2066box\\nstillbox")
    assert out.count("\n") == 3
    assert err.count("\n") == 1
    assert harmless(str(StillboxError(ESCAPES, "")))


@pytest.fixture
def hostile(tmp_path: Path) -> BuildFolder:
    """A build with escapes wherever words of a person or of a file stand."""
    path = tmp_path / f"bu\x1b[31mild\x07{FORGED}"
    made = BuildFolder.create(path)
    toml = json.dumps(ESCAPES + FORGED + "<b>bold</b> $x^{2$")
    text = (made.path / "build.toml").read_text().replace(next(
        line for line in (made.path / "build.toml").read_text().splitlines() if line.startswith("name =")
    ), f"name = {toml}")
    (made.path / "build.toml").write_text(text.replace("[wall]", f"[wall]\nmaterial = {toml}", 1))
    noise = 0.1 * np.random.default_rng(0).standard_normal((40_000, 2))
    made.add_take(
        noise, "PCM_24", subject="in-box", state="stock", excitation=SWEEP, sweep_starts=[9_600], origin="a.wav"
    )
    sidecar = made.path / "takes" / "0001-in-box-stock-A.json"
    document = json.loads(sidecar.read_text())
    document["flags"] = [ESCAPES + FORGED]
    document["origin"] = ESCAPES + FORGED
    sidecar.write_text(json.dumps(document))
    (made.path / "takes" / f"0002-{ESCAPES.replace('/', '')}.flac").write_bytes(b"")
    (made.path / "takes" / f"0003-{ESCAPES.replace('/', '')}.json").write_bytes(b"")
    return made


def test_a_hostile_build_is_listed_harmlessly(hostile: BuildFolder) -> None:
    code, out, err = run("takes", hostile.path)
    assert code == 0
    assert harmless(out + err)
    assert not any(line.startswith("stillbox: all is well") for line in (out + err).splitlines())
    assert "\\x1b[31mred" in out
    (info,) = hostile.takes()
    assert info.flags == (visible(ESCAPES + FORGED),)
    for command in (("findings",), ("driver",), ("calibrate", "--reference-ohms", "10"), ("takes", "--json")):
        code, out, err = run(command[0], hostile.path, *command[1:])
        assert harmless(out + err)
        assert "all is well" not in [line[10:] for line in (out + err).splitlines()]


@pytest.mark.parametrize(
    "words",
    [
        ("\x1b[31m",),
        ("takes", "\x1b[31m"),
        ("curve", "BUILD", "\x1b[31m"),
        ("findings", "BUILD", "--state", "\x1b[31m"),
        ("start", "NEW", "--inside", "\x1b[31m"),
        ("import", "BUILD", "\x1b[31m.wav", "--excitation", "\x1b[31m", "--subject", "\x1b"),
        ("record", "BUILD", "--subject", "\x1b[31m", "--device", "practice rig: \x1b[31m"),
        ("report", "BUILD", "--out", "\x1b[31m.txt"),
        ("takes", "--\x1b[31m"),
        ("takes", "BUILD", "extra\x1b[31m"),
    ],
)
def test_what_is_typed_comes_back_harmless(hostile: BuildFolder, tmp_path: Path, words: tuple[str, ...]) -> None:
    given = {"BUILD": str(hostile.path), "NEW": str(tmp_path / "new")}
    code, out, err = run(*(given.get(word, word) for word in words))
    assert code == 2
    assert out == ""
    assert "\\x1b" in one_line(err)
    assert harmless(err)


def test_a_page_escapes_what_it_prints() -> None:
    template = _environment().from_string("<p>{{ text }}</p>{% macro m() %}<b>{{ text }}</b>{% endmacro %}{{ m() }}")
    shown = template.render(text="<script>$x$\x1b[31m & \u202e")
    assert shown == "".join(f"<{tag}>&lt;script&gt;$x$\\x1b[31m &amp; \\u202e</{tag}>" for tag in "pb")


def test_no_template_lets_anything_through_unescaped() -> None:
    folder = ROOT / "analysis" / "page" / "templates"
    for path in folder.iterdir():
        text = path.read_text(encoding="utf-8")
        assert "safe" not in text.replace("safety", "")
        assert "autoescape" not in text
