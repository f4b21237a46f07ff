"""Stages of the work and the takes that stand for them: names, numbers, unlike takes, setting aside."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invoked import one_line, run
from practice_takes import practice_takes

from stillbox.analysis.bench import Bench
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.states import check_name, next_state, standing_sentence
from stillbox.capture.build.take_edit import rename_state
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo, fitting_takes

FREE_AIR, STOCK, AGAIN, LINED = 1, 2, 3, 4


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The rig in free air, bare twice, and lined."""
    takes = (("free-air", None), ("in-box", "stock"), ("in-box", "stock"), ("in-box", "lined"))
    return practice_takes(tmp_path_factory.mktemp("states"), takes)


@pytest.fixture
def build(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made, tmp_path / "build")
    return tmp_path / "build"


def findings_of(build: Path, *more: object) -> dict[str, object]:
    code, out, err = run("findings", build, "--json", *more)
    assert (code, err) == (0, "")
    return dict(json.loads(out))


def test_a_number_is_accepted_wherever_a_state_is(build: Path) -> None:
    by_number, by_name = findings_of(build, "--state", LINED), findings_of(build, "--state", "lined")
    assert by_number == by_name
    assert findings_of(build, "--state", STOCK)["findings"] != findings_of(build, "--state", AGAIN)["findings"]
    code, out, _ = run("compare", build, STOCK, LINED, "--json")
    assert code == 0 and json.loads(out)["before"] == "stock" and json.loads(out)["after"] == "lined"
    code, out, _ = run("compare", build, STOCK, AGAIN, "--json")  # of one state: told apart by their numbers
    assert code == 0 and (json.loads(out)["before"], json.loads(out)["after"]) == ("stock (2)", "stock (3)")
    for command in (("box", "--state", LINED), ("bass", "--state", LINED, "--against", STOCK)):
        code, out, _ = run(command[0], build, *command[1:], "--json")
        assert code == 0 and json.loads(out)["state"] == "lined"
    code, out, _ = run("bass", build, "--state", AGAIN, "--against", STOCK, "--json")
    assert code == 0 and json.loads(out)["sense"] == "stock (3) minus stock (2)"
    assert [take.number for take in Bench(BuildFolder.open(build)).reported((str(STOCK), "lined"))] == [STOCK, LINED]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("findings", "--state", FREE_AIR), "take 1 is free-air/-/A, not a take in the box"),
        (("findings", "--state", 99), "no in-box take of number or state 99; there are"),
        (("compare", STOCK, STOCK), "cannot be compared with itself; name the states before and after"),
        (("compare", AGAIN, "stock"), "cannot be compared with itself; name the states before and after"),
        (("bass", "--state", "stock", "--against", AGAIN), "cannot be set against itself"),
    ],
)
def test_numbers_that_mean_nothing_there(build: Path, arguments: tuple[object, ...], said: str) -> None:
    code, _, err = run(arguments[0], build, *arguments[1:])
    assert code == 2 and said in one_line(err)


def test_a_state_of_that_very_name_wins(build: Path) -> None:
    """A build of an earlier version may have a state of digits alone."""
    (sidecar,) = (build / "takes").glob(f"{LINED:04d}-*.json")
    sidecar.write_text(sidecar.read_text().replace('"state": "lined"', f'"state": "{STOCK}"'))
    takes = BuildFolder.open(build).takes()
    assert [take.number for take in fitting_takes(takes, "in-box", str(STOCK))] == [LINED]
    assert [take.number for take in fitting_takes(takes, "in-box", str(AGAIN))] == [AGAIN]


@given(st.text("0123456789", min_size=1, max_size=40))
def test_new_names_of_digits_alone_are_refused(name: str) -> None:
    with pytest.raises(StillboxError, match="digits alone are the number of a take"):
        check_name(name)
    check_name(f"step {name}"[:40])
    check_name(name, "a unit")


def test_digits_are_refused_wherever_a_state_is_given(build: Path, tmp_path: Path) -> None:
    record = ("--subject", "in-box", "--state", "7", "--device", "practice rig", "--fast", "--seconds", "1")
    for arguments in (("record", build, *record), ("takes", build, "--rename", LINED, "7")):
        code, _, err = run(*arguments)
        assert code == 2 and "digits alone" in err.splitlines()[-1]
    assert [take.state for take in BuildFolder.open(build).takes()] == ["", "stock", "stock", "lined"]


def sums(build: Path) -> dict[str, str]:
    """What is recorded, wherever it lies in the build."""
    files = [path for path in build.rglob("*") if path.suffix in (".flac", ".wav")]
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def test_rename_set_aside_and_restore(build: Path) -> None:
    before, recorded = sums(build), BuildFolder.open(build).takes()
    code, out, err = run("takes", build, "--rename", AGAIN, "braced", "--set-aside", STOCK, "--set-aside", LINED)
    assert (code, err) == (0, "")
    assert "in-box/braced/A" in out
    assert "set aside (--restore N brings one back): 2 in-box/stock/A, 4 in-box/lined/A" in out
    assert [take.number for take in BuildFolder.open(build).takes()] == [FREE_AIR, AGAIN]
    code, out, _ = run("takes", build, "--json")
    assert [take["number"] for take in json.loads(out)["set_aside"]] == [STOCK, LINED]
    code, out, err = run("takes", build, "--restore", LINED, "--restore", STOCK, "--rename", AGAIN, "stock")
    assert (code, err, sums(build)) == (0, "", before)
    assert BuildFolder.open(build).takes() == recorded
    assert "set aside" not in out
    for option, said in (("--set-aside", "no take 9"), ("--restore", "no take 9")):
        code, _, err = run("takes", build, option, 9)
        assert code == 2 and said in one_line(err)


def test_unlike_takes_of_one_state_bring_a_word(build: Path) -> None:
    folder = BuildFolder.open(build)
    for state in ("stock", "lined"):  # the same box twice
        assert not Bench(folder).unlike(Bench(folder).in_box(state))
    rename_state(folder, LINED, "stock")
    bench = Bench(folder)
    (word,) = bench.unlike(bench.in_box("stock"))
    assert word.startswith("takes 3 and 4 are both 'stock' of unit A but unlike (")
    assert "Hz: " in word and f"--rename {LINED} NAME" in word and "--set-aside" in word
    assert bench.findings("stock").warnings[0] == word
    assert not bench.unlike(bench.in_box(str(AGAIN)))
    code, _, err = run("box", build, "--state", "stock")
    assert code == 0 and word in " ".join(err.split())


def test_a_take_that_stands_for_another_says_so(build: Path) -> None:
    arguments = ("--subject", "in-box", "--device", "practice rig", "--fast", "--seconds", "1")
    code, out, _ = run("record", build, *arguments)
    assert code == 0
    assert "note: take 5 stands for 'stock' of unit A from now on, no longer take 3" in out
    takes = BuildFolder.open(build).takes()
    assert standing_sentence(takes, takes[3]) == "" and standing_sentence(takes, takes[0]) == ""


def test_the_next_state_is_one_without_a_take(made: Path) -> None:
    takes = BuildFolder.open(made).takes()
    assert next_state(takes, "A") == "final" and next_state(takes, "B") == "stock"
    grown: list[TakeInfo] = list(takes)
    for number in range(5, 30):
        name = next_state(grown, "A")
        check_name(name)
        assert name not in {take.state for take in grown}
        grown.append(takes[-1].model_copy(update={"number": number, "state": name}))
