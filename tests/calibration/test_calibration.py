"""The jig: three standards against scikit-rf, partial models against their own circuits, noise, words."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import skrf

from stillbox.calibration.jig import JigCalibration, fit_jig
from stillbox.calibration.jig_models import StandardReading
from stillbox.calibration.one_port import OnePortTerms, scale_from_load
from stillbox.calibration.smoothing import smooth_ratio
from stillbox.capture.errors import StillboxError

FREQUENCY_HZ = np.geomspace(12.0, 21_000.0, 160)
REFERENCE_OHM = 10.0
LOAD_OHM = 8.2
SUBJECTS = ("channel-match", "open", "short", "load")


class InventedJig:
    """The circuit itself, by Kirchhoff's laws: independent of the bilinear forms under test."""

    def __init__(
        self,
        kind: str,
        gain: complex = 1.03,
        delay_s: float = 1 / 48_000,
        input_ohm: float = 10e3,
        lead_ohm: float = 0.15,
        stray_ohm: float = np.inf,
        reference_ohm: float = REFERENCE_OHM,
    ) -> None:
        self.kind = kind
        self.k = gain * np.exp(-2j * np.pi * FREQUENCY_HZ * delay_s)
        self.input_siemens = 1 / input_ohm
        self.lead_ohm = lead_ohm + 1e-14  # a perfect short would divide by 0
        self.stray_siemens = 1 / stray_ohm
        self.reference_ohm = reference_ohm

    def ratio(self, impedance_ohm: np.ndarray | complex | None) -> np.ndarray:
        """None stands for open clips."""
        through_leads = 0.0 if impedance_ohm is None else 1 / (np.asarray(impedance_ohm) + self.lead_ohm)
        clips = through_leads + self.stray_siemens
        reference = 1 / self.reference_ohm
        if self.kind == "high-side":  # node voltage: reference feeds clips and input
            return self.k * reference / (reference + clips + self.input_siemens) + 0j * FREQUENCY_HZ
        grounded = reference + self.input_siemens
        return self.k * clips / (clips + grounded) + 0j * FREQUENCY_HZ

    def standards(self, subjects: tuple[str, ...], variance: float = 1e-16) -> dict[str, StandardReading]:
        noise = np.full(FREQUENCY_HZ.size, variance)
        readings = {
            "channel-match": StandardReading(self.k, noise),
            "open": StandardReading(self.ratio(None), noise),
            "short": StandardReading(self.ratio(0.0), noise),
            "load": StandardReading(self.ratio(LOAD_OHM), noise, LOAD_OHM),
        }
        return {subject: readings[subject] for subject in subjects}


def speaker_ohm() -> np.ndarray:
    s = 2j * np.pi * FREQUENCY_HZ
    w0, a = 2 * np.pi * 55, 2 * np.pi * 55 / 8
    return 5.8 + 4e-4 * s + 30 * a * s / (s * s + a * s + w0 * w0)


def calibrated(jig: InventedJig, subjects: tuple[str, ...]) -> JigCalibration:
    return fit_jig(jig.kind, REFERENCE_OHM, FREQUENCY_HZ, jig.standards(subjects))  # type: ignore[arg-type]


def error(jig: InventedJig, subjects: tuple[str, ...]) -> float:
    found = calibrated(jig, subjects).impedance_from_ratio(jig.ratio(speaker_ohm()))
    return float(np.max(np.abs(found / speaker_ohm() - 1)))


def test_synthetic_fixture_of_the_check_values() -> None:
    """Zm = (a Zx + b)/(c Zx + 1), a 1.02-0.03j, b 0.15+0.05j, c 0.0008+0.0002j, ZL 10 (digits re-derived)."""
    measured_short, measured_open = np.array([0.15 + 0.05j]), np.array([1191.17647 - 335.29412j])
    measured_load, measured_device = np.array([10.267325 - 0.268388j]), np.array([6.894993 + 4.089041j])
    scale, *_ = scale_from_load(measured_open, measured_short, measured_load, 10.0)
    terms = OnePortTerms(measured_open, measured_short, scale)
    assert terms.impedance(measured_device)[0] == pytest.approx(6.5 + 4.2j, abs=2e-6)


