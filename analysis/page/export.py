"""Results as files for other programs: CSV, Touchstone, JSON documents. Files appear whole or not at all."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from stillbox.analysis.decay.decay import CumulativeDecay
from stillbox.analysis.impedance.findings import Finding, FindingsReport
from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.analysis.ringing.ringing import good_enough, ringing_of
from stillbox.analysis.ringing.summary import summary_of_findings
from stillbox.capture.files.output_file import MARK, TABLE, TABLE_HEADS, TOUCHSTONE, write_output

if TYPE_CHECKING:
    from stillbox.analysis.ringing.comparison import Change, Comparison

CURVE_COLUMNS = TABLE_HEADS["curve"]
DECAY_COLUMNS = TABLE_HEADS["decay"]
CYCLE_COLUMNS = TABLE_HEADS["decay in cycles"]
_TOUCHSTONE_OPTIONS = "# Hz Z RI R 1"
"""Touchstone 1.0 divides Z parameters by the reference resistance; with R 1 the numbers are ohms."""


def curve_csv(curve: ImpedanceCurve) -> str:
    """The curve as CSV text, one line a point, numbers with nine significant digits."""
    columns = (
        curve.frequency_hz,
        curve.impedance_ohm.real,
        curve.impedance_ohm.imag,
        curve.resistance_std_ohm,
        curve.reactance_std_ohm,
    )
    return _lines(CURVE_COLUMNS, (",".join(f"{value:.9g}" for value in row) for row in zip(*columns, strict=True)))


def curve_touchstone(curve: ImpedanceCurve, comment: str = "") -> str:
    """The curve as the text of a Touchstone one-port file of Z parameters in ohms.

    ``comment`` goes into lines of their own at the head, each after an exclamation mark.
    """
    head = [f"! {line}" for line in (f"written by {MARK}", *comment.splitlines())]
    rows = (
        f"{frequency:.9g} {value.real:.9g} {value.imag:.9g}"
        for frequency, value in zip(curve.frequency_hz, curve.impedance_ohm, strict=True)
    )
    return _lines("\n".join([*head, _TOUCHSTONE_OPTIONS]), rows)


def decay_csv(decay: CumulativeDecay) -> str:
    """The decay as CSV text, one line for each slice and frequency.

    ``meaningful`` is 1 where the record supports the point and it is clear of the noise, else 0; an unknown noise
    floor is left empty.
    """
    shape = decay.level_db.shape
    time_s = np.broadcast_to(decay.time_s[:, None] if decay.time_s.ndim == 1 else decay.time_s, shape)
    floor_db = decay.noise_floor_db
    # One format for a whole slice: a decay has up to a million lines.
    line = "%.7g,{:.7g},%.3f," + ("" if floor_db is None else "%.2f") + ",%d"
    lines = [line.format(frequency_hz) for frequency_hz in decay.frequency_hz]
    columns = [time_s, decay.level_db, *([] if floor_db is None else [floor_db]), decay.meaningful]
    rows = []
    for row in range(shape[0]):
        cycles = "" if decay.cycles is None else f"{decay.cycles[row]:.6g},"
        values = np.stack([column[row] for column in columns], axis=1, dtype=float)
        rows.append("\n".join(cycles + text for text in lines) % tuple(values.ravel().tolist()))
    return _lines(DECAY_COLUMNS if decay.cycles is None else CYCLE_COLUMNS, rows)


def write_curve_csv(path: Path, curve: ImpedanceCurve) -> None:
    """Write `curve_csv` to a file."""
    write_output(path, TABLE, curve_csv(curve))


def write_touchstone(path: Path, curve: ImpedanceCurve, comment: str = "") -> None:
    """Write `curve_touchstone` to a file whose name must end in .z1p or .s1p."""
    write_output(path, TOUCHSTONE, curve_touchstone(curve, comment))


def write_decay_csv(path: Path, decay: CumulativeDecay) -> None:
    """Write `decay_csv` to a file."""
    write_output(path, TABLE, decay_csv(decay))


def finding_document(finding: Finding) -> dict[str, Any]:
    """One finding as plain data, as ``findings --json`` prints it."""
    resonance = finding.resonance
    return {
        "frequency_hz": float(resonance.frequency_hz),
        "frequency_std_hz": float(finding.frequency_std_hz),
        "q": float(resonance.q),
        "q_std": float(finding.q_std),
        "height_ohm": float(resonance.height_ohm),
        "height_std_ohm": float(finding.height_std_ohm),
        "noise": {
            "frequency_std_hz": float(resonance.frequency_std_hz),
            "q_std": float(resonance.q_std),
            "height_std_ohm": float(resonance.height_std_ohm),
        },
        "repeats": {
            "frequency": finding.spread.frequency,
            "q": finding.spread.q,
            "height": finding.spread.height,
            "source": finding.spread.source,
        },
        "cause": finding.cause,
        "confidence": float(finding.confidence),
        "evidence": list(finding.evidence),
        "advice": finding.advice,
    }


def findings_document(report: FindingsReport) -> dict[str, Any]:
    """All findings of a state as plain data, as ``findings --json`` prints it."""
    limit = report.detection_limit
    return {
        "build": report.build,
        "state": report.state,
        "unit": report.unit,
        "summary": summary_of_findings(report),
        "good_enough": bool(good_enough(report)),
        "findings": [
            {**finding_document(finding), "rings_out_s": float(seconds)}
            for finding, seconds in zip(report.findings, ringing_of(report), strict=True)
        ],
        "detection_limit": {
            "frequency_hz": [float(value) for value in limit.frequency_hz],
            "height_ohm": [float(value) for value in limit.height_ohm],
        },
        "warnings": list(report.warnings),
    }


def _change_document(change: Change) -> dict[str, Any]:
    return {
        "frequency_hz": float(change.frequency_hz),
        "before": None if change.before is None else finding_document(change.before),
        "after": None if change.after is None else finding_document(change.after),
        "verdict": change.verdict,
        "significance": float(change.significance),
        "detection_limit_ohm": float(change.detection_limit_ohm),
    }


def comparison_document(comparison: Comparison, summary: str = "") -> dict[str, Any]:
    """The changes between two states as plain data, as ``compare --json`` prints it, under the sentence on them."""
    return {
        "summary": summary,
        "before": comparison.before,
        "after": comparison.after,
        "unit": comparison.unit,
        "changes": [_change_document(change) for change in comparison.changes],
        "room": [_change_document(change) for change in comparison.room],
        "air": None if comparison.air is None else asdict(comparison.air),
        "tuning": [
            {
                "name": shift.name,
                "before_hz": shift.before_hz,
                "after_hz": shift.after_hz,
                "shift_hz": shift.shift_hz,
                "std_hz": shift.std_hz,
                "by_air_hz": shift.by_air_hz,
                "told": shift.is_told,
                "disturbed": shift.disturbed,
            }
            for shift in comparison.tuning_shifts
        ],
        "warnings": list(comparison.warnings),
    }


def _lines(head: str, rows: Iterable[str]) -> str:
    return "\n".join([head, *rows]) + "\n"
