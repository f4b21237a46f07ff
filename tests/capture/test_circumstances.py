"""Temperature and remounting: said of a take when it is made, kept in its sidecar, refused where they cannot be."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import soundfile
from checked import GOOD, RATE_HZ, SWEEP
from simple_recordings import record

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.sidecar import read_sidecar
from stillbox.capture.build.take_import import import_take
from stillbox.capture.errors import StillboxError
from stillbox.capture.live.devices import find_device
from stillbox.capture.live.live_take import LiveRequest, record_take
from stillbox.capture.sweep.excitation import write_excitation
from stillbox.commands import front_door


def write(path: Path, samples: object) -> Path:
    soundfile.write(str(path), samples, RATE_HZ, subtype="PCM_24")
    return path


@pytest.fixture
def build(tmp_path: Path) -> BuildFolder:
    return BuildFolder.create(tmp_path / "box")


def test_an_imported_take_keeps_both(build: BuildFolder, tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", record(SWEEP, 10.0, GOOD, 1))
    plain = import_take(build, path, SWEEP, "in-box")
    told = import_take(build, path, SWEEP, "in-box", celsius=26.5, remounted=True)
    assert (plain.celsius, plain.remounted) == (None, False)
    kept = build.takes()[-1]
    assert (kept.celsius, kept.remounted) == (26.5, True)
    assert kept == told


@pytest.mark.parametrize(
    ("about", "what"),
    [
        ({"celsius": 61.0}, "61 degrees C is outside -30 to 60"),
        ({"celsius": float("nan")}, "nan degrees C is outside"),
        ({"subject": "free-air", "remounted": True}, "free-air cannot be marked as remounted"),
    ],
)
def test_what_cannot_be_is_refused(build: BuildFolder, tmp_path: Path, about: dict[str, object], what: str) -> None:
    path = write(tmp_path / "a.wav", record(SWEEP, 10.0, GOOD, 1))
    with pytest.raises(StillboxError, match=what):
        import_take(build, path, SWEEP, **{"subject": "in-box", **about})  # type: ignore[arg-type]
    request = LiveRequest(**{"subject": "in-box", "seconds": 2.0, **about})  # type: ignore[arg-type]
    with pytest.raises(StillboxError, match=what):
        record_take(build, find_device("practice rig"), request, say=lambda _: None)
    assert build.takes() == []


def test_a_live_take_keeps_both(build: BuildFolder) -> None:
    request = LiveRequest("in-box", "stock", seconds=2.0, celsius=17.0, remounted=True)
    info = record_take(build, find_device("practice rig"), request, say=lambda _: None)
    assert (info.celsius, info.remounted) == (17.0, True)


def test_sidecars_made_before_say_nothing_of_it(build: BuildFolder, tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", record(SWEEP, 10.0, GOOD, 1))
    info = import_take(build, path, SWEEP, "in-box", celsius=20.0)
    sidecar = next((build.path / "takes").glob("*.json"))
    document = json.loads(sidecar.read_text())
    del document["celsius"], document["remounted"]
    sidecar.write_text(json.dumps(document))
    old = read_sidecar(sidecar)
    assert (old.celsius, old.remounted) == (None, False)
    assert old == info.model_copy(update={"celsius": None})


def test_the_command_line_takes_both_and_lists_them(
    build: BuildFolder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write(tmp_path / "a.wav", record(SWEEP, 10.0, GOOD, 1))
    sweep = write_excitation(SWEEP, tmp_path / "sweep.wav")
    about = ["--excitation", str(sweep), "--subject", "in-box", "--celsius", "26", "--remounted"]
    for command in (["import", str(build.path), str(path), *about], ["takes", str(build.path)]):
        with pytest.raises(SystemExit) as exited:
            front_door.main(command)
        assert exited.value.code == 0
    assert "26 °C; remounted" in capsys.readouterr().out
    assert build.takes()[0].celsius == pytest.approx(26.0)
