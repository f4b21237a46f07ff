"""Long signals and recordings: taken with bounded memory, or refused with a sentence before they are read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from invoked import measure, one_line

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.audio_file import MOST_SAMPLES
from stillbox.capture.sweep.excitation import (
    MOST_FRAMES,
    MOST_NEW_FRAMES,
    Excitation,
    excitation_samples,
    make_excitation,
    write_excitation,
)

RATE_HZ = 48_000


def recording(path: Path, seconds: float, loud: float = 0.0) -> Path:
    """A stereo FLAC of silence or noise."""
    noise = loud * np.random.default_rng(1).standard_normal((RATE_HZ, 2))
    with soundfile.SoundFile(str(path), "w", RATE_HZ, 2, "PCM_24", format="FLAC") as file:
        for _ in range(round(seconds)):
            file.write(noise)
    return path


def test_the_longest_signal_can_still_be_recorded_and_read() -> None:
    longest = make_excitation(seconds=10.0, sample_rate_hz=192_000, repeats=9, silence_after_s=1.0)
    assert longest.total_frames < MOST_NEW_FRAMES < MOST_FRAMES < MOST_SAMPLES / 2
    with pytest.raises(StillboxError, match=r"whole signal is 604 s long, at most 104 s at 192000 Hz .*fewer repeats"):
        make_excitation(seconds=60.0, sample_rate_hz=192_000, repeats=10, silence_after_s=0.35, silence_before_s=0.5)
    with pytest.raises(StillboxError, match="choose fewer repeats or shorter sweeps"):
        make_excitation(seconds=120.0, sample_rate_hz=192_000, repeats=64)


def test_takes_of_longer_signals_that_are_there_stay_readable() -> None:
    assert Excitation(seconds=60.0, sample_rate_hz=192_000, repeats=10).total_frames > MOST_NEW_FRAMES


def test_a_long_signal_is_written_with_little_memory(tmp_path: Path) -> None:
    """Over five minutes, 55 MB as a file and 290 MB as the numbers of the whole signal."""
    measured = measure("excitation", tmp_path / "long.wav", "--repeats", "64", "--seconds", "5", patience_s=60.0)
    assert measured.status == 0
    assert measured.memory_mb < 160
    assert soundfile.info(tmp_path / "long.wav").duration > 300


def test_what_is_written_sweep_by_sweep_is_the_signal(tmp_path: Path) -> None:
    signal = make_excitation(seconds=0.5, repeats=3)
    write_excitation(signal, tmp_path / "e.wav")
    written, _ = soundfile.read(tmp_path / "e.wav")
    assert np.abs(written - excitation_samples(signal)).max() <= 2.0**-23


@pytest.mark.parametrize("excitation_s", [5.0, 2300.0])
def test_46_minutes_of_silence_are_refused_before_they_are_read(tmp_path: Path, excitation_s: float) -> None:
    repeats = 3 if excitation_s < 10 else 24
    signal = Excitation(seconds=excitation_s / (1 if repeats == 3 else repeats), repeats=repeats)
    (tmp_path / "e.json").write_text(signal.model_dump_json().replace("{", '{"stillbox":"excitation","format":1,', 1))
    BuildFolder.create(tmp_path / "build")
    path = recording(tmp_path / "long.flac", 46 * 60)
    measured = measure("import", tmp_path / "build", path, "--excitation", tmp_path / "e.json", "--subject", "in-box")
    assert measured.status == 2
    assert "2760 s; at most" in one_line(measured.err)
    assert "cut it to the sweep and its silences" in measured.err
    assert measured.memory_mb < 200
    assert measured.cpu_s < 2.0


def test_the_longest_recording_of_a_usual_sweep_takes_bounded_memory(tmp_path: Path) -> None:
    """Two minutes more than the sweep, noise without any sweep in it: everything is searched."""
    signal = make_excitation()
    write_excitation(signal, tmp_path / "e.wav")
    BuildFolder.create(tmp_path / "build")
    path = recording(tmp_path / "noise.flac", signal.total_frames / RATE_HZ + 119, 1e-4)
    measured = measure(
        "import", tmp_path / "build", path, "--excitation", tmp_path / "e.json", "--subject", "in-box", patience_s=120.0
    )
    assert measured.status == 2
    assert "there is no sweep" in one_line(measured.err)
    assert measured.memory_mb < 350
