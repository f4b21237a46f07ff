"""README.md shows what is printed now of the demonstration, and no number of that is without a meaning."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import readme_figures
from made_once import demonstration
from meaningless import meaningless, text_of_command, text_of_page, texts_of_window
from reference import demo_two_way

from stillbox.analysis.bench import Bench
from stillbox.analysis.page.demonstration import TWO_WAY
from stillbox.analysis.page.report import render_report
from stillbox.analysis.page.write_up import report_of
from stillbox.capture.build.build_folder import BuildFolder


@pytest.fixture(scope="module")
def build(tmp_path_factory: pytest.TempPathFactory) -> BuildFolder:
    return demonstration(tmp_path_factory.mktemp("demonstration") / "build")


def test_what_is_shown_of_a_command() -> None:
    lines = ["a head", "1 one", "2 two", "tail, with, " + 30 * "many, "]
    assert list(readme_figures.chosen(lines, (r"a", r"\d", r"tail"))) == [
        "a head", "1 one", "...", lines[3][: readme_figures.LONGEST].rsplit(",", 1)[0] + ", ..."
    ]  # fmt: skip
    text = "    $ stillbox compare stillbox-demo/build stock lined\n    old\n\n    $ stillbox other\n"
    command = "compare stillbox-demo/build stock lined"
    assert readme_figures.with_figures(text, {command: ["new"]}) == text.replace("old", "new")
    with pytest.raises(AssertionError, match="lacks"):
        readme_figures.with_figures("", {command: []})


def test_readme_shows_what_is_printed(build: BuildFolder, tmp_path: Path) -> None:
    """The finished speaker's wrong part and its capacitor, too, come out as they are in the circuit."""
    text = readme_figures.README.read_text(encoding="utf-8")
    shown = readme_figures.blocks(build.path, demonstration(tmp_path / "two-way", TWO_WAY).path)
    told = "\n".join(line for lines in shown.values() for line in lines)
    (wrong,) = re.findall(r"One part is wrong: R1 seems to be ([\d.]+) ohm instead of 3.3 ohm", told)
    assert float(wrong) == pytest.approx(demo_two_way.WRONG.value, rel=0.1)
    true_uf = 1e6 * next(part.value for part in demo_two_way.PARTS if part.name == "C1")
    ((value, std),) = re.findall(r"value at 1 kHz +([\d.]+) ± ([\d.]+) µF", told)
    assert abs(float(value) - true_uf) < 2 * float(std) < 0.01 * true_uf
    assert readme_figures.with_figures(text, shown) == text, "run python tests/readme_figures.py --write"


@pytest.mark.parametrize(
    "command",
    [("findings", "--state", "lined", "--all"), ("decay", "in-box/lined"), ("driver",), ("box", "--state", "lined")],
    ids=" ".join,
)
def test_the_demonstration_prints_no_number_without_a_meaning(build: BuildFolder, command: tuple[str, ...]) -> None:
    assert list(meaningless(text_of_command(build.path, command))) == []


def test_window_and_report_of_the_demonstration_have_no_number_without_a_meaning(build: BuildFolder) -> None:
    bench = Bench(build)
    both = [bench.in_box("stock"), bench.in_box("lined")]
    for what, text in texts_of_window(bench, [*([take] for take in bench.takes), both]):
        assert list(meaningless(text)) == [], what
    page = render_report(report_of(bench, both, ()))
    assert list(meaningless(text_of_page(page))) == []
