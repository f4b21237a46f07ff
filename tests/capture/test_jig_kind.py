"""A recording of one kind of jig that is imported as one of the other: told wherever the data can tell."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from checked import GOOD, RATE_HZ, SWEEP, check
from simple_recordings import Chain, capacitor, record

from stillbox.analysis.bench import Bench
from stillbox.analysis.calibration_report import calibration_report
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.take_import import import_take
from stillbox.capture.practice.practice_speakers import SPEAKERS, Clips, PracticeSpeaker
from stillbox.capture.recording.take import JigKind, Subject

KINDS: tuple[JigKind, JigKind] = ("high-side", "low-side")
OTHER: dict[JigKind, JigKind] = {"high-side": "low-side", "low-side": "high-side"}


def doubts(flags: tuple[str, ...]) -> list[str]:
    return [flag for flag in flags if "if the jig is wired" in flag]


@pytest.mark.parametrize("jig", KINDS)
@pytest.mark.parametrize("reference_ohm", [2.2, 10.0, 47.0])
@pytest.mark.parametrize("seed", range(6))
def test_a_speaker_tells(jig: JigKind, reference_ohm: float, seed: int) -> None:
    samples = record(SWEEP, None, Chain(reference_ohm=reference_ohm, noise_dbfs=-90, source_ohm=0.1), seed, jig)
    subject: Subject = ("in-box", "free-air")[seed % 2]  # type: ignore[assignment]
    assert doubts(check(samples, subject, jig)[1]) == []
    (doubt,) = doubts(check(samples, subject, OTHER[jig])[1])
    assert doubt.endswith(f"if the jig is wired {jig}, take it again with --jig {jig}")
    assert "which no driver does" in doubt


def speaker_ohm(name: str, state: str, series_farad: float | None = None):  # type: ignore[no-untyped-def]
    speaker: PracticeSpeaker = SPEAKERS[name]

    def impedance(frequency_hz: np.ndarray) -> np.ndarray:
        at_hz = np.maximum(frequency_hz, 1.0)
        total = speaker.impedance_ohm(Clips("in-box", state, "A"), at_hz)
        return total if series_farad is None else total + capacitor(series_farad)(at_hz)

    return impedance


@pytest.mark.parametrize("jig", KINDS)
@pytest.mark.parametrize(
    ("name", "state", "series_farad"),
    [
        *((name, "stock", None) for name in SPEAKERS),
        *((name, "lined", None) for name in ("bare box", "wrong capacitor")),
        ("tweeter", "stock", 4.7e-6),
    ],
)
def test_no_right_kind_is_doubted(jig: JigKind, name: str, state: str, series_farad: float | None) -> None:
    samples = record(SWEEP, speaker_ohm(name, state, series_farad), GOOD, 3, jig)
    assert doubts(check(samples, "in-box", jig)[1]) == []
    # A tweeter behind a capacitor looks alike both ways, and coils exchanged make a dip as deep as peaks are high; any
    # other speaker tells.
    alike = series_farad is not None or (name, state) == ("exchanged coils", "stock")
    assert len(doubts(check(samples, "in-box", OTHER[jig])[1])) == (not alike)


@pytest.mark.parametrize("jig", KINDS)
def test_open_and_short_clips_tell(jig: JigKind) -> None:
    for ohm, subject in ((1e7, "open"), (0.05, "short")):
        samples = record(SWEEP, ohm, GOOD, 1, jig)
        assert doubts(check(samples, subject, jig)[1]) == []  # type: ignore[arg-type]
    near: Subject = "open" if jig == "high-side" else "short"
    (doubt,) = doubts(check(record(SWEEP, 1e7 if near == "open" else 0.05, GOOD, 1, jig), near, OTHER[jig])[1])
    assert f"in a take of {near} it is nearly silent" in doubt


@pytest.mark.parametrize("jig", KINDS)
@pytest.mark.parametrize(("marked_ohm", "told"), [(22.0, True), (5.6, True), (10.0, False)])
def test_a_marked_resistor_tells_once_the_reference_is_known(
    tmp_path: Path, jig: JigKind, marked_ohm: float, told: bool
) -> None:
    path = tmp_path / "r.wav"
    soundfile.write(str(path), record(SWEEP, marked_ohm, GOOD, 1, jig), RATE_HZ, subtype="PCM_24")
    build = BuildFolder.create(tmp_path / "build")

    def flags(kind: JigKind) -> list[str]:
        return doubts(import_take(build, path, SWEEP, "check-resistor", jig=kind, load_ohm=marked_ohm).flags)

    assert flags(OTHER[jig]) == []
    build.set_calibration(10.0)
    assert flags(jig) == []
    found = flags(OTHER[jig])
    assert len(found) == told  # the value of the reference itself reads alike
    if told:
        reads = f"marked {marked_ohm:g} ohm reads {100 / marked_ohm:.3g} ohm"
        assert f"{reads}, on the other kind {marked_ohm:g} ohm" in found[0]


def test_calibrate_tells_afterwards(tmp_path: Path) -> None:
    build = BuildFolder.create(tmp_path / "build")

    def add(subject: Subject, ohm: float | None, wired: JigKind, said: JigKind, load_ohm: float | None = None) -> None:
        path = tmp_path / "r.wav"
        soundfile.write(str(path), record(SWEEP, ohm, GOOD, 1, wired), RATE_HZ, subtype="PCM_24")
        import_take(build, path, SWEEP, subject, jig=said, load_ohm=load_ohm)

    add("check-resistor", 22.0, "low-side", "high-side", 22.0)
    add("open", 1e7, "low-side", "low-side")
    add("in-box", None, "high-side", "high-side")
    build.set_calibration(10.0, 1.0)
    said = calibration_report(Bench(build))
    assert "not used for the jig of take 3 (high-side, 48000 Hz): take 2 (open, low-side, 48000 Hz)" in said
    assert any("take 1" in line and "a low-side jig would read 22" in line for line in said)
