"""Takes of a driver or a part by name: kept, addressed, refused where they cannot be, swept no lower than told."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from checked import GOOD, RATE_HZ, SWEEP
from invoked import one_line, run
from simple_recordings import record

from stillbox.analysis.network.netlist import network_from_text
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.sidecar import read_sidecar
from stillbox.capture.build.take_import import import_take
from stillbox.capture.errors import StillboxError
from stillbox.capture.live.live_take import LiveRequest, record_take
from stillbox.capture.practice.practice_rig import PracticeRig
from stillbox.capture.recording.take import TakeInfo, fitting_takes, named_of
from stillbox.capture.sound.sound_gate import DriverNotTold, LowestNotTold, sound_permit
from stillbox.capture.sweep.excitation import write_excitation


@pytest.fixture
def build(tmp_path: Path) -> BuildFolder:
    return BuildFolder.create(tmp_path / "box")


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    path = tmp_path / "a.wav"
    soundfile.write(str(path), record(SWEEP, 10.0, GOOD, 1), RATE_HZ, subtype="PCM_24")
    return path


def tell(build: BuildFolder, text: str) -> None:
    path = build.path / "build.toml"
    path.write_text(path.read_text(encoding="utf-8") + text, encoding="utf-8")


def silent(_: str) -> None:
    pass


# Addresses


def test_a_name_is_the_fourth_field_of_an_address(build: BuildFolder, recording: Path) -> None:
    import_take(build, recording, SWEEP, "free-air", of="tweeter")
    import_take(build, recording, SWEEP, "part", state="stock", of="C2")
    plain = import_take(build, recording, SWEEP, "free-air")
    tweeter, part, _ = build.takes()
    assert [tweeter.address, part.address, plain.address] == ["free-air/-/A/tweeter", "part/stock/A/C2", "free-air/-/A"]
    sidecar = build.path / "takes" / "0001-free-air-A-tweeter.json"
    assert json.loads(sidecar.read_text())["of"] == "tweeter"
    assert build.find_take("free-air/-/A/tweeter") == tweeter
    assert build.find_take("free-air///tweeter") == tweeter
    assert build.find_take("part///C2") == part
    assert build.find_take("free-air") == plain  # without a name: that without one
    with pytest.raises(StillboxError, match=r"no take 'free-air///woofer'.*1 free-air/-/A/tweeter"):
        build.find_take("free-air///woofer")


def test_without_a_name_the_only_driver_is_meant(build: BuildFolder, recording: Path) -> None:
    woofer = import_take(build, recording, SWEEP, "free-air", of="woofer")
    assert build.find_take("free-air") == woofer
    assert fitting_takes(build.takes(), "free-air", of="-") == []


def test_a_build_of_before_names_were_kept_stays_readable(build: BuildFolder, recording: Path) -> None:
    take = import_take(build, recording, SWEEP, "in-box")
    path = build.path / "takes" / "0001-in-box-stock-A.json"
    document = json.loads(path.read_text())
    del document["of"]
    path.write_text(json.dumps(document))
    assert read_sidecar(path) == take and build.takes() == [take]


def test_the_terminal_takes_names_and_lists_them(build: BuildFolder, recording: Path, tmp_path: Path) -> None:
    excitation = write_excitation(SWEEP, tmp_path / "sweep.wav")
    given = ["import", str(build.path), str(recording), "--excitation", str(excitation), "--subject"]
    assert "take 1: free-air/-/A/tweeter" in run(*given, "free-air", "--driver", "tweeter")[1]
    assert "take 2: part/-/A/C2" in run(*given, "part", "--part", "C2")[1]
    assert "free-air/-/A/tweeter" in run("takes", build.path)[1]
    listed = json.loads(run("takes", build.path, "--json")[1])["takes"]
    assert [take["of"] for take in listed] == ["tweeter", "C2"]
    status, _, said = run(*given, "part", "--driver", "tweeter")
    assert status == 2 and "only takes of free-air, added-mass, test-box, in-box are" in one_line(said)
    assert len(build.takes()) == 2


@pytest.mark.parametrize(
    ("subject", "driver", "part", "what"),
    [
        ("load", "woofer", None, "load is not of a driver by name, as 'woofer'.*leave --driver out"),
        ("in-box", None, "C2", "in-box is not of a part by name, as 'C2': only takes of part are.*leave --part out"),
        ("part", "woofer", None, "part is not of a driver by name"),
        ("free-air", "woofer", "C2", "free-air is not of a part by name"),
    ],
)
def test_what_is_of_nothing_by_name_refuses_it(subject: str, driver: str | None, part: str | None, what: str) -> None:
    with pytest.raises(StillboxError, match=what):
        named_of(subject, driver, part)


@pytest.mark.parametrize("subject", ["channel-match", "open", "short", "load", "check-resistor"])
def test_calibration_refuses_a_name_whatever_way_it_comes(build: BuildFolder, recording: Path, subject: str) -> None:
    load_ohm = 10.0 if subject in ("load", "check-resistor") else None
    with pytest.raises(StillboxError, match="is not of a driver or a part by name, as 'woofer'"):
        import_take(build, recording, SWEEP, subject, of="woofer", load_ohm=load_ohm)
    with pytest.raises(StillboxError, match="is not of a driver or a part by name, as 'woofer'"):
        record_take(build, PracticeRig(), LiveRequest(subject=subject, of="woofer", load_ohm=load_ohm), say=silent)
    assert build.takes() == []


@pytest.mark.parametrize("name", ["", " ", "a b", "../x", "a-b", "x" * 41, "tweeter\n", "höher"])
def test_names_are_letters_digits_and_low_lines(build: BuildFolder, recording: Path, name: str) -> None:
    if name:
        with pytest.raises(StillboxError, match="cannot name a driver"):
            import_take(build, recording, SWEEP, "free-air", of=name)
    assert build.takes() == []


def test_capitals_and_small_letters_name_the_same_driver(build: BuildFolder, recording: Path) -> None:
    """As in SPICE; one spelling is kept, that in small letters. Parts keep theirs."""
    take = import_take(build, recording, SWEEP, "free-air", of="Tweeter")
    assert take.address == "free-air/-/A/tweeter" == build.find_take("free-air/-/A/TWEETER").address
    assert named_of("free-air", driver="TWEETER") == "tweeter" and named_of("part", part="C2") == "C2"
    tell(build, '[drivers.Tweeter]\nre_ohm = 5.0\n[limits.drivers.TWEETER]\nlowest_hz = 800\n')
    assert list(build.description.drivers) == ["tweeter"]
    assert network_from_text("* t\nXTweeter in 0 T\n").drivers[0].name == "tweeter"
    assert sound_permit(build, PracticeRig(), "free-air", "tWeeter").limit.lowest_hz == 800


def test_one_driver_in_two_spellings_is_refused(build: BuildFolder) -> None:
    tell(build, "[limits.drivers.tweeter]\nlowest_hz = 800\n[limits.drivers.Tweeter]\nlowest_hz = 20\n")
    with pytest.raises(StillboxError, match="'tweeter' once: capitals and small letters are the same"):
        _ = BuildFolder.open(build.path).description


# Limits


def test_no_other_driver_is_swept_before_its_lowest_frequency_is_told(build: BuildFolder) -> None:
    rig = PracticeRig()
    request = LiveRequest(subject="free-air", of="tweeter", seconds=2.0)
    tell(build, '\n[limits.free-air]\nlowest_hz = 20\n[limits.drivers.horn]\nlowest_hz = 900\n')
    with pytest.raises(LowestNotTold, match=r"how low driver 'tweeter'.*\[limits\.drivers\.tweeter\] lowest_hz"):
        record_take(build, rig, request, say=silent)
    for subject in ("added-mass", "test-box", "in-box"):
        with pytest.raises(LowestNotTold):
            sound_permit(build, rig, subject, "tweeter")  # type: ignore[arg-type]
    assert build.takes() == []
    assert sound_permit(build, rig, "free-air", "horn").limit.lowest_hz == 900
    assert sound_permit(build, rig, "part", "C2").limit.lowest_hz == 0
    with pytest.raises(DriverNotTold, match=r"limits of their own \(horn\).*--driver NAME"):
        sound_permit(build, rig, "free-air")  # it may be the horn that is on the clips
    assert sound_permit(build, rig, "in-box").limit.lowest_hz == 0


def test_of_what_is_said_of_subject_and_driver_the_tighter_holds(build: BuildFolder) -> None:
    tell(
        build,
        "\nclips_volts = 9\n[limits.free-air]\nclips_volts = 0.2\nlowest_hz = 2000\n"
        "[limits.drivers.horn]\nclips_volts = 5\nlowest_hz = 900\nspeaker_watts = 0.1\n",
    )
    limits = build.description.limits
    both = limits.of("free-air", "horn")
    assert (both.clips_volts, both.lowest_hz, both.speaker_watts) == (0.2, 2000, 0.1)
    assert limits.of("in-box", "horn").clips_volts == 5 and limits.of("in-box").clips_volts == 9


def test_the_driver_in_the_box_needs_no_limit_once_it_is_named(build: BuildFolder) -> None:
    with pytest.raises(LowestNotTold, match=r'\[driver\] name = "woofer"'):
        sound_permit(build, PracticeRig(), "free-air", "woofer")
    path = build.path / "build.toml"
    path.write_text(path.read_text().replace("[driver]", '[driver]\nname = "woofer"'))
    assert sound_permit(build, PracticeRig(), "free-air", "woofer").limit.lowest_hz == 0
    with pytest.raises(LowestNotTold):
        sound_permit(build, PracticeRig(), "free-air", "tweeter")


def test_the_output_holds_nothing_below_the_lowest_frequency_of_the_driver(build: BuildFolder) -> None:
    """By the spectrum of all that was played, the check before the sweep too."""
    build.set_calibration(10.0)
    tell(build, "\n[limits.drivers.tweeter]\nlowest_hz = 1500\n")
    heard: list[np.ndarray] = []
    rig = PracticeRig(listener=lambda block: heard.append(block.copy()))
    info = record_take(build, rig, LiveRequest(subject="free-air", of="tweeter", seconds=2.0), say=silent)
    assert isinstance(info, TakeInfo) and info.of == "tweeter" and info.excitation.low_hz == 1500
    played = np.concatenate(heard).ravel().astype(float)
    power = np.abs(np.fft.rfft(played)) ** 2
    hz = np.fft.rfftfreq(played.size, 1 / info.excitation.sample_rate_hz)
    assert power[hz < 1200].sum() < 1e-4 * power.sum()


def test_a_section_of_another_driver_is_read_and_its_faults_named(build: BuildFolder) -> None:
    tell(build, "\n[drivers.tweeter]\ndiameter_mm = 25\nre_ohm = 5.2\n")
    assert build.description.drivers["tweeter"].re_ohm == 5.2
    tell(build, "fs = 900\n")
    with pytest.raises(StillboxError, match=r"no key 'fs' in \[drivers.tweeter\]"):
        _ = build.description


def test_a_driver_whose_name_cannot_be_one_is_told(build: BuildFolder) -> None:
    tell(build, '\n[drivers."two words"]\ndiameter_mm = 25\n')
    with pytest.raises(StillboxError, match="letters, digits and _"):
        _ = build.description