@pytest.mark.parametrize("kind", ["high-side", "low-side"])
def test_three_standards_agree_with_scikit_rf(kind: str) -> None:
    """The same readings through skrf OnePort (Bauer & Penfield 1974), ohms as reflections re 50 ohm.

    (scikit-rf 2.2 applies its correction at 50 ohm whatever the networks' own z0.)
    """
    jig = InventedJig(kind, stray_ohm=2e4)
    frequency = skrf.Frequency.from_f(FREQUENCY_HZ, unit="Hz")

    def network(reflection: np.ndarray) -> skrf.Network:
        return skrf.Network(frequency=frequency, s=reflection.reshape(-1, 1, 1), z0=50)

    ideals = [np.ones(160), -np.ones(160), np.full(160, (LOAD_OHM - 50) / (LOAD_OHM + 50))]
    measured = [jig.ratio(None), jig.ratio(0.0), jig.ratio(LOAD_OHM)]
    peer = skrf.calibration.OnePort(measured=[network(m) for m in measured], ideals=[network(i) for i in ideals])
    peer.run()
    corrected = peer.apply_cal(network(jig.ratio(speaker_ohm()))).s[:, 0, 0]
    peer_ohm = 50 * (1 + corrected) / (1 - corrected)
    own = calibrated(jig, ("open", "short", "load"))
    own_ohm = own.impedance_from_ratio(jig.ratio(speaker_ohm()))
    assert own_ohm == pytest.approx(peer_ohm, rel=1e-9)
    assert own_ohm == pytest.approx(speaker_ohm(), rel=1e-9)
    embedded = peer.embed(network(ideals[2])).s[:, 0, 0]
    assert own.impedance_from_ratio(embedded) == pytest.approx(np.full(160, LOAD_OHM + 0j), rel=1e-9)


@pytest.mark.parametrize("kind", ["high-side", "low-side"])
@pytest.mark.parametrize("matched", [(), ("channel-match",)])
@pytest.mark.parametrize("seed", range(5))
def test_three_standards_remove_any_error_box(kind: str, matched: tuple[str, ...], seed: int) -> None:
    rng = np.random.default_rng(seed)
    jig = InventedJig(
        kind,
        gain=rng.uniform(0.5, 2) * np.exp(1j * rng.uniform(-0.3, 0.3)),
        delay_s=rng.uniform(-2, 2) / 48_000,
        input_ohm=10 ** rng.uniform(3, 6),
        lead_ohm=rng.uniform(0, 0.5),
        stray_ohm=10 ** rng.uniform(3, 6),
        reference_ohm=rng.uniform(8, 12),
    )
    # The stated reference is wrong by up to 20 %: it must not matter.
    assert error(jig, (*matched, "open", "short", "load")) < 1e-10
    assert calibrated(jig, (*matched, "open", "short", "load")).uncorrected == ()


