"""A take of one sweep: its noise is seen in itself, and what it cannot know is said once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from reference.wild_bench import WildTake, wild_take
from wild_curves import curve_of, held, kept

from analysis.bench import Bench
from analysis.sweep_alone import alone
from analysis.sweep_words import ONE_SWEEP
from capture.excitation import Excitation

ONE = Excitation(seconds=5.0, repeats=1, silence_after_s=1.0)


def share(take: WildTake, path: Path) -> float:
    """Share of the band in which the 95 % interval of |Z| holds the truth."""
    return float(np.mean(held(curve_of(take, path), take)[1]))


def test_noise_that_the_silence_did_not_have_is_seen_in_the_sweep_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Steps in the room: intervals from the silence alone hold 68 % of the truth, these 90 %."""
    takes = [wild_take("footsteps", "strong", seed, ONE) for seed in (4001, 4002, 4003)]
    seen = [share(take, tmp_path / f"seen-{index}") for index, take in enumerate(takes)]
    monkeypatch.setattr("analysis.sweep_scatter.alone", lambda frequency_hz, *_: np.ones(frequency_hz.size))
    blind = [share(take, tmp_path / f"blind-{index}") for index, take in enumerate(takes)]
    assert np.mean(seen) > np.mean(blind) + 0.15
    assert np.mean(seen) > 0.88


def test_a_quiet_sweep_has_the_noise_of_the_silence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    take = wild_take("clean", "strong", 4005, ONE)
    bench, info = kept(take, tmp_path / "build")
    with_it = bench.ratio(info).noise_variance
    monkeypatch.setattr("analysis.sweep_scatter.alone", lambda frequency_hz, *_: np.ones(frequency_hz.size))
    without = Bench(bench.build).ratio(info).noise_variance
    assert np.mean(with_it > 1.05 * without) < 0.05


def test_noise_with_the_stated_variance_is_no_more_than_that() -> None:
    frequency_hz = np.arange(28, 44_000) * 0.5
    generator = np.random.default_rng(3)
    smooth = 1 / (1 + 10j * (frequency_hz / 200 - 200 / frequency_hz))
    parts = generator.standard_normal((2, frequency_hz.size)) * 1e-5 / np.sqrt(2)
    found = alone(frequency_hz, smooth + parts[0] + 1j * parts[1], np.full(frequency_hz.size, 1e-10))
    assert np.mean(found > 1) < 0.02
    loud = np.where((frequency_hz > 500) & (frequency_hz < 1_000), 5.0, 1.0)
    found = alone(frequency_hz, smooth + loud * (parts[0] + 1j * parts[1]), np.full(frequency_hz.size, 1e-10))
    assert np.median(found[(frequency_hz > 560) & (frequency_hz < 890)]) == pytest.approx(25, rel=0.15)


def test_what_one_sweep_cannot_know_is_said_once(tmp_path: Path) -> None:
    bench, info = kept(wild_take("clean", "mild", 4006, ONE), tmp_path / "one")
    assert bench.findings_of(info).warnings.count(ONE_SWEEP) == 1
    bench, info = kept(wild_take("clean", "mild", 4006, Excitation()), tmp_path / "three")
    assert ONE_SWEEP not in bench.findings_of(info).warnings
