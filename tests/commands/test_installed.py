"""What comes with the program: man page, completion, desktop entry, icon, metadata, changes, hooks before a commit."""

from __future__ import annotations

import configparser
import re
import tomllib
from typing import Any
from xml.etree import ElementTree

import pytest
from invoked import run
from places import ROOT

from stillbox import __version__
from stillbox.commands.front_door import COMMANDS, COMPLETION
from stillbox.commands.man_page import _plain, man_page

REMAKE = "python -m stillbox.commands.man_page > commands/stillbox.1"


@pytest.fixture(scope="module")
def project() -> dict[str, Any]:
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def test_the_man_page_is_that_of_the_commands() -> None:
    page = (ROOT / "commands" / "stillbox.1").read_text(encoding="utf-8")
    assert page == man_page(), f"make it anew: {REMAKE}"
    assert REMAKE in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for name in COMMANDS:
        assert re.search(rf"^\.SS stillbox {name}( |$)", page, re.MULTILINE), name
    for option in ("--against", "--loudest-volts", "--cautions-read", "--remove-unfinished"):
        assert _plain(option) in page
    assert "--absorption-q" not in page.replace("\\", ""), "hidden options stay so"


def test_no_line_of_the_man_page_is_taken_for_another() -> None:
    requests = re.findall(r"^[.'](\S*)", man_page(), re.MULTILINE)
    assert set(requests) == {"TH", "SH", "SS", "PP", "TP", "B", "br"}
    assert _plain(".start") == r"\&.start" and _plain("a\\b -c\n d") == r"a\eb \-c d"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("stillbox fi", {"findings"}),
        ("stillbox ", set(COMMANDS)),
        ("stillbox takes --set", {"--set-aside"}),
        ("stillbox takes --re", {"--rename", "--restore", "--remove-unfinished"}),
    ],
)
def test_a_shell_completes_commands_and_options(line: str, words: set[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(COMPLETION, "complete_bash")
    monkeypatch.setenv("COMP_WORDS", line)
    monkeypatch.setenv("COMP_CWORD", str(line.count(" ")))
    code, out, err = run()
    assert (code, err) == (0, "")
    assert set(out.split()) == words


def test_completion_can_be_installed() -> None:
    code, out, _ = run("--help")
    assert code == 0 and "--install-completion" in out


def test_the_desktop_entry_starts_the_window(project: dict[str, Any]) -> None:
    entry = configparser.ConfigParser(interpolation=None)
    entry.optionxform = str  # type: ignore[assignment, method-assign]
    entry.read(ROOT / "gui" / "desktop" / "stillbox.desktop", encoding="utf-8")
    assert entry.sections() == ["Desktop Entry"]
    said = entry["Desktop Entry"]
    assert (said["Type"], said["Name"], said["Terminal"]) == ("Application", "Stillbox", "false")
    assert said["Exec"] in project["project"]["scripts"]
    assert all(said[key].endswith(";") for key in ("Categories", "Keywords"))
    icon = ElementTree.parse(ROOT / "gui" / "desktop" / f"{said['Icon']}.svg").getroot()
    assert icon.tag.endswith("svg") and icon.get("width") == icon.get("height")


def test_what_is_installed_beside_the_package_is_there(project: dict[str, Any]) -> None:
    files = project["tool"]["setuptools"]["data-files"]
    assert set(files) == {"share/applications", "share/icons/hicolor/scalable/apps", "share/man/man1"}
    assert all((ROOT / name).is_file() for names in files.values() for name in names)


def test_the_metadata_say_what_the_readme_says(project: dict[str, Any]) -> None:
    said = project["project"]
    assert said["requires-python"] == ">=3.11,<3.14"
    versions = [line.split(" :: ")[-1] for line in said["classifiers"] if re.search(r":: 3\.\d+$", line)]
    assert versions == ["3.11", "3.12", "3.13"]
    assert f"Python {versions[0]} to {versions[-1]}." in (ROOT / "README.md").read_text(encoding="utf-8")
    assert "urls" not in said, "there is no place of the project that a link could lead to"


def test_the_newest_of_the_changes_is_this_version() -> None:
    heads = re.findall(r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert heads[0] == __version__ and len(set(heads)) == len(heads)


def test_the_hooks_before_a_commit_fetch_nothing() -> None:
    hooks = (ROOT / ".pre-commit-config.yaml").read_text(encoding="utf-8")
    assert re.findall(r"repo: (\S+)", hooks) == ["local"] and "rev:" not in hooks
    entries = re.findall(r"entry: (.+)", hooks)
    assert len(entries) == hooks.count("language: system") == hooks.count("- id:") == 3
    for path in re.findall(r"tests/\S+\.py", hooks):
        assert (ROOT / path).is_file()
