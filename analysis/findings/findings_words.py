"""What rings, as tables and in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from stillbox.analysis.impedance.findings import Finding, FindingsReport
from stillbox.analysis.maths.number_words import frequency_words, short_number
from stillbox.analysis.maths.quantity import value_text
from stillbox.analysis.maths.table import Table
from stillbox.analysis.ringing.result_words import (
    ringing_text,
    sure_text,
)
from stillbox.analysis.ringing.ringing import in_order


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
    if not finding.is_weighed:
        yield "  - how probable that is was not weighed against other causes"
    yield f"  advice: {finding.advice}"


def terminals_text(report: FindingsReport) -> str:
    """Bumps of the crossover in a line; empty where there is none, or nothing is seen through."""
    if not report.at_terminals:
        return ""
    listed = ", ".join(
        f"{frequency_words(one.resonance.frequency_hz)} (Q {one.resonance.q:.2g}, "
        f"{short_number(one.resonance.height_ohm)} ohm)"
        for one in report.at_terminals
    )
    return f"of the crossover, at the speaker's terminals only: {listed}"


def motional_text(report: FindingsReport) -> str:
    """The peak or peaks of driver and box in words."""
    if not report.fit.motional:
        return "no motional peak found"
    peaks = " and ".join(
        f"{value_text(peak.frequency_hz, report.peak_std_hz(peak))} Hz ({peak.height_ohm:.3g} ohm)"
        for peak in report.fit.motional
    )
    return f"{'resonance' if len(report.fit.motional) == 1 else 'two resonances, as a port makes them,'} at {peaks}"
