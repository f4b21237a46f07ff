"""The build folder: description, calibration settings, and takes that are whole or not there."""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
import soundfile
from invoked import one_line, run
from places import ROOT

import stillbox.capture.build.build_folder
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.build_lock import build_lock
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo, fitting_takes
from stillbox.capture.sweep.excitation import Excitation

SWEEP = Excitation(seconds=0.3, silence_before_s=0.2, silence_after_s=0.2, repeats=1)
FRAMES = 40_000


def noise(seed: int = 0, frames: int = FRAMES) -> np.ndarray:
    return 0.1 * np.random.default_rng(seed).standard_normal((frames, 2))


def add(build: BuildFolder, subject: str = "in-box", state: str = "stock", unit: str = "A", **more: object) -> TakeInfo:
    about = {"sweep_starts": [9_600], "origin": "test.wav", "excitation": SWEEP} | more
    return build.add_take(noise(), "PCM_24", subject=subject, state=state, unit=unit, **about)  # type: ignore[typeddict-item]


@pytest.fixture
def build(tmp_path: Path) -> BuildFolder:
    return BuildFolder.create(tmp_path / "build")


# Description


def test_a_new_build_says_what_it_was_told(tmp_path: Path) -> None:
    path = tmp_path / 'odd "name" #1'
    BuildFolder.create(path, inside_mm=(460, 300.5, 230), rated_ohm=8)
    description = BuildFolder.open(path).description
    assert description.name == 'odd "name" #1'
    assert description.inside_mm == (460, 300.5, 230)
    assert description.inside_mm is not None
    assert description.inside_mm.depth == 230
    assert description.rated_ohm == 8
    assert description.temperature_c == 20
    assert description.driver.diameter_mm is None


def test_each_line_of_the_template_can_be_taken_into_use(build: BuildFolder) -> None:
    assert build.description.inside_mm is None
    path = build.path / "build.toml"
    commented = re.compile(r"^# (?=\w+ = |\[)", flags=re.M)
    path.write_text(commented.sub("", path.read_text()))
    description = build.description
    for section in (description, description.driver, description.port, description.wall):
        for field, value in section:
            assert value is not None, field


def test_a_second_start_leaves_the_first_build_alone(build: BuildFolder) -> None:
    before = (build.path / "build.toml").read_bytes()
    with pytest.raises(StillboxError, match=r"is a build already; edit its build\.toml"):
        BuildFolder.create(build.path, inside_mm=(1000, 500, 500))
    assert (build.path / "build.toml").read_bytes() == before


@pytest.mark.parametrize("inside", [(460, 300, 0), (460, float("nan"), 230), (1e9, 300, 230)])
def test_a_size_out_of_range_makes_no_folder(tmp_path: Path, inside: tuple[float, float, float]) -> None:
    with pytest.raises(StillboxError, match=r"inside_mm.*must be 20 to 5000 mm"):
        BuildFolder.create(tmp_path / "build", inside_mm=inside)
    assert not (tmp_path / "build").exists()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("inside_mm = [460, 300]", "inside_mm: must be height, width and depth, three numbers"),
        ("inside_mm = [460, 300, 1]", "inside_mm.depth: must be 20 to 5000 mm (received 1)"),
        ("rated_ohm = '8'", "rated_ohm"),
        ("rated_ohm = true", "rated_ohm"),
        ("rated_ohm = nan", "must be 0.5 to 1000 ohm"),
        ("temperature_c = 99", "must be -30 to 60 degrees C (received 99)"),
        ("[driver]\ndiametre_mm = 165", "there is no key 'diametre_mm' in [driver] (did you mean 'diameter_mm'?)"),
        ("[port]\nlength_mm = -1", "port.length_mm: must be 1 to 5000 mm (received -1)"),
        ("rated_ohm = ", "cannot read"),
        ("a = 1\na = 2", "a"),
    ],
)
def test_faults_in_the_description_are_named(build: BuildFolder, text: str, told: str) -> None:
    (build.path / "build.toml").write_text(text)
    with pytest.raises(StillboxError) as caught:
        _ = build.description
    message = str(caught.value)
    assert told in message
    assert "build.toml" in message
    assert "text editor" in message
    assert "\n" not in message


def test_no_build_is_said(tmp_path: Path) -> None:
    with pytest.raises(StillboxError, match=r"is no build: it has no build\.toml; make one with 'stillbox start"):
        BuildFolder.open(tmp_path)


