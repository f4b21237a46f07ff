"""The check before the sweep: every fault named, no false alarm, and its level and noise borne out by the sweep."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from injected_faults import FAULTS, Resistor, check, faulty_rig, good_rig, named_kind
from practice_sound import leave, play

from stillbox.capture.build.build_description import Limits
from stillbox.capture.live.pre_check import PreCheckRefusal
from stillbox.capture.live.tone_burst import SILENCE_S, TAIL_S, read_tones, tone_burst
from stillbox.capture.practice.practice_jig import RigParts
from stillbox.capture.practice.practice_rig import PracticeRig
from stillbox.capture.recording.take import SUBJECTS
from stillbox.capture.sound.audio_device import BlockSink, Clips, Collected, Playback, StreamReport, StreamState
from stillbox.capture.sound.sound_permit import SoundPermit
from stillbox.capture.sweep.excitation import Excitation

SEEDS = range(3)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("fault", FAULTS)
def test_faults_are_named(fault: str, seed: int) -> None:
    heard: list[float] = []
    rig = faulty_rig(fault, seed, lambda block: heard.append(float(np.abs(block).max())))
    kind, words = FAULTS[fault]
    found, sentence = named_kind(rig, 8.0 if seed else None)
    assert found == kind
    assert words in sentence
    # What forbids the sweep is found before anything gets loud; noise and gain only show near the level of the sweep.
    if kind not in ("automatic gain", "noise", "hum"):
        assert max(heard) <= 10 ** (-30 / 20) * 1.001


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("mains_hz", [50, 60])
def test_hum_as_loud_as_the_sweep_forbids_it(mains_hz: int, seed: int) -> None:
    loud = RigParts(hum_dbfs=-12.0)
    with pytest.raises(PreCheckRefusal, match=f"mains hum of {mains_hz} Hz"):
        check(PracticeRig("bare box", [f"hum {mains_hz} Hz"], seed=seed, parts=loud))


def test_no_false_alarm_on_good_speakers() -> None:
    """Of 300 such speakers tells `tests/benchmarks/live_capture.py`."""
    for seed in range(20):
        assert check(good_rig(seed), Clips("free-air")).notes == (), f"seed {seed}"


@pytest.mark.parametrize("jig", ["high-side", "low-side"])
@pytest.mark.parametrize("subject", SUBJECTS)
def test_every_subject_of_a_good_jig_passes(subject: str, jig: str) -> None:
    load_ohm = 10.0 if subject in ("load", "check-resistor") else None
    found = check(PracticeRig("bare box", seed=4), Clips(subject, load_ohm=load_ohm, jig=jig))  # type: ignore[arg-type]
    assert found.notes == ()


@pytest.mark.parametrize(("subject", "fault", "words"), [
    ("open", "shorted clips", "take it off"),
    ("short", "open clips", "hold them together"),
])
def test_wrong_thing_on_the_clips_of_a_standard(subject: str, fault: str, words: str) -> None:
    with pytest.raises(PreCheckRefusal, match=words):
        check(PracticeRig("bare box", [fault], seed=1), Clips(subject))  # type: ignore[arg-type]


@pytest.mark.parametrize(("fault", "kind"), [
    ("open clips", "channel 2 dead"),  # no current through the resistor: a dead input looks the same, and it says so
    ("shorted clips", "clips shorted"),
    ("swapped channels", "channels swapped"),
    ("inverted channel", "inverted"),
    ("dead channel 1", "channel 1 dead"),
])
def test_faults_on_a_low_side_jig(fault: str, kind: str) -> None:
    with pytest.raises(PreCheckRefusal) as refusal:
        check(PracticeRig("good box", [fault], seed=2), Clips("in-box", jig="low-side"))
    assert refusal.value.wiring.kind == kind
    if fault == "open clips":
        assert "nothing is on the clips" in str(refusal.value)


def test_quiet_check_takes_less_than_a_second() -> None:
    for rate_hz in (44_100, 48_000, 96_000, 192_000):
        burst = tone_burst(rate_hz, 0.0)
        assert burst.samples.size / rate_hz + TAIL_S < 1.0
        assert burst.silence_frames / rate_hz == pytest.approx(SILENCE_S, abs=1e-4)
        assert np.abs(burst.samples).max() == pytest.approx(1.0)


@pytest.mark.parametrize("lowest_hz", [0.0, 800.0, 3000.0])
def test_tones_lie_above_the_lowest_frequency_and_apart_from_mains(lowest_hz: float) -> None:
    frequency_hz = tone_burst(48_000, lowest_hz).frequency_hz
    assert (frequency_hz > lowest_hz).all()
    for mains_hz in (50, 60):
        away_hz = np.abs(frequency_hz - mains_hz * np.round(frequency_hz / mains_hz))
        assert away_hz[frequency_hz < 400].min(initial=9.0) > 4.0


def test_tones_read_the_gain_of_the_path() -> None:
    rig = PracticeRig("good box", seed=1, parts=RigParts(source_ohm=0.0, second_gain=1.0, lead_ohm=0.0, input_ohm=1e12))
    rig.connect(Clips("load", load_ohm=20.0))
    reading = read_tones(rig, leave(rig), tone_burst(48_000, 0.0), -30.0, StreamState())
    # 1.4 V rms at full scale on inputs that clip at 1.4 V peak; 20 ohm under 10 ohm; coupling at 2 Hz.
    expected = np.sqrt(2) / np.hypot(1, 2.0 / reading.frequency_hz)
    assert np.abs(reading.gain[:, 0]) == pytest.approx(expected, rel=2e-3)
    assert np.abs(reading.gain[:, 1] / reading.gain[:, 0]) == pytest.approx(2 / 3, rel=3e-4)


@pytest.mark.parametrize("input_peak_volts", [0.35, 1.4, 5.0])
def test_level_is_the_highest_that_stays_6_db_from_clipping_and_below_the_limit(input_peak_volts: float) -> None:
    rig = PracticeRig("bare box", seed=1, parts=RigParts(input_peak_volts=input_peak_volts))
    limits = Limits(clips_volts=0.7)
    found = check(rig, limits=limits)
    limit_dbfs = 20 * np.log10(0.7 / 1.4)
    assert found.level_dbfs <= limit_dbfs + 1e-9
    sweep = Excitation(level_dbfs=found.level_dbfs, seconds=1.0, repeats=1, silence_after_s=1.0)
    collected = Collected()
    from stillbox.capture.sweep.excitation import excitation_samples

    play(rig, excitation_samples(sweep).astype(np.float32), collected)
    peak_dbfs = 20 * np.log10(np.abs(collected.samples).max())
    assert peak_dbfs <= -6.0
    # Either the limit or the headroom is used up.
    assert found.level_dbfs == pytest.approx(limit_dbfs) or peak_dbfs > -8.5


def test_a_wanted_level_is_not_exceeded_and_noise_names_the_level_that_would_do() -> None:
    assert check(PracticeRig("bare box", seed=1), wanted_dbfs=-20.0).level_dbfs == -20.0
    noisy = RigParts(loud_noise_dbfs=-60.0)
    with pytest.raises(PreCheckRefusal, match=r"-2\d dBFS would do, so give --level -2\d"):
        check(PracticeRig("bare box", ["noise"], seed=1, parts=noisy), wanted_dbfs=-38.0)


def test_expected_uncertainty_is_what_the_sweep_then_shows() -> None:
    """Against the scatter of the analysed impedance around the rig's own circuit."""
    from stillbox.analysis.impedance.impedance import ImpedanceSpectrum, curve_of_spectrum
    from stillbox.analysis.sweeps.transfer import channel_ratio
    from stillbox.capture.recording.take import Recording, TakeInfo
    from stillbox.capture.sweep.excitation import excitation_samples, sweep_starts

    parts = RigParts(source_ohm=0.0, second_gain=1.0, lead_ohm=0.0, input_ohm=1e12, loud_noise_dbfs=-50.0)
    rig = PracticeRig(Resistor(), ["noise"], seed=3, parts=parts)
    found = check(rig, accuracy=0.1)
    sweep = Excitation(level_dbfs=found.level_dbfs)
    collected = Collected()
    play(rig, excitation_samples(sweep).astype(np.float32), collected, tail_frames=9600)
    info = TakeInfo(
        number=1, subject="in-box", created="2026-01-01T00:00:00Z", excitation=sweep,
        sweep_starts=tuple(480 + start for start in sweep_starts(sweep)),
        frames=len(collected.samples), origin="rig", audio_file="x.flac",
        samples_sha256="0" * 64,
    )  # fmt: skip
    ratio = channel_ratio(Recording(info, collected.samples))
    impedance = 10 * ratio.ratio / (1 - ratio.ratio)
    variance = np.abs(10 / (1 - ratio.ratio) ** 2) ** 2 * ratio.noise_variance
    curve = curve_of_spectrum(
        ImpedanceSpectrum(ratio.frequency_hz, impedance, variance, np.zeros(impedance.size), 0.0)
    )
    inside = (curve.frequency_hz > 200) & (curve.frequency_hz < 15_000)
    scatter = float(np.std(np.abs(curve.impedance_ohm[inside]) / 10))
    assert found.expected_error == pytest.approx(scatter, rel=0.25)


