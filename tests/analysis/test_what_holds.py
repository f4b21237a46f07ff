"""A bench computes each thing once, and after a change anew only what the change enters."""

from __future__ import annotations

import importlib
import re
import shutil
import threading
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from computed_once import telling
from recorded import RecordedBuild, remembered
from reference.random_speakers import random_speaker

from stillbox.analysis.bench import Bench
from stillbox.analysis.watched_build import Watched
from stillbox.capture.build.build_description import BuildDescription
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.take_edit import rename_state
from stillbox.capture.sweep.excitation import Excitation

SHORT = Excitation(seconds=2.0, silence_before_s=0.5, silence_after_s=0.5, repeats=1)
SPEAKER = random_speaker(21, "mixed")
IN_BOX, FREE_AIR = remembered(SPEAKER.in_box), remembered(SPEAKER.free_air)
COUNTED = (
    ("stillbox.analysis.bench", "channel_ratio"),
    ("stillbox.analysis.bench", "fit_jig"),
    ("stillbox.analysis.bench", "fit_resonances"),
    ("stillbox.analysis.bench", "assign_causes"),
    ("stillbox.analysis.bench", "decay_response"),
)
READING = ("assign_causes",)
"""Those that read the description."""


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """How often each of the slow functions was called."""
    calls: Counter[str] = Counter()

    def counting(module: str, name: str) -> None:
        function = getattr(importlib.import_module(module), name)
        monkeypatch.setattr(f"{module}.{name}", telling(function, lambda: calls.update([name]), anew=name in READING))

    for module, name in COUNTED:
        counting(module, name)
    return calls


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> RecordedBuild:
    build = RecordedBuild.create(tmp_path_factory.mktemp("recorded") / "build", SHORT, inside_mm=SPEAKER.inside_mm)
    build.add(FREE_AIR, "free-air")
    build.add(IN_BOX, "in-box", state="stock")
    build.add(IN_BOX, "in-box", state="lined")
    return build


@pytest.fixture
def build(recorded: RecordedBuild, tmp_path: Path) -> RecordedBuild:
    """A copy of what was recorded, for one test."""
    shutil.copytree(recorded.folder.path, tmp_path / "build")
    return replace(recorded, folder=BuildFolder.open(tmp_path / "build"))


def told(build: RecordedBuild, **lines: str) -> None:
    """Change top-level lines of ``build.toml``."""
    path = build.folder.path / "build.toml"
    text = path.read_text(encoding="utf-8")
    for key, value in lines.items():
        text, found = re.subn(rf"(?m)^#? ?{key} = .*$", f"{key} = {value}", text, count=1)
        assert found, key
    path.write_text(text, encoding="utf-8")


def used(bench: Bench) -> None:
    """All that the window and a report ask for first."""
    stock, lined = bench.in_box("stock"), bench.in_box("lined")
    bench.comparison_of(stock, lined)
    for take in (stock, lined):
        bench.findings_of(take)
        bench.decay(take)


def test_nothing_is_computed_twice_by_whoever_asks(build: RecordedBuild, counted: Counter[str]) -> None:
    bench = Bench(build.folder)
    used(bench)
    once = Counter(counted)
    assert once["channel_ratio"] == once["fit_resonances"] == 3 and once["decay_response"] == 2
    assert once["assign_causes"] <= 4
    used(bench)
    thread = threading.Thread(target=used, args=(bench,))
    thread.start()
    thread.join()
    used(bench.renewed())
    assert counted == once


def test_two_threads_share_the_work(build: RecordedBuild, counted: Counter[str]) -> None:
    bench = Bench(build.folder)
    threads = [threading.Thread(target=used, args=(bench,)) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
        assert not thread.is_alive()
    assert counted["channel_ratio"] == counted["fit_resonances"] == 3
    assert counted["decay_response"] == 2 and counted["assign_causes"] <= 4


def test_a_gate_needs_each_take_once_with_it_and_once_without(tmp_path: Path, counted: Counter[str]) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT)
    build.add_standard("open")
    for number in range(3):
        build.add(IN_BOX, "in-box", state=f"number {number}")
    build.add(FREE_AIR, "free-air")
    bench = Bench(build.folder, gate_s=0.05)
    for take in bench.takes:
        bench.curve(take)
    assert counted["channel_ratio"] == 2 * len(bench.takes), "each with the gate and without"
    assert counted["fit_resonances"] == 4, "one without the gate for each take of a speaker, none with it"


