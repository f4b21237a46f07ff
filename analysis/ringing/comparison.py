"""Two states of one unit compared, resonance by resonance, with what each measurement could have seen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import optimize

from stillbox.analysis.impedance.detection import limit_for_q, typical_limit
from stillbox.analysis.impedance.findings import NOTABLE_OHM, Finding, FindingsReport, ResonanceFit
from stillbox.analysis.impedance.repeatability import USUAL
from stillbox.analysis.maths.number_words import short_number
from stillbox.analysis.ringing.common_factor import SHARING, CommonFactor, common_factor
from stillbox.analysis.ringing.result_words import named_warnings
from stillbox.analysis.ringing.room import may_be_of_room
from stillbox.analysis.ringing.tuning_shifts import SIGNIFICANT, TuningShift, port_tunings_hz, tuning_shifts
from stillbox.capture.arrays import FloatArray

Verdict = Literal["gone", "reduced", "unchanged", "grown", "new", "moved"]

LEAST_HEIGHT_CHANGE = 0.1
LEAST_FREQUENCY_CHANGE = 0.01
"""Relative; what a warmer room or another day changes by itself is no change (common practice, no source)."""

_SHIFT_SCALE = 0.03
"""Relative shift of a resonance that is not surprising: a lining lowers standing waves by several percent."""
_TREATED = math.log(10.0)
_BY_HEIGHT, _MOST_BY_HEIGHT = 3.0, 6.0
"""Cost of heights further apart than a treatment takes them (a tenth), for each factor of e, and the most of it."""
_OTHER_CAUSE = 4.0
_UNMATCHED = 4.5
"""Costs of pairing different causes, and of leaving one resonance alone, in squared units of the shift."""
_NEVER = 1e9
"""Cost of what cannot be paired: far above that of all others together."""

SIGNIFICANT_IF_LOW = 5.0
"""The same for what is lower than ``NOTABLE_OHM`` and in one take only: sounds and contacts make such ones too."""

_LIMIT_IN_STD = 3.0
"""A height at the detection limit (found with 95 %) is at least this many standard uncertainties."""


@dataclass(frozen=True)
class Change:
    """What became of one resonance.

    Attributes
    ----------
    frequency_hz : float
        Before; after where it is new.
    before, after : Finding or None
    verdict : str
        gone, reduced, unchanged, grown, new or moved.
    significance : float
        The change over its standard uncertainty (both measurements together): of the height, or for "moved" of the
        frequency. Negative where the height fell.
    detection_limit_ohm : float
        Smallest height with this Q that could have been seen at this place: after, but before where it is new.
        Where the resonance is seen in both states, typical for its neighbourhood.
    """

    frequency_hz: float
    before: Finding | None
    after: Finding | None
    verdict: Verdict
    significance: float
    detection_limit_ohm: float

    @property
    def verdict_words(self) -> str:
        """The verdict; "cannot be told" where a resonance is missing and could not have been seen."""
        alone = (self.before is None) != (self.after is None)
        return "cannot be told" if alone and self.verdict == "unchanged" else self.verdict


@dataclass(frozen=True)
class Comparison:
    """All changes between two states, in order of frequency.

    Attributes
    ----------
    changes : tuple of Change
        Of the speaker; these count.
    room : tuple of Change
        Of resonances that look like the room's: shown apart, no part in any verdict.
    air : CommonFactor or None
        One factor on all standing waves; it is taken out of the verdicts.
    """

    before: str
    after: str
    unit: str
    changes: tuple[Change, ...]
    tuning_shifts: tuple[TuningShift, ...]
    warnings: tuple[str, ...] = ()
    room: tuple[Change, ...] = ()
    air: CommonFactor | None = None
    of: str = ""

    @property
    def tuning(self) -> tuple[str, ...]:
        """What became of the air, the fundamental resonances and the tuning, in sentences."""
        air = () if self.air is None else (self.air.sentence,)
        return (*air, *(shift.sentence for shift in self.tuning_shifts))

    @property
    def room_words(self) -> tuple[str, ...]:
        """What seems to be of the room, in a sentence."""
        if not self.room:
            return ()
        listed = ", ".join(f"{change.frequency_hz:.4g} Hz" for change in self.room)
        return (
            f"{listed}: narrow, small and low as standing waves of the room are; they say nothing of the speaker and "
            "are not judged (with the speaker at one place, or outdoors, they do not change)",
        )


def compare(before: FindingsReport, after: FindingsReport) -> Comparison:
    """Match the resonances of two states one to one and judge each.

    "gone" is said only if the later measurement could have seen a resonance of the former height and Q at that
    place, "new" only if the earlier one could have. Otherwise no change is shown: the verdict is "unchanged" and a
    warning says that it could not have been seen. What looks like the room's and is not the same in both takes is
    set apart.

    Parameters
    ----------
    before, after : FindingsReport
        Of one unit of one build.

    Returns
    -------
    Comparison
    """
    pairs = [
        (
            None if first is None else before.findings[first],
            None if second is None else after.findings[second],
        )
        for first, second in matched_pairs(before.findings, after.findings)
    ]
    both = [(one, other) for one, other in pairs if one and other]
    air = common_factor(both, before.celsius, after.celsius, port_tunings_hz(before, after))
    changes, room = [], []
    warnings: list[str] = []
    for one, other in pairs:
        change, warning = _judge(one, other, before, after, 1.0 if air is None else air.factor)
        if _is_of_room(change):
            room.append(change)
        else:
            changes.append(change)
            warnings += warning
    by_air = 1.0 if air is None or air.kelvin is None else air.factor
    shifts, tuning_warnings = tuning_shifts(before, after, by_air)
    if before.unit != after.unit:
        warnings.append(f"unit {before.unit} is compared with unit {after.unit}")
    names = [report.state or "unnamed state" for report in (before, after)]
    named = named_warnings(names, [before.warnings, after.warnings])
    return Comparison(
        before=before.state,
        after=after.state,
        unit=before.unit,
        changes=_in_order(changes),
        tuning_shifts=shifts,
        warnings=(*warnings, *_ask_for_remounting(changes), *tuning_warnings, *named),
        room=_in_order(room),
        air=air,
        of=after.of,
    )


def _in_order(changes: Sequence[Change]) -> tuple[Change, ...]:
    return tuple(sorted(changes, key=lambda change: change.frequency_hz))


def _is_of_room(change: Change) -> bool:
    """Whether a change is the room's: its cause in one take, or that it is in one take only and looks like it."""
    findings = [finding for finding in (change.before, change.after) if finding is not None]
    if any(finding.cause == "room" for finding in findings):
        return all(finding.cause == "room" or may_be_of_room(finding.resonance) for finding in findings)
    return len(findings) == 1 and may_be_of_room(findings[0].resonance)


