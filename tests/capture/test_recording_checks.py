"""Faults of recordings: each refused or flagged, no good recording refused.

The recordings are made from textbook impedances in the frequency domain (simple_recordings), apart from the checks.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from checked import GOOD, RATE_HZ, SEEDS, START, SWEEP, check, refusal
from simple_recordings import Chain, capacitor, coil, record, trap

from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.audio_file import to_raw
from stillbox.capture.recording.recording_checks import mains_hum, sample_step
from stillbox.capture.recording.take import JigKind, Subject
from stillbox.capture.sweep.excitation import Excitation, default_high_hz

Impedance = complex | Callable[[np.ndarray], np.ndarray]


# Faults of the channels


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("jig", ["high-side", "low-side"])
def test_swapped(seed: int, jig: JigKind) -> None:
    for reference_ohm in (1.0, 10.0, 100.0):
        samples = record(SWEEP, None, Chain(reference_ohm=reference_ohm, source_ohm=0.1), seed, jig)
        assert "swapped" in refusal(samples[:, ::-1], jig=jig)


def test_swapped_short() -> None:
    assert "swapped" in refusal(record(SWEEP, 0.05, GOOD, 1)[:, ::-1], "short")


def test_mono() -> None:
    samples = record(SWEEP, None, GOOD, 1)
    both = np.stack([samples[:, 0], samples[:, 0]], axis=1)
    for subject in ("in-box", "free-air", "part", "open", "short", "load"):
        assert "mono" in refusal(both, subject)  # type: ignore[arg-type]
    _, flags = check(both, "channel-match")
    assert any("equal bit for bit" in flag for flag in flags)
    # Real inputs of one node differ by their noise: nothing to say.
    assert check(record(SWEEP, 1e12, GOOD, 1), "channel-match")[1] == ()


@pytest.mark.parametrize("seed", SEEDS)
def test_dead_channels(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for dead in (0, 1):
        for crosstalk in (0.0, 1e-4):
            samples = record(SWEEP, None, GOOD, seed)
            samples[:, dead] = crosstalk * samples[:, 1 - dead] + 1e-5 * rng.standard_normal(len(samples))
            assert f"channel {dead + 1} is dead" in refusal(samples)
    samples = record(SWEEP, None, GOOD, seed)
    samples[:, 1] = 0
    assert "channel 2 is dead" in refusal(samples)
    # In a short take of this jig channel 2 is meant to be silent.
    assert check(samples, "short")[0] == (START,)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("jig", ["high-side", "low-side"])
def test_one_inverted_channel(seed: int, jig: JigKind) -> None:
    samples = record(SWEEP, None, GOOD, seed, jig)
    for sides in ((1, -1), (-1, 1)):
        assert "one channel is inverted" in refusal(samples * sides, jig=jig)
    assert check(-samples, jig=jig) == check(samples, jig=jig)


def test_what_is_not_on_the_clips_is_told() -> None:
    _, flags = check(record(SWEEP, 1e7, GOOD, 1))
    assert any("nothing seems to be connected to the clips" in flag for flag in flags)
    _, flags = check(record(SWEEP, 8.0, GOOD, 1), "short")
    assert flags == ()
    _, flags = check(record(SWEEP, 60.0, GOOD, 1), "short")
    assert any("in a take of short it is nearly silent" in flag for flag in flags)
    _, flags = check(record(SWEEP, 4.0, GOOD, 1), "open")
    assert any("in a take of open it is nearly as loud" in flag for flag in flags)


# Faults of level


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("ceiling", [0.5, 0.8, 0.97])
def test_clipping(seed: int, ceiling: float) -> None:
    samples = record(SWEEP, None, GOOD, seed)
    for channel in (0, 1):
        clipped = samples.copy()
        limit = ceiling * np.abs(samples[:, channel]).max()
        clipped[:, channel] = np.clip(samples[:, channel], -limit, limit)
        if channel == 0 or ceiling == 0.5:
            assert f"channel {channel + 1} is clipped" in refusal(clipped)
    one_sided = np.minimum(samples, 0.9 * samples.max(axis=0))
    assert "is clipped" in refusal(one_sided)


def test_analogue_clipping_with_noise_on_it() -> None:
    samples = record(SWEEP, None, Chain(noise_dbfs=-300), 1)
    limit = 0.85 * np.abs(samples[:, 0]).max()
    soft = limit * np.tanh(3 * samples / limit)
    noise = 3e-5 * np.random.default_rng(0).standard_normal(samples.shape)
    assert "channel 1 is clipped" in refusal(soft + noise)


def test_a_little_clipping_is_flagged() -> None:
    excitation = SWEEP.model_copy(update={"seconds": 5.0})
    samples = record(excitation, 8.0, GOOD, 1)
    short_while = np.s_[START + 140_000 : START + 143_400]
    limit = 0.9 * np.abs(samples[short_while, 1]).max()
    samples[short_while, 1] = np.clip(samples[short_while, 1], -limit, limit)
    _, (flag,) = check(samples, "part", excitation=excitation)
    assert flag.startswith("channel 2 is clipped: its waves have flat tops in 1.")
    # 140,000 frames into a sweep of 5 s from 10 to 22,800 Hz lies 10 (2280 ** (140 / 240)) = 909 Hz.
    low_hz, high_hz = (float(word) for word in flag.split() if word.isdigit() and len(word) > 2)
    assert 905 < low_hz < high_hz < 1000


def test_full_scale_is_flagged() -> None:
    excitation = SWEEP.model_copy(update={"level_dbfs": 0.0})
    _, flags = check(record(excitation, 8.0, Chain(noise_dbfs=-95), 1), "part", excitation=excitation)
    assert any("at full scale" in flag for flag in flags)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_louder_than_the_sweep(seed: int, mains_hz: float) -> None:
    for hum_dbfs in (-8.0, 3.0):
        samples = record(SWEEP, None, Chain(hum_dbfs=hum_dbfs, mains_hz=mains_hz * 1.0005), seed)
        message = refusal(0.3 * samples)
        assert "hum" in message
        assert f"{mains_hz:.0f} Hz" in message


def test_noise_and_level_are_flagged_with_numbers() -> None:
    _, flags = check(record(SWEEP, None, Chain(noise_dbfs=-28), 1))
    assert any("dB above the noise on channel 1" in flag for flag in flags)
    _, flags = check(record(SWEEP, None, Chain(noise_dbfs=-110, level=0.01), 1))
    assert any("the sweep is at -52 dBFS on channel 1 only" in flag for flag in flags)


@pytest.mark.parametrize("mains_hz", [50, 60])
@pytest.mark.parametrize("seconds", [0.1, 0.3, 1.0])
def test_hum_is_measured(mains_hz: int, seconds: float) -> None:
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wave = 0.02 * np.sin(2 * np.pi * mains_hz * time_s + 1) + 0.01 * np.sin(6 * np.pi * mains_hz * time_s)
    noise = 1e-3 * np.random.default_rng(0).standard_normal(len(time_s))
    rms, found_hz = mains_hum(wave + noise, RATE_HZ)
    assert rms == pytest.approx(np.hypot(0.02, 0.01) / np.sqrt(2), rel=0.1)
    if seconds >= 0.3:
        assert found_hz == mains_hz
    assert mains_hum(noise, RATE_HZ)[0] < 5e-4


# Gaps


def drop(samples: np.ndarray, place: int, count: int) -> np.ndarray:
    return np.delete(samples, np.s_[place : place + count], axis=0)


def repeat(samples: np.ndarray, place: int, count: int) -> np.ndarray:
    return np.concatenate([samples[:place], samples[place - count :]])


def zero(samples: np.ndarray, place: int, count: int) -> np.ndarray:
    changed = samples.copy()
    changed[place : place + count] = 0
    return changed


def replace(samples: np.ndarray, place: int, count: int) -> np.ndarray:
    changed = samples.copy()
    changed[place : place + count] = samples[place - count : place]
    return changed


@pytest.mark.parametrize("fault", [drop, repeat, zero, replace])
@pytest.mark.parametrize("count", [64, 441, 1024, 4096])
def test_gaps_are_found(fault: Callable[[np.ndarray, int, int], np.ndarray], count: int) -> None:
    rng = np.random.default_rng(count)
    for seed in SEEDS:
        samples = record(SWEEP, None, GOOD, seed)
        # Above 150 Hz; below, a shift of both channels alike is small against a period and does no harm.
        place = START + int(rng.uniform(0.36, 0.97) * SWEEP.sweep_frames)
        message = refusal(fault(samples, place, count))
        assert "the recording has a gap" in message, f"{place}"
        told_s = float(message.split(" s into the sweep")[0].split()[-1])
        assert told_s == pytest.approx((place - START) / RATE_HZ, abs=0.15), message


@pytest.mark.parametrize("count", [2, 5, 16])
def test_few_lost_frames_at_high_frequencies(count: int) -> None:
    for seed in SEEDS:
        samples = record(SWEEP, None, GOOD, seed)
        place = START + int((0.6 + 0.1 * seed) * SWEEP.sweep_frames)
        message = refusal(drop(samples, place, count))
        assert "the recording has a gap" in message
        if count == 16:
            assert "about 16 frames are missing" in message


def test_a_gap_with_a_source_of_its_own_resistance() -> None:
    # Headphone output of 32 ohm: the speaker shapes channel 1, and the source is worked out from both channels.
    for seed in SEEDS:
        samples = record(SWEEP, None, Chain(source_ohm=32.0, noise_dbfs=-90), seed)
        assert check(samples)[0] == pytest.approx((START,), abs=2)
        assert "about 300 frames are missing" in refusal(drop(samples, START + int(0.7 * SWEEP.sweep_frames), 300))


def test_a_gap_in_the_second_sweep_is_named() -> None:
    excitation = SWEEP.model_copy(update={"repeats": 2, "seconds": 1.0})
    samples = record(excitation, None, GOOD, 1)
    place = START + excitation.sweep_frames + excitation.silence_after_frames + int(0.6 * excitation.sweep_frames)
    with pytest.raises(StillboxError, match="into sweep 2"):
        check(drop(samples, place, 256), excitation=excitation)


# No false alarm


def good_cases(count: int) -> list[tuple[int, Subject, Impedance | None, JigKind, Excitation, Chain, str]]:
    """Random good recordings over all that a jig at home may do to them."""
    rng = np.random.default_rng(20)
    kinds: list[tuple[Subject, Impedance | None]] = [
        ("in-box", None),
        ("free-air", None),
        ("test-box", None),
        ("part", capacitor(10e-6)),
        ("part", coil(1e-3, 0.5)),
        ("part", trap(0.5e-3, 20e-6, 0.3)),
        ("load", 10.0),
        ("check-resistor", 47.0),
        ("open", 1e7),
        ("short", 0.1),
    ]
    cases = []
    for seed in range(count):
        rate_hz = int(rng.choice([44_100, 48_000, 96_000]))
        excitation = Excitation(
            low_hz=float(rng.choice([5, 10, 20])),
            high_hz=default_high_hz(rate_hz),
            seconds=float(rng.choice([1, 2, 3])),
            sample_rate_hz=rate_hz,
            level_dbfs=float(rng.uniform(-30, -1)),
            silence_before_s=0.4,
            silence_after_s=0.4,
        )
        chain = Chain(
            reference_ohm=float(10 ** rng.uniform(0, 2)),
            noise_dbfs=float(rng.uniform(-100, -60)),
            hum_dbfs=float(rng.choice([-50, -70])),
            mains_hz=float(rng.choice([50, 60]) * rng.uniform(0.999, 1.001)),
            coupling_hz=float(rng.choice([0, 1, 5])),
            gain_mismatch=float(rng.uniform(0.97, 1.03)),
            delay_frames=float(rng.choice([-1, 0, 1])),
            distortion=float(rng.choice([0, 0.01])),
            source_ohm=float(rng.choice([0, 0.1, 1.0])),
            clock_ppm=float(rng.choice([0, 0, 150, -150])),
        )
        subject, impedance_ohm = kinds[seed % len(kinds)]
        jig: JigKind = "low-side" if rng.random() < 0.5 else "high-side"
        subtype = str(rng.choice(["PCM_16", "PCM_24", "FLOAT"]))
        cases.append((seed, subject, impedance_ohm, jig, excitation, chain, subtype))
    return cases


@pytest.mark.parametrize(
    ("seed", "subject", "impedance_ohm", "jig", "excitation", "chain", "subtype"),
    good_cases(50),
    ids=[f"{case[0]}-{case[1]}" for case in good_cases(50)],
)
def test_no_false_alarm(
    seed: int,
    subject: Subject,
    impedance_ohm: Impedance | None,
    jig: JigKind,
    excitation: Excitation,
    chain: Chain,
    subtype: str,
) -> None:
    samples = record(excitation, impedance_ohm, chain, seed, jig)
    starts, flags = check(samples, subject, jig, excitation, subtype)
    apart = excitation.sweep_frames + excitation.silence_after_frames
    first = chain.extra_before + excitation.silence_before_frames
    truth = [(first + number * apart) / (1 + chain.clock_ppm * 1e-6) for number in range(excitation.repeats)]
    assert starts == pytest.approx(truth, abs=0 if chain.clock_ppm == 0 else 3)
    # Only what is true may be said: hum above what little reaches channel 2, noise close below a quiet sweep.
    allowed = ("mains hum", "dB above the noise on", "turn up the input or the output")
    assert [flag for flag in flags if not any(words in flag for words in allowed)] == []
    if chain.noise_dbfs < excitation.level_dbfs - 30 and chain.hum_dbfs == -70 and subject != "check-resistor":
        assert [flag for flag in flags if "channel 1" in flag and "turn up" not in flag] == []


# Steps coarser than those of the file


def coarse(samples: np.ndarray, bits: int, volume: float) -> np.ndarray:
    """As a converter of so many bits gives it, with a volume applied behind it."""
    steps = 2.0 ** (bits - 1)
    return volume * np.rint(samples * steps) / steps


@pytest.mark.parametrize("subtype", ["PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize("volume", [1.0, 0.7311, 2.0])
@pytest.mark.parametrize("level", [1.0, 0.05])
def test_a_card_of_16_bit_in_a_finer_file(subtype: str, volume: float, level: float) -> None:
    quiet = Chain(noise_dbfs=-110, source_ohm=0.1, level=level)
    samples = coarse(record(SWEEP, None, quiet, 1), 16, volume)
    starts, flags = check(samples, subtype=subtype)
    assert starts == (START,)
    assert not any("still" in flag or "clipped" in flag for flag in flags)


def test_the_step_is_that_of_the_data() -> None:
    samples = record(SWEEP, None, GOOD, 1)
    assert sample_step(to_raw(samples, "PCM_24"), 2.0**-23) == 2.0**-23
    assert sample_step(samples, 0.0) < 2.0**-23
    for bits, volume in ((16, 1.0), (16, 0.6), (20, 1.0)):
        step = volume * 2.0 ** (1 - bits)
        for subtype, own in (("PCM_24", 2.0**-23), ("DOUBLE", 0.0)):
            found = sample_step(to_raw(coarse(samples, bits, volume), subtype), own)
            assert found == pytest.approx(step, abs=2.0**-23 if own else 1e-12)


def test_a_gap_in_coarse_steps_is_seen_still() -> None:
    samples = coarse(record(SWEEP, None, GOOD, 1), 16, 1.0)
    samples[60_000:60_100] = samples[60_000]
    assert "stand still" in refusal(samples)
