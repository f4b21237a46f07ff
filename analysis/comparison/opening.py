"""From takes to the sentence with which everything about them opens; what the work cost in bass is part of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

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
    said = cost_in_bass(bench, before, after) if cost is None else cost
    reports = bench.findings_of(before), bench.findings_of(after)
    return summary_of_comparison(bench.comparison_of(before, after), *reports, said)


def cost_in_bass(bench: Bench, before: TakeInfo, after: TakeInfo) -> str:
    """What one state costs in bass against the other: the greatest difference of level, and where.

    Empty where that cannot be had: without a take of the driver in free air, between units, or where no box fits.
    """
    from stillbox.analysis.bass.bass_report import bass_of_box
    from stillbox.analysis.box.lumped_fits import lumped_fits

    free_air = bench.newest("free-air", unit=after.unit)
    if free_air is None or before.unit != after.unit:
        return ""
    fits = lumped_fits(bench)
    try:
        boxes = fits.box(before, free_air), fits.box(after, free_air)
        if any(box.doubts for box in boxes):
            return ""
        earlier, later = (replace(box, state=name) for box, name in zip(boxes, ("before", "after"), strict=True))
        return cost_words(bass_of_box(later, bench.build.description, before=earlier))
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