def _ask_for_remounting(changes: Sequence[Change]) -> tuple[str, ...]:
    """Once, where a verdict on the driver hangs on a usual size."""
    usual = [
        change.before.spread
        for change in changes
        if change.before is not None
        and change.after is not None
        and change.before.cause == "driver"
        and change.verdict != "unchanged"
        and change.before.spread.source == USUAL
    ]
    if not usual:
        return ()
    return (
        f"what taking the driver out and putting it back does by itself is not known here; {100 * usual[0].height:.0f} "
        f"% of the height and {100 * usual[0].frequency:.1g} % of the frequency stand in for it, a {USUAL}: take it "
        "out, put it back, do nothing else and sweep once with --remounted",
    )


def matched_pairs(before: tuple[Finding, ...], after: tuple[Finding, ...]) -> list[tuple[int | None, int | None]]:
    """Optimal one-to-one matching on logarithmic frequency; None where there is no partner.

    Cost of a pair: squared relative shift in units of 3 %, more if the causes differ, and more if the frequency has not
    stayed and the heights are more than ten times apart; a pair of heights that are nearer costs less than leaving both
    alone up to a shift of 9 %, or 6.5 % with different causes. Solved as an assignment problem in which
    each resonance may also stay alone (`scipy.optimize.linear_sum_assignment`).
    """
    rows, columns = len(before), len(after)
    cost = np.full((rows + columns, rows + columns), np.inf)
    cost[:rows, :columns] = _pair_costs(before, after)
    for row in range(rows):
        cost[row, columns + row] = _UNMATCHED
    for column in range(columns):
        cost[rows + column, column] = _UNMATCHED
    cost[rows:, columns:] = 0.0
    cost = np.where(np.isinf(cost), _NEVER, cost)
    pairs: list[tuple[int | None, int | None]] = []
    for row, column in zip(*optimize.linear_sum_assignment(cost), strict=True):
        if row < rows or column < columns:
            pairs.append((int(row) if row < rows else None, int(column) if column < columns else None))
    return pairs


def unshared_poles(before: ResonanceFit, after: ResonanceFit) -> tuple[list[complex], list[complex]]:
    """Poles of resonances that only one of two fits has, each of which is to be looked for in the other."""
    lists = [tuple(Finding(one, "undecided", 0.0, (), "") for one in fit.resonances) for fit in (before, after)]
    pairs = matched_pairs(*lists)
    return (
        [before.resonances[first].pole_rad_s for first, second in pairs if second is None and first is not None],
        [after.resonances[second].pole_rad_s for first, second in pairs if first is None and second is not None],
    )


