"""What the curve says of the parts of a crossover, in words and for other programs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from stillbox.analysis.crossover.crossover import LEAST_DB, CrossoverReport
from stillbox.analysis.maths.number_words import frequency_words
from stillbox.analysis.maths.quantity import MINUS, shown_decimals
from stillbox.analysis.network.network import Part
from stillbox.analysis.parts.kinds import Kind
from stillbox.analysis.parts.part_codes import value_words
from stillbox.analysis.wrong_part.result import PartAsMeasured, Suspect

NOT_READ = "Whether the parts are right is not told: that needs a take of the finished speaker at its terminals."


def opening_of(report: CrossoverReport) -> str:
    """The sentence that stands above all."""
    return NOT_READ if report.wrong is None else report.wrong.sentence


def suspect_lines(report: CrossoverReport) -> Iterator[str]:
    """Evidence, what to look at, what would tell more."""
    wrong = report.wrong
    if wrong is None:
        return
    suspects = (*(() if wrong.suspect is None else (wrong.suspect,)), *wrong.alternatives)
    if not suspects:
        return
    for text in suspects[0].evidence:
        yield f"  - {text}"
    looks = dict.fromkeys(text for one in suspects for text in one.look_at)
    for text in looks:
        yield f"  - {text}"
    if wrong.tell_apart_by:
        yield f"  - to tell them apart, {wrong.tell_apart_by}"


def mending_lines(report: CrossoverReport) -> Iterator[str]:
    """What a change does to the speaker as it is where a part of it is wrong: beside the plan that is another thing."""
    measured, changed = report.as_measured, report.changed
    if measured is None or changed is None or not report.is_wrong:
        return
    yield f"with {', '.join(report.swaps)}, against the speaker as it was measured:"
    for name, level in measured.drivers.items():
        if name not in changed.drivers:
            continue
        if level.is_nothing:
            yield f"  - {name}: gets nothing as it is"
            continue
        after_db = changed.drivers[name].level_db
        heard = np.maximum(after_db, level.level_db) > np.max(level.level_db) + LEAST_DB
        difference_db = np.where(heard, after_db - level.level_db, 0.0)
        place = int(np.argmax(np.abs(difference_db)))
        signed = f"{difference_db[place]:+.2f}".replace("-", MINUS)
        yield f"  - {name}: {signed} dB at {frequency_words(float(report.frequency_hz[place]))}"


def cells_by_the_curve(part: PartAsMeasured) -> tuple[str, str]:
    """What the curve says of a part, and the verdict, for a table."""
    if math.isnan(part.value):
        return "", part.verdict
    words = value_with_std(part.value, part.value_std, part.kind)
    return words, part.verdict


def value_with_std(value: float, std: float, kind: Kind) -> str:
    """6.82 ± 0.11 µF."""
    number, unit = value_words(value, kind).rsplit(" ", 1)
    scale = float(number) / value
    decimals = min(max(shown_decimals(value * scale, std * scale), 0), 4)
    return f"{value * scale:.{decimals}f} ± {std * scale:.{decimals}f} {unit}"


def part_document(report: CrossoverReport, part: Part) -> dict[str, Any]:
    """A part as planned, with what the curve says of it."""
    told = None if report.wrong is None else report.wrong.part(part.name)
    known = told is not None and math.isfinite(told.value)
    return {
        "name": part.name,
        "kind": part.kind,
        "value": told.value if told is not None and known else None,
        "value_std": told.value_std if told is not None and known else None,
        "loss_ohm": report.built.network.part(part.name).loss_ohm if told is None else told.loss_ohm,
        "planned": part.value,
        "planned_loss_ohm": part.loss_ohm,
        "tolerance_percent": report.tolerance_percent[part.name],
        "verdict": "cannot be told" if told is None else told.verdict,
    }


def suspects_document(report: CrossoverReport) -> dict[str, Any]:
    """What is wrong."""
    wrong = report.wrong
    if wrong is None:
        return {"told": NOT_READ, "suspect": None, "alternatives": [], "tell_apart_by": None}
    return {
        "told": wrong.sentence,
        "suspect": None if wrong.suspect is None else suspect_document(wrong.suspect),
        "alternatives": [suspect_document(one) for one in wrong.alternatives],
        "tell_apart_by": wrong.tell_apart_by or None,
        "planned_probability": wrong.planned_probability,
        "misfit_percent": wrong.misfit_percent,
        "planned_misfit_percent": wrong.planned_misfit_percent,
    }


def suspect_document(suspect: Suspect) -> dict[str, Any]:
    """One fault; ``other`` is the part that it is exchanged with."""
    return {
        "part": suspect.fault.part,
        "other": suspect.fault.other or None,
        "fault": suspect.fault.kind,
        "value": suspect.value,
        "value_std": suspect.value_std,
        "loss_ohm": suspect.loss_ohm,
        "loss_std_ohm": suspect.loss_std_ohm,
        "probability": suspect.probability,
        "evidence": list(suspect.evidence),
        "look_at": list(suspect.look_at),
    }