class WeakBursts(PracticeRig):
    """A good rig whose stream loses level in some of its bursts, as one does whose blocks come late."""

    def __init__(self, weak: range, flagged: int) -> None:
        super().__init__("bare box", seed=2)
        self._weak, self._flagged, self._bursts = weak, flagged, 0

    def play_and_record(
        self, permit: SoundPermit, playback: Playback, sink: BlockSink, state: StreamState
    ) -> StreamReport:
        weak = self._bursts in self._weak
        self._bursts += 1
        gain = 0.7 if weak else 1.0
        report = super().play_and_record(permit, playback, lambda block: sink(gain * block), state)
        return replace(report, output_underflows=self._flagged if weak else 0)


@pytest.mark.parametrize("burst", range(5))
@pytest.mark.parametrize("flagged", [0, 2])
def test_one_burst_that_lost_level_is_no_automatic_gain(burst: int, flagged: int) -> None:
    found = check(WeakBursts(range(burst, burst + 1), flagged))
    assert found.level_dbfs == pytest.approx(check(WeakBursts(range(0), 0)).level_dbfs, abs=0.1)


def test_bursts_that_lose_level_again_and_again_in_a_stream_with_breaks_are_called_lost_samples() -> None:
    with pytest.raises(PreCheckRefusal, match=r"samples get lost or repeated on their way .*ran dry .2 underflow"):
        check(WeakBursts(range(1, 20, 2), 2))
