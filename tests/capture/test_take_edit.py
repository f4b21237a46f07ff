"""Changes to a build that can be taken back: samples stay as they are, numbers are never given twice."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from invoked import run

from stillbox.analysis.bench import Bench
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.kept_networks import keep_network, kept_networks, network_of_take
from stillbox.capture.build.notebook import read_notebook
from stillbox.capture.build.notebook_edit import add_entry
from stillbox.capture.build.take_edit import remove_take, removed_takes, rename_state, restore_take
from stillbox.capture.errors import StillboxError
from stillbox.capture.live.live_take import LiveRequest, record_take
from stillbox.capture.practice.practice_rig import PracticeRig


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    build = BuildFolder.create(tmp_path_factory.mktemp("edits") / "build")
    build.set_calibration(10.0, 1.0)
    rig = PracticeRig(seed=4)
    for subject, state in (("free-air", None), ("in-box", "stock")):
        record_take(build, rig, LiveRequest(subject, state, seconds=2.0), say=lambda _: None)
    return build.path


@pytest.fixture
def build(template: Path, tmp_path: Path) -> BuildFolder:
    import shutil

    shutil.copytree(template, tmp_path / "build")
    return BuildFolder.open(tmp_path / "build")


def files(build: BuildFolder) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted((build.path / "takes").iterdir())}


def test_a_new_state_leaves_the_samples_alone(build: BuildFolder) -> None:
    before = files(build)
    changed, _ = rename_state(build, 2, "stock, no 1".replace(",", ""))
    after = files(build)
    assert changed.state == "stock no 1" == build.find_take("2").state
    assert {name for name in before if before[name] != after[name]} == {"0002-in-box-stock-A.json"}
    rename_state(build, 2, "stock")
    assert files(build) == before


@pytest.mark.parametrize("state", ["../up", " lead", "x" * 41, ""])
def test_a_state_that_cannot_be_one_changes_nothing(build: BuildFolder, state: str) -> None:
    before = files(build)
    with pytest.raises(StillboxError, match="state"):
        rename_state(build, 2, state)
    assert files(build) == before


def test_what_does_not_change_with_the_work_gets_no_state(build: BuildFolder) -> None:
    before = files(build)
    with pytest.raises(StillboxError, match="a take of free-air has no state"):
        rename_state(build, 1, "lined")
    assert files(build) == before


def test_there_and_back_again(build: BuildFolder) -> None:
    before = files(build)
    remove_take(build, 2)
    assert [take.number for take in build.takes()] == [1] and not build.damaged()
    assert [take.number for take in removed_takes(build)] == [2]
    restore_take(build, 2)
    assert files(build) == before and not removed_takes(build)


def test_a_removed_take_keeps_its_number(build: BuildFolder) -> None:
    remove_take(build, 2)
    made = record_take(build, PracticeRig(seed=5), LiveRequest("in-box", "lined", seconds=2.0), say=lambda _: None)
    assert made.number == 3
    restore_take(build, 2)
    assert [take.number for take in build.takes()] == [1, 2, 3]


def test_what_cannot_be_moved_is_said(build: BuildFolder) -> None:
    with pytest.raises(StillboxError, match="there is no take 9"):
        remove_take(build, 9)
    with pytest.raises(StillboxError, match="there is a take 1"):
        restore_take(build, 1)
    (build.path / "wastebasket").write_text("a file in the way")
    before = files(build)
    with pytest.raises(StillboxError, match="wastebasket is not a folder; move it away"):
        remove_take(build, 2)
    assert files(build) == before


def test_a_renewed_bench_keeps_what_still_holds(build: BuildFolder) -> None:
    bench = Bench(build)
    box = bench.in_box()
    fit = bench.fit(box)
    rename_state(build, 2, "bare")
    renamed = bench.renewed()
    assert renamed.in_box("bare").number == 2
    assert renamed.fit(renamed.in_box("bare")) is fit
    build.set_calibration(12.0, 1.0)
    recalibrated = renamed.renewed()
    assert not recalibrated.is_fitted(recalibrated.in_box())
    np.testing.assert_allclose(
        recalibrated.spectrum(box).impedance_ohm, 1.2 * bench.spectrum(box).impedance_ohm, rtol=1e-9
    )
    build.set_calibration(10.0, 1.0)
    remove_take(build, 1)  # the free-air take, which enters the fit of the box
    assert not renamed.renewed().is_fitted(box)


# Netlists of a state


def kept(build: BuildFolder) -> list[str]:
    return sorted(path.name for path in (build.path / "crossover").iterdir())


def test_a_netlist_goes_with_its_state_and_comes_back(build: BuildFolder) -> None:
    network = keep_network(build, "* t\nR1 in 0 8\n", "stock")
    take = build.find_take("2")
    assert network_of_take(kept_networks(build), build.takes(), take) == network
    changed, said = rename_state(build, 2, "bare")
    assert kept(build) == ["0001-state=bare.cir"] and "begins with 'bare' now" in said[0]
    found = network_of_take(kept_networks(build), build.takes(), changed)
    assert found is not None and found.text() == "* t\nR1 in 0 8\n"
    rename_state(build, 2, "stock")
    assert kept(build) == ["0001-state=stock.cir"]


def test_a_netlist_stays_where_its_state_stays_and_that_is_said(build: BuildFolder, template: Path) -> None:
    rig = PracticeRig(seed=5)
    record_take(build, rig, LiveRequest("in-box", "stock", seconds=2.0), say=lambda _: None)
    keep_network(build, "* t\nR1 in 0 8\n", "stock")
    assert "stays with state 'stock', of which there are other takes" in rename_state(build, 2, "bare")[1][0]
    assert kept(build) == ["0001-state=stock.cir"]
    # The other one joins a state that is there: whether its crossover is the same nobody knows.
    assert "there is a state 'bare' already" in rename_state(build, 3, "bare")[1][0]
    assert kept(build) == ["0001-state=stock.cir"]
    status, _, told = run("takes", build.path, "--rename", "3", "final")
    assert status == 0 and told == ""


def test_a_netlist_of_the_other_unit_is_left_alone(build: BuildFolder) -> None:
    keep_network(build, "* t\nR1 in 0 8\n", "stock", "B")
    keep_network(build, "* t\nR1 in 0 8\n")
    assert rename_state(build, 2, "bare")[1] == ()
    assert kept(build) == ["0001-state=stock-unit=B.cir", "0002.cir"]


def test_entries_of_the_notebook_go_with_their_state(build: BuildFolder) -> None:
    add_entry(build, {"text": "felt", "state": "stock"})
    add_entry(build, {"text": "foam", "state": "stock", "unit": "B"})
    _, said = rename_state(build, 2, "lined")
    assert said == ("of the notebook these entries go with it to state 'lined': 1",)
    assert [entry.state for entry in read_notebook(build.path).entries] == ["lined", "stock"]
    assert rename_state(build, 2, "stock")[1] and read_notebook(build.path).entry(1).state == "stock"
    record_take(build, PracticeRig(seed=4), LiveRequest("in-box", "lined", seconds=2.0), say=lambda _: None)
    (stays,) = rename_state(build, 2, "lined")[1]
    assert stays.startswith("entry 1 of the notebook stays with state 'stock'")
    rename_state(build, 2, "stock")
    (build.path / "notebook.toml").write_text("[[entry]\n")
    (told,) = rename_state(build, 2, "final")[1]
    assert "mend it" in told and build.find_take("2").state == "final"
