"""Samples lost, replaced or repeated in imported recordings: refused, or too little to change the impedance."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from checked import GOOD, SEEDS, SWEEP, check, refusal
from simple_recordings import capacitor, coil, record, trap

from stillbox.analysis.sweeps.transfer import channel_ratio
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import JigKind, Recording, TakeInfo

Device = Callable[[np.ndarray], np.ndarray]


def frame_at(frequency_hz: float, start: int) -> int:
    part = np.log(frequency_hz / SWEEP.low_hz) / np.log(SWEEP.high_hz / SWEEP.low_hz)
    return start + int(part * SWEEP.sweep_frames)


def good(seed: int) -> tuple[np.ndarray, int]:
    samples = record(SWEEP, None, GOOD, seed)
    return samples, check(samples)[0][0]


def without(samples: np.ndarray, frame: int, count: int) -> np.ndarray:
    return np.concatenate([samples[:frame], samples[frame + count :]])


def one_shifted(samples: np.ndarray, frame: int, count: int, channel: int) -> np.ndarray:
    """``count`` frames of one channel alone are lost."""
    spoilt = samples.copy()
    spoilt[frame:-count, channel] = samples[frame + count :, channel]
    return spoilt


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("count", [5_200, 6_500])
def test_a_block_longer_than_segments_are_looked_for(seed: int, count: int) -> None:
    samples, start = good(seed)
    for frequency_hz in (150.0, 350.0, 1_500.0):
        assert "the recording has a gap" in refusal(without(samples, frame_at(frequency_hz, start), count))


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("frequency_hz", [10.6, 12.0, 40.0, 150.0, 500.0, 1_200.0])
def test_a_small_step_while_the_sweep_is_slow(seed: int, frequency_hz: float) -> None:
    samples, start = good(seed)
    frame = frame_at(frequency_hz, start)
    spoilt = samples.copy()
    spoilt[frame:] += 0.01 * np.abs(samples).max(axis=0)
    told = re.search(r"\(frame (\d+)\)", refusal(spoilt))
    assert told is not None
    assert int(told[1]) == pytest.approx(frame, abs=3)
    # One sample that is off by as much is as bad, and half of what is looked for is left alone.
    spoilt = samples.copy()
    spoilt[frame] += 0.01 * np.abs(samples).max(axis=0)
    assert "the signal steps by" in refusal(spoilt)
    spoilt = samples.copy()
    spoilt[frame:] += 0.002 * np.abs(samples).max(axis=0)
    assert check(spoilt)[0] == (start,)


@pytest.mark.parametrize("channel", [0, 1])
@pytest.mark.parametrize("count", [12, 37, 90, 641])
def test_one_channel_that_lost_frames(channel: int, count: int) -> None:
    for seed, frequency_hz in zip(SEEDS, (11.5, 47.0, 700.0), strict=True):
        samples, start = good(seed)
        message = refusal(one_shifted(samples, frame_at(frequency_hz, start), count, channel))
        assert "frames behind channel 1" in message or "frames before channel 1" in message or "a gap" in message


def test_channels_a_few_frames_apart_are_two_inputs() -> None:
    samples, start = good(1)
    assert check(one_shifted(samples, 0, 3, 1))[0] == (start,)
    assert "channel 2 lies 20 frames before channel 1" in refusal(one_shifted(samples, 0, 20, 1))


@pytest.mark.parametrize("jig", ["high-side", "low-side"])
@pytest.mark.parametrize("load", [coil(0.5e-3, 0.3), capacitor(4.7e-6), trap(1e-3, 1e-6, 0.5)])
@pytest.mark.parametrize("high_hz", [4_000.0, 20_000.0])
def test_a_load_that_turns_the_phase_is_no_offset(jig: JigKind, load: Device, high_hz: float) -> None:
    """At a high rate even an eighth of a period is many frames."""
    sweep = SWEEP.model_copy(update={"sample_rate_hz": 192_000, "high_hz": high_hz})
    for reference_ohm in (10.0, 47.0):
        samples = record(sweep, load, replace(GOOD, reference_ohm=reference_ohm), 1, jig)
        assert len(check(samples, "part", jig, sweep)[0]) == 1


def ratio_of(samples: np.ndarray, start: int) -> tuple[np.ndarray, np.ndarray]:
    info = TakeInfo(
        number=1,
        subject="in-box",
        state="stock",
        created=datetime.now(UTC),
        excitation=SWEEP,
        sweep_starts=(start,),
        frames=len(samples),
        origin="test",
        audio_file="x.flac",
        samples_sha256="0" * 64,
    )
    found = channel_ratio(Recording(info, samples))
    return found.frequency_hz, found.ratio


def test_what_passes_changes_next_to_nothing() -> None:
    """Sixty losses as sound cards make them: whole buffers of both channels, anywhere in the sweep."""
    rng = np.random.default_rng(60)
    passed = 0
    for index in range(60):
        if index % 10 == 0:
            samples, start = good(index)
            frequency_hz, true_ratio = ratio_of(samples, start)
        spoilt = without(
            samples, start + int(rng.uniform(0.005, 0.995) * SWEEP.sweep_frames), int(2 ** rng.uniform(6, 12))
        )
        try:
            (start_found,), _ = check(spoilt)
        except StillboxError:
            continue
        passed += 1
        _, ratio = ratio_of(spoilt, start_found)
        inside = (frequency_hz > 20) & (frequency_hz < 18_000)
        borders = np.unique(np.searchsorted(frequency_hz[inside], 20 * 2 ** (np.arange(470) / 48)))
        cells = [np.add.reduceat(values[inside], borders[borders < inside.sum()]) for values in (ratio, true_ratio)]
        assert np.percentile(np.abs(cells[0] / cells[1] - 1), 95) < 5e-4
    assert passed <= 3
