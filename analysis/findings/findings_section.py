"""What the report says of the findings of a state, and how it was measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from stillbox.analysis.bench import Bench
from stillbox.analysis.decay.decay_of_take import ridges_of
from stillbox.analysis.findings.findings_words import terminals_text
from stillbox.analysis.impedance.detection import typical_limit
from stillbox.analysis.impedance.findings import Finding, FindingsReport
from stillbox.analysis.maths.number_words import counted, short_number
from stillbox.analysis.maths.quantity import value_text
from stillbox.analysis.ringing.result_words import (
    NONE,
    RINGING_MEANING,
    ringing_text,
    sure_text,
)
from stillbox.analysis.ringing.ringing import FIRST, in_order
from stillbox.analysis.section import Fact, Section
from stillbox.analysis.watched_build import told_apart
from stillbox.analysis.waterfall.ridges import Ridge
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo


@dataclass(frozen=True)
class StateFindings:
    """One state: its findings, and how it was measured.

    ``ridges`` belong to the findings in their order, or are empty where no decay was computed; ``decay_notes`` say
    where its band ends and why.
    """

    name: str
    take: str
    findings: FindingsReport
    facts: tuple[Fact, ...] = ()
    ridges: tuple[Ridge, ...] = ()
    decay_notes: tuple[str, ...] = ()


def state_findings(bench: Bench, take: TakeInfo, name: str) -> StateFindings:
    """Of one in-box take, under a name that tells it from another."""
    ridges: tuple[Ridge, ...] = ()
    try:
        ridges, notes = ridges_of(bench, take)
    except StillboxError as error:
        notes = (f"no decay: {error}",)
    return StateFindings(
        name=name,
        take=f"take {take.number}, {take.address}, {take.created.astimezone():%Y-%m-%d %H:%M}",
        findings=bench.findings_of(take),
        facts=_take_facts(bench, take),
        ridges=ridges,
        decay_notes=notes,
    )


def _take_facts(bench: Bench, take: TakeInfo) -> tuple[Fact, ...]:
    ratio, excitation = bench.ratio(take), take.excitation
    hum = "none seen"
    if ratio.hum_hz is not None and ratio.hum_dbfs is not None:
        hum = f"{ratio.hum_hz:.2f} Hz at {ratio.hum_dbfs:.0f} dBFS, taken out"
    return (
        (
            "Sweep",
            f"{excitation.low_hz:g} to {excitation.high_hz:g} Hz, {excitation.seconds:g} s, "
            f"{counted(len(take.sweep_starts), 'time')}, {excitation.level_dbfs:.1f} dBFS, "
            f"{excitation.sample_rate_hz} Hz",
        ),
        ("Noise of the channels", " and ".join(f"{level:.0f} dBFS" for level in ratio.noise_dbfs)),
        ("Mains hum", hum),
        ("Resolution", f"{bench.spectrum(take).resolution_hz:.2g} Hz"),
        *(("At the terminals", text) for text in [terminals_text(bench.findings_of(take))] if text),
    )


def names_of(takes: Sequence[TakeInfo]) -> Sequence[str]:
    """Names of one take, or of two that tell them apart."""
    return told_apart(*takes) if len(takes) == 2 else [take.state or take.address for take in takes]


def findings_section(state: StateFindings) -> Section:
    """The findings of one state, those that ring out longest first."""
    return Section(
        f"Findings, {state.name}", warnings=tuple(state.findings.warnings), kind="findings", content=_rows(state)
    )


def _rows(state: StateFindings) -> dict[str, Any]:
    ridges: tuple[Ridge | None, ...] = state.ridges or (None,) * len(state.findings.findings)
    limit = state.findings.detection_limit
    ridge_of = {id(finding): ridge for finding, ridge in zip(state.findings.findings, ridges, strict=True)}
    rows = [
        _finding_row(
            finding, ridge_of[id(finding)], typical_limit(limit, finding.resonance.frequency_hz, finding.resonance.q)
        )
        | {"rings": ringing_text(seconds)}
        for finding, seconds in in_order(state.findings)
    ]
    return {
        "take": state.take,
        "facts": state.facts,
        "decay_notes": state.decay_notes,
        "ringing": RINGING_MEANING,
        "limit": f"as sharp there, seen with a probability of 95 %, false-alarm rate {limit.false_alarm_rate:.2g}",
        "first": rows[:FIRST],
        "rest": rows[FIRST:],
    }


def _finding_row(finding: Finding, ridge: Ridge | None, limit_ohm: float) -> dict[str, Any]:
    resonance = finding.resonance
    return {
        "place": f"{resonance.frequency_hz:.4g}",
        "frequency": value_text(resonance.frequency_hz, finding.frequency_std_hz),
        "q": value_text(resonance.q, finding.q_std),
        "height": value_text(resonance.height_ohm, finding.height_std_ohm),
        "limit": short_number(limit_ohm),
        "cause": finding.cause,
        "confidence": sure_text(finding),
        "decay": _decay_text(ridge),
        "decay_reason": "" if ridge is None else ridge.reason,
        "evidence": finding.evidence,
        "advice": finding.advice,
    }


def _decay_text(ridge: Ridge | None) -> str:
    if ridge is None or ridge.decay_time_s is None or ridge.decay_time_std_s is None:
        return NONE
    return value_text(1e3 * ridge.decay_time_s, 1e3 * ridge.decay_time_std_s)
