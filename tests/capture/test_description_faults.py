"""Slips of a hand that edits build.toml: the sentence names the file, the key, its section and what was meant."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from stillbox.capture.build.build_description import BuildDescription, description_template, read_description
from stillbox.capture.errors import StillboxError


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("rated_ohms = 8", "there is no key 'rated_ohms' before the first section (did you mean 'rated_ohm'?"),
        ("fly = 1", "no key 'fly' before the first section (there may be name, inside_mm, rated_ohm"),
        ("inside_mm = { hight = 1, width = 350, depth = 280 }", "no key 'hight' in [inside_mm] (did you mean 'height'"),
        ("[driver]\ndiametre_mm = 165", "there is no key 'diametre_mm' in [driver] (did you mean 'diameter_mm'?"),
        ("[driver]\ntolerance_percent = 1", "in [driver] (did you mean 're_tolerance_percent'?"),
        ('[driver]\n"" = 1', "there is no key '' in [driver] (there may be diameter_mm, "),
        ("[driver]\nrated_ohm = 8", "'rated_ohm' stands in [driver] but belongs to the part before the first section"),
        ("[port]\nre_ohm = 5.7", "the key 're_ohm' stands in [port] but belongs to [driver]"),
        ("[driver.port]\nlength_mm = 90", "[port] is a section of its own, not a part of [driver]"),
        ("[Driver]\nxmax_mm = 3", "there is no section [Driver] (did you mean [driver]?"),
        ("[floor]\nx = 1", "there is no section [floor] (there may be [inside_mm], [driver], [port], [wall], [limits]"),
        ("[limits]\nclip_volts = 2", "there is no key 'clip_volts' in [limits] (did you mean 'clips_volts'?"),
        ("[limits.freeair]\nclips_volts = 1", "no section [limits.freeair] (did you mean [limits.free-air]?"),
        ("[limits.free-air]\nclip_volts = 1", "no key 'clip_volts' in [limits.free-air] (did you mean 'clips_volts'?"),
        ("[limits.free-air]\nfly = 1", "(there may be clips_volts, resistor_watts, speaker_watts, lowest_hz)"),
        ("[limits.floor]\nclips_volts = 1", "no section [limits.floor] (there may be [limits.free-air], [limits.a"),
        ("subjects = 3", "there is no key 'subjects' before the first section"),
        ("[driver]\nsubjects = 3", "there is no key 'subjects' in [driver]"),
        ("[[lining]]\narea = 2\nthickness_mm = 5", "there is no key 'area' in [lining] (did you mean 'area_m2'?"),
        ("[lining]\narea_m2 = 2", "each piece of lining is a block of its own: write [[lining]] with two brackets"),
        ("driver = 165", "driver is one section: write [driver] on a line of its own"),
        ("[[volumes]]", "volumes is one section: write [volumes]"),
        ("[driver]\ndiameter_mm = nan", "driver.diameter_mm: must be 5 to 1000 mm (received nan)"),
        (f'"{"x" * 100_000}" = 1', f"there is no key '{'x' * 60}' before the first section"),
    ],
)
def test_the_key_that_was_meant(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "build.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(StillboxError) as caught:
        read_description(path)
    sentence = str(caught.value)
    assert sentence.startswith(f"{path}: ")
    assert told in sentence
    assert len(sentence) < 600


def test_what_cannot_be_opened_is_no_matter_for_a_text_editor(tmp_path: Path) -> None:
    with pytest.raises(StillboxError, match="it is a folder, not a file; check the path and the rights there"):
        read_description(tmp_path)


def test_every_line_of_the_template_is_known(tmp_path: Path) -> None:
    lines = description_template("x", None, None).splitlines()
    # Lines with a value, or with a value behind "# "; those of words stay comments.
    plain = [line.removeprefix("# ") if " = " in line or line.startswith("# [") else line for line in lines]
    path = tmp_path / "build.toml"
    path.write_text("\n".join(plain), encoding="utf-8")
    known = read_description(path)
    assert known.driver.xmax_mm == 5
    assert known.limits.of("free-air").clips_volts == 0.5
    assert (len(known.lining), len(known.stuffing)) == (1, 1)


def test_every_line_of_the_template_is_valid() -> None:
    text = description_template("x", (600.0, 350.0, 280.0), 8.0)
    uncommented = re.sub(r"^# (\[|\w+ = )", r"\1", text, flags=re.MULTILINE)
    full = BuildDescription.model_validate(tomllib.loads(uncommented))
    assert full.added_mass.grams == 12.0
    assert full.test_box.litres == 12.5
    assert full.volumes.driver_litres == 1.2
    assert full.lining[0].is_in("lined")
    assert not full.lining[0].is_in("stock")
    assert full.stuffing[0].material == "polyester"
    assert full.driver.re_ohm == 5.7
    assert full.port.wall_mm == 3.0
    assert BuildDescription.model_validate(tomllib.loads(text)).lining == ()


@pytest.mark.parametrize(
    "wrong",
    [
        "[added_mass]\ngrams = -1.0",
        "[test_box]\nlitres = 0.0",
        "[[lining]]\narea_m2 = 1.0\nthickness_mm = 10.0\nporosity = 1.0",
        "[[lining]]\nthickness_mm = 10.0",
        "[[stuffing]]\ngrams = 100.0\nmaterial = 'straw'",
        "[volumes]\nport_litres = 1.0",
        "[driver]\nre_ohm = 0.0",
    ],
)
def test_nonsense_in_build_toml_is_refused(wrong: str, tmp_path: Path) -> None:
    file = tmp_path / "build.toml"
    file.write_text(wrong)
    with pytest.raises(StillboxError, match=r"build\.toml"):
        read_description(file)
