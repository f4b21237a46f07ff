"""Resonances as lines of the list. No Qt here."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stillbox.analysis.impedance.detection import typical_limit
from stillbox.analysis.maths.quantity import value_text
from stillbox.analysis.ringing.result_words import NONE, sure_text
from stillbox.gui.parts.words import frequency_words, ohm_words
from stillbox.gui.results.view import Row

if TYPE_CHECKING:
    from stillbox.analysis.impedance.findings import DetectionLimit, Finding


def finding_row(finding: Finding, rings_s: float, limit: DetectionLimit) -> Row:
    """One resonance as a line of the list."""
    sure = sure_text(finding)
    return _row(finding, limit, "" if sure == NONE else f"{sure} sure", rings_s)


def driver_row(finding: Finding, limit: DetectionLimit) -> Row:
    """A resonance of a driver in free air."""
    return _row(finding, limit, "")


def _row(finding: Finding, limit: DetectionLimit, sure: str, rings_s: float = 0.0) -> Row:
    resonance, cause = finding.resonance, finding.cause
    rings = [f"{1000 * rings_s:.0f} ms"] if rings_s > 0 else []
    numbers = [*rings, f"Q {resonance.q:.3g}", ohm_words(resonance.height_ohm)]
    values = [
        value_text(resonance.frequency_hz, finding.frequency_std_hz, "Hz"),
        f"Q {value_text(resonance.q, finding.q_std)}",
        f"height {value_text(resonance.height_ohm, finding.height_std_ohm, 'Ω')}",
        *(f"rings out of its surroundings for {text}" for text in rings),
        *([f"{cause}: {sure}"] if sure else []),
    ]
    seen_from = ohm_words(typical_limit(limit, resonance.frequency_hz, resonance.q))
    return Row(
        frequency_hz=resonance.frequency_hz,
        cause=cause,
        head=f"{frequency_words(resonance.frequency_hz)} {cause}",
        numbers=", ".join(numbers),
        values=tuple(values),
        details=(*finding.evidence, f"seen from {seen_from} on hereabouts"),
        advice=finding.advice,
    )
