"""README.md shows what is printed now."""

from __future__ import annotations

from pathlib import Path

import pytest
import readme_figures

from analysis.demonstration import demonstration_build


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


def test_readme_shows_what_is_printed(tmp_path: Path) -> None:
    build = demonstration_build(tmp_path / "build", lambda _: None)
    text = readme_figures.README.read_text(encoding="utf-8")
    shown = readme_figures.blocks(build.path)
    assert readme_figures.with_figures(text, shown) == text, "run python tests/readme_figures.py --write"
