"""The notebook from the command line: written, printed, corrected, and what cannot be said in one sentence each."""

from __future__ import annotations

import json

import pytest
from invoked import one_line, run

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.notebook import read_notebook
from stillbox.commands import notebook as command


def test_an_empty_notebook_asks_for_the_complaint(build: BuildFolder) -> None:
    status, out, err = run("log", build.path)
    assert (status, err) == (0, "")
    assert "is empty" in out and "what do you hear? Say what is to become better, before anything is done" in out
    assert f"stillbox log {build.path} --heard" in out
    status, _, err = run("log", build.path, "felt")
    assert status == 0 and "what do you hear?" in one_line(err)
    assert run("log", build.path, "--heard", "booms")[2] == ""
    assert run("log", build.path, "foam")[2] == ""


def test_all_that_can_be_said_is_kept_and_printed(build: BuildFolder) -> None:
    run("log", build.path, "--heard", "booms on male voices")
    status, out, err = run(
        "log", build.path, "felt on back and sides", "--state", "lined", "--unit", "B", "--material", "felt", "--area",
        3500, "--thickness", 10, "--mass", 400, "--at", "back and sides", "--part", "C2=8.2u", "--part", "L1.loss=0.2",
        "--part", "cable=3m,1.5mm2", "--cost", 12.5, "--currency", "eur", "--minutes", 40, "--date", "2026-05-31",
    )  # fmt: skip
    assert (status, err) == (0, "") and out.startswith("entry 2  2026-05-31  lined/B  felt on back and sides; felt")
    entry = read_notebook(build.path).entry(2)
    assert entry.parts == ("C2=8.2u", "L1.loss=0.2", "cable=3m,1.5mm2") and entry.mass_g == 400.0
    run("log", build.path, "glue", "--cost", 3)
    assert read_notebook(build.path).entry(3).currency == "EUR"
    status, out, _ = run("log", build.path, "--correct", 2, "felt on the back alone", "--cost", 11)
    assert status == 0 and "felt on the back alone" in out and "11.00 EUR" in out
    run("log", build.path, "--withdraw", 3)
    status, out, err = run("log", build.path, "--short")
    assert (status, err) == (0, "")
    for words in ("2 entries, 11.00 EUR, 40 minutes", "felt on back and sides; 12.50 EUR", "withdrawn 2026-", "8.2u"):
        assert words in out, words
    run("log", build.path, "--restore", 3)
    document = json.loads(run("log", build.path, "--json")[1])
    assert document["expense"] == {"costs": {"EUR": 14.0}, "minutes": 40.0}
    assert [one["number"] for one in document["entries"]] == [1, 2, 3] and document["heard"][0]["entry"] == 1
    assert document["steps"][0]["missing"] == ["it has not been swept since"]
    assert document["entries"][1]["former"][0]["text"] == "felt on back and sides"
    assert json.loads(run("log", build.path, "a brace", "--json")[1])["entry"]["number"] == 4


def test_the_complaint_is_asked_for_at_the_terminal_first(build: BuildFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(command.sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(command, "ask", lambda question: "booms")
    run("log", build.path, "felt")
    assert [(one.heard, one.text) for one in read_notebook(build.path).entries] == [("booms", ""), ("", "felt")]
    monkeypatch.setattr(command, "ask", lambda question: pytest.fail("it was told already"))
    run("log", build.path, "foam")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("x", "--cost", "12,5"), "write it with a point: --cost 12.5"),
        (("x", "--cost", "12.50 EUR"), "give the number alone, as in --cost 12.50"),
        (("x", "--cost", "nan", "--currency", "EUR"), "--cost nan must be 0 to"),
        (("x", "--cost", "-1", "--currency", "EUR"), "--cost -1 must be 0 to"),
        (("x", "--cost", "3"), "--cost 3 has no currency; give it with --currency, as in EUR"),
        (("x", "--cost", "3", "--currency", "EURO"), "must be three letters, as in EUR"),
        (("x", "--cost", "3", "--currency", "€"), "must be three letters"),
        (("x", "--minutes", "inf"), "--minutes inf must be 0 to"),
        (("--material", "felt", "--area", "0"), "--area 0 must be 0.1 to"),
        (("x", "--area", "10"), "belong to a material"),
        (("x", "--part", "C2"), "write NAME=VALUE, as in C2=8.2u"),
        (("x", "--part", "C2=much"), "no value of a part"),
        (("x", "--part", "C2=8,2u,3"), "no value of a part"),
        (("x", "--takes-out", "7"), "the notebook has no entry 7"),
        (("x", "--date", "31.5.2026"), "is no day; write year, month and day"),
        (("x", "--state", "a/b"), "cannot name a state"),
        (("--correct", "1"), "says that already; give what is to be another"),
        (("--correct", "9", "x"), "has no entry 9; its entries are 1 to 1"),
        (("--withdraw", "1", "x"), "give them alone"),
        (("--withdraw", "1", "--restore", "1"), "give them alone"),
        (("x", "--short"), "for printing the notebook"),
        (("x", "--picture", "nowhere.jpg"), "cannot read the picture nowhere.jpg: No such file"),
        (("--state", "lined"), "nothing is said in this entry"),
    ],
)
def test_what_cannot_be_is_one_sentence_and_writes_nothing(
    build: BuildFolder, arguments: tuple[str, ...], said: str
) -> None:
    run("log", build.path, "--heard", "booms")
    before = (build.path / "notebook.toml").read_bytes()
    status, out, err = run("log", build.path, *arguments)
    assert (status, out) == (2, "") and said in one_line(err)
    assert (build.path / "notebook.toml").read_bytes() == before


def test_letters_that_a_terminal_would_obey_are_shown(build: BuildFolder) -> None:
    run("log", build.path, "a \x1b[31mred\x1b[0m word\nand a second line")
    status, out, _ = run("log", build.path, "--short")
    assert status == 0 and "\x1b" not in out and r"\x1b[31mred" in out and "word and a second line" in out
