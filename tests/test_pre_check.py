"""The check before the sweep: every fault named, no false alarm, and its level and noise borne out by the sweep."""

from __future__ import annotations

import numpy as np
import pytest
from simple_recordings import speaker_impedance

from capture.audio_device import Clips, Collected, Playback, StreamState
from capture.build_description import Limits
from capture.excitation import Excitation
from capture.practice_rig import PracticeRig, RigParts
from capture.practice_speakers import SPEAKERS, PracticeSpeaker
from capture.pre_check import PreCheck, PreCheckRefusal, check_before_sweep
from capture.safety import output_limit
from capture.take import SUBJECTS
from capture.tone_burst import SILENCE_S, TAIL_S, read_tones, tone_burst
from capture.wiring import JigFacts

SWEEP = Excitation()
BOX = Clips("in-box", "stock")
SEEDS = range(3)
FAULTS = {
    "open clips": ("nothing on the clips", "nothing is on the clips"),
    "shorted clips": ("clips shorted", "clips are shorted"),
    "swapped channels": ("channels swapped", "exchange the two inputs"),
    "dead channel 1": ("channel 1 dead", "channel 1 is dead"),
    "dead channel 2": ("channel 2 dead", "channel 2 is dead"),
    "muted output": ("nothing arrives", "muted"),
    "inverted channel": ("inverted", "one channel is inverted"),
    "large reference": ("wrong reference", "much larger than the 10 ohm"),
    "small reference": ("wrong reference", "much smaller than the 10 ohm"),
    "hot inputs": ("overload", "turn its gain down"),
    "noise": ("noise", "would do"),
    "automatic gain": ("automatic gain", "not proportional"),
    "sample-rate conversion": ("sample-rate conversion", "does not come back"),
}


class RandomSpeaker(PracticeSpeaker):
    """A loudspeaker drawn by seed, on the clips for every subject."""

    def __init__(self, seed: int) -> None:
        object.__setattr__(self, "seed", seed)

    def impedance_ohm(self, clips: Clips, frequency_hz: np.ndarray) -> np.ndarray:
        return speaker_impedance(frequency_hz, np.random.default_rng(self.seed))  # type: ignore[attr-defined]


class Resistor(RandomSpeaker):
    """The same at all frequencies, so that the scatter of a curve is its noise."""

    def __init__(self) -> None:
        super().__init__(0)

    def impedance_ohm(self, clips: Clips, frequency_hz: np.ndarray) -> np.ndarray:
        return np.full(frequency_hz.shape, 10.0, dtype=complex)


def check(
    rig: PracticeRig,
    clips: Clips = BOX,
    excitation: Excitation = SWEEP,
    limits: Limits | None = None,
    rated_ohm: float | None = None,
    wanted_dbfs: float | None = None,
    accuracy: float = 0.01,
) -> PreCheck:
    rig.connect(clips)
    limit = output_limit(limits or Limits(), rig.info.loudest_volts, 10.0)
    facts = JigFacts(clips, 10.0, rated_ohm)
    return check_before_sweep(rig, excitation, limit, facts, accuracy, wanted_dbfs)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("fault", FAULTS)
def test_faults_are_named(fault: str, seed: int) -> None:
    names = [name for name in SPEAKERS if name != "tweeter"]
    heard: list[float] = []
    rig = PracticeRig(
        names[seed % len(names)], [fault], seed=seed, listener=lambda block: heard.append(float(np.abs(block).max()))
    )
    kind, words = FAULTS[fault]
    with pytest.raises(PreCheckRefusal) as refusal:
        check(rig, rated_ohm=8.0 if seed else None)
    assert refusal.value.fault.kind == kind
    assert words in str(refusal.value)
    # What forbids the sweep is found before anything gets loud; noise and gain only show near the level of the sweep.
    if kind not in ("automatic gain", "noise"):
        assert max(heard) <= 10 ** (-30 / 20) * 1.001


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("mains_hz", [50, 60])
def test_hum_is_named_with_its_frequency(mains_hz: int, seed: int) -> None:
    found = check(PracticeRig("boxy", [f"hum {mains_hz} Hz"], seed=seed))
    assert [note.kind for note in found.notes] == ["hum"]
    assert f"mains hum of {mains_hz} Hz at -4" in found.notes[0].sentence
    loud = RigParts(hum_dbfs=-12.0)
    with pytest.raises(PreCheckRefusal, match=f"mains hum of {mains_hz} Hz"):
        check(PracticeRig("boxy", [f"hum {mains_hz} Hz"], seed=seed, parts=loud))