def test_calibration_settings(build: BuildFolder) -> None:
    assert build.calibration is None
    build.set_calibration(10.0, 1.0)
    settings = BuildFolder.open(build.path).calibration
    assert settings is not None
    assert (settings.reference_ohm, settings.reference_tolerance_percent) == (10.0, 1.0)
    build.set_calibration(22.0)
    assert build.calibration is not None
    assert build.calibration.reference_tolerance_percent is None
    with pytest.raises(StillboxError, match=r"must be 0\.1 to 100000 ohm"):
        build.set_calibration(0.0)
    assert build.calibration.reference_ohm == 22.0
    (build.path / "calibration.toml").write_text("reference_ohm = -3")
    with pytest.raises(StillboxError, match=r"calibration\.toml: reference_ohm: must be 0\.1 to"):
        _ = build.calibration


# Takes


@pytest.mark.parametrize(
    ("subtype", "suffix", "step"),
    [("PCM_16", "flac", 2**-15), ("PCM_24", "flac", 2**-23), ("PCM_32", "wav", 2**-31), ("FLOAT", "wav", 2**-23)],
)
def test_samples_come_back_as_they_were(build: BuildFolder, subtype: str, suffix: str, step: float) -> None:
    samples = noise(1)
    info = build.add_take(
        samples, subtype, subject="in-box", excitation=SWEEP, sweep_starts=[9_600], origin="test.wav"
    )
    assert info.audio_file.endswith(suffix)
    back = build.load(build.find_take("1")).samples
    np.testing.assert_allclose(back, samples, atol=0.51 * step)
    # What is stored is exact: the stored file read by soundfile itself.
    direct, rate_hz = soundfile.read(str(build.path / "takes" / info.audio_file), dtype="float64")
    assert rate_hz == 48_000
    np.testing.assert_array_equal(back, direct)


def test_double_precision_is_kept_bit_for_bit(build: BuildFolder) -> None:
    samples = noise(2)
    info = build.add_take(samples, "DOUBLE", subject="part", excitation=SWEEP, sweep_starts=[0], origin="x")
    np.testing.assert_array_equal(build.load(info).samples, samples)
    assert info.samples_sha256 == hashlib.sha256(samples.astype("<f8").tobytes()).hexdigest()


def test_the_sum_is_over_the_decoded_integers(build: BuildFolder) -> None:
    info = add(build)
    stored, _ = soundfile.read(str(build.path / "takes" / info.audio_file), dtype="int32")
    assert info.samples_sha256 == hashlib.sha256(stored.astype("<i4").tobytes()).hexdigest()


def test_a_lossy_kind_is_refused(build: BuildFolder) -> None:
    with pytest.raises(StillboxError, match="ULAW cannot be kept without loss"):
        build.add_take(noise(), "ULAW", subject="part", excitation=SWEEP, sweep_starts=[0], origin="x")


def test_sidecar_and_listing(build: BuildFolder) -> None:
    made = add(build, flags=["channel 1 is loud"], load_ohm=None, latency_s=0.01)
    assert BuildFolder.open(build.path).takes() == [made]
    assert build.damaged() == []
    document = json.loads((build.path / "takes" / "0001-in-box-stock-A.json").read_text())
    assert document["stillbox"] == "take"
    assert document["flags"] == ["channel 1 is loud"]
    assert not list(build.path.rglob("*.part"))


def test_finding_takes(build: BuildFolder) -> None:
    add(build, "free-air", "")
    add(build, "in-box", "stock")
    add(build, "in-box", "stock", "B")
    add(build, "in-box", "lined")
    add(build, "in-box", "stock")
    find = build.find_take
    assert find("1").address == "free-air/-/A"
    assert find("in-box").number == 5
    assert find("in-box/stock/B").number == 3
    assert find("in-box//B").number == 3
    assert find("in-box/lined").number == 4
    assert find("free-air/-").number == 1
    assert [take.number for take in fitting_takes(build.takes(), "in-box", unit="A")] == [2, 4, 5]
    assert [take.number for take in fitting_takes(build.takes(), "free-air", "-")] == [1]
    assert fitting_takes(build.takes(), "in-box", "-") == fitting_takes(build.takes(), "open") == []
    for nonsense in ("9", "in-box/gone", "in-box/stock/A/x", "", "²", "9" * 5000, "in_box"):
        with pytest.raises(StillboxError, match="1 free-air/-/A, 2 in-box/stock/A"):
            find(nonsense)


@pytest.mark.parametrize("name", ["../evil", "a/b", "", "x" * 41, ".hidden", "a\nb"])
def test_names_that_lead_elsewhere_are_refused(build: BuildFolder, name: str) -> None:
    with pytest.raises(StillboxError):
        add(build, unit=name)
    assert build.takes() == []
    assert [path.name for path in build.path.parent.iterdir()] == ["build"]


