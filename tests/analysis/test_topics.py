"""The topics: each plugs in at one place, and command line, report and documentation take all they show from there."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
import typer
from iron_takes import Bending, iron_bench
from made_once import demonstration
from places import ROOT

from stillbox.analysis.bass.bass_words import bass_curves_named
from stillbox.analysis.bass.topic import BASS
from stillbox.analysis.bench import Bench
from stillbox.analysis.drawing.layout import save_picture
from stillbox.analysis.maths.table import Table
from stillbox.analysis.page.topics import TOPICS
from stillbox.analysis.topic import Topic
from stillbox.capture.build.kept_networks import keep_network
from stillbox.capture.files.output_file import PICTURE
from stillbox.commands import front_door

ASKED: dict[str, dict[str, Any]] = {
    "compare": {"before": "stock", "after": "lined"},
    "findings": {"state": "stock"},
    "curve": {"take": "in-box/stock"},
    "decay": {"take": "in-box/stock"},
    "driver": {},
    "box": {"state": "stock"},
    "bass": {"state": "lined", "against": "stock"},
    "check": {"state": "stock"},
    "crossover": {"state": "stock", "swaps": ("L1=0.7mH",)},
    "part": {"name": "L1"},
    "log": {},
}


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(demonstration(tmp_path_factory.mktemp("topics") / "build"))


@pytest.fixture(scope="module")
def crossed(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """The same as if there were a coil before the driver."""
    folder = demonstration(tmp_path_factory.mktemp("crossed") / "build")
    keep_network(folder, "* one coil\nL1 in a 0.5m\nRL1 a b 0.3\nXwoofer b 0 any\n")
    return Bench(folder)


@pytest.fixture(scope="module")
def coil(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """A build with a coil swept once."""
    jig = iron_bench(1, 10.0, 5.0)
    folder = jig.start(tmp_path_factory.mktemp("coil") / "build")
    jig.keep(folder, Bending(1e-3, 0.2, 0.3).swept(jig, -6.0, 1), -6.0, "part", of="L1")
    return Bench(folder)


@pytest.fixture(scope="module")
def results(bench: Bench, crossed: Bench, coil: Bench) -> dict[str, Any]:
    benches = {"crossover": crossed, "part": coil}
    return {topic.name: topic.compute(benches.get(topic.name, bench), ASKED[topic.name]) for topic in TOPICS}


every_topic = pytest.mark.parametrize("topic", TOPICS, ids=lambda topic: topic.name)


@every_topic
def test_a_topic_says_a_table_or_a_sentence_and_all_of_it_is_more(topic: Topic[Any], results: dict[str, Any]) -> None:
    short, long = (list(topic.said(results[topic.name], everything)) for everything in (False, True))
    assert short and all(isinstance(item, str | Table) for item in short)
    rows = [sum(len(item.rows) for item in items if isinstance(item, Table)) for items in (short, long)]
    assert rows[1] >= rows[0]
    assert topic.title and topic.needs and not topic.needs.endswith(".")
    assert all(isinstance(warning, str) for warning in topic.warnings(results[topic.name]))


@every_topic
def test_its_document_is_json_and_what_it_writes_appears(
    topic: Topic[Any], results: dict[str, Any], tmp_path: Path
) -> None:
    if topic.document is not None:
        assert json.loads(json.dumps(topic.document(results[topic.name]), allow_nan=False))
    for file in topic.files:
        path = tmp_path / f"written{file.kind.suffixes[0]}"
        file.write(results[topic.name], path)
        assert file.kind.is_one(path), file.words
        path.unlink()
    for drawn in topic.pictures:
        picture = drawn.picture(results[topic.name])
        assert picture.title and picture.panels, drawn.words
        save_picture(picture, tmp_path / "drawn.svg")
        assert PICTURE.is_one(tmp_path / "drawn.svg")


@every_topic
def test_its_command_has_its_files_and_its_controls_with_their_own_words(topic: Topic[Any]) -> None:
    command = typer.main.get_command(front_door.app).commands[topic.name]  # type: ignore[attr-defined]
    options = {name: option for option in command.params for name in option.opts}
    written = [one.option for one in (*topic.files, *topic.pictures)]
    assert set(written) <= set(options) and len(written) == len(set(written))
    assert ("--json" in options) == (topic.document is not None)
    for control in topic.controls:
        assert options[control.option].help == control.tip  # type: ignore[union-attr]


def test_the_report_tells_the_topics_in_their_order(bench: Bench) -> None:
    takes = [bench.in_box("stock"), bench.in_box("lined")]
    titles = [section.title for topic in TOPICS for section in topic.sections(bench, takes)]
    assert titles == [
        "What changed from stock to lined", "Tuning", "Findings, stock", "Findings, lined", "Driver", "Box, stock",
        "Box, lined", "Bass",
    ]  # fmt: skip


def test_every_topic_is_a_package_of_its_own() -> None:
    packages = {type_of.parent.name for type_of in (ROOT / "analysis").glob("*/topic.py")}
    assert packages == {topic.compute.__module__.split(".")[-2] for topic in TOPICS}
    assert len({topic.name for topic in TOPICS}) == len(TOPICS)


def test_the_window_words_no_file_of_a_topic() -> None:
    """Its menu takes their words and how they are written from the topics; its own are the reports of what is shown."""
    for path in (ROOT / "gui" / "views").glob("*.py"):
        text = path.read_text(encoding="utf-8")
        worded = re.findall(r"Export\(\s*\"([^\"]*)", text)
        assert all(words.startswith("Report of ") for words in worded), path
        assert not re.search(r"import .*\b(write_\w+csv|write_touchstone|\w+_csv|netlist|\w+_netlist)\b", text), path


def test_parts_of_a_file_have_words_of_their_own(results: dict[str, Any]) -> None:
    (spice, table) = BASS.files
    assert spice.parts is not None and table.parts is not None
    assert not spice.parts(results["bass"])  # nothing was changed
    words, parts = zip(*table.parts(results["bass"]), strict=True)
    assert words == ("Bass stock as a table", "Bass lined as a table")
    assert [part.curves for part in parts] == [curves for _, curves in bass_curves_named(results["bass"])]
