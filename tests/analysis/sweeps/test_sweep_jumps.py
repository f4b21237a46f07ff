"""A contact or a gain that jumps within a sweep: found to the sample, taken out, and no feature of the speaker."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from reference.wild_bench import WildTake, wild_take
from wild_curves import curve_of, kept

from stillbox.capture.sweep.excitation import Excitation

DISTURBED = "was disturbed"
THREE, TWO = Excitation(), Excitation(seconds=2.5, repeats=2)


def jumped_in(take: WildTake, frame: int) -> int:
    """Number from 1 of the sweep that holds a frame."""
    return sum(frame >= start for start in take.sweep_starts)


def lowest_hz(disturbed: str) -> float:
    """The lower end of the band that a sentence about a disturbed sweep names, as in "between 35.6 Hz and 57.8 Hz"."""
    found = re.search(r"between ([0-9.]+)(?: (k?Hz))? and [0-9.]+ (k?Hz)", disturbed)
    assert found is not None, disturbed
    return float(found[1]) * (1000.0 if (found[2] or found[3]) == "kHz" else 1.0)


@pytest.mark.parametrize("excitation", [THREE, TWO])
@pytest.mark.parametrize("seed", [2001, 2002, 2003, 2004])
def test_a_contact_that_jumps_leaves_a_resistance_and_nothing_else(
    tmp_path: Path, seed: int, excitation: Excitation
) -> None:
    """Beside the same take with a steady contact it is one resistance too much at all frequencies, at the jump too."""
    take, steady = (wild_take(kind, "strong", seed, excitation) for kind in ("contact_step", "clean"))
    assert take.truth is not None
    assert take.truth.series_ohm is not None
    curve, reference = (curve_of(one, tmp_path / str(index)) for index, one in enumerate((take, steady)))
    number = jumped_in(take, take.truth.steps[0])
    since_s = (take.truth.steps[0] - take.sweep_starts[number - 1]) / excitation.sample_rate_hz
    jump_hz = excitation.low_hz * np.exp(since_s / excitation.rate_constant_s)
    told = [text for text in curve.warnings if "jumped" in text]
    assert len(told) == 1
    assert f"the resistance jumped in sweep {number}" in told[0]
    # What is taken out is taken out where it was: the lowest frequencies, long swept by then, have no part in it.
    disturbed_hz = [lowest_hz(text) for text in curve.warnings if DISTURBED in text]
    assert all(hz > 0.5 * jump_hz for hz in disturbed_hz)
    assert not any("was there a sound" in text for text in curve.warnings)
    step_ohm = float(np.ptp(take.truth.series_ohm))
    heard = (curve.frequency_hz > 20) & (curve.frequency_hz < 20_000)
    more_ohm = (curve.impedance_ohm - reference.impedance_ohm)[heard]
    noise_ohm = np.sqrt(curve.noise_variance_ohm2 + reference.noise_variance_ohm2)[heard]
    level_ohm = float(np.median(more_ohm.real))
    assert np.all(np.abs(more_ohm - level_ohm) < 5 * noise_ohm + 0.01 * step_ohm)
    states = np.array([take.truth.series_ohm.min(), take.truth.series_ohm.max()])
    half_width = 1.96 * np.median(curve.resistance_std_ohm)
    assert np.all(np.abs(level_ohm - states) < half_width)
    # Two states, one of them right: 1.96 / sqrt(12) of the step, 0.57, and no more than noise and drift add.
    assert half_width < 0.65 * step_ohm


@pytest.mark.parametrize("channel", [0, 1])
@pytest.mark.parametrize(("sweep", "at_hz"), [(0, 40.0), (1, 300.0), (2, 5_000.0)])
def test_the_moment_and_the_size_of_a_gain_that_jumps(channel: int, sweep: int, at_hz: float, tmp_path: Path) -> None:
    take = wild_take("clean", "mild", 2005, THREE)
    assert take.truth is not None
    frame = round(THREE.rate_constant_s * np.log(at_hz / THREE.low_hz) * THREE.sample_rate_hz)
    samples = take.samples.copy()
    samples[take.sweep_starts[sweep] + frame :, channel] *= 1.005
    jumpy = WildTake(samples, take.sweep_starts, 48_000, take.reference_ohm, THREE, truth=take.truth)
    bench, info = kept(jumpy, tmp_path / "build")
    (jump,) = bench.ratio(info).jumps
    assert (jump.sweep, jump.kind) == (sweep, "gain")
    assert abs(jump.frame - frame) < 2e-3 * 48_000
    assert jump.size == pytest.approx(0.005 if channel else -0.005, rel=0.03)