# A line of build.toml


def recomputed(build: RecordedBuild, counted: Counter[str], bench: Bench) -> set[str]:
    """What the bench computes anew after a change."""
    counted.clear()
    used(bench.renewed())
    return set(counted)


def test_the_temperature_enters_the_causes_and_no_fit(build: RecordedBuild, counted: Counter[str]) -> None:
    bench = Bench(build.folder)
    used(bench)
    told(build, temperature_c="27.5")
    assert recomputed(build, counted, bench) == {"assign_causes"}


@pytest.mark.parametrize("line", [{"name": '"another"'}, {"notes": '"said since"'}, {"rated_ohm": "4"}])
def test_words_enter_words_alone(line: dict[str, str], build: RecordedBuild, counted: Counter[str]) -> None:
    bench = Bench(build.folder)
    used(bench)
    told(build, **line)
    assert recomputed(build, counted, bench) == set()
    later = bench.renewed()
    assert later.findings("stock").build == later.name
    assert ("name" in line) == (later.name != bench.name)


def test_a_port_enters_the_fits_in_the_box(build: RecordedBuild, counted: Counter[str]) -> None:
    bench = Bench(build.folder)
    used(bench)
    path = build.folder.path / "build.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("# diameter_mm = 70", "diameter_mm = 70"))
    assert recomputed(build, counted, bench) == {"fit_resonances", "assign_causes", "decay_response"}
    assert counted["fit_resonances"] == 2, "that in free air has no port"


def test_a_calibration_take_enters_all_but_the_ratios(build: RecordedBuild, counted: Counter[str]) -> None:
    bench = Bench(build.folder)
    used(bench)
    build.add_standard("open")
    assert recomputed(build, counted, bench) >= {"fit_jig", "fit_resonances"}
    assert counted["channel_ratio"] == 1, "the new take's own"
    later = bench.renewed()
    assert all(later.ratio(take) is bench.ratio(take) for take in bench.takes)
    assert later.spectrum(bench.takes[0]) is not bench.spectrum(bench.takes[0])


def test_a_new_take_in_the_box_costs_its_own_work_alone(build: RecordedBuild, counted: Counter[str]) -> None:
    bench = Bench(build.folder)
    used(bench)
    build.add(IN_BOX, "in-box", state="braced")
    assert recomputed(build, counted, bench) == set()


def test_a_take_by_another_name_is_the_same(build: RecordedBuild, counted: Counter[str]) -> None:
    bench = Bench(build.folder)
    used(bench)
    rename_state(build.folder, 2, "bare")
    counted.clear()
    later = bench.renewed()
    report = later.findings("bare")
    later.decay(later.in_box("bare"))
    assert report.state == "bare" and report.fit is bench.findings("stock").fit
    assert not counted


# What is noted


def test_of_a_description_only_what_is_read_is_noted() -> None:
    read: dict[tuple[str, ...], object] = {}

    def watched(instead: dict[str, object] | None = None) -> BuildDescription:
        read.clear()
        return Watched(BuildDescription(name="x"), read.__setitem__, instead=instead)  # type: ignore[return-value]

    one = watched()
    assert one.port.diameter_mm is None and one.temperature_c == 20.0
    assert set(read) == {("port", "diameter_mm"), ("temperature_c",)}
    assert watched({"temperature_c": 30.0}).temperature_c == 30.0 and not read
    assert watched() == BuildDescription(name="x") and set(read) == {()}
    assert watched().limits.of("in-box").clips_volts is None and set(read) == {("limits",)}
    assert watched({"temperature_c": 30.0}).model_dump()["temperature_c"] == 30.0 and set(read) == {()}
    assert "name='x'" in repr(watched()) and set(read) == {()}


def test_what_the_bench_keeps_cannot_be_written_to(build: RecordedBuild) -> None:
    bench = Bench(build.folder)
    take = bench.in_box("stock")
    arrays = (
        bench.ratio(take).ratio,
        bench.spectrum(take).impedance_ohm,
        bench.curve(take).impedance_ohm,
        bench.fit(take).real_coefficients,
        bench.decay(take).impulse_response,
    )
    for array in arrays:
        assert isinstance(array, np.ndarray)
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0
