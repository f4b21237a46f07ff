"""A speaker of two drivers: which one is meant where none is named, and what is read of each."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from checked import GOOD, RATE_HZ, SWEEP
from invoked import one_line, run
from simple_recordings import record

from stillbox.analysis.bench import Bench
from stillbox.analysis.drivers import driver_in_box
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.take_import import import_take
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo

WOOFER_HZ, TWEETER_HZ, BOXED_HZ = 42.0, 930.0, 71.0


def driver(fs_hz: float, re_ohm: float) -> Callable[[np.ndarray], np.ndarray]:
    """A motional peak over a coil."""

    def impedance_ohm(frequency_hz: np.ndarray) -> np.ndarray:
        s = 1j * np.maximum(frequency_hz, 1e-3) / fs_hz
        return re_ohm + 4e-4 * fs_hz * s + 20 * (s / 4) / (s**2 + s / 4 + 1)

    return impedance_ohm


def swept(build: BuildFolder, subject: str, of: str, fs_hz: float, re_ohm: float, state: str | None = None) -> TakeInfo:
    path = build.path.parent / "recording.wav"
    samples = record(SWEEP, driver(fs_hz, re_ohm), GOOD, build.path.stat().st_ino % 97)
    soundfile.write(str(path), samples, RATE_HZ, subtype="PCM_24")
    return import_take(build, path, SWEEP, subject, state, of=of)


@pytest.fixture(scope="module")
def two_way(tmp_path_factory: pytest.TempPathFactory) -> BuildFolder:
    """Both drivers in free air, the tweeter last; the woofer alone in the box."""
    build = BuildFolder.create(tmp_path_factory.mktemp("two") / "box")
    build.set_calibration(10.0)
    swept(build, "free-air", "woofer", WOOFER_HZ, 5.5)
    swept(build, "free-air", "tweeter", TWEETER_HZ, 4.1)
    swept(build, "in-box", "woofer", BOXED_HZ, 5.5)
    return build


def test_the_driver_in_the_box_is_that_with_the_lowest_resonance(two_way: BuildFolder) -> None:
    bench = Bench(two_way)
    take = bench.free_air()
    assert take is not None and take.of == "woofer"
    status, said, _ = run("driver", two_way.path)
    assert status == 0 and said.splitlines()[0] == "box, unit A, driver woofer"


def test_a_driver_that_is_named_is_read(two_way: BuildFolder) -> None:
    for name, fs_hz in (("woofer", WOOFER_HZ), ("tweeter", TWEETER_HZ)):
        document = json.loads(run("driver", two_way.path, "--driver", name, "--json")[1])
        assert document["of"] == name
        assert document["parameters"]["fs_hz"]["value"] == pytest.approx(fs_hz, rel=0.003)


def test_who_is_not_there_is_told_with_those_who_are(two_way: BuildFolder) -> None:
    status, _, said = run("driver", two_way.path, "--driver", "horn")
    assert status == 2
    assert "no free-air take of a driver 'horn', but of woofer, tweeter" in one_line(said)


@pytest.mark.parametrize("command", ["findings", "box", "bass", "report"])
def test_a_driver_that_nobody_knows_is_refused(two_way: BuildFolder, command: str) -> None:
    """It was read as the speaker itself, without a word."""
    status, _, said = run(command, two_way.path, "--driver", "wofer")
    assert status == 2
    assert "knows no driver 'wofer': takes are of tweeter, woofer; leave --driver out" in one_line(said)


def test_a_take_without_a_name_stands_for_no_driver_that_nobody_knows(tmp_path: Path) -> None:
    build = BuildFolder.create(tmp_path / "box")
    build.set_calibration(10.0)
    swept(build, "free-air", "", WOOFER_HZ, 5.5)
    status, _, said = run("driver", build.path, "--driver", "wofer")
    assert status == 2 and "no take of a driver has a name" in one_line(said)
    path = build.path / "build.toml"
    path.write_text(path.read_text().replace("[driver]", '[driver]\nname = "woofer"'), encoding="utf-8")
    assert run("driver", build.path, "--driver", "woofer")[0] == 0


def test_the_box_is_fitted_around_its_own_driver(two_way: BuildFolder) -> None:
    """The newest in free air is the tweeter's, whose resonance no box moves down to 71 Hz."""
    document = json.loads(run("box", two_way.path, "--json")[1])
    assert document["of"] == "woofer"
    assert document["parameters"]["fc_hz"]["value"] == pytest.approx(BOXED_HZ, rel=0.005)
    assert document["parameters"]["alpha"]["value"] == pytest.approx(BOXED_HZ / WOOFER_HZ - 1, rel=0.01)  # of one Q


