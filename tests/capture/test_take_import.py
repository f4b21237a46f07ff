"""Import of recordings: sweeps found to the frame, files kept as they are, nothing written half.

The recordings are made from textbook impedances in the frequency domain (simple_recordings), apart from the checks.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from checked import GOOD, RATE_HZ, SEEDS, START, SWEEP, check, refusal
from places import ROOT
from scipy.interpolate import CubicSpline
from simple_recordings import Chain, record

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.take_import import import_take
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.sweep_search import find_sweeps
from stillbox.capture.sweep.excitation import (
    Excitation,
    default_high_hz,
    excitation_samples,
    sweep_starts,
    write_excitation,
)

# The sweep is found


@pytest.mark.parametrize("polarity", [1, -1])
@pytest.mark.parametrize("seed", SEEDS)
def test_starts_are_exact_to_the_frame(seed: int, polarity: int) -> None:
    rng = np.random.default_rng(seed)
    excitation = SWEEP.model_copy(update={"repeats": 3, "seconds": 1.0})
    chain = Chain(
        noise_dbfs=-60,
        hum_dbfs=-45,
        coupling_hz=5,
        level=10 ** rng.uniform(-1, 0),
        extra_before=int(rng.integers(9_999)),
    )
    samples = polarity * record(excitation, None, chain, seed)
    starts, _ = check(samples, excitation=excitation)
    assert starts == tuple(chain.extra_before + start for start in sweep_starts(excitation))


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize(("low_hz", "seconds"), [(5, 1.0), (20, 0.4), (2000, 0.5)])
def test_any_rate_and_band(rate_hz: int, low_hz: float, seconds: float) -> None:
    excitation = Excitation(
        low_hz=low_hz,
        high_hz=default_high_hz(rate_hz),
        seconds=seconds,
        sample_rate_hz=rate_hz,
        silence_after_s=0.3,
        repeats=1,
    )
    starts, flags = check(record(excitation, 8.0, Chain(), 1), excitation=excitation, subject="part")
    assert starts == (Chain().extra_before + excitation.silence_before_frames,)
    assert flags == ()


@pytest.mark.parametrize("ppm", [-200, -50, 50, 200])
@pytest.mark.parametrize("seconds", [1.0, 4.0])
def test_clocks_that_differ(ppm: float, seconds: float) -> None:
    excitation = SWEEP.model_copy(update={"seconds": seconds, "repeats": 2})
    samples = record(excitation, None, Chain(noise_dbfs=-80, clock_ppm=ppm), 1)
    starts, flags = check(samples, excitation=excitation)
    truth = [(Chain().extra_before + start) / (1 + ppm * 1e-6) for start in sweep_starts(excitation)]
    np.testing.assert_allclose(starts, truth, atol=2.0)
    assert flags == ()
    found = find_sweeps(samples[:, 0], excitation).sweeps
    assert found[0].clock_difference == pytest.approx(-ppm * 1e-6, abs=40e-6)


def test_a_long_silence_and_other_sounds_around_do_not_matter() -> None:
    samples = record(SWEEP, None, GOOD, 1)
    rng = np.random.default_rng(0)
    knocks = 0.2 * rng.standard_normal((30_000, 2)) * np.exp(-np.arange(30_000) / 4000)[:, None]
    quiet = 1e-4 * rng.standard_normal((100_000, 2))
    starts, flags = check(np.concatenate([knocks, quiet, samples, quiet, knocks]))
    assert starts == (130_000 + START,)
    assert flags == ()


@pytest.mark.parametrize("ratio", [48_000 / 44_100, 44_100 / 48_000, 2.0, 0.5, 1.001])
def test_another_rate_is_called_that(ratio: float) -> None:
    samples = record(SWEEP, None, GOOD, 1)
    place = np.arange(int(len(samples) / ratio) - 2) * ratio
    message = refusal(CubicSpline(np.arange(len(samples)), samples)(place))
    assert "wrong rate" in message
    told = float(message.split(" times as fast")[0].split()[-1])
    assert told == pytest.approx(ratio, abs=1e-4)


@pytest.mark.parametrize("cut", [-int(0.6 * RATE_HZ), -int(1.5 * RATE_HZ), int(0.6 * RATE_HZ), int(1.2 * RATE_HZ)])
def test_truncated(cut: int) -> None:
    samples = record(SWEEP, None, GOOD, 1)
    message = refusal(samples[:cut] if cut < 0 else samples[cut:])
    assert "the sweep is truncated" in message
    assert ("ends" if cut < 0 else "begins") in message
    # A hundredth of a second of silence is not enough to know the noise by.
    message = refusal(samples[: START + SWEEP.sweep_frames + 480])
    assert "ends 0.010 s after the sweep, 0.1 s of silence are needed there" in message


def test_fewer_and_more_repeats() -> None:
    excitation = SWEEP.model_copy(update={"repeats": 3, "seconds": 0.8})
    samples = record(excitation, None, GOOD, 1)
    starts, flags = check(samples[: -int(0.7 * RATE_HZ)], excitation=excitation)
    assert len(starts) == 2
    assert "2 of 3 sweeps are whole (1 more cut off); those are used" in flags
    starts, flags = check(samples, excitation=excitation.model_copy(update={"repeats": 1}))
    assert len(starts) == 3
    assert "3 sweeps where the excitation has 1; all are used" in flags


def test_frames_lost_in_the_silence_are_told() -> None:
    excitation = SWEEP.model_copy(update={"repeats": 2, "seconds": 0.8})
    samples = record(excitation, None, GOOD, 1)
    place = START + excitation.sweep_frames + 15_000
    _, flags = check(np.delete(samples, np.s_[place : place + 512], axis=0), excitation=excitation)
    assert "between sweeps 1 and 2 lie 512 frames less than were played" in flags


@pytest.mark.parametrize("kind", ["noise", "silence", "hum", "tone", "another sweep", "short"])
def test_no_sweep_in_it(kind: str) -> None:
    rng = np.random.default_rng(0)
    time_s = np.arange(3 * RATE_HZ) / RATE_HZ
    other = Excitation(low_hz=100, high_hz=8000, seconds=1.3, repeats=1, silence_after_s=1.0)
    signal = {
        "noise": 0.1 * rng.standard_normal(3 * RATE_HZ),
        "silence": np.zeros(3 * RATE_HZ),
        "hum": 0.3 * np.sin(2 * np.pi * 50 * time_s),
        "tone": 0.3 * np.sin(2 * np.pi * 997 * time_s),
        "another sweep": excitation_samples(other),
        "short": 0.1 * rng.standard_normal(100),
    }[kind]
    quiet = 0 if kind == "silence" else 1e-4
    message = refusal(signal[:, None] + quiet * rng.standard_normal((len(signal), 2)))
    assert "no sweep" in message
    assert ("mains hum of 50 Hz" in message) == (kind == "hum")


# The whole flow


def write(path: Path, samples: np.ndarray, subtype: str = "PCM_24", rate_hz: int = RATE_HZ) -> Path:
    soundfile.write(str(path), samples, rate_hz, subtype=subtype)
    return path


@pytest.fixture
def build(tmp_path: Path) -> BuildFolder:
    return BuildFolder.create(tmp_path / "build")


@pytest.mark.parametrize(
    ("name", "subtype", "kept"),
    [
        ("a.wav", "PCM_16", ".flac"),
        ("a.wav", "PCM_24", ".flac"),
        ("a.wav", "FLOAT", ".wav"),
        ("a.wav", "PCM_32", ".wav"),
        ("a.flac", "PCM_24", ".flac"),
        ("a.aiff", "PCM_24", ".flac"),
        ("a.aiff", "FLOAT", ".wav"),
    ],
)
def test_what_is_kept_is_what_was_recorded(
    build: BuildFolder, tmp_path: Path, name: str, subtype: str, kept: str
) -> None:
    path = write(tmp_path / name, record(SWEEP, None, GOOD, 1), subtype)
    info = import_take(build, path, SWEEP, "in-box", unit="B")
    assert info == build.find_take("in-box/stock/B")
    assert info.audio_file.endswith(kept)
    assert info.origin == name
    assert info.sweep_starts == (START,)
    original, _ = soundfile.read(str(path), dtype="float64")
    np.testing.assert_array_equal(build.load(info).samples, original)


def test_states_and_marked_values(build: BuildFolder, tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", record(SWEEP, 10.0, GOOD, 1))
    assert import_take(build, path, SWEEP, "in-box").state == "stock"
    assert import_take(build, path, SWEEP, "free-air").state == ""
    assert import_take(build, path, SWEEP, "in-box", state="lined").state == "lined"
    assert import_take(build, path, SWEEP, "part", state="lined").state == "lined"
    assert import_take(build, path, SWEEP, "free-air", state="").state == ""
    info = import_take(build, path, SWEEP, "load", load_ohm=10.0, load_tolerance_percent=0.1)
    assert (info.load_ohm, info.load_tolerance_percent) == (10.0, 0.1)
    low_side = write(tmp_path / "b.wav", record(SWEEP, 10.0, GOOD, 1, "low-side"))
    assert import_take(build, low_side, SWEEP, "part", jig="low-side").jig == "low-side"


def test_a_microphone_may_be_mono(build: BuildFolder, tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", record(SWEEP, None, GOOD, 1)[:, 0])
    info = import_take(build, path, SWEEP, "microphone", state="1 m")
    assert info.sweep_starts == (START,)
    assert build.load(info).samples.shape[1] == 1
    with pytest.raises(StillboxError, match=r"has 1 channel\(s\), 2 needed"):
        import_take(build, path, SWEEP, "in-box")


def bad_files(folder: Path) -> dict[str, tuple[Path, str]]:
    good = record(SWEEP, None, GOOD, 1)
    broken = good.copy()
    broken[5, 0] = np.nan
    (folder / "letter.wav").write_text("dear all")
    (folder / "empty.wav").write_bytes(b"")
    return {
        "missing": (folder / "gone.wav", "does not exist"),
        "folder": (folder, "is not a file"),
        "letter": (folder / "letter.wav", "cannot be read as audio"),
        "empty": (folder / "empty.wav", "is empty"),
        "three channels": (write(folder / "3.wav", np.hstack([good, good[:, :1]])), r"has 3 channel\(s\), 2 needed"),
        "low rate": (write(folder / "l.wav", good, rate_hz=22_050), "sample rate of 22050 Hz; record with 44100"),
        "other rate": (write(folder / "o.wav", good, rate_hz=44_100), "has the wrong rate: 44100 Hz"),
        "nan": (write(folder / "n.wav", broken, "FLOAT"), r"no numbers \(first in frame 5\)"),
        "lossy": (write(folder / "u.wav", good, "ULAW"), "ULAW samples, which lose detail"),
        "no frames": (write(folder / "z.wav", good[:0]), "holds no samples"),
    }


@pytest.mark.parametrize(
    "kind",
    ["missing", "folder", "letter", "empty", "three channels", "low rate", "other rate", "nan", "lossy", "no frames"],
)
def test_bad_files_leave_nothing_behind(build: BuildFolder, tmp_path: Path, kind: str) -> None:
    path, told = bad_files(tmp_path)[kind]
    before = sorted(build.path.rglob("*"))
    with pytest.raises(StillboxError, match=told) as caught:
        import_take(build, path, SWEEP, "in-box")
    assert str(path) in str(caught.value)
    assert sorted(build.path.rglob("*")) == before


def test_a_faulty_recording_leaves_nothing_behind(build: BuildFolder, tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", record(SWEEP, None, GOOD, 1)[:, ::-1])
    before = sorted(build.path.rglob("*"))
    with pytest.raises(StillboxError, match=r"a\.wav: the channels are swapped"):
        import_take(build, path, SWEEP, "in-box")
    assert sorted(build.path.rglob("*")) == before


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"subject": "soup"}, "there is no subject 'soup'; choose one of free-air"),
        ({"subject": "in-box", "jig": "sideways"}, "there is no jig 'sideways'; choose one of high-side"),
        ({"subject": "load"}, "give --load-ohms"),
        ({"subject": "check-resistor"}, "give --load-ohms"),
        ({"subject": "in-box", "load_ohm": 10.0}, "leave --load-ohms out"),
        ({"subject": "load", "load_ohm": -1.0}, "load_ohm"),
        ({"subject": "load", "load_ohm": float("nan")}, "load_ohm"),
        ({"subject": "in-box", "state": "a/b"}, "cannot name a state"),
        ({"subject": "in-box", "state": ""}, "needs a state"),
        ({"subject": "free-air", "state": "lined"}, "a take of free-air has no state, as 'lined': only takes"),
        ({"subject": "load", "load_ohm": 10.0, "state": "stock"}, "leave the state out"),
        ({"subject": "in-box", "unit": ""}, "cannot name a unit"),
    ],
)
def test_wrong_options(build: BuildFolder, tmp_path: Path, options: dict[str, object], told: str) -> None:
    path = write(tmp_path / "a.wav", record(SWEEP, 10.0, GOOD, 1))
    with pytest.raises(StillboxError, match=told):
        import_take(build, path, SWEEP, **options)  # type: ignore[arg-type]
    assert build.takes() == []


MEASURE = """
import sys
from pathlib import Path
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.sweep.excitation import read_excitation
from stillbox.capture.build.take_import import import_take
folder = Path(sys.argv[1])
build = BuildFolder.create(folder / "build")
info = import_take(build, folder / "a.wav", read_excitation(folder / "sweep.json"), "in-box")
# Not getrusage: its peak is handed down from the process that started this one.
peak_kb = next(line.split()[1] for line in Path("/proc/self/status").read_text().splitlines() if "VmHWM" in line)
print(info.frames, peak_kb)
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the peak of memory is read from /proc")
def test_memory_stays_in_proportion(tmp_path: Path) -> None:
    excitation = Excitation(seconds=10, sample_rate_hz=192_000, high_hz=24_000, repeats=1, silence_after_s=1.0)
    write_excitation(excitation, tmp_path / "sweep.wav")
    sweep = excitation_samples(excitation)
    noise = 1e-5 * np.random.default_rng(0).standard_normal((len(sweep), 2))
    write(tmp_path / "a.wav", np.stack([sweep, 0.5 * sweep], axis=1) + noise, rate_hz=192_000)
    run = subprocess.run(
        [sys.executable, "-c", MEASURE, str(tmp_path)], cwd=ROOT, capture_output=True, text=True, check=True
    )
    frames, peak_kb = map(int, run.stdout.split())
    # 60 s at 192 kHz (12 million frames) are allowed 1 GB: 72 bytes a frame besides the program itself.
    assert peak_kb * 1024 < 120e6 + 72 * frames
