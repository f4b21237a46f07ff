"""Two states of one unit compared, resonance by resonance, with what each measurement could have seen."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import optimize

from analysis.detection import limit_for_q, typical_limit
from analysis.findings import Finding, FindingsReport, Resonance
from analysis.held_cone import held_motional_hz
from capture.arrays import FloatArray

Verdict = Literal["gone", "reduced", "unchanged", "grown", "new", "moved"]

SIGNIFICANT = 3.0
"""A change counts from this many standard uncertainties on."""

LEAST_HEIGHT_CHANGE = 0.1
LEAST_FREQUENCY_CHANGE = 0.01
"""Relative; what a warmer room or another day changes by itself is no change (common practice, no source)."""

_SHIFT_SCALE = 0.03
"""Relative shift of a resonance that is not surprising: a lining lowers standing waves by several percent."""

_OTHER_CAUSE = 4.0
_UNMATCHED = 4.5
"""Costs of pairing different causes, and of leaving one resonance alone, in squared units of the shift."""

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


PORT_TUNING = "tuning between the peaks"
"""Name of the shift of the tuning as it is read from the impedance, losses not taken apart."""


@dataclass(frozen=True)
class TuningShift:
    """Shift of a fundamental resonance or of the port's tuning."""

    name: str
    before_hz: float
    after_hz: float
    std_hz: float

    @property
    def shift_hz(self) -> float:
        return self.after_hz - self.before_hz

    @property
    def significance(self) -> float:
        return self.shift_hz / self.std_hz

    @property
    def sentence(self) -> str:
        """In words with numbers."""
        relation = "a shift" if abs(self.significance) >= SIGNIFICANT else "no shift that could be told"
        return (
            f"{self.name}: {self.before_hz:.4g} Hz before, {self.after_hz:.4g} Hz after: {relation} "
            f"({self.shift_hz:+.2g} ± {self.std_hz:.1g} Hz, {100 * self.shift_hz / self.before_hz:+.2g} %)"
        )


@dataclass(frozen=True)
class Comparison:
    """All changes between two states, in order of frequency."""

    before: str
    after: str
    unit: str
    changes: tuple[Change, ...]
    tuning_shifts: tuple[TuningShift, ...]
    warnings: tuple[str, ...] = ()

    @property
    def tuning(self) -> tuple[str, ...]:
        """What became of the fundamental resonances and the tuning, in sentences."""
        return tuple(shift.sentence for shift in self.tuning_shifts)


def compare(before: FindingsReport, after: FindingsReport) -> Comparison:
    """Match the resonances of two states one to one and judge each.

    "gone" is said only if the later measurement could have seen a resonance of the former height and Q at that
    place, "new" only if the earlier one could have. Otherwise no change is shown: the verdict is "unchanged" and a
    warning says that it could not have been seen.

    Parameters
    ----------
    before, after : FindingsReport
        Of one unit of one build.

    Returns
    -------
    Comparison
    """
    pairs = matched_pairs(before.findings, after.findings)
    changes: list[Change] = []
    warnings: list[str] = []
    for first, second in pairs:
        change, warning = _judge(
            None if first is None else before.findings[first],
            None if second is None else after.findings[second],
            before,
            after,
        )
        changes.append(change)
        warnings += warning
    shifts, tuning_warnings = _tuning(before, after)
    if before.unit != after.unit:
        warnings.append(f"unit {before.unit} is compared with unit {after.unit}")
    named = [f"{report.state or 'unnamed state'}: {text}" for report in (before, after) for text in report.warnings]
    return Comparison(
        before=before.state,
        after=after.state,
        unit=before.unit,
        changes=tuple(sorted(changes, key=lambda change: change.frequency_hz)),
        tuning_shifts=shifts,
        warnings=(*warnings, *tuning_warnings, *named),
    )


