"""Results as short texts and tables, for the terminal and wherever text is read."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from stillbox.analysis.decay.ridges import Ridge
from stillbox.analysis.impedance.findings import Finding, FindingsReport
from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.analysis.maths.number_words import percent_text, short_number
from stillbox.analysis.maths.quantity import value_text
from stillbox.analysis.maths.table import Table
from stillbox.analysis.ringing.comparison import Change, Comparison
from stillbox.analysis.ringing.result_words import ringing_text, sure_text, told_text
from stillbox.analysis.ringing.ringing import in_order
from stillbox.capture.recording.take import TakeInfo

_NONE = "–"


def findings_table(report: FindingsReport, first: int | None = None) -> Table:
    """One row a resonance, that which rings out longest first; only so many as ``first`` says."""
    heads = ("frequency, Hz", "Q", "height, ohm", "rings out, ms", "cause", "sure")
    rows = []
    for finding, seconds in in_order(report)[:first]:
        resonance = finding.resonance
        rows.append(
            (
                value_text(resonance.frequency_hz, finding.frequency_std_hz),
                value_text(resonance.q, finding.q_std),
                value_text(resonance.height_ohm, finding.height_std_ohm),
                ringing_text(seconds),
                finding.cause,
                sure_text(finding),
            )
        )
    return Table(heads, tuple(rows))


def finding_text(finding: Finding) -> Iterator[str]:
    """Evidence and advice of one finding, a line each."""
    yield f"{finding.resonance.frequency_hz:.4g} Hz, {finding.cause}"
    for sentence in finding.evidence:
        yield f"  - {sentence}"
    yield f"  advice: {finding.advice}"


def motional_text(report: FindingsReport) -> str:
    """The peak or peaks of driver and box in words."""
    if not report.fit.motional:
        return "no motional peak found"
    peaks = " and ".join(
        f"{value_text(peak.frequency_hz, report.peak_std_hz(peak))} Hz ({peak.height_ohm:.3g} ohm)"
        for peak in report.fit.motional
    )
    return f"{'resonance' if len(report.fit.motional) == 1 else 'two resonances, as a port makes them,'} at {peaks}"


def changes_table(comparison: Comparison, changes: Sequence[Change] | None = None) -> Table:
    """One row a resonance of either state: of all changes by frequency, or of some of them in the order given."""
    heads = ("frequency, Hz", "before, ohm", "after, ohm", "verdict", "told", "seen from, ohm", "cause")
    rows = []
    for change in comparison.changes if changes is None else changes:
        named = change.before or change.after
        rows.append(
            (
                f"{change.frequency_hz:.4g}",
                _height(change.before),
                _height(change.after),
                change.verdict_words,
                told_text(change.significance),
                limit_text(change),
                _NONE if named is None else named.cause,
            )
        )
    return Table(heads, tuple(rows))


def limit_text(change: Change) -> str:
    """What could be seen where a resonance is missing; beside one that is seen it would say nothing."""
    if change.before is not None and change.after is not None:
        return _NONE
    return short_number(change.detection_limit_ohm)


def _height(finding: Finding | None) -> str:
    if finding is None:
        return _NONE
    return value_text(finding.resonance.height_ohm, finding.height_std_ohm)


def ridges_table(findings: Sequence[Finding], ridges: Sequence[Ridge], with_causes: bool = True) -> Table:
    """One row a resonance with its ridge; its frequency and cause are those of the findings."""
    rows = []
    for finding, ridge in zip(findings, ridges, strict=True):
        rows.append(
            (
                value_text(finding.resonance.frequency_hz, finding.frequency_std_hz),
                *((finding.cause,) if with_causes else ()),
                value_text(1e3 * ridge.decay_time_s, 1e3 * ridge.decay_time_std_s)
                if ridge.decay_time_s is not None and ridge.decay_time_std_s is not None
                else _NONE,
                value_text(ridge.slope_db_per_s, ridge.slope_std_db_per_s)
                if ridge.slope_db_per_s is not None and ridge.slope_std_db_per_s is not None
                else _NONE,
                ridge.reason,
            )
        )
    cause_head = ("cause",) if with_causes else ()
    return Table(("frequency, Hz", *cause_head, "60 dB down after, ms", "dB per second", "why not"), tuple(rows))


def curve_text(take: TakeInfo, curve: ImpedanceCurve) -> str:
    """A curve in one sentence: band, points, lowest impedance."""
    magnitude = np.abs(curve.impedance_ohm)
    lowest = int(np.argmin(magnitude))
    # The short-circuit standard, corrected by itself, is 0 ohm.
    relative = np.sqrt(curve.noise_variance_ohm2) / np.maximum(magnitude, np.finfo(float).tiny)
    return (
        f"take {take.number}, {take.address}: {curve.frequency_hz.size} points from {curve.frequency_hz[0]:.4g} to "
        f"{curve.frequency_hz[-1]:.5g} Hz; lowest impedance {magnitude[lowest]:.4g} ohm at "
        f"{curve.frequency_hz[lowest]:.4g} Hz; noise {percent_text(float(np.median(relative)))} (median)"
    )