def test_numbers_are_never_given_twice(build: BuildFolder) -> None:
    add(build)
    second = add(build)
    takes = build.path / "takes"
    (takes / second.audio_file).with_suffix(".json").unlink()
    third = add(build)
    assert third.number == 3
    (takes / "0007-something.txt").write_text("left here by hand")
    assert add(build).number == 8
    assert [info.number for info in build.takes()] == [1, 3, 8]


def test_a_fault_while_writing_leaves_nothing(build: BuildFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    add(build)
    before = sorted(path.name for path in (build.path / "takes").iterdir())

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(stillbox.capture.build.build_folder, "write_sidecar", full)
    with pytest.raises(StillboxError, match="No space left on device"):
        add(build)
    assert sorted(path.name for path in (build.path / "takes").iterdir()) == before
    monkeypatch.undo()
    assert add(build).number == 2


# Damage


def test_changed_samples_are_found(build: BuildFolder) -> None:
    info = add(build)
    path = build.path / "takes" / info.audio_file
    samples, rate_hz = soundfile.read(str(path), dtype="int32")
    samples[1234, 1] ^= 1 << 8
    soundfile.write(str(path), samples, rate_hz, subtype="PCM_24", format="FLAC")
    with pytest.raises(StillboxError, match=r"is not what was recorded.*put the original back"):
        build.load(info)


def spoil(path: Path, document: dict[str, object]) -> None:
    path.write_text(json.dumps(json.loads(path.read_text()) | document))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"audio_file": "../../secret.flac"}, "audio_file"),
        ({"audio_file": "/etc/passwd"}, "audio_file"),
        ({"audio_file": "0001-in-box-stock-A.flac"}, "audio_file"),
        ({"number": 1}, "number 1 is not that of the file name"),
        ({"sweep_starts": [39_000]}, "sweep_starts must be"),
        ({"sweep_starts": [-1]}, "sweep_starts must be"),
        ({"sweep_starts": []}, "sweep_starts must be"),
        ({"frames": 41_000}, "40000 frames"),
        ({"subject": "soup"}, "subject"),
        ({"state": "../x"}, "state"),
        ({"unit": "\ud800"}, "surrogates not allowed"),
        ({"origin": "\ud800"}, "surrogates not allowed"),
        ({"created": "0001-01-01T00:00:00Z"}, "created"),
        ({"samples_sha256": "0"}, "samples_sha256"),
        ({"stillbox": "excitation"}, "does not describe a take"),
        ({"format": 99}, "format"),
        ({"extra": 1}, "extra"),
    ],
)
def test_a_damaged_sidecar_harms_no_other(build: BuildFolder, change: dict[str, object], told: str) -> None:
    add(build)
    bad = add(build)
    add(build)
    path = (build.path / "takes" / bad.audio_file).with_suffix(".json")
    spoil(path, change)
    assert [info.number for info in build.takes()] == [1, 3]
    (fault,) = build.damaged()
    assert told in fault
    assert bad.audio_file.removesuffix(".flac") in fault
    assert ";" in fault
    assert "\n" not in fault
    fault.encode("utf-8")


def test_samples_that_cannot_be_read_are_to_be_put_back(build: BuildFolder) -> None:
    info = add(build)
    path = build.path / "takes" / info.audio_file
    content, half = path.read_bytes(), path.stat().st_size // 2
    path.write_bytes(content[:half] + bytes(200) + content[half + 200 :])
    with pytest.raises(StillboxError, match="put the original back, or delete the take and import it again") as caught:
        build.load(info)
    assert "give a WAV" not in str(caught.value)


@pytest.mark.parametrize("damage", ["frames", "one bit", "cut and padded"])
def test_a_recording_damaged_inside_is_named_by_a_check(build: BuildFolder, damage: str) -> None:
    good, bad = add(build), add(build)
    path = build.path / "takes" / bad.audio_file
    assert build.check_recordings() == []
    code, out, _ = run("takes", build.path, "--check")
    assert (code, "all 2 recordings are what was recorded" in out) == (0, True)
    content, half = path.read_bytes(), path.stat().st_size // 2
    hurt = {
        "frames": content[:half] + bytes(200) + content[half + 200 :],
        "one bit": content[:half] + bytes([content[half] ^ 1]) + content[half + 1 :],
        "cut and padded": content[:half] + bytes(len(content) - half),
    }[damage]
    path.write_bytes(hurt)
    [fault] = [*build.damaged(), *build.check_recordings()]
    assert str(path) in fault and "put the original back" in fault
    code, out, err = run("takes", build.path, "--check")
    assert code == 0 and "are what was recorded" not in out
    assert one_line(err) == f"stillbox: {fault}\n"
    code, out, _ = run("takes", build.path, "--check", "--json")
    assert json.loads(out)["damaged"] == [fault]
    assert build.load(good).samples.shape[1] == 2
    code, _, err = run("curve", build.path, str(bad.number))
    assert code == 2 and (str(path) in one_line(err) or "1 more cannot be read, see 'stillbox takes" in err)


