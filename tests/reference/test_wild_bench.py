"""The generator of bench takes against closed forms, ngspice, Runge-Kutta and contour integrals."""

from __future__ import annotations

import math
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.fft
import scipy.ndimage

from reference import wild_disturbances
from reference.bench_speaker import Bends, WildSpeaker, true_resonances
from reference.wild_bench import PLAIN_JIG, WILDNESS, WildTake, wild_pair, wild_speaker, wild_standards, wild_take
from reference.wild_circuit import Changes, WildJig, solve, tone_impedance_ohm, whole_line
from stillbox.capture.sweep.excitation import Excitation, sweep_samples

SHORT = Excitation(seconds=1.0, silence_after_s=1.0, repeats=1)
BRIEF = Excitation(seconds=0.4, silence_before_s=0.5, silence_after_s=0.4, repeats=1)
THREE = Excitation(seconds=0.8, repeats=3, silence_after_s=0.6)
PATIENT = Excitation(seconds=4.0, low_hz=5.0, high_hz=20_000.0, silence_after_s=2.5, repeats=1)


def spectra(take: WildTake) -> tuple[np.ndarray, np.ndarray]:
    """Frequency and impedance from the Fourier transform of the whole recording: right for what does not change."""
    n = scipy.fft.next_fast_len(len(take.samples), real=True)
    first, second = scipy.fft.rfft(take.samples, n, axis=0).T
    hz = scipy.fft.rfftfreq(n, 1 / take.sample_rate_hz)
    heard = np.abs(first) > 0.1 * scipy.ndimage.maximum_filter1d(np.abs(first), 25)  # not between a comb's teeth
    band = (hz > 25) & (hz < 0.9 * take.excitation.high_hz) & heard
    return hz[band], (take.reference_ohm * second / (first - second))[band]