IDEAL = {"gain": 1.0, "delay_s": 0.0, "input_ohm": np.inf, "lead_ohm": 0.0}
FAULTS = {
    "gain": {"gain": 1.03, "delay_s": 1 / 48_000},
    "loading": {"input_ohm": 10e3},
    "leads": {"lead_ohm": 0.15},
    "stray": {"stray_ohm": 1e4},
    "reference": {"reference_ohm": 10.4},
}
# Faults that each set of standards must remove exactly, derived from the circuits, not from the code.
REMOVED = {
    ("high-side", ()): [],
    ("high-side", ("channel-match",)): ["gain"],
    ("high-side", ("open",)): ["gain"],
    ("high-side", ("short",)): ["leads"],
    ("high-side", ("load",)): ["gain"],
    ("high-side", ("channel-match", "open")): ["gain", "loading", "stray"],
    ("high-side", ("channel-match", "short")): ["gain", "leads"],
    ("high-side", ("channel-match", "load")): ["gain", "reference"],
    ("high-side", ("open", "short")): ["gain", "leads"],
    ("high-side", ("open", "load")): ["gain", "loading", "stray", "reference"],
    ("high-side", ("short", "load")): ["gain", "leads"],
    ("high-side", ("channel-match", "open", "short")): ["gain", "loading", "leads"],
    ("high-side", ("channel-match", "open", "load")): ["gain", "loading", "stray", "reference"],
    ("high-side", ("channel-match", "short", "load")): ["gain", "leads", "reference"],
    ("low-side", ()): [],
    ("low-side", ("channel-match",)): ["gain"],
    ("low-side", ("open",)): ["stray"],
    ("low-side", ("short",)): ["gain"],
    ("low-side", ("load",)): ["gain"],
    ("low-side", ("channel-match", "open")): ["gain", "stray"],
    ("low-side", ("channel-match", "short")): ["gain", "leads"],
    ("low-side", ("channel-match", "load")): ["gain", "loading", "reference"],
    ("low-side", ("open", "short")): ["gain", "stray"],
    ("low-side", ("open", "load")): ["gain", "stray"],
    ("low-side", ("short", "load")): ["gain", "loading", "leads", "reference"],
    ("low-side", ("channel-match", "open", "short")): ["gain", "leads", "stray"],
    ("low-side", ("channel-match", "open", "load")): ["gain", "loading", "stray", "reference"],
    ("low-side", ("channel-match", "short", "load")): ["gain", "loading", "leads", "reference"],
}


def test_the_table_of_partial_models_is_complete() -> None:
    sets = [s for count in range(4) for s in itertools.combinations(SUBJECTS, count)]
    sets.remove(("open", "short", "load"))
    assert set(REMOVED) == set(itertools.product(("high-side", "low-side"), sets))


@pytest.mark.parametrize(("case", "removed"), REMOVED.items(), ids=str)
def test_partial_models_against_their_circuits(case: tuple[str, tuple[str, ...]], removed: list[str]) -> None:
    kind, subjects = case
    faults: dict[str, float] = {}
    for name in removed:
        faults |= FAULTS[name]
    assert error(InventedJig(kind, **{**IDEAL, **faults}), subjects) < 1e-10
    # What is not removed is seen as an error, and named among what was not corrected.
    for name in FAULTS.keys() - set(removed):
        if name == "stray" and (kind == "high-side" or "leads" in removed):
            continue
        assert error(InventedJig(kind, **{**IDEAL, **FAULTS[name]}), subjects) > 1e-5, name
    uncorrected = " ".join(calibrated(InventedJig(kind), subjects).uncorrected)
    words = {"gain": "gain", "loading": "input loading", "leads": "leads", "reference": "true value of the ref"}
    for name, word in words.items():
        assert (word in uncorrected) == (name not in removed), name


@pytest.mark.parametrize("kind", ["high-side", "low-side"])
@pytest.mark.parametrize("count", range(5))
def test_noise_of_device_and_standards_is_propagated(kind: str, count: int) -> None:
    """Monte-Carlo with circular noise on every ratio: variance as stated, and circular."""
    rng = np.random.default_rng(count)
    jig = InventedJig(kind, stray_ohm=5e4)
    pick = np.array([5, 40, 90, 150])
    draws = 6_000
    for subjects in itertools.combinations(SUBJECTS, count):
        exact = jig.standards(subjects)
        device = jig.ratio(speaker_ohm())

        def noisy(values: np.ndarray, variance: float) -> np.ndarray:
            shape = (draws, pick.size)
            noise = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
            return (values[pick] + np.sqrt(variance / 2) * noise).ravel()

        grid = np.tile(FREQUENCY_HZ[pick], draws)
        variances = dict(zip((*subjects, "device"), 1e-9 * rng.uniform(0.5, 4, 5), strict=False))
        readings = {
            name: StandardReading(
                noisy(reading.ratio, variances[name]), np.full(grid.size, variances[name]), reading.load_ohm
            )
            for name, reading in exact.items()
        }
        device_noise = float(rng.uniform(0.5, 4) * 1e-9)
        drawn = fit_jig(kind, REFERENCE_OHM, grid, readings)  # type: ignore[arg-type]
        impedance = drawn.impedance_from_ratio(noisy(device, device_noise)).reshape(draws, pick.size)
        stated = fit_jig(
            kind,  # type: ignore[arg-type]
            REFERENCE_OHM,
            FREQUENCY_HZ,
            {
                name: StandardReading(r.ratio, np.full(FREQUENCY_HZ.size, variances[name]), r.load_ohm)
                for name, r in exact.items()
            },
        ).noise_variance(device, np.full(FREQUENCY_HZ.size, device_noise))[pick]
        deviation = impedance - impedance.mean(axis=0)
        # 6,000 draws of E|n|^2: one sigma is 1.3 %.
        assert np.mean(np.abs(deviation) ** 2, axis=0) == pytest.approx(stated, rel=0.065), subjects
        assert np.all(np.abs(np.mean(deviation**2, axis=0)) < 0.07 * stated), subjects


