"""What is left of sweeps besides the linear answer: computed here through a resistor of a jig."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from numpy.typing import NDArray

from stillbox.analysis.sweeps.sweep_rest import SweepRest, sweep_rest
from stillbox.capture.recording.take import Recording, TakeInfo
from stillbox.capture.sweep.excitation import Excitation, excitation_samples, sweep_starts

SWEEP = Excitation(seconds=1.0)
OHM, REFERENCE_OHM = 8.0, 10.0


def rest_of(channels: NDArray[np.float64]) -> SweepRest:
    rng = np.random.default_rng(5)
    samples = channels + rng.normal(0, 1e-5, channels.shape)
    info = TakeInfo(
        number=1, subject="in-box", state="stock", created=datetime(2024, 1, 1, tzinfo=UTC), excitation=SWEEP,
        sweep_starts=tuple(sweep_starts(SWEEP)), frames=len(samples), origin="computed", audio_file="none.flac",
        samples_sha256="0" * 64,
    )  # fmt: skip
    hz = np.linspace(15, 21_000, 4000)
    return sweep_rest(Recording(info, samples), hz, np.full(hz.size, OHM / (OHM + REFERENCE_OHM), complex))


def channels(more_ohm: NDArray[np.float64] | float = 0.0) -> NDArray[np.float64]:
    """Both channels with a resistance more on the clips, amplifier with harmonics."""
    played = excitation_samples(SWEEP)
    played = played + 0.03 * played**3 + 0.01 * played**15 / np.max(played) ** 14  # harmonics of the amplifier
    share = (OHM + more_ohm) / (OHM + more_ohm + REFERENCE_OHM)
    return np.stack([played, played * share], axis=1)


def test_harmonics_of_the_amplifier_are_nothing_of_the_speaker() -> None:
    found = rest_of(channels())
    assert np.max(found.rough_db) < 2.0
    inside = (found.swept_hz > 25) & (found.swept_hz < 15_000)
    assert np.max((found.ratio_off / found.ratio_noise)[:, inside]) < 5.0  # of 1500 blocks


def test_a_contact_that_is_bad_for_a_moment_shows_where_it_was() -> None:
    more = np.zeros(SWEEP.total_frames)
    start = sweep_starts(SWEEP)[1] + 24_000
    more[start : start + 960] = 2.0
    found = rest_of(channels(more))
    sweep, block = np.unravel_index(int(np.argmax(found.ratio_off)), found.ratio_off.shape)
    assert sweep == 1
    assert found.moment_s[block] == pytest.approx(0.51, abs=0.012)
    expected = (OHM + 2) / (OHM + 2 + REFERENCE_OHM) - OHM / (OHM + REFERENCE_OHM)
    assert np.max(found.ratio_off) == pytest.approx(expected, rel=0.2)


def test_what_rattles_while_a_place_is_swept_is_rough_there_and_a_voice_in_one_sweep_is_not() -> None:
    both = channels()
    rng = np.random.default_rng(6)
    moments = np.arange(SWEEP.sweep_frames) / SWEEP.sample_rate_hz
    swept = SWEEP.low_hz * np.exp(moments / SWEEP.rate_constant_s)
    rattling = (swept > 150) & (swept < 200)
    for start in sweep_starts(SWEEP):
        both[start : start + SWEEP.sweep_frames, 1] += rng.normal(0, 1e-4, SWEEP.sweep_frames) * rattling
    voice = (swept > 40) & (swept < 60)
    first = sweep_starts(SWEEP)[0]
    both[first : first + SWEEP.sweep_frames, 1] += rng.normal(0, 1e-3, SWEEP.sweep_frames) * voice
    found = rest_of(both)
    rough = found.rough_hz[found.rough_db > 5]
    assert 140 < rough.min() < 165 and 185 < rough.max() < 215
