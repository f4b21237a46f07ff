"""From takes to the sentence with which everything about them opens; what the work cost in bass is part of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from stillbox.analysis.crossover.built import as_built, crossover_told, suspects_words
from stillbox.analysis.maths.number_words import signed_db
from stillbox.analysis.ringing.summary import summary_of_comparison, summary_of_findings
from stillbox.capture.errors import StillboxError

if TYPE_CHECKING:
    from stillbox.analysis.bass.bass_report import BassReport
    from stillbox.analysis.bench import Bench
    from stillbox.capture.recording.take import TakeInfo

LEAST_DB = 0.1
"""Smaller differences of level are none (the digits in which they are told)."""


def opening_of(bench: Bench, takes: Sequence[TakeInfo], cost: str | None = None) -> str:
    """The sentence of one in-box take, or of two compared, the earlier first.

    ``cost`` is what the work cost in bass where that is known already or is to be left out; None works it out.
    """
    if len(takes) == 1:
        return summary_of_findings(bench.findings_of(takes[0]))
    before, after = takes
    bench = as_built(bench, takes)
    changed = crossover_told(bench, before, after)
    said = cost_in_bass(bench, before, after) if cost is None else cost
    reports = bench.findings_of(before), bench.findings_of(after)
    to_mend = "; ".join(suspects_words(bench, [after]))
    summary = summary_of_comparison(bench.comparison_of(before, after), *reports, said, to_mend)
    return f"{changed}. {summary}" if changed else summary


def cost_in_bass(bench: Bench, before: TakeInfo, after: TakeInfo) -> str:
    """What one state costs in bass against the other: the greatest difference of level, and where.

    Empty where that cannot be had: without a take of the driver in free air, between units, or where no box fits.
    """
    return bench.kept("cost in bass", (before, after), lambda: _cost_in_bass(bench, before, after))


def _cost_in_bass(bench: Bench, before: TakeInfo, after: TakeInfo) -> str:
    from stillbox.analysis.bass.bass_report import bass_as_measured
    from stillbox.analysis.box.box_report import box_of_take
    from stillbox.analysis.driver.driver_report import driver_of_take

    free_air = bench.free_air(after.unit, after.of)
    if free_air is None or before.unit != after.unit:
        return ""
    try:
        driver = driver_of_take(bench, free_air)
        boxes = box_of_take(bench, before, driver), box_of_take(bench, after, driver)
        if any(box.doubts for box in boxes):
            return ""
        earlier, later = boxes
        if earlier.state == later.state:
            earlier, later = replace(earlier, state="before"), replace(later, state="after")
        return cost_words(bass_as_measured(bench, later, earlier))
    except StillboxError:
        return ""


def cost_words(report: BassReport) -> str:
    """The greatest difference of level between the two states of a report: bass \N{MINUS SIGN}0.9 dB at 38 Hz."""
    cost = report.cost
    if cost is None:
        return ""
    if abs(cost.level_shift_db.value) < LEAST_DB:
        return "bass as it was"
    return f"bass {signed_db(cost.level_shift_db.value)} at {cost.level_hz:.0f} Hz"