def test_build_toml_says_of_each_driver(two_way: BuildFolder) -> None:
    text = (two_way.path / "build.toml").read_text(encoding="utf-8")
    said = text.replace("[driver]", "[driver]\nre_ohm = 5.5") + "\n[drivers.tweeter]\nre_ohm = 4.1\n"
    (two_way.path / "build.toml").write_text(said, encoding="utf-8")
    try:
        bench = Bench(two_way)
        woofer, tweeter = (take for take in bench.takes if take.subject == "free-air")
        assert bench.place_of(woofer).re_ohm == 5.5 and bench.place_of(tweeter).re_ohm == 4.1
        (two_way.path / "build.toml").write_text(text.replace("[driver]", "[driver]\nre_ohm = 5.5"), encoding="utf-8")
        assert Bench(two_way).place_of(tweeter).re_ohm is None  # not that of the woofer
    finally:
        (two_way.path / "build.toml").write_text(text, encoding="utf-8")


def test_speaker_and_driver_alone_are_not_compared(two_way: BuildFolder, tmp_path: Path) -> None:
    whole = swept(two_way, "in-box", "", BOXED_HZ, 5.5, "whole")  # nothing shows that a crossover lies between
    with pytest.raises(StillboxError, match=r"the one is of driver 'woofer', the other of the speaker's terminals"):
        Bench(two_way).comparison("3", str(whole.number))
    assert Bench(two_way).in_box().number == whole.number
    assert Bench(two_way, driver="woofer").in_box("stock").of == "woofer"


def test_which_driver_is_in_the_box() -> None:
    def take(number: int, of: str) -> TakeInfo:
        return TakeInfo.model_construct(number=number, of=of)

    resonances_hz = {1: 35.0, 2: 900.0, 3: 300.0, 4: None}
    hz = lambda one: resonances_hz[one.number]  # noqa: E731
    known = ("tweeter", "mid")
    assert driver_in_box([], None, known, hz) is None
    assert driver_in_box([take(1, "")], None, known, hz) is None
    assert driver_in_box([take(1, "woofer")], None, known, hz) == "woofer"
    assert driver_in_box([take(2, "tweeter"), take(1, "woofer"), take(3, "mid")], None, (), hz) == "woofer"
    assert driver_in_box([take(2, "tweeter"), take(1, "woofer"), take(3, "mid")], "mid", (), hz) == "mid"
    assert driver_in_box([take(4, "woofer"), take(2, "tweeter")], None, (), hz) == "tweeter"
    assert driver_in_box([take(4, "woofer"), take(2, "tweeter")], None, known, hz) == "woofer"
    # A tweeter is never taken for the driver in the box, nor what has no name for one that is named.
    assert driver_in_box([take(2, "tweeter")], None, known, hz) == "-"
    assert driver_in_box([take(2, "tweeter"), take(1, "")], None, known, hz) == "-"
    assert driver_in_box([take(2, "tweeter")], "woofer", (), hz) == "-"
    assert driver_in_box([take(1, "woofer"), take(5, "")], "woofer", (), hz) == "woofer"