def test_where_a_take_is_missed_damage_is_told(build: BuildFolder) -> None:
    add(build)
    with pytest.raises(StillboxError) as caught:
        build.find_take("9")
    assert "cannot be read" not in str(caught.value)
    (build.path / "takes" / "0009-in-box-A.json").write_text("{")
    with pytest.raises(StillboxError, match=r"\(1 more cannot be read, see 'stillbox takes"):
        build.find_take("9")


@pytest.mark.parametrize("content", [b"", b"{", b"\xff\xfe", b"[" * 100_000, b"1" * 10_000, b"x" * 2_000_000, b"null"])
def test_any_bytes_in_a_sidecar(build: BuildFolder, content: bytes) -> None:
    add(build)
    (build.path / "takes" / "0002-in-box-A.json").write_bytes(content)
    assert [info.number for info in build.takes()] == [1]
    assert len(build.damaged()) == 1


def test_missing_cut_and_foreign_samples(build: BuildFolder) -> None:
    infos = [add(build) for _ in range(4)]
    paths = [build.path / "takes" / info.audio_file for info in infos]
    paths[0].unlink()
    paths[1].write_bytes(b"")
    paths[2].write_bytes(b"this is a letter, no music")
    assert [info.number for info in build.takes()] == [4]
    faults = build.damaged()
    assert len(faults) == 3
    for path, fault in zip(paths, faults, strict=False):
        assert str(path) in fault
    with pytest.raises(StillboxError, match="does not exist"):
        build.load(infos[0])


def test_a_cut_file_is_found_when_read(build: BuildFolder) -> None:
    info = add(build)
    path = build.path / "takes" / info.audio_file
    path.write_bytes(path.read_bytes()[:-20_000])
    with pytest.raises(StillboxError, match=r"0001-in-box-stock-A\.flac"):
        build.load(info)


def test_links_that_lead_out_are_not_followed(build: BuildFolder, tmp_path: Path) -> None:
    info = add(build)
    path = build.path / "takes" / info.audio_file
    outside = tmp_path / "outside.flac"
    path.rename(outside)
    path.symlink_to(outside)
    assert build.takes() == []
    assert "lies outside of the build" in build.damaged()[0]
    with pytest.raises(StillboxError, match="lies outside of the build"):
        build.load(info)


def test_a_link_under_a_temporary_name_is_not_written_through(build: BuildFolder, tmp_path: Path) -> None:
    victim = tmp_path / "victim.txt"
    victim.write_text("precious")
    (build.path / "calibration.toml.part").symlink_to(victim)
    (build.path / "takes").mkdir(exist_ok=True)
    (build.path / "takes" / "0001-in-box-stock-A.flac.part").symlink_to(victim)
    (build.path / "takes" / "0002-in-box-stock-A.flac.part").symlink_to(victim)
    build.set_calibration(10.0)
    add(build)
    assert victim.read_text() == "precious"


# One writer at a time

HOLD = """
import sys, time
from pathlib import Path
from stillbox.capture.build.build_lock import build_lock
with build_lock(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""

ADD = """
import sys
import numpy as np
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.sweep.excitation import Excitation
build = BuildFolder.open(sys.argv[1])
for _ in range(4):
    build.add_take(np.zeros((40_000, 2)), "PCM_16", subject="part", origin="x", sweep_starts=[0],
                   excitation=Excitation(seconds=0.3, silence_before_s=0.2, silence_after_s=0.2, repeats=1))
"""


def test_a_second_program_is_told_who_holds_the_build(build: BuildFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(build.path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"held\n"
        with (
            pytest.raises(StillboxError, match=rf"is being written to by process {other.pid} on \S+; wait"),
            build_lock(build.path, patience_s=0.05),
        ):
            raise AssertionError("two programs hold one build")
        assert build.takes() == []  # reading needs no lock
    build.set_calibration(10.0)  # and it is free again
    assert not (build.path / ".lock-holder").exists()


def test_two_programs_add_takes_with_numbers_of_their_own(build: BuildFolder) -> None:
    others = [subprocess.Popen([sys.executable, "-c", ADD, str(build.path)], cwd=ROOT) for _ in range(2)]
    assert [other.wait(60) for other in others] == [0, 0]
    assert [info.number for info in build.takes()] == list(range(1, 9))
    assert build.damaged() == []


def test_two_threads_too(build: BuildFolder) -> None:
    threads = [threading.Thread(target=add, args=(build,)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [info.number for info in build.takes()] == [1, 2, 3, 4]


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="rights are different there")
def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(StillboxError, match="cannot make"):
        BuildFolder.create(tmp_path / "file" / "build")