def test_no_false_alarm_on_100_good_speakers() -> None:
    draw = np.random.default_rng(7)
    for seed in range(100):
        parts = RigParts(
            reference_ohm=10.0 * draw.uniform(0.95, 1.05),
            source_ohm=draw.uniform(0.1, 5),
            lead_ohm=draw.uniform(0.01, 0.3),
            input_ohm=draw.uniform(10e3, 1e6),
            loudest_volts=draw.uniform(0.8, 2.0),
            input_peak_volts=draw.uniform(0.7, 4),
            second_gain=draw.uniform(0.95, 1.05),
            noise_dbfs=draw.uniform(-110, -80),
            latency_frames=int(draw.integers(100, 6000)),
        )
        found = check(PracticeRig(RandomSpeaker(seed), seed=seed, parts=parts), Clips("free-air"))
        assert found.notes == (), f"seed {seed}"


@pytest.mark.parametrize("jig", ["high-side", "low-side"])
@pytest.mark.parametrize("subject", SUBJECTS)
def test_every_subject_of_a_good_jig_passes(subject: str, jig: str) -> None:
    load_ohm = 10.0 if subject in ("load", "check-resistor") else None
    found = check(PracticeRig("boxy", seed=4), Clips(subject, load_ohm=load_ohm, jig=jig))  # type: ignore[arg-type]
    assert found.notes == ()


@pytest.mark.parametrize(("subject", "fault", "words"), [
    ("open", "shorted clips", "take it off"),
    ("short", "open clips", "hold them together"),
])
def test_wrong_thing_on_the_clips_of_a_standard(subject: str, fault: str, words: str) -> None:
    with pytest.raises(PreCheckRefusal, match=words):
        check(PracticeRig("boxy", [fault], seed=1), Clips(subject))  # type: ignore[arg-type]


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
    assert refusal.value.fault.kind == kind
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
    reading = read_tones(rig, tone_burst(48_000, 0.0), -30.0, 1.0, StreamState())
    # 1.4 V rms at full scale on inputs that clip at 1.4 V peak; 20 ohm under 10 ohm; coupling at 2 Hz.
    expected = np.sqrt(2) / np.hypot(1, 2.0 / reading.frequency_hz)
    assert np.abs(reading.gain[:, 0]) == pytest.approx(expected, rel=2e-3)
    assert np.abs(reading.gain[:, 1] / reading.gain[:, 0]) == pytest.approx(2 / 3, rel=3e-4)


@pytest.mark.parametrize("input_peak_volts", [0.35, 1.4, 5.0])
def test_level_is_the_highest_that_stays_6_db_from_clipping_and_below_the_limit(input_peak_volts: float) -> None:
    rig = PracticeRig("boxy", seed=1, parts=RigParts(input_peak_volts=input_peak_volts))
    limits = Limits(clips_volts=0.7)
    found = check(rig, limits=limits)
    limit_dbfs = 20 * np.log10(0.7 / 1.4)
    assert found.level_dbfs <= limit_dbfs + 1e-9
    sweep = Excitation(level_dbfs=found.level_dbfs, seconds=1.0)
    collected = Collected()
    from capture.excitation import excitation_samples

    rig.play_and_record(Playback(excitation_samples(sweep).astype(np.float32), 48_000, 1.0), collected, StreamState())
    peak_dbfs = 20 * np.log10(np.abs(collected.samples).max())
    assert peak_dbfs <= -6.0
    # Either the limit or the headroom is used up.
    assert found.level_dbfs == pytest.approx(limit_dbfs) or peak_dbfs > -8.5


def test_a_wanted_level_is_not_exceeded_and_noise_names_the_level_that_would_do() -> None:
    assert check(PracticeRig("boxy", seed=1), wanted_dbfs=-20.0).level_dbfs == -20.0
    noisy = RigParts(loud_noise_dbfs=-60.0)
    with pytest.raises(PreCheckRefusal, match=r"-2\d dBFS would do, so give --level -2\d"):
        check(PracticeRig("boxy", ["noise"], seed=1, parts=noisy), wanted_dbfs=-38.0)


def test_expected_uncertainty_is_what_the_sweep_then_shows() -> None:
    """Against the scatter of the analysed impedance around the rig's own circuit."""
    from analysis.impedance import ImpedanceSpectrum, curve_of_spectrum
    from analysis.transfer import channel_ratio
    from capture.excitation import excitation_samples
    from capture.take import Recording, TakeInfo

    parts = RigParts(source_ohm=0.0, second_gain=1.0, lead_ohm=0.0, input_ohm=1e12, loud_noise_dbfs=-50.0)
    rig = PracticeRig(Resistor(), ["noise"], seed=3, parts=parts)
    found = check(rig, accuracy=0.1)
    sweep = Excitation(level_dbfs=found.level_dbfs)
    collected = Collected()
    playback = Playback(excitation_samples(sweep).astype(np.float32), 48_000, 1.0, 9600)
    rig.play_and_record(playback, collected, StreamState())
    info = TakeInfo(
        number=1, subject="in-box", created="2026-01-01T00:00:00Z", excitation=sweep,
        sweep_starts=(48_480,), frames=len(collected.samples), origin="rig", audio_file="x.flac",
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
