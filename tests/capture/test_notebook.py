"""The notebook of a build: written, read, corrected, withdrawn, edited by hand, and never lost."""

from __future__ import annotations

import os
import tomllib
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from notebook_kills import kill_at_random_moments

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.notebook import Entry, Notebook, begins_at, in_force, read_notebook
from stillbox.capture.build.notebook_edit import add_entry, correct_entry, day_of, restore_entry, withdraw_entry
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo

FELT = {
    "state": "lined", "text": "felt on the back", "material": "felt", "area_cm2": 3500.0, "thickness_mm": 10.0,
    "cost": 12.5, "currency": "eur", "minutes": 40.0, "parts": ("C2=8.2u",), "at": "back",
}  # fmt: skip


@pytest.fixture
def build(tmp_path: Path) -> BuildFolder:
    return BuildFolder.create(tmp_path / "shelf pair")


def test_what_is_said_is_read_again(build: BuildFolder) -> None:
    add_entry(build, {"heard": 'booms, "like a barrel" \\ é\non two lines'})
    second = add_entry(build, FELT)
    found = read_notebook(build.path)
    assert [entry.number for entry in found.entries] == [1, 2]
    assert found.entries[0].heard == 'booms, "like a barrel" \\ é\non two lines'
    assert found.entries[1] == second and second.currency == "EUR" and second.parts == ("C2=8.2u",)
    made = second.moment
    assert made is not None and abs(made - datetime.now(UTC)) < timedelta(minutes=1)
    tables = tomllib.loads((build.path / "notebook.toml").read_text())["entry"]
    assert tables[1]["cost"] == 12.5 and "mass_g" not in tables[1]


def test_a_correction_keeps_what_stood_there_and_a_person_s_own_comments(build: BuildFolder) -> None:
    add_entry(build, {"heard": "booms"})
    add_entry(build, FELT)
    path = build.path / "notebook.toml"
    path.write_text(path.read_text().replace("cost = 12.5", "cost = 12.5  # too dear") + "\n# my last line\n")
    correct_entry(build, 2, {"text": "felt on back and sides", "area_cm2": 7000.0})
    entry = correct_entry(build, 2, {"cost": None, "currency": None, "minutes": 45.0})
    assert entry == read_notebook(build.path).entry(2)
    assert (entry.text, entry.area_cm2, entry.cost, entry.minutes) == ("felt on back and sides", 7000.0, None, 45.0)
    assert [(one.text, one.area_cm2, one.cost, one.currency, one.minutes) for one in entry.former] == [
        ("felt on the back", 3500.0, None, None, None), ("", None, 12.5, "EUR", 40.0),
    ]  # fmt: skip
    assert all(one.changed is not None for one in entry.former)
    assert "# my last line" in path.read_text() and path.read_text().startswith("# Notebook of this build")
    correct_entry(build, 2, {"cost": 0.0, "currency": "EUR"})
    assert read_notebook(build.path).entry(2).cost == 0.0
    correct_entry(build, 1, {"heard": "booms on voices"})
    assert "# too dear" not in path.read_text()  # it went with the line that it stood in


