"""What rings, for other programs."""

from __future__ import annotations

from typing import Any

from stillbox.analysis.impedance.findings import Finding, FindingsReport
from stillbox.analysis.ringing.ringing import good_enough, ringing_of
from stillbox.analysis.ringing.summary import (
    summary_of_findings,
)


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
        "confidence": float(finding.confidence) if finding.is_weighed else None,
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
        "of": report.of,
        "summary": summary_of_findings(report),
        "good_enough": bool(good_enough(report)),
        "findings": [
            {**finding_document(finding), "rings_out_s": float(seconds)}
            for finding, seconds in zip(report.findings, ringing_of(report), strict=True)
        ],
        "at_terminals": [finding_document(finding) for finding in report.at_terminals],
        "detection_limit": {
            "frequency_hz": [float(value) for value in limit.frequency_hz],
            "height_ohm": [float(value) for value in limit.height_ohm],
        },
        "warnings": list(report.warnings),
    }