@pytest.mark.parametrize("kind", ["high-side", "low-side"])
@pytest.mark.parametrize("count", range(5))
def test_the_derivative_is_that_of_the_impedance(kind: str, count: int) -> None:
    jig = InventedJig(kind, stray_ohm=5e4)
    for subjects in itertools.combinations(SUBJECTS, count):
        calibration = calibrated(jig, subjects)
        ratio = jig.ratio(speaker_ohm())
        step = 1e-6
        numeric = (
            calibration.impedance_from_ratio(ratio + step) - calibration.impedance_from_ratio(ratio - step)
        ) / (2 * step)
        assert calibration.derivative(ratio) == pytest.approx(numeric, rel=1e-6)


def test_scale_follows_the_resistor_that_sets_it() -> None:
    jig = InventedJig("high-side")
    full = jig.standards(SUBJECTS)
    load = full["load"]
    own = {**full, "load": StandardReading(load.ratio, load.variance, LOAD_OHM, 0.5)}
    # Rectangular, JCGM 100 4.3.7: half width / sqrt 3.
    arguments = ("high-side", REFERENCE_OHM, FREQUENCY_HZ)
    assert fit_jig(*arguments, own, 2.0).scale_std == pytest.approx(0.005 / 3**0.5)
    assert fit_jig(*arguments, full, 2.0).scale_std == pytest.approx(0.02 / 3**0.5)
    partial = jig.standards(("channel-match", "open"))
    assert fit_jig(*arguments, partial, 1.0).scale_std == pytest.approx(0.01 / 3**0.5)
    untold = fit_jig(*arguments, partial)
    assert untold.scale_std == 0
    assert untold.warnings == ("tolerance of the reference resistor was not given: not part of the uncertainty",)
    assert fit_jig(*arguments, full).warnings == (
        "tolerance of the load resistor was not given: not part of the uncertainty",
    )


def test_scale_uncertainty_covers_random_resistors() -> None:
    """Stated scale against the spread of the result when the load is drawn from its tolerance."""
    rng = np.random.default_rng(1)
    results = []
    for _ in range(400):
        true_load = LOAD_OHM * (1 + rng.uniform(-0.01, 0.01))
        jig = InventedJig("high-side")
        readings = jig.standards(("open", "short", "load"))
        readings["load"] = StandardReading(jig.ratio(true_load), readings["load"].variance, LOAD_OHM, 1.0)
        calibration = fit_jig("high-side", REFERENCE_OHM, FREQUENCY_HZ, readings)
        results.append(calibration.impedance_from_ratio(jig.ratio(speaker_ohm())) / speaker_ohm())
    spread = np.std(np.array(results), axis=0)
    assert spread == pytest.approx(np.full(spread.size, calibration.scale_std), rel=0.08)


def test_words_and_findings_of_a_bad_chain() -> None:
    jig = InventedJig("high-side")
    calibration = calibrated(jig, ("channel-match", "short"))
    assert calibration.summary == (
        "corrected by channel-match + short: gain and delay between channels, leads; "
        "not corrected: input loading, true value of the reference resistor"
    )
    found = calibrated(jig, SUBJECTS).found
    assert "gain of channel 2 over channel 1: +0.257 dB" in found
    assert "leads and clips: 0.15 ohm" in found
    assert "input impedance of channel 2: about 10 kilohm" in found
    assert "not corrected: gain and delay between channels, input loading, leads" in calibrated(jig, ()).summary
    low = calibrated(InventedJig("low-side"), ("channel-match", "short"))
    assert "leads and clips: 0.15 ohm" in low.found


