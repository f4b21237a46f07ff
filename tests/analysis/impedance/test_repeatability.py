"""What is told of two takes beside how far a speaker repeats: noise, remounting, tuning, the air, the room."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from invented_findings import finding, only, report, resonance

from stillbox.analysis.box.box_words import _BOX_NAMES
from stillbox.analysis.findings.findings_words import motional_text
from stillbox.analysis.impedance.findings import Cause, Finding, FindingsReport, Spread
from stillbox.analysis.impedance.held_cone import held_motional_hz
from stillbox.analysis.impedance.repeatability import USUAL, RepeatedFits, as_it_repeats, spread_of_cause, with_spreads
from stillbox.analysis.maths.quantity import Quantity
from stillbox.analysis.ringing.comparison import compare

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


def test_a_little_warmth_that_thermometers_read_is_the_air() -> None:
    """2.6 K, read as 2 K: less than readings tell apart, but they do not speak against it."""
    places = (336.0, 392.0, 1_375.0)
    known: tuple[Cause, ...] = ("standing wave", "undecided")
    for cause in known:
        before = report(*(finding(f, 0.4, cause=cause, frequency_std_hz=0.01) for f in places))
        after = report(*(finding(f * 1.00446, 0.4, cause=cause, frequency_std_hz=0.01) for f in places))
        air = compare(replace(before, celsius=20.0), replace(after, celsius=22.0)).air
        assert air is not None and air.kelvin == pytest.approx(2.6, abs=0.2)
        air = compare(replace(before, celsius=20.0), replace(after, celsius=14.0)).air
        assert air is not None and air.kelvin is None and "less filling" in air.sentence


def test_undecided_resonances_that_agree_tell_of_the_air() -> None:
    """Without inside dimensions no standing wave is known as one: four that move alike by 1.5 % are the air."""
    places = (336.0, 392.0, 1_375.0, 1_695.0)
    before = report(*(finding(f, 0.4, frequency_std_hz=0.01) for f in (*places, 219.0)))
    after = report(*(finding(f * 1.0154, 0.4, frequency_std_hz=0.01) for f in places), finding(219.0, 0.4))
    comparison = compare(before, after)
    assert {change.verdict for change in comparison.changes} == {"unchanged"}
    assert comparison.air is not None and comparison.air.kelvin == pytest.approx(9.1, abs=0.3)
    one = compare(before, report(finding(336.0 * 1.0154, 0.4), *before.findings[1:]))
    assert [change.verdict for change in one.changes].count("moved") == 1
    assert one.air is None


def test_the_tuning_follows_the_air_too() -> None:
    peaks = ((25.0, 20.0, 5.0), (60.0, 20.0, 5.0))
    before = replace(waves(), fit=report(*waves().findings, peaks=peaks).fit)
    warm = tuple((f * 1.0102, h, q) for f, h, q in peaks)
    after = replace(waves(1.0102), fit=report(*waves(1.0102).findings, peaks=warm).fit)
    shift = compare(before, after).tuning_shifts[-1]
    assert shift.shift_hz == pytest.approx(0.0102 * shift.before_hz, rel=0.05)
    assert not shift.is_told
    assert "the air makes" in shift.sentence


def test_a_damped_pair_of_the_coil_does_not_shift_the_tuning() -> None:
    """A pair at 19 kHz, Q 0.7 and kilohms high belongs to the coil, and says nothing of the zero between the peaks."""
    plain = report(peaks=((25.0, 20.0, 5.0), (60.0, 20.0, 5.0))).fit
    coil = replace(plain, broad=(resonance(19_400.0, 5_000.0, 0.7),))
    assert held_motional_hz(coil) == pytest.approx(held_motional_hz(plain), rel=1e-3)
    assert 30.0 < held_motional_hz(plain) < 55.0


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
    comparison = compare(
        report(finding(frequency_hz, height_ohm, q, height_std_ohm=1e-4), limit_ohm=1e-4), report(limit_ohm=1e-4)
    )
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


def test_a_resonance_that_remounting_moves_is_known_to_move() -> None:
    """It may be the driver's, though nobody knows; what stays where it is beside it says nothing of it."""
    first = [finding(f, 0.4, frequency_std_hz=0.01) for f in (300.0, 500.0, 900.0, 1_400.0)]
    second = [*first[:3], finding(1_400.0 * 0.985, 0.3, frequency_std_hz=0.01)]
    remounted = (RepeatedFits(report(*first).fit, report(*second).fit, "takes 1 and 2, remounted"),)
    told = with_spreads(second, (), remounted)
    assert told[3].spread.frequency > 0.005 and told[3].spread.height > 0.07
    assert told[3].spread.frequency > 1.4 * told[0].spread.frequency > 1.4 * 0.003
    walls = with_spreads([replace(one, cause="wall") for one in second], (), remounted)
    assert all(one.spread == spread_of_cause("wall") for one in walls)


@pytest.mark.parametrize("times", [1.3, 5.0])
def test_another_remounting_is_as_improbable_beyond_three_deviations_as_it_should_be(times: float) -> None:
    """Of a basket under stress, alone among resonances of the box that stay, and nobody knows which is which."""
    generator = np.random.default_rng(7)
    wrong = judged = 0

    def mounted() -> list[Finding]:
        moves = times * generator.standard_normal((2, 3))
        driver = [
            finding(f * (1 + 0.003 * by), 0.2 * math.exp(0.03 * grown), frequency_std_hz=0.01)
            for f, by, grown in zip((550.0, 760.0, 1_300.0), *moves, strict=True)
        ]
        box = [finding(f, 0.2, frequency_std_hz=0.01) for f in (217.0, 381.0)]
        return [*box, *driver]

    for _ in range(400):
        first, again, later = mounted(), mounted(), mounted()
        remounted = (RepeatedFits(report(*first).fit, report(*again).fit, "takes 1 and 2, remounted"),)
        for one, other in zip(*(with_spreads(each, (), remounted) for each in (again, later)), strict=True):
            stds = [(each.frequency_std_hz, each.height_own_std_ohm) for each in (one, other)]
            by_hz = abs(one.resonance.frequency_hz - other.resonance.frequency_hz) / math.hypot(stds[0][0], stds[1][0])
            by_ohm = abs(one.resonance.height_ohm - other.resonance.height_ohm) / math.hypot(stds[0][1], stds[1][1])
            wrong, judged = wrong + (max(by_hz, by_ohm) > 3), judged + 1
    assert wrong < 0.02 * judged
