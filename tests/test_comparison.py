"""Comparison of two states on constructed cases; matching against brute force."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.comparison import Change, Comparison, compare, matched_pairs
from analysis.detection import limit_for_q, typical_limit
from analysis.driver_and_box_export import _BOX_NAMES
from analysis.findings import Cause, DetectionLimit, Finding, FindingsReport, Resonance, ResonanceFit, Spread
from analysis.quantity import Quantity
from analysis.repeatability import USUAL, RepeatedFits, as_it_repeats, spread_of_cause, with_spreads
from analysis.tables import motional_text

STD = 0.004


def finding(
    frequency_hz: float,
    height_ohm: float,
    q: float = 20.0,
    cause: Cause = "undecided",
    height_std_ohm: float = STD,
    frequency_std_hz: float | None = None,
) -> Finding:
    return Finding(
        resonance(frequency_hz, height_ohm, q, height_std_ohm, frequency_std_hz), cause, 0.95, ("invented",), "none"
    )


def resonance(
    frequency_hz: float,
    height_ohm: float,
    q: float,
    height_std_ohm: float = STD,
    frequency_std_hz: float | None = None,
) -> Resonance:
    natural = 2 * np.pi * frequency_hz
    pole = natural * complex(-1 / (2 * q), math.sqrt(1 - 1 / (4 * q * q)))
    std = frequency_hz * 1e-4 if frequency_std_hz is None else frequency_std_hz
    return Resonance(pole, height_ohm * abs(pole.real) + 0j, std, 0.01 * q, height_std_ohm, 500.0)


def report(
    *findings: Finding,
    state: str = "stock",
    limit_ohm: float = 0.01,
    peaks: tuple[tuple[float, float, float], ...] = ((60.0, 30.0, 4.0),),
    peak_std_hz: float = 0.02,
    unit: str = "A",
) -> FindingsReport:
    grid = np.geomspace(15.0, 20e3, 40)
    fit = ResonanceFit(
        motional=tuple(resonance(f, h, q, 0.01, peak_std_hz) for f, h, q in peaks),
        broad=(),
        resonances=tuple(one.resonance for one in findings),
        real_coefficients=np.concatenate([[6.0], np.zeros(19)]),
        detection_limit=DetectionLimit(grid, np.full(40, limit_ohm), 10.0, 0.01),
        band_hz=(15.0, 20e3),
        reduced_chi_square=1.0,
    )
    return FindingsReport("pair", state, unit, findings, fit, ())


def only(comparison: Comparison) -> Change:
    (change,) = comparison.changes
    return change


@pytest.mark.parametrize(
    ("after", "verdict"),
    [
        (finding(300.0, 0.5), "unchanged"),
        (finding(300.0, 0.505), "unchanged"),
        (finding(300.0, 0.3), "reduced"),
        (finding(300.0, 0.7), "grown"),
        (finding(309.0, 0.5), "moved"),
        (finding(288.0, 0.06, q=5.0), "reduced"),
        (finding(300.4, 0.5), "unchanged"),
    ],
)
def test_verdicts_of_a_pair(after: Finding, verdict: str) -> None:
    change = only(compare(report(finding(300.0, 0.5)), report(after, state="lined")))
    assert change.verdict == verdict
    assert change.frequency_hz == pytest.approx(300.0)
    assert change.before is not None
    assert change.after is after


def test_significance_is_against_both_uncertainties() -> None:
    """0.5 +- 0.03 to 0.3 +- 0.04: 0.2 / 0.05 = 4 standard uncertainties."""
    before = report(finding(300.0, 0.5, height_std_ohm=0.03))
    change = only(compare(before, report(finding(300.0, 0.3, height_std_ohm=0.04))))
    assert change.verdict == "reduced"
    assert change.significance == pytest.approx(-4.0)
    unsure = only(compare(before, report(finding(300.0, 0.3, height_std_ohm=0.1))))
    assert unsure.verdict == "unchanged"
    assert unsure.significance == pytest.approx(-0.2 / math.hypot(0.03, 0.1))


def test_moved_counts_the_frequency() -> None:
    before = report(finding(300.0, 0.5, frequency_std_hz=0.6))
    change = only(compare(before, report(finding(306.0, 0.5, frequency_std_hz=0.8))))
    assert change.verdict == "moved"
    assert change.significance == pytest.approx(6.0)
    vague = only(compare(before, report(finding(306.0, 0.5, frequency_std_hz=3.0))))
    assert vague.verdict == "unchanged"


def test_gone_needs_a_measurement_that_could_have_seen_it() -> None:
    before = report(finding(300.0, 0.05, q=40.0))
    seen = compare(before, report(state="lined", limit_ohm=0.01))
    change = only(seen)
    assert change.verdict == "gone"
    assert change.after is None
    # The limit of Q 10 becomes that of Q 40: twice as high.
    assert change.detection_limit_ohm == pytest.approx(0.02)
    assert change.significance < -3
    assert seen.warnings == ()
    blind = compare(before, report(state="lined", limit_ohm=0.03))
    change = only(blind)
    assert (change.verdict, change.verdict_words) == ("unchanged", "cannot be told")
    assert change.detection_limit_ohm == pytest.approx(0.06)
    assert abs(change.significance) < 3
    assert "in lined nothing below 0.06 ohm could have been seen there" in blind.warnings[0]


def test_new_is_judged_by_the_earlier_limit() -> None:
    after = report(finding(180.0, 0.05, q=10.0), state="lined", limit_ohm=0.001)
    change = only(compare(report(limit_ohm=0.02), after))
    assert change.verdict == "new"
    assert change.before is None
    assert change.frequency_hz == pytest.approx(180.0)
    assert change.detection_limit_ohm == pytest.approx(0.02)
    blind = compare(report(limit_ohm=0.06), after)
    assert only(blind).verdict == "unchanged"
    assert only(blind).verdict_words == "cannot be told"
    assert "shows only in the later state" in blind.warnings[0]


def test_limit_for_another_q() -> None:
    limit = DetectionLimit(np.array([100.0, 1_000.0]), np.array([0.01, 0.04]), 10.0, 0.01)
    assert limit_for_q(limit, 100.0, 10.0) == pytest.approx(0.01)
    assert limit_for_q(limit, 100.0, 90.0) == pytest.approx(0.03)
    assert limit_for_q(limit, math.sqrt(1e5), 10.0) == pytest.approx(0.02)


def test_typical_limit_does_not_see_the_peak_at_a_fitted_resonance() -> None:
    grid = np.geomspace(15.0, 20e3, 160)
    height = np.where(np.abs(np.log2(grid / 890.0)) < 0.07, 0.08, 0.008)
    limit = DetectionLimit(grid, height, 10.0, 0.01)
    assert limit_for_q(limit, 890.0, 10.0) == pytest.approx(0.08)
    assert typical_limit(limit, 890.0, 10.0) == pytest.approx(0.008)


def test_limit_follows_the_energy_of_a_resonator() -> None:
    """Chi-square of h (s/2Q w0) / (...) against white noise on even bins: equal at h ~ sqrt(Q)."""
    frequency_hz = np.arange(100.0, 2_000.0, 0.05)
    s = 2j * np.pi * frequency_hz

    def energy(q: float) -> float:
        one = resonance(500.0, math.sqrt(q), q)
        pole, residue = one.pole_rad_s, one.residue_ohm_rad_s
        value = residue / (s - pole) + np.conj(residue) / (s - np.conj(pole))
        return float(np.sum(np.abs(value) ** 2))

    for q in (5.0, 20.0, 60.0):
        assert energy(q) == pytest.approx(energy(10.0), rel=0.08)


@pytest.mark.parametrize("seed", range(6))
def test_matching_is_optimal(seed: int) -> None:
    """Against all one-to-one matchings of up to 4 with up to 4, counted one by one."""
    rng = np.random.default_rng(seed)
    before = tuple(finding(f, 0.1) for f in np.sort(300 * np.exp(rng.uniform(0, 0.2, 4))))
    after = tuple(finding(f, 0.1) for f in np.sort(300 * np.exp(rng.uniform(0, 0.2, 3))))

    def cost(pairs: list[tuple[int | None, int | None]]) -> float:
        total = 0.0
        for first, second in pairs:
            if first is None or second is None:
                total += 4.5
            else:
                ratio = after[second].resonance.frequency_hz / before[first].resonance.frequency_hz
                total += (math.log(ratio) / 0.03) ** 2
        return total

    best = math.inf
    for count in range(4):
        for rows in itertools.combinations(range(4), count):
            for columns in itertools.permutations(range(3), count):
                pairs: list[tuple[int | None, int | None]] = list(zip(rows, columns, strict=True))
                pairs += [(row, None) for row in range(4) if row not in rows]
                pairs += [(None, column) for column in range(3) if column not in columns]
                best = min(best, cost(pairs))
    found = matched_pairs(before, after)
    assert cost(found) == pytest.approx(best)
    assert sorted(one for one, _ in found if one is not None) == [0, 1, 2, 3]
    assert sorted(other for _, other in found if other is not None) == [0, 1, 2]


def test_neighbours_are_not_exchanged() -> None:
    """Both move up by 3 %: the first then lies nearer to the old second."""
    before = report(finding(300.0, 0.5), finding(312.0, 0.2))
    after = report(finding(309.0, 0.5), finding(321.4, 0.2), state="lined")
    changes = compare(before, after).changes
    assert [change.verdict for change in changes] == ["moved", "moved"]
    for change, expected in zip(changes, (309.0, 321.4), strict=True):
        assert change.after is not None
        assert change.after.resonance.frequency_hz == pytest.approx(expected)


def test_far_apart_is_gone_and_new() -> None:
    changes = compare(report(finding(300.0, 0.5)), report(finding(340.0, 0.5))).changes
    assert [change.verdict for change in changes] == ["gone", "new"]


def test_causes_keep_different_things_apart() -> None:
    """8 % apart: the same standing wave, but not a wall where a standing wave was."""
    before = report(finding(300.0, 0.5, cause="standing wave"))
    same = compare(before, report(finding(277.0, 0.1, cause="standing wave")))
    assert only(same).verdict == "reduced"
    other = compare(before, report(finding(277.0, 0.1, cause="wall")))
    assert [change.verdict for change in other.changes] == ["new", "gone"]
    untold = compare(before, report(finding(277.0, 0.1, cause="undecided")))
    assert only(untold).verdict == "reduced"


def test_shift_of_a_closed_box() -> None:
    before = report(peaks=((60.0, 30.0, 4.0),), peak_std_hz=0.03)
    after = report(peaks=((58.8, 28.0, 4.0),), peak_std_hz=0.04, state="lined")
    (shift,) = compare(before, after).tuning_shifts
    assert shift.shift_hz == pytest.approx(-1.2)
    assert shift.std_hz == pytest.approx(0.05)
    assert shift.significance == pytest.approx(-24.0)
    assert compare(before, after).tuning == (
        "fundamental resonance: 60.000 Hz before, 58.800 Hz after: a shift (−1.200 ± 0.050 Hz, −2.000 %)",
    )
    (same,) = compare(before, before).tuning
    assert "no shift that could be told" in same


def test_shift_of_a_vented_box_names_the_tuning() -> None:
    """Lossless case of the check values: fL 19.6524, fH 60.0346, fB 35.7522 (Small 1973, worked independently).

    Residues of the two peaks follow from the zero between them: (fB^2 - fL^2) : (fH^2 - fB^2).
    """
    low, high, tuning = 19.6524, 60.0346, 35.7522
    share_low = (tuning**2 - low**2) / (high**2 - low**2)

    def peak(frequency: float, share: float) -> tuple[float, float, float]:
        q = 50.0
        return frequency, 1_000 * share / (np.pi * frequency / q), q

    # s (s^2 + wB^2) / ((s^2 + wL^2)(s^2 + wH^2)) in partial fractions.
    vented = report(peaks=(peak(low, share_low), peak(high, 1 - share_low)))
    shifts = {shift.name: shift for shift in compare(vented, vented).tuning_shifts}
    assert set(shifts) == {"lower resonance", "upper resonance", "tuning between the peaks"}
    assert shifts["tuning between the peaks"].before_hz == pytest.approx(tuning, abs=0.02)


def test_other_number_of_peaks_is_said() -> None:
    vented = report(peaks=((25.0, 20.0, 5.0), (60.0, 20.0, 5.0)))
    comparison = compare(vented, report())
    assert comparison.tuning == ()
    assert "2 fundamental peak(s) before and 1 after" in comparison.warnings[0]
    none = replace(report(), fit=replace(report().fit, motional=()))
    assert "no fundamental peak" in compare(report(), none).warnings[0]


def test_warnings_and_names_are_passed_on() -> None:
    before = replace(report(), warnings=("hum was loud",))
    comparison = compare(before, report(state="lined", unit="B"))
    assert (comparison.before, comparison.after, comparison.unit) == ("stock", "lined", "A")
    assert "unit A is compared with unit B" in comparison.warnings
    assert "stock: hum was loud" in comparison.warnings


def test_nothing_in_either_state() -> None:
    assert compare(report(), report()).changes == ()


def test_false_changes_are_rare() -> None:
    """Two measurements of the same speaker, 300 resonances: errors as stated give no change."""
    rng = np.random.default_rng(2)
    verdicts = []
    for _ in range(100):
        truth = [(250.0, 0.06), (400.0, 0.2), (900.0, 1.0)]
        states = []
        for noise in rng.standard_normal((2, 3, 2)):
            pairs = zip(truth, noise, strict=True)
            states.append(report(*(finding(f * (1 + 1e-4 * by_f), h + STD * by_h) for (f, h), (by_f, by_h) in pairs)))
        verdicts += [change.verdict for change in compare(*states).changes]
    assert len(verdicts) == 300
    assert verdicts.count("unchanged") >= 297


def test_the_common_scale_does_not_blur_a_change() -> None:
    """A resistor of 10 % tolerance makes both heights uncertain alike; a fall by a fifth is told all the same."""
    scale = 0.1 / np.sqrt(3)
    heights = [
        replace(resonance(300.0, height, 20.0, float(np.hypot(0.002, scale * height))), scale_std=scale)
        for height in (1.0, 0.8)
    ]
    assert heights[1].height_noise_std_ohm == pytest.approx(0.002, rel=1e-6)
    stock, lined = (report(Finding(one, "wall", 0.9, (), "")) for one in heights)
    (change,) = compare(stock, lined).changes
    assert change.verdict == "reduced"
    assert change.significance == pytest.approx(-0.2 / np.hypot(0.002, 0.002), rel=1e-6)


# How far the thing itself repeats


def repeating(found: FindingsReport, peaks: float = 0.004) -> FindingsReport:
    """With the usual sizes beside the noise."""
    findings = with_spreads(found.findings, (), ())
    return replace(found, findings=findings, peak_spread=Spread(peaks, 0.02, 0.02, USUAL))


def test_noise_alone_makes_no_verdict() -> None:
    """A wall that is 11 % lower and measured to 1 %: another day makes as much."""
    before, after = report(finding(300.0, 0.5, cause="wall")), report(finding(300.0, 0.445, cause="wall"))
    assert only(compare(before, after)).verdict == "reduced"
    assert only(compare(repeating(before), repeating(after))).verdict == "unchanged"
    third = report(finding(300.0, 0.33, cause="wall"))
    assert only(compare(repeating(before), repeating(third))).verdict == "reduced"


def test_remounting_is_asked_for_once_and_used() -> None:
    first = report(finding(900.0, 0.5, cause="driver"), finding(1_500.0, 0.3, cause="driver"))
    second = report(finding(900.0, 0.3, cause="driver"), finding(1_500.0, 0.2, cause="driver"), state="lined")
    comparison = compare(repeating(first), repeating(second))
    assert [change.verdict for change in comparison.changes] == ["reduced", "reduced"]
    assert sum("--remounted" in text for text in comparison.warnings) == 1
    # Remounting alone changed heights by 40 %: what is left of it is no verdict, and nothing is asked.
    again = report(finding(900.0, 0.75, cause="driver"), finding(1_500.0, 0.2, cause="driver"))
    remounted = (RepeatedFits(first.fit, again.fit, "takes 3 and 4, the driver taken out and put back"),)
    told = [
        replace(one, findings=with_spreads(one.findings, (), remounted), peak_spread=Spread(0.004, 0, 0, USUAL))
        for one in (first, second)
    ]
    comparison = compare(*told)
    assert [change.verdict for change in comparison.changes] == ["unchanged", "unchanged"]
    assert not any("--remounted" in text for text in comparison.warnings)


def test_takes_of_one_state_tell_how_far_it_repeats() -> None:
    """Of 40 pairs that scatter by 1 % where 0.2 % is usual, the scatter; of none, the usual; noise is no scatter."""
    rng = np.random.default_rng(3)
    truth = np.geomspace(200, 2_000, 40)
    fits = [report(*(finding(f * (1 + 0.01 * rng.standard_normal()), 0.5) for f in truth)).fit for _ in range(2)]
    told = spread_of_cause("wall", (RepeatedFits(*fits, "takes 1 and 2"),))
    assert told.frequency == pytest.approx(0.01, rel=0.35)
    assert told.source == "takes 1 and 2"
    assert spread_of_cause("wall").frequency == pytest.approx(0.002)
    quiet = [
        report(*(finding(f * (1 + 0.01 * rng.standard_normal()), 0.5, frequency_std_hz=0.01 * f) for f in truth)).fit
        for _ in range(2)
    ]
    assert spread_of_cause("wall", (RepeatedFits(*quiet, "takes 1 and 2"),)).frequency < 0.008


@pytest.mark.parametrize("shift", [0.0, 0.0006, 0.001])
def test_a_shift_of_the_tuning_has_a_least_size(shift: float) -> None:
    """Peaks known to 0.0001 Hz that move by up to 0.06 Hz: a speaker does not repeat so well."""
    before = repeating(report(peaks=((60.0, 30.0, 4.0),), peak_std_hz=1e-4))
    after = repeating(report(peaks=((60.0 * (1 + shift), 30.0, 4.0),), peak_std_hz=1e-4))
    (told,) = compare(before, after).tuning_shifts
    assert not told.is_told
    assert told.std_hz > 0.1
    assert "no shift that could be told" in told.sentence
    assert "%" not in told.sentence
    (exact,) = compare(replace(before, peak_spread=Spread()), replace(after, peak_spread=Spread())).tuning_shifts
    assert not exact.is_told


def test_a_changed_part_of_the_crossover_is_no_shift_of_the_box() -> None:
    """A capacitor across the clips moves the peak by 3 Hz and halves the impedance at the top."""
    before = repeating(report(peaks=((60.0, 30.0, 4.0),), peak_std_hz=1e-4))
    after = repeating(report(peaks=((57.0, 30.0, 4.0),), peak_std_hz=1e-4))
    coil = np.zeros(20)
    coil[0], coil[1] = 6.0, 3e-4
    other = coil.copy()
    other[1] = 1e-4
    fits = [replace(one.fit, real_coefficients=values) for one, values in ((before, coil), (after, other))]
    comparison = compare(*(replace(one, fit=fit) for one, fit in zip((before, after), fits, strict=True)))
    (told,) = comparison.tuning_shifts
    assert not told.is_told
    assert "no shift of the box" in told.sentence
    assert sum("a part of the crossover" in text for text in comparison.warnings) == 1
    same = compare(*(replace(one, fit=fits[0]) for one in (before,) * 2))
    assert not same.warnings


# The air


WAVES = (287.0, 574.0, 610.0, 861.0, 1_148.0)


def waves(factor: float = 1.0, q: float = 20.0, state: str = "stock", height_ohm: float = 0.4) -> FindingsReport:
    standing = [finding(f * factor, height_ohm, q, "standing wave", frequency_std_hz=0.05) for f in WAVES]
    return report(*standing, finding(450.0, 0.3, cause="wall"), state=state)


def test_warmer_air_is_one_factor_and_no_five_verdicts() -> None:
    """6 K: the speed of sound grows as the root of the absolute temperature, 293.15 to 299.15 K, by 1.018 %."""
    comparison = compare(waves(), waves(math.sqrt(299.15 / 293.15), state="later"))
    assert [change.verdict for change in comparison.changes] == ["unchanged"] * 6
    assert comparison.air is not None
    assert comparison.air.factor == pytest.approx(1.01018, abs=2e-4)
    assert comparison.air.kelvin == pytest.approx(6.0, abs=0.2)
    assert comparison.tuning[0].startswith("air 6 K warmer: all standing waves +1.0")
    colder = compare(waves(math.sqrt(299.15 / 293.15)), waves(state="later"))
    assert colder.tuning[0].startswith("air 6 K colder: all standing waves −1.0")


def test_one_standing_wave_that_moves_against_the_rest_is_moved() -> None:
    after = waves(1.0102)
    odd = finding(574.0 * 0.97, 0.4, 20.0, "standing wave", frequency_std_hz=0.05)
    after = replace(after, findings=(after.findings[0], odd, *after.findings[2:]))
    comparison = compare(waves(), after)
    verdicts = {round(change.frequency_hz): change.verdict for change in comparison.changes}
    assert verdicts.pop(574) == "moved"
    assert set(verdicts.values()) == {"unchanged"}
    assert "4 of 5 standing waves" in comparison.tuning[0]


def test_a_wall_does_not_follow_the_air() -> None:
    before, after = waves(), waves(1.0102)
    walls = replace(after, findings=(*after.findings[:-1], finding(450.0 * 1.03, 0.3, cause="wall")))
    assert compare(before, walls).changes[1].verdict == "moved"
    none = report(finding(300.0, 0.4, cause="wall"), finding(500.0, 0.4, cause="wall"))
    moved = report(finding(303.1, 0.4, cause="wall"), finding(505.2, 0.4, cause="wall"))
    assert compare(none, moved).air is None


def test_a_lining_that_slows_sound_is_not_called_cold_air() -> None:
    comparison = compare(waves(), waves(0.99, q=9.0, height_ohm=0.2))
    assert comparison.air is not None and comparison.air.kelvin is None
    assert "filling" in comparison.tuning[0]
    assert {change.verdict for change in comparison.changes if round(change.frequency_hz) != 450} == {"reduced"}


def test_thermometers_are_believed_beside_the_waves() -> None:
    """One standing wave alone tells nothing of the air; with both temperatures said it does."""
    one = report(finding(300.0, 0.4, cause="standing wave", frequency_std_hz=0.05))
    other = report(finding(303.3, 0.4, cause="standing wave", frequency_std_hz=0.05))
    assert only(compare(one, other)).verdict == "moved"
    told = compare(replace(one, celsius=20.0), replace(other, celsius=26.5))
    assert only(told).verdict == "unchanged"
    assert told.air is not None and told.air.kelvin == pytest.approx(6.5, abs=0.4)


def test_the_tuning_follows_the_air_too() -> None:
    peaks = ((25.0, 20.0, 5.0), (60.0, 20.0, 5.0))
    before = replace(waves(), fit=report(*waves().findings, peaks=peaks).fit)
    warm = tuple((f * 1.0102, h, q) for f, h, q in peaks)
    after = replace(waves(1.0102), fit=report(*waves(1.0102).findings, peaks=warm).fit)
    shift = compare(before, after).tuning_shifts[-1]
    assert shift.shift_hz == pytest.approx(0.0102 * shift.before_hz, rel=0.05)
    assert not shift.is_told
    assert "the air makes" in shift.sentence


# The room


def test_room_resonances_take_no_part_in_verdicts() -> None:
    """A speaker moved by a metre: narrow, small, low resonances go and come; the wall stays, one of 60 mohm is new."""
    before = report(finding(62.0, 0.008, 25.0), finding(118.0, 0.004, 30.0), finding(300.0, 0.5), limit_ohm=0.001)
    after = report(
        finding(71.0, 0.012, 20.0), finding(141.0, 0.06, 20.0), finding(300.0, 0.5), limit_ohm=0.001, state="moved"
    )
    comparison = compare(before, after)
    assert [(round(change.frequency_hz), change.verdict) for change in comparison.changes] == [
        (141, "new"),
        (300, "unchanged"),
    ]
    assert [round(change.frequency_hz) for change in comparison.room] == [62, 71, 118]
    (words,) = comparison.room_words
    assert words.startswith("62 Hz, 71 Hz, 118 Hz: narrow")
    assert not any("62" in text for text in comparison.warnings)


@pytest.mark.parametrize(
    ("frequency_hz", "height_ohm", "q"), [(90.0, 0.2, 25.0), (500.0, 0.008, 25.0), (90.0, 0.008, 3.0)]
)
def test_what_is_high_or_tall_or_damped_is_not_of_the_room(frequency_hz: float, height_ohm: float, q: float) -> None:
    comparison = compare(report(finding(frequency_hz, height_ohm, q), limit_ohm=1e-4), report(limit_ohm=1e-4))
    assert only(comparison).verdict == "gone"
    assert comparison.room == ()


# One quantity, one number


def test_findings_and_comparison_print_the_same_peaks() -> None:
    vented = repeating(report(peaks=((25.561234, 20.0, 5.0), (60.0, 20.0, 5.0)), peak_std_hz=0.001))
    said = motional_text(vented)
    lower = compare(vented, vented).tuning_shifts[0]
    assert "at 25.56 ± 0.10 Hz" in said
    assert lower.sentence.startswith("lower resonance: 25.56 Hz before, 25.56 Hz after")


def test_what_is_read_off_the_magnitude_bears_a_name_of_its_own() -> None:
    names = {name for name, _ in _BOX_NAMES.items() if name in ("fl_hz", "fm_hz", "fh_hz")}
    assert all(_BOX_NAMES[name].endswith("of |Z|") for name in names) and len(names) == 3


@pytest.mark.parametrize(("name", "least"), [("fl_hz", 0.004), ("fb_hz", 0.0025), ("qts", 0.015), ("fs_hz", 0.004)])
def test_driver_and_box_repeat_no_better_than_usual(name: str, least: float) -> None:
    exact = Quantity(40.0, 1e-4, "Hz")
    assert as_it_repeats(name, exact).std == pytest.approx(40 * least, rel=1e-3)
    poor = Quantity(40.0, 3.0, "Hz")
    assert as_it_repeats(name, poor).std == pytest.approx(3.0, rel=0.05)