def test_redundancy_passes_for_a_consistent_set_and_fails_for_a_wrong_one() -> None:
    jig = InventedJig("high-side")
    readings = jig.standards(SUBJECTS)
    good = fit_jig("high-side", REFERENCE_OHM, FREQUENCY_HZ, readings, 1.0)
    assert [check.name for check in good.checks] == ["reference resistor", "channel-match redundancy"]
    assert all(check.passed for check in good.checks)
    assert all(abs(check.relative) < 1e-9 for check in good.checks)
    assert good.warnings == ()
    wrong_mark = {**readings, "load": StandardReading(readings["load"].ratio, readings["load"].variance, 10.0)}
    checks = fit_jig("high-side", REFERENCE_OHM, FREQUENCY_HZ, wrong_mark, 1.0)
    assert not checks.checks[0].passed
    assert checks.checks[0].relative == pytest.approx(10 / LOAD_OHM - 1, rel=1e-6)
    assert "12.2 ohm, stated 10 ohm" in checks.warnings[-1]
    other_delay = InventedJig("high-side", delay_s=0.0).standards(("channel-match",))
    checks = fit_jig("high-side", REFERENCE_OHM, FREQUENCY_HZ, {**readings, **other_delay}, 1.0)
    assert not checks.checks[1].passed


@pytest.mark.parametrize("kind", ["high-side", "low-side"])
def test_exchanged_takes_are_refused(kind: str) -> None:
    jig = InventedJig(kind)
    readings = jig.standards(("open", "short"))
    exchanged = {"open": readings["short"], "short": readings["open"]}
    with pytest.raises(StillboxError, match=r"take reads a channel ratio of .* record it again"):
        fit_jig(kind, REFERENCE_OHM, FREQUENCY_HZ, exchanged)  # type: ignore[arg-type]
    other = "low-side" if kind == "high-side" else "high-side"
    with pytest.raises(StillboxError, match="--jig"):
        fit_jig(other, REFERENCE_OHM, FREQUENCY_HZ, readings)


def test_impossible_input_is_refused() -> None:
    jig = InventedJig("high-side")
    readings = jig.standards(SUBJECTS)
    with pytest.raises(StillboxError, match=r"reference resistor of -3 ohm is outside 0.01 to 100000 ohm"):
        fit_jig("high-side", -3.0, FREQUENCY_HZ, {})
    unnamed = {"load": StandardReading(readings["load"].ratio, readings["load"].variance)}
    with pytest.raises(StillboxError, match="--load-ohms"):
        fit_jig("high-side", REFERENCE_OHM, FREQUENCY_HZ, unnamed)
    shorted = {**readings, "load": StandardReading(readings["short"].ratio, readings["short"].variance, 8.2)}
    with pytest.raises(StillboxError, match="reads like the short take"):
        fit_jig("high-side", REFERENCE_OHM, FREQUENCY_HZ, shorted)


def test_open_clips_give_a_large_impedance_and_no_crash() -> None:
    calibration = calibrated(InventedJig("high-side"), ("open", "short", "load"))
    assert np.all(np.abs(calibration.impedance_from_ratio(calibration.terms.open_ratio)) > 1e9)


def slow_ratio(frequency_hz: np.ndarray, rate_hz: float) -> np.ndarray:
    """3 % gain, a delay of one sample, AC coupling at 3 Hz."""
    return 1.03 * np.exp(-2j * np.pi * frequency_hz / rate_hz) / (1 - 3j / frequency_hz)