def test_a_withdrawn_entry_stays_and_comes_back(build: BuildFolder) -> None:
    add_entry(build, FELT)
    add_entry(build, {"text": "a brace"})
    withdraw_entry(build, 1)
    found = read_notebook(build.path)
    assert [entry.number for entry in found.entries] == [1, 2] and [entry.number for entry in found.standing] == [2]
    assert found.entry(1).text == "felt on the back"
    with pytest.raises(StillboxError, match="withdrawn already"):
        withdraw_entry(build, 1)
    restore_entry(build, 1)
    assert len(read_notebook(build.path).standing) == 2
    with pytest.raises(StillboxError, match="is not withdrawn"):
        restore_entry(build, 1)
    with pytest.raises(StillboxError, match="no entry 7; its entries are 1 to 2"):
        correct_entry(build, 7, {"text": "x"})
    with pytest.raises(StillboxError, match="says that already"):
        correct_entry(build, 2, {"text": "a brace"})


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({}, "nothing is said"),
        ({"state": "lined"}, "nothing is said"),
        ({"text": "x", "cost": 3.0}, "needs its currency"),
        ({"text": "x", "cost": 3.0, "currency": "EURO"}, "three letters"),
        ({"text": "x", "cost": float("nan"), "currency": "EUR"}, "must be 0 to 1e"),
        ({"text": "x", "cost": -1.0, "currency": "EUR"}, "must be 0 to 1e"),
        ({"text": "x", "minutes": float("inf")}, "minutes"),
        ({"text": "x", "area_cm2": 100.0}, "belong to a material"),
        ({"material": "felt", "area_cm2": 0.0}, "cm²"),
        ({"text": "x", "state": "a/b"}, "cannot name a state"),
        ({"text": "x", "state": "12"}, "digits alone"),
        ({"text": "x", "parts": ("C2 8.2u",)}, "NAME=VALUE"),
        ({"text": "x" * 10_001}, "10000"),
        ({"text": "half a letter \udc80"}, "text"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_written(build: BuildFolder, said: dict[str, object], words: str) -> None:
    add_entry(build, {"heard": "booms"})
    before = (build.path / "notebook.toml").read_bytes()
    with pytest.raises(StillboxError, match=words):
        add_entry(build, said)
    assert (build.path / "notebook.toml").read_bytes() == before


def test_days_are_written_in_one_way(build: BuildFolder) -> None:
    assert day_of("2026-05-31") == date(2026, 5, 31)
    today = day_of(date.today().isoformat())
    assert isinstance(today, datetime) and abs(today - datetime.now(UTC)) < timedelta(minutes=1)
    assert add_entry(build, {"text": "glued", "made": date(2020, 2, 29)}).made == date(2020, 2, 29)
    assert read_notebook(build.path).entry(1).moment is not None
    for text in ("31.05.2026", "2026-5-31", "20260531", "2026-02-30", "yesterday", ""):
        with pytest.raises(StillboxError, match="is no day; write year, month and day"):
            day_of(text)
    with pytest.raises(StillboxError, match="still to come"):
        day_of((date.today() + timedelta(days=2)).isoformat())


def test_written_by_hand_it_needs_no_numbers(build: BuildFolder) -> None:
    path = build.path / "notebook.toml"
    path.write_text(
        '[[entry]]\nheard = "booms"\n\n[[entry]]  # the dear one\nmade = 2026-05-31\ntext = "felt"\ncost = 12\n'
        'currency = "EUR"\n[[entry]]\nnumber = 7\ntext = "brace"\n'
    )
    assert [entry.number for entry in read_notebook(build.path).entries] == [1, 2, 7]
    correct_entry(build, 2, {"text": "felt on the back"})
    assert add_entry(build, {"text": "foam"}).number == 8
    assert "# the dear one" in path.read_text()
    assert [entry.number for entry in read_notebook(build.path).entries] == [1, 2, 7, 8]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[entry]]\ncosts = 3\n", "entry 1 from above: there is no key 'costs'.*did you mean 'cost'"),
        ('[[entry]]\ntext = "a"\n[[entry]]\nminutes = "ten"\n', "entry 2 from above: minutes"),
        ("[[entry]]\nnumber = 3\n[[entry]]\nnumber = 3\n", "two entries have the number 3"),
        ('entry = "x"\n', "two brackets"),
        ("[entry]\n", "two brackets"),
        ("title = 3\n", "'title' belongs to no entry"),
        ("[[entry]\n", "mend it in a text editor"),
        ('[[entry]]\npictures = ["../../x.jpg"]\n', "plain name of a picture"),
        ("[[entry]]\nmade = 12:00:00\n", "entry 1 from above: made"),
        ('[[entry]]\ntext = "\\u0000"\n' + "[[entry]]\n" * 3 + "a.b = 1\n", "entry 4 from above"),
    ],
)
def test_a_slip_by_hand_is_named_and_nothing_is_written_over_it(build: BuildFolder, text: str, words: str) -> None:
    path = build.path / "notebook.toml"
    path.write_text(text)
    for attempt in (lambda: read_notebook(build.path), lambda: add_entry(build, {"text": "x"})):
        with pytest.raises(StillboxError, match=words):
            attempt()
    assert path.read_text() == text


