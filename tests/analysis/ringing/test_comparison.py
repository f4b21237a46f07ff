"""Comparison of two states on constructed cases; matching against brute force."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from invented_findings import STD, finding, only, report, resonance

from stillbox.analysis.impedance.detection import limit_for_q, typical_limit
from stillbox.analysis.impedance.findings import DetectionLimit, Finding
from stillbox.analysis.ringing.comparison import compare, matched_pairs


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
    assert "in lined nothing below 0.06 ohm could have been told there" in blind.warnings[0]


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


def test_what_holds_for_both_takes_is_said_once() -> None:
    before = replace(report(), warnings=("one sweep cannot tell", "hum was loud"))
    after = replace(report(state="lined"), warnings=("a sound", "one sweep cannot tell"))
    said = [text for text in compare(before, after).warnings if "fundamental" not in text]
    assert said == ["stock and lined: one sweep cannot tell", "stock: hum was loud", "lined: a sound"]


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


def test_what_is_low_and_in_one_take_only_must_stand_out_further() -> None:
    """A sound leaves resonances of some milliohms: 3.6 standard uncertainties are no verdict there, 6 are one."""
    before = report(finding(640.0, 0.006, height_std_ohm=1e-4), limit_ohm=0.0035)
    assert only(compare(before, report(limit_ohm=0.0035))).verdict_words == "cannot be told"
    assert only(compare(before, report(limit_ohm=0.002))).verdict == "gone"
    tall = report(finding(640.0, 0.06, height_std_ohm=1e-3), limit_ohm=0.035)
    assert only(compare(tall, report(limit_ohm=0.035))).verdict == "gone"


def test_what_stays_is_itself_and_not_a_small_one_beside_it() -> None:
    """Modes of the room come and go at 154 and 167 Hz, a thirtieth as high; nothing became of what is between them."""
    before = report(finding(160.4, 0.098), finding(167.4, 0.003, cause="room"))
    after = report(finding(154.3, 0.0005, cause="room"), finding(160.4, 0.098))
    assert [(change.frequency_hz, change.verdict) for change in compare(before, after).changes] == [
        (pytest.approx(160.4), "unchanged")
    ]


def test_what_moves_and_is_damped_is_one() -> None:
    before, after = report(finding(400.0, 0.6)), report(finding(385.0, 0.05))
    assert [change.verdict for change in compare(before, after).changes] == ["reduced"]
