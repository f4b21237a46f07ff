"""The air of a build, written into build.toml as a person left it."""

from __future__ import annotations

from pathlib import Path

import pytest

from stillbox.capture.build.air_edit import BuildAir, set_air
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError


@pytest.fixture
def build(tmp_path: Path) -> BuildFolder:
    return BuildFolder.create(tmp_path / "shelf pair", (460.0, 300.0, 230.0), 8.0)


@pytest.mark.parametrize("air", [BuildAir(23.5, 500.0), BuildAir(-3.0, None, 951.5), BuildAir(20.0, -12.0, 1013.0)])
def test_what_is_told_is_read_and_goes_again(build: BuildFolder, air: BuildAir) -> None:
    path = build.path / "build.toml"
    path.write_text(path.read_text().replace('notes = ""', 'notes = "dear"  # my own words'))
    first, before = BuildAir.of(build.description), path.read_text()
    set_air(build, air)
    assert BuildAir.of(build.description) == air
    assert set(before.splitlines()) - set(path.read_text().splitlines()) <= {"temperature_c = 20"}
    assert build.description.notes == "dear"
    set_air(build, first)
    assert BuildAir.of(build.description) == first


@pytest.mark.parametrize(
    ("air", "words"),
    [
        (BuildAir(99.0), "-30 to 60 degrees C"),
        (BuildAir(20.0, 9000.0), "-430 to 4300 m"),
        (BuildAir(20.0, None, 2.0), "600 to 1100 hPa"),
        (BuildAir(float("nan")), "degrees C"),
    ],
)
def test_air_that_cannot_be_is_refused_and_nothing_written(build: BuildFolder, air: BuildAir, words: str) -> None:
    path = build.path / "build.toml"
    before = path.read_bytes()
    with pytest.raises(StillboxError, match=words):
        set_air(build, air)
    assert path.read_bytes() == before