def test_nothing_but_a_plain_file_is_the_notebook(build: BuildFolder, tmp_path: Path) -> None:
    path = build.path / "notebook.toml"
    (tmp_path / "other.toml").write_text("")
    path.symlink_to(tmp_path / "other.toml")
    with pytest.raises(StillboxError, match="is a link"):
        add_entry(build, {"text": "x"})
    path.unlink()
    os.mkfifo(path)
    with pytest.raises(StillboxError, match="a pipe, not a file"):
        add_entry(build, {"text": "x"})
    path.unlink()
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(StillboxError, match="UTF-8"):
        read_notebook(build.path)
    path.write_text('entry = [{ text = "in a row" }]\n')
    assert read_notebook(build.path).entry(1).text == "in a row"
    before = path.read_text()
    for change in (lambda: add_entry(build, {"text": "x"}), lambda: correct_entry(build, 1, {"text": "x"})):
        with pytest.raises(StillboxError, match="laid out in a way"):
            change()
    assert path.read_text() == before


def take(number: int, state: str, unit: str = "A", minute: int = 0) -> TakeInfo:
    """What is asked of a take here."""
    made = datetime(2026, 5, 31, 12, minute, tzinfo=UTC)
    return TakeInfo.model_construct(number=number, subject="in-box", state=state, unit=unit, created=made, of="")


TAKES = [take(1, "stock"), take(2, "lined", minute=20), take(3, "lined", "B", 30), take(4, "final", minute=40)]


def test_an_entry_begins_with_its_state_or_with_the_next_take() -> None:
    named = Entry(state="lined")
    assert [begins_at(named, TAKES, unit) for unit in "AB"] == [2, 3]
    assert begins_at(Entry(state="lined", unit="B"), TAKES, "A") is None
    assert begins_at(Entry(state="painted"), TAKES, "A") is None
    for minute, firsts in ((10, (2, None)), (25, (None, 3)), (35, (4, None)), (50, (None, None))):
        made = datetime(2026, 5, 31, 12, minute, tzinfo=UTC)
        assert tuple(begins_at(Entry(made=made), TAKES, unit) for unit in "AB") == firsts
    made = datetime(2026, 5, 31, 12, 25, tzinfo=UTC)
    assert begins_at(Entry(made=made, unit="A"), TAKES, "A") == 4
    assert begins_at(Entry(), TAKES, "A") is None


def test_a_material_stays_until_it_is_taken_out() -> None:
    felt = Entry(number=1, state="lined", material="felt")
    out = Entry(number=2, state="final", takes_out=(1,))
    found = [[entry.number for entry in in_force((felt, out), TAKES, one)] for one in TAKES]
    assert found == [[], [1], [1], []]
    assert Notebook((felt, out)).next_number == 3


def test_no_kill_takes_an_entry_or_leaves_half_a_one(tmp_path: Path) -> None:
    """A hundred of them are a row of the benchmarks."""
    done = kill_at_random_moments(tmp_path / "killed", times=5, seed=1)
    assert done.entries >= done.acknowledged > 0 and done.killed == 5


def test_who_writes_at_the_same_time_waits(build: BuildFolder) -> None:
    with ThreadPoolExecutor(4) as pool:
        written = list(pool.map(lambda place: add_entry(build, {"text": f"step {place}"}).number, range(12)))
    found = read_notebook(build.path).entries
    assert sorted(written) == [entry.number for entry in found] == list(range(1, 13))
    assert {entry.text for entry in found} == {f"step {place}" for place in range(12)}