@pytest.mark.parametrize(("rate_hz", "step_hz"), [(48_000, 0.17), (192_000, 0.3), (44_100, 1.0)])
@pytest.mark.parametrize("slope", [-1, 0, 1])
def test_smoothing_leaves_slow_ratios_alone(rate_hz: float, step_hz: float, slope: int) -> None:
    frequency_hz = np.arange(round(12.5 / step_hz), round(0.45 * rate_hz / step_hz)) * step_hz
    ratio = slow_ratio(frequency_hz, rate_hz)
    variance = 1e-9 * (frequency_hz / 1e3) ** slope
    smooth, _ = smooth_ratio(frequency_hz, ratio, variance)
    assert np.max(np.abs(smooth - ratio)) < 1e-6
    grid_hz = np.geomspace(15.0, 0.4 * rate_hz, 900)
    smooth, _ = smooth_ratio(frequency_hz, ratio, variance, grid_hz)
    assert np.max(np.abs(smooth - slow_ratio(grid_hz, rate_hz))) < 1e-6


@pytest.mark.parametrize("on_grid", [False, True])
def test_smoothing_states_the_noise_that_is_left(on_grid: bool) -> None:
    frequency_hz = np.arange(14.0, 20_000.0, 0.9)
    variance = 1e-8 * np.sqrt(1e3 / frequency_hz)
    variance[np.abs(frequency_hz % 50.0) < 0.45] *= 1e5  # hum lines
    output_hz = np.geomspace(20.0, 18_000.0, 300) if on_grid else None
    target_hz = frequency_hz if output_hz is None else output_hz
    rng = np.random.default_rng(3)
    squares = np.zeros(target_hz.size)
    draws = 60
    for _ in range(draws):
        noise = rng.standard_normal(frequency_hz.size) + 1j * rng.standard_normal(frequency_hz.size)
        ratio = slow_ratio(frequency_hz, 48e3) + np.sqrt(variance / 2) * noise
        smooth, stated = smooth_ratio(frequency_hz, ratio, variance, output_hz)
        squares += np.abs(smooth - slow_ratio(target_hz, 48e3)) ** 2 / draws
    for low_hz, high_hz in [(200, 1_000), (1_000, 4_000), (4_000, 17_000)]:
        inside = (target_hz > low_hz) & (target_hz < high_hz)
        assert np.mean(squares[inside]) == pytest.approx(np.mean(stated[inside]), rel=0.15)
        assert np.mean(squares[inside] / stated[inside]) == pytest.approx(1.0, abs=0.15)
    high = target_hz > 5_000
    assert np.max(stated[high]) < 0.02 * np.interp(5_000, frequency_hz, variance)


@pytest.mark.parametrize("low_hz", [14.0, 600.0])
def test_smoothing_holds_up_to_the_ends_of_the_band(low_hz: float) -> None:
    frequency_hz = np.arange(low_hz, 20_000.0, 0.2)
    truth = slow_ratio(frequency_hz, 44.1e3)
    variance = np.full(frequency_hz.size, 1e-4)
    rng = np.random.default_rng(8)
    squares, draws = np.zeros(frequency_hz.size), 30
    for _ in range(draws):
        noise = rng.standard_normal(frequency_hz.size) + 1j * rng.standard_normal(frequency_hz.size)
        smooth, stated = smooth_ratio(frequency_hz, truth + np.sqrt(variance / 2) * noise, variance)
        squares += np.abs(smooth - truth) ** 2 / draws
    ends = [frequency_hz > 19_000, (frequency_hz > 600) & (frequency_hz < 650)]
    for end in ends:
        assert np.mean(squares[end] / stated[end]) == pytest.approx(1.0, abs=0.35)
        assert np.max(squares[end]) < 3 * np.max(stated[end])
        assert np.max(stated[end]) < 0.2 * variance[0]


def test_smoothing_leaves_the_caller_s_arrays_alone() -> None:
    frequency_hz = np.arange(14.0, 2_000.0, 1.0)
    ratio, variance = slow_ratio(frequency_hz, 48e3), np.full(frequency_hz.size, 1e-9)
    before = ratio.copy(), variance.copy()
    smooth_ratio(frequency_hz, ratio, variance)
    assert np.array_equal(ratio, before[0])
    assert np.array_equal(variance, before[1])