def _pair_costs(before: tuple[Finding, ...], after: tuple[Finding, ...]) -> FloatArray:
    costs = np.empty((len(before), len(after)))
    for row, first in enumerate(before):
        for column, second in enumerate(after):
            shift = math.log(second.resonance.frequency_hz / first.resonance.frequency_hz) / _SHIFT_SCALE
            further = abs(math.log(second.resonance.height_ohm / first.resonance.height_ohm)) - _TREATED
            by_height = min(_BY_HEIGHT * max(further, 0.0), _MOST_BY_HEIGHT)
            costs[row, column] = shift**2 + by_height * (1 - math.exp(-(shift**2)))
            told = "undecided" not in (first.cause, second.cause)
            if told and first.cause != second.cause:
                costs[row, column] += _OTHER_CAUSE * first.confidence * second.confidence
    return costs


def _judge(
    first: Finding | None, second: Finding | None, before: FindingsReport, after: FindingsReport, factor: float
) -> tuple[Change, list[str]]:
    if first is not None and second is not None:
        return _judge_pair(first, second, after, factor), []
    if first is not None:
        return _judge_alone(first, after, "gone")
    assert second is not None
    return _judge_alone(second, before, "new")


def _judge_pair(first: Finding, second: Finding, after: FindingsReport, factor: float) -> Change:
    """By height, else by frequency; ``factor`` is what all standing waves have in common."""
    old, new = first.resonance, second.resonance
    expected_hz = old.frequency_hz * _own_factor(first, second, factor)
    # Both takes share one scale of the ohm: its uncertainty is no part of that of the difference.
    by_height = (new.height_ohm - old.height_ohm) / math.hypot(first.height_own_std_ohm, second.height_own_std_ohm)
    by_frequency = (new.frequency_hz - expected_hz) / math.hypot(first.frequency_std_hz, second.frequency_std_hz)
    verdict: Verdict = "unchanged"
    significance = by_height
    height_change = new.height_ohm / old.height_ohm - 1
    frequency_change = new.frequency_hz / expected_hz - 1
    if abs(by_height) >= SIGNIFICANT and abs(height_change) >= LEAST_HEIGHT_CHANGE:
        verdict = "grown" if height_change > 0 else "reduced"
    elif abs(by_frequency) >= SIGNIFICANT and abs(frequency_change) >= LEAST_FREQUENCY_CHANGE:
        verdict, significance = "moved", by_frequency
    limit = typical_limit(after.detection_limit, old.frequency_hz, old.q)
    return Change(old.frequency_hz, first, second, verdict, float(significance), limit)


def _own_factor(first: Finding, second: Finding, factor: float) -> float:
    """What the air has done to a resonance; one whose cause is not decided follows it or does not."""
    causes = {first.cause, second.cause}
    if causes <= {*SHARING, "undecided"}:
        ratio = second.resonance.frequency_hz / first.resonance.frequency_hz
        return factor if "undecided" not in causes else min(1.0, factor, key=lambda one: abs(ratio / one - 1))
    return 1.0


def _judge_alone(finding: Finding, other: FindingsReport, verdict: Literal["gone", "new"]) -> tuple[Change, list[str]]:
    """A resonance without a partner: gone or new if the other measurement could have seen it."""
    resonance = finding.resonance
    limit = limit_for_q(other.detection_limit, resonance.frequency_hz, resonance.q)
    std_ohm = math.hypot(finding.height_own_std_ohm, limit / _LIMIT_IN_STD)
    significance = resonance.height_ohm / std_ohm
    least_ohm = limit if resonance.height_ohm >= NOTABLE_OHM else max(limit, SIGNIFICANT_IF_LOW * std_ohm)
    gone = verdict == "gone"
    first, second = (finding, None) if gone else (None, finding)
    signed = -significance if gone else significance
    if least_ohm < resonance.height_ohm:
        return Change(resonance.frequency_hz, first, second, verdict, signed, limit), []
    warning = (
        f"{resonance.frequency_hz:.4g} Hz, {short_number(resonance.height_ohm)} ohm, shows only in "
        f"{'the earlier' if gone else 'the later'} state, but in {other.state or 'the other'} nothing below "
        f"{short_number(least_ohm)} ohm could have been told there"
    )
    return Change(resonance.frequency_hz, first, second, "unchanged", signed, limit), [warning]