def fundamental_ohm(take: WildTake) -> tuple[np.ndarray, np.ndarray]:
    """Frequency and impedance after cutting away what lies at the harmonics' times (for takes of PATIENT)."""
    rate, constant_s = take.sample_rate_hz, take.excitation.rate_constant_s
    n = scipy.fft.next_fast_len(16 * rate, real=True)
    sweep = scipy.fft.rfft(sweep_samples(take.excitation), n)
    inverse = np.conj(sweep) / (np.abs(sweep) ** 2 + 1e-14 * np.max(np.abs(sweep)) ** 2)
    answers = scipy.fft.irfft(scipy.fft.rfft(take.samples, n, axis=0) * inverse[:, None], n, axis=0)
    answers = np.roll(answers, -take.sweep_starts[0], axis=0)
    time_s = np.where(np.arange(n) > n // 2, np.arange(n) - n, np.arange(n)) / rate
    before = np.clip((time_s / (constant_s * math.log(2)) + 0.7) / 0.3, 0, 1)
    window = np.sin(np.pi / 2 * before) ** 2 * np.cos(np.pi / 2 * np.clip((time_s - 2.0) / 0.3, 0, 1)) ** 2
    first, second = scipy.fft.rfft(answers * window[:, None], axis=0).T
    hz = scipy.fft.rfftfreq(n, 1 / rate)
    band = (hz > 25) & (hz < 5000)
    return hz[band], (take.reference_ohm * second / (first - second))[band]


@pytest.mark.parametrize("vented", [False, True])
@pytest.mark.parametrize("excitation", [SHORT, THREE])
def test_the_ratio_of_a_quiet_take_is_the_impedance(vented: bool, excitation: Excitation) -> None:
    """Here the impedance is composed anew from the constants, term by term."""
    for kind in ("clean", "semi_inductive", "creep"):
        take = wild_take(kind, "strong", 11, excitation, state=wild_speaker(11, vented=vented), background_dbfs=None)
        hz, measured_ohm = spectra(take)
        assert take.truth is not None
        expected_ohm = composed_ohm(take.truth.speaker, hz)
        assert np.max(np.abs(take.truth.impedance_ohm(hz) / expected_ohm - 1)) < 1e-12
        # The end of the ringing is cut off with the recording.
        assert np.quantile(np.abs(measured_ohm / expected_ohm - 1), 0.99) < 1e-6, kind


def composed_ohm(speaker: WildSpeaker, hz: np.ndarray) -> np.ndarray:
    w = 2 * np.pi * hz
    coil = speaker.re_ohm + 1j * w * speaker.le_h
    if speaker.l2_h:
        coil = coil + 1 / (1 / (1j * w * speaker.l2_h) + 1 / speaker.r2_ohm)
    if speaker.semi_k:
        turn = np.exp(1j * np.pi / 2 * speaker.semi_n)
        coil = coil + speaker.semi_k * w**speaker.semi_n * turn
    softer = 1 - speaker.creep * (np.log10(hz / speaker.creep_hz) + 0.5j * np.pi / np.log(10))
    moving = speaker.loss_kg_s + 1j * (w * speaker.mass_kg - speaker.stiffness_n_m / softer / w)
    flow = 1j * w * speaker.box_compliance + 1 / speaker.leak_loss
    if speaker.port_mass:
        flow = flow + 1 / (speaker.port_loss + 1j * w * speaker.port_mass)
    moving = moving + speaker.area_m2**2 / flow
    for load in speaker.loads:
        own = 2 * np.pi * load.frequency_hz
        loss = load.stiffness_n_m / (own * load.q)
        if load.form == "wave":  # spring, mass and loss side by side
            moving = moving + load.stiffness_n_m / (1j * w + own**2 / (1j * w) + own / load.q)
        else:  # a mass behind a lossy spring
            spring, mass = load.stiffness_n_m / (1j * w) + loss, 1j * w * load.stiffness_n_m / own**2
            moving = moving + spring * mass / (spring + mass)
    return coil + speaker.bl**2 / moving


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
@pytest.mark.parametrize("vented", [False, True])
def test_a_speaker_agrees_with_ngspice(vented: bool, tmp_path: Path) -> None:
    speaker = wild_speaker(5, vented=vented)
    square, area = speaker.bl**2, speaker.area_m2**2
    lines = [
        "a speaker",
        "I1 0 a AC 1",
        f"Re a b {speaker.re_ohm!r}",
        f"Le b c {speaker.le_h!r}",
        f"L2 c m {speaker.l2_h!r}",
        f"R2 c m {speaker.r2_ohm!r}",
        f"Cm m 0 {speaker.mass_kg / square!r}",
        f"Lm m 0 {square / speaker.stiffness_n_m!r}",
        f"Rm m 0 {square / speaker.loss_kg_s!r}",
        f"Lb m p1 {square * speaker.box_compliance / area!r}",
        f"Rb p1 p2 {square / (area * speaker.leak_loss)!r}",
    ]
    if vented:
        lines += [
            f"Cp p2 0 {speaker.port_mass * area / square!r}",
            f"Rp p2 0 {square / (area * speaker.port_loss)!r}",
        ]
    else:
        lines[-1] = lines[-1].replace("p2", "0")
    for index, load in enumerate(speaker.loads):
        own = 2 * np.pi * load.frequency_hz
        spring = square / load.stiffness_n_m
        if load.form == "wave":
            lines += [
                f"Lw{index} m w{index} {spring!r}",
                f"Rw{index} w{index} v{index} {spring * own / load.q!r}",
                f"Cw{index} v{index} 0 {1 / (spring * own**2)!r}",
            ]
        else:
            lines += [
                f"Lw{index} m w{index} {spring!r}",
                f"Rw{index} m w{index} {spring * own * load.q!r}",
                f"Cw{index} w{index} 0 {1 / (spring * own**2)!r}",
            ]
    lines += [".control", "set numdgt=12", "ac dec 40 10 20000", "wrdata z.txt v(a)", "quit 0", ".endc", ".end"]
    (tmp_path / "speaker.cir").write_text("\n".join(lines) + "\n", encoding="utf-8")
    subprocess.run(["ngspice", "-b", "speaker.cir"], cwd=tmp_path, check=True, capture_output=True, timeout=60)
    hz, real, imaginary = np.loadtxt(tmp_path / "z.txt").T[:3]
    assert {load.form for load in speaker.loads} == {"wave", "absorber"}
    assert np.max(np.abs(speaker.impedance_ohm(hz) / (real + 1j * imaginary) - 1)) < 1e-6


def test_poles_are_those_of_contour_integrals() -> None:
    for seed in range(6):
        speaker = wild_speaker(seed)
        pairs = true_resonances(speaker)
        small = [pair for pair in pairs if pair.cause != "motional"]
        assert len(small) == len(speaker.loads) >= 3
        assert len(pairs) - len(small) == (2 if speaker.port_mass else 1)
        for pair in pairs:
            w = 2 * np.pi * pair.frequency_hz
            pole = w * complex(-0.5 / pair.q, math.sqrt(1 - 0.25 / pair.q**2))
            turn = np.exp(2j * np.pi * np.arange(64) / 64)
            radius = 0.3 * w / (2 * pair.q)
            around = speaker.bl**2 / speaker.mechanical_ohm(pole + radius * turn)
            residue = np.mean(around * radius * turn)  # one pole inside: the integral does not depend on the circle
            assert abs(residue) / abs(pole.real) == pytest.approx(pair.height_ohm, rel=1e-6)
            wider = np.mean(speaker.bl**2 / speaker.mechanical_ohm(pole + 1.2 * radius * turn) * 1.2 * radius * turn)
            assert wider == pytest.approx(residue, rel=1e-6)


def test_speakers_are_drawn_as_promised() -> None:
    for seed in range(40):
        speaker = wild_speaker(seed)
        small = [pair for pair in true_resonances(speaker) if pair.cause != "motional"]
        assert 3 <= len(small) <= 6
        assert all(75 < pair.frequency_hz < 4300 and pair.height_ohm < 3 for pair in small)
    assert true_resonances(wild_speaker(3, small_resonances=False))[0].cause == "motional"
    assert not wild_speaker(3, small_resonances=False).loads


def test_sound_in_the_room_has_its_level_and_reaches_the_clips() -> None:
    rate, frames = 48_000, 4 * 48_000
    loud = wild_disturbances.speech_pa(np.random.default_rng(1), frames, rate, 65.0)
    soft = wild_disturbances.speech_pa(np.random.default_rng(1), frames, rate, 50.0)
    assert loud / 10 ** (15 / 20) == pytest.approx(soft)
    blocks = np.sqrt(np.mean(loud.reshape(-1, 4800) ** 2, axis=1))
    # 65 dB is 36 mPa; between the phrases it is quiet.
    assert 0.036 * 0.6 < np.quantile(blocks, 0.8) < 0.036 * 2
    assert np.min(blocks) < 0.036 / 10
    spectrum = np.abs(scipy.fft.rfft(loud)) ** 2
    hz = scipy.fft.rfftfreq(frames, 1 / rate)
    assert np.sum(spectrum[(hz > 80) & (hz < 1000)]) > 0.6 * np.sum(spectrum)

    # A tone of 65 dB at 200 Hz on a known cone: force 36 mPa x Sd, speed F/Zm, voltage Bl v, divided by jig and coil.
    speaker = wild_speaker(2)
    force = np.sqrt(2) * 20e-6 * 10 ** (65 / 20) * speaker.area_m2 * np.cos(2 * np.pi * 200 * np.arange(rate) / rate)
    solved = solve(speaker, PLAIN_JIG, np.zeros(rate), whole_line(rate, rate), Changes(force_n=force))
    at = np.array([200.0])
    moving = speaker.bl**2 / (speaker.impedance_ohm(at) - speaker.coil_ohm(2j * np.pi * at))
    emf = speaker.bl * 0.0355656 * speaker.area_m2 / np.abs(moving)
    row_ohm = PLAIN_JIG.source_ohm + PLAIN_JIG.reference_ohm
    expected = emf * row_ohm / np.abs(row_ohm + speaker.impedance_ohm(at))
    volts = scipy.fft.irfft(solved.channel_2, rate)
    assert np.sqrt(np.mean(volts**2)) == pytest.approx(expected[0], rel=1e-5)
    assert 1e-5 < expected[0] < 1e-2


BENT = Bends(b1=0.03, b2=-0.04, k1=0.08, k2=0.10, l1=0.1)


def test_the_nonlinear_solution_is_that_of_runge_kutta() -> None:
    speaker = replace(wild_speaker(4, small_resonances=False, vented=False), le_h=0.5e-3)
    rate, frames = 48_000, 20_000
    constant = 0.3 / math.log(40)

    def source(t: float) -> float:
        if not 0 < t < 0.3:
            return 0.0
        fade = min(t / 0.05, (0.3 - t) / 0.02, 1.0)
        return math.sin(2 * math.pi * 25 * constant * math.exp(t / constant)) * math.sin(math.pi / 2 * fade) ** 2

    signal = np.array([source(frame / rate) for frame in range(frames)])
    n = 192_000  # the box leaks slowly, and the end must not reach the beginning
    padded = np.concatenate([signal, np.zeros(n - frames)])
    straight = solve(speaker, PLAIN_JIG, padded, whole_line(n, rate))
    bent_speaker = replace(speaker, bends=BENT.with_unit(float(np.max(np.abs(straight.place_m)))))
    bent = solve(bent_speaker, PLAIN_JIG, padded, whole_line(n, rate))
    for which, solved in ((speaker, straight), (bent_speaker, bent)):
        current = runge_kutta_current(which, source, 16_000, rate)
        assert np.max(np.abs(current - solved.current_a[:16_000])) < 1e-5 * np.max(np.abs(current))
    assert np.max(np.abs(bent.current_a - straight.current_a)) > 5e-3 * np.max(np.abs(straight.current_a))
    barely = solve(replace(speaker, bends=BENT.with_unit(1e6)), PLAIN_JIG, padded, whole_line(n, rate))
    assert np.max(np.abs(barely.current_a - straight.current_a)) < 1e-8 * np.max(np.abs(straight.current_a))


def runge_kutta_current(speaker: WildSpeaker, source, frames: int, rate: int) -> np.ndarray:  # type: ignore[no-untyped-def]
    """Flux in the coil, current in L2, x, v, box pressure, integrated in plain steps of half a sample."""
    sp, b = speaker, speaker.bends
    row_ohm = PLAIN_JIG.source_ohm + PLAIN_JIG.reference_ohm + sp.re_ohm

    def slopes(t: float, y: tuple[float, ...]) -> tuple[float, ...]:
        flux, i2, x, v, p = y
        bl = sp.bl * (1 + b.b1 * x + b.b2 * x * x)
        i = flux / (sp.le_h * (1 + b.l1 * x))
        over = sp.r2_ohm * (i - i2)
        spring = sp.stiffness_n_m * (1 + b.k1 * x + b.k2 * x * x) * x
        pull = bl * i + 0.5 * i * i * sp.le_h * b.l1
        return (
            source(t) - row_ohm * i - over - bl * v,
            over / sp.l2_h,
            v,
            (pull - sp.loss_kg_s * v - spring - sp.area_m2 * p) / sp.mass_kg,
            (sp.area_m2 * v - p / sp.leak_loss) / sp.box_compliance,
        )

    y: tuple[float, ...] = (0.0,) * 5
    current, h = np.zeros(frames), 0.5 / rate
    for step in range(2 * frames):
        t = step * h
        if step % 2 == 0:
            current[step // 2] = y[0] / (sp.le_h * (1 + b.l1 * y[2]))
        k1 = slopes(t, y)
        k2 = slopes(t + h / 2, tuple(a + h / 2 * k for a, k in zip(y, k1, strict=True)))
        k3 = slopes(t + h / 2, tuple(a + h / 2 * k for a, k in zip(y, k2, strict=True)))
        k4 = slopes(t + h, tuple(a + h * k for a, k in zip(y, k3, strict=True)))
        y = tuple(a + h / 6 * (p + 2 * q + 2 * r + s) for a, p, q, r, s in zip(y, k1, k2, k3, k4, strict=True))
    return current


def test_the_tone_of_a_cubic_spring_is_that_of_the_describing_function() -> None:
    """K (1 + k2 x^2) holds like K (1 + 3/4 k2 X^2); X from the linear speaker is enough to first order."""
    speaker = wild_speaker(6)
    hz = np.geomspace(20, 400, 40)
    w = 2 * np.pi * hz
    peak_v = np.full(hz.size, 0.5)
    row_ohm = PLAIN_JIG.source_ohm + PLAIN_JIG.reference_ohm
    current = peak_v / (row_ohm + speaker.impedance_ohm(hz))
    place = np.abs(speaker.bl * current / speaker.mechanical_ohm(2j * np.pi * hz) / w)
    k2 = 1e-4 / np.max(place) ** 2
    bent = tone_impedance_ohm(replace(speaker, bends=Bends(k2=k2)), PLAIN_JIG, hz, peak_v)
    expected = speaker.impedance_ohm(hz, 0.75 * k2 * place**2 * speaker.stiffness_n_m)
    change = expected - speaker.impedance_ohm(hz)
    assert np.max(np.abs(bent - expected)) < 2e-3 * np.max(np.abs(change))
    assert np.max(np.abs(tone_impedance_ohm(speaker, PLAIN_JIG, hz, peak_v) - speaker.impedance_ohm(hz))) < 1e-8


@pytest.mark.parametrize(
    ("kind", "share_left"),
    [
        ("contact_drift", 0.02),
        ("coil_warming", 0.02),
        ("playing_in", 0.05),
        ("nonlinear", 0.25),
        ("level_dependence", 0.25),
    ],
)
def test_truth_is_at_the_moment_and_level_of_the_sweep(kind: str, share_left: float) -> None:
    """What the sweep itself answers differs from truth by a small share of what the wildness changed."""
    quiet = wild_take("clean", "strong", 12, PATIENT, background_dbfs=None)
    take = wild_take(kind, "strong", 12, PATIENT, state=wild_speaker(12), background_dbfs=None)
    assert take.truth is not None and quiet.truth is not None
    hz, answered_ohm = fundamental_ohm(take)
    _, method_ohm = fundamental_ohm(quiet)
    method_fault_ohm = method_ohm - quiet.truth.impedance_ohm(hz)
    low = hz < 500
    left = (answered_ohm - method_fault_ohm - take.truth.impedance_ohm(hz))[low]
    as_swept = (answered_ohm - method_fault_ohm - take.truth.impedance_ohm(hz, as_swept=True))[low]
    change = (take.truth.impedance_ohm(hz) - take.truth.undisturbed_ohm(hz))[low]
    assert np.sqrt(np.mean(np.abs(change) ** 2)) > 5e-3
    assert np.sqrt(np.mean(np.abs(left) ** 2)) < share_left * np.sqrt(np.mean(np.abs(change) ** 2))
    assert np.sqrt(np.mean(np.abs(as_swept) ** 2)) < 0.05 * np.sqrt(np.mean(np.abs(change) ** 2))


def test_a_resistance_counts_when_the_sweep_passes() -> None:
    take = wild_take("contact_step", "strong", 7, THREE)
    truth = take.truth
    assert truth is not None and truth.series_ohm is not None and len(truth.steps) == 1
    hz = np.array([50.0, 500.0, 5000.0])
    passed = [
        truth.series_ohm[int(start + THREE.rate_constant_s * math.log(f / THREE.low_hz) * 48_000)]
        for f in hz
        for start in take.sweep_starts
    ]
    extra = truth.impedance_ohm(hz) - truth.undisturbed_ohm(hz)
    assert extra == pytest.approx(np.mean(np.reshape(passed, (3, 3)), axis=1), abs=1e-12)
    step_hz = [
        THREE.low_hz * math.exp((truth.steps[0] - start) / 48_000 / THREE.rate_constant_s)
        for start in take.sweep_starts
    ]
    inside = [f for f in step_hz if THREE.low_hz < f < THREE.high_hz]
    assert inside and not truth.is_sharp(np.array(inside)).any()
    assert truth.is_sharp(np.array([inside[0] * 3, inside[0] / 3])).all()


@pytest.mark.parametrize("kind", WILDNESS)
def test_every_kind_makes_takes_and_pairs_that_can_be_made_again(kind: str) -> None:
    mild = wild_take(kind, "mild", 20, BRIEF)
    strong = wild_take(kind, "strong", 20, BRIEF)
    again = wild_take(kind, "strong", 20, BRIEF)
    assert np.array_equal(strong.samples, again.samples)
    assert not np.array_equal(strong.samples[:40_000], mild.samples[:40_000])
    for take in (mild, strong):
        assert np.isfinite(take.samples).all() and 0.1 < np.max(np.abs(take.samples)) < 0.9
        assert take.sweep_starts[0] >= 48_000
        assert len(take.samples) >= take.sweep_starts[-1] + BRIEF.sweep_frames + 48_000


def test_names_can_be_joined_and_any_number_of_sweeps_taken() -> None:
    five = Excitation(seconds=0.5, repeats=5, silence_after_s=0.3, sample_rate_hz=44_100, high_hz=20_000)
    take = wild_take("speech+mains+contact_flutter", "strong", 1, five)
    assert len(take.sweep_starts) == 5 and take.sample_rate_hz == 44_100
    assert set(np.diff(take.sweep_starts)) == {five.sweep_frames + five.silence_after_frames}
    period = five.sweep_frames + five.silence_after_frames
    quiet = wild_take("clean", "mild", 1, five, background_dbfs=None).samples
    first = wild_take("clean", "mild", 1, five, background_dbfs=None).sweep_starts[0]
    one, two = (quiet[first + k * period : first + k * period + five.sweep_frames] for k in (0, 1))
    assert np.max(np.abs(one - two)) < 1e-3
    slow = wild_take("clock", "strong", 1, five)
    assert abs(slow.sweep_starts[-1] - slow.sweep_starts[0] - 4 * period) <= 8


def test_pairs_say_what_changed() -> None:
    same = wild_pair("speech", "strong", 30, SHORT)
    a, b = same.first.truth, same.second.truth
    assert a is not None and b is not None
    assert a.poles == b.poles and same.changed == () and same.air_factor == 1
    assert not np.array_equal(same.first.samples[:40_000], same.second.samples[:40_000])

    warm = wild_pair("warm_air", "strong", 30, SHORT)
    a, b = warm.first.truth, warm.second.truth
    assert a is not None and b is not None
    assert 1.008 < warm.air_factor < 1.021
    for before, after in zip(a.speaker.loads, b.speaker.loads, strict=True):
        factor = warm.air_factor if before.cause == "standing wave" else 1.0
        assert after.frequency_hz == pytest.approx(before.frequency_hz * factor)
    assert a.speaker == wild_speaker(30)

    room = wild_pair("room", "strong", 30, SHORT)
    a, b = room.first.truth, room.second.truth
    assert a is not None and b is not None
    for truth in (a, b):
        modes = [pair for pair in truth.resonances if pair.cause == "room"]
        assert 4 <= len(modes) <= 8
        assert all(29 < pair.frequency_hz < 202 and pair.height_ohm < 0.05 for pair in modes)
    assert [load.frequency_hz for load in a.speaker.loads] == [load.frequency_hz for load in b.speaker.loads]
    assert a.speaker.loads != b.speaker.loads

    again = wild_pair("remount", "strong", 30, SHORT)
    a, b = again.first.truth, again.second.truth
    assert a is not None and b is not None
    assert a.speaker == wild_speaker(30) and 0.9 < b.poles[0].frequency_hz / a.poles[0].frequency_hz < 1.1
    assert a.poles[0] != b.poles[0]


def test_sixteen_bits_are_on_their_steps() -> None:
    for strength in ("mild", "strong"):
        take = wild_take("sixteen_bit", strength, 3, SHORT)
        assert take.subtype == "PCM_16"
        steps = take.samples * 2**15
        assert np.array_equal(steps, np.round(steps))
    assert len(np.unique(steps[:40_000])) <= 3


def test_standards_are_those_of_the_jig() -> None:
    jig = WildJig(lead_ohm=0.05, lead_h=1e-6, input_ohm=1e4, gain_1=0.97, gain_2=0.99)
    made = wild_standards(1, SHORT, jig)
    hz = np.arange(3800, 4200) / 4
    for name, clips_ohm in (("open", 1e12), ("short", 0.0), ("load", 8.2)):
        first, second = scipy.fft.rfft(made[name].samples, 4 * 48_000, axis=0)[3800:4200].T
        behind = jig.lead_ohm + 2j * np.pi * hz * jig.lead_h + clips_ohm
        seen = 1 / (1 / behind + 1 / jig.input_ohm)
        expected = jig.gain_2 / jig.gain_1 * seen / (seen + jig.reference_ohm)
        assert abs(np.mean(second / first - expected)) < 1e-5