def matched_pairs(before: tuple[Finding, ...], after: tuple[Finding, ...]) -> list[tuple[int | None, int | None]]:
    """Optimal one-to-one matching on logarithmic frequency; None where there is no partner.

    Cost of a pair: squared relative shift in units of 3 %, more if the causes differ; a pair costs less than
    leaving both alone up to a shift of 9 %, or 6.5 % with different causes. Solved as an assignment problem in which
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
    cost = np.where(np.isinf(cost), 1e9, cost)
    pairs: list[tuple[int | None, int | None]] = []
    for row, column in zip(*optimize.linear_sum_assignment(cost), strict=True):
        if row < rows or column < columns:
            pairs.append((int(row) if row < rows else None, int(column) if column < columns else None))
    return pairs


def _pair_costs(before: tuple[Finding, ...], after: tuple[Finding, ...]) -> FloatArray:
    costs = np.empty((len(before), len(after)))
    for row, first in enumerate(before):
        for column, second in enumerate(after):
            shift = math.log(second.resonance.frequency_hz / first.resonance.frequency_hz) / _SHIFT_SCALE
            costs[row, column] = shift**2
            told = "undecided" not in (first.cause, second.cause)
            if told and first.cause != second.cause:
                costs[row, column] += _OTHER_CAUSE * first.confidence * second.confidence
    return costs


def _judge(
    first: Finding | None, second: Finding | None, before: FindingsReport, after: FindingsReport
) -> tuple[Change, list[str]]:
    if first is not None and second is not None:
        return _judge_pair(first, second, after), []
    if first is not None:
        return _judge_alone(first, after, "gone")
    assert second is not None
    return _judge_alone(second, before, "new")


def _judge_pair(first: Finding, second: Finding, after: FindingsReport) -> Change:
    old, new = first.resonance, second.resonance
    # Both takes share one scale of the ohm: its uncertainty is no part of that of the difference.
    noise_ohm = math.hypot(old.height_noise_std_ohm, new.height_noise_std_ohm)
    by_height = (new.height_ohm - old.height_ohm) / noise_ohm
    by_frequency = (new.frequency_hz - old.frequency_hz) / math.hypot(old.frequency_std_hz, new.frequency_std_hz)
    verdict: Verdict = "unchanged"
    significance = by_height
    height_change = new.height_ohm / old.height_ohm - 1
    frequency_change = new.frequency_hz / old.frequency_hz - 1
    if abs(by_height) >= SIGNIFICANT and abs(height_change) >= LEAST_HEIGHT_CHANGE:
        verdict = "grown" if height_change > 0 else "reduced"
    elif abs(by_frequency) >= SIGNIFICANT and abs(frequency_change) >= LEAST_FREQUENCY_CHANGE:
        verdict, significance = "moved", by_frequency
    limit = typical_limit(after.detection_limit, old.frequency_hz, old.q)
    return Change(old.frequency_hz, first, second, verdict, float(significance), limit)


def _judge_alone(finding: Finding, other: FindingsReport, verdict: Literal["gone", "new"]) -> tuple[Change, list[str]]:
    """A resonance without a partner: gone or new if the other measurement could have seen it."""
    resonance = finding.resonance
    limit = limit_for_q(other.detection_limit, resonance.frequency_hz, resonance.q)
    significance = resonance.height_ohm / math.hypot(resonance.height_noise_std_ohm, limit / _LIMIT_IN_STD)
    gone = verdict == "gone"
    first, second = (finding, None) if gone else (None, finding)
    signed = -significance if gone else significance
    if limit < resonance.height_ohm:
        return Change(resonance.frequency_hz, first, second, verdict, signed, limit), []
    warning = (
        f"{resonance.frequency_hz:.4g} Hz, {resonance.height_ohm:.2g} ohm, shows only in "
        f"{'the earlier' if gone else 'the later'} state, but in {other.state or 'the other'} nothing below "
        f"{limit:.2g} ohm could have been seen there: no change can be told"
    )
    return Change(resonance.frequency_hz, first, second, "unchanged", signed, limit), [warning]


def _tuning(before: FindingsReport, after: FindingsReport) -> tuple[tuple[TuningShift, ...], list[str]]:
    old, new = before.fit.motional, after.fit.motional
    if not old or not new:
        return (), ["a state has no fundamental peak: nothing can be said of the tuning"]
    if len(old) != len(new):
        return (), [
            f"{len(old)} fundamental peak(s) before and {len(new)} after: the port was opened or closed, "
            "or one peak is too low to be seen; the tuning is not compared"
        ]
    names = ("fundamental resonance",) if len(old) == 1 else ("lower resonance", "upper resonance")
    shifts = [_peak_shift(name, one, other) for name, one, other in zip(names, old, new, strict=True)]
    if len(old) > 1:
        # The zero between the peaks: the tuning, shifted by losses as far as they are there (by 1 + 1/(QL QP) in its
        # square; `box` takes them apart). Its uncertainty follows that of both peaks (fB = fL fH / fs).
        tunings = held_motional_hz(before.fit), held_motional_hz(after.fit)
        stds = [
            tuning * math.hypot(*(peak.frequency_std_hz / peak.frequency_hz for peak in peaks))
            for tuning, peaks in zip(tunings, (old, new), strict=True)
        ]
        shifts.append(TuningShift(PORT_TUNING, *tunings, math.hypot(*stds)))
    return tuple(shifts), []


def _peak_shift(name: str, one: Resonance, other: Resonance) -> TuningShift:
    std = math.hypot(one.frequency_std_hz, other.frequency_std_hz)
    return TuningShift(name, one.frequency_hz, other.frequency_hz, std)
