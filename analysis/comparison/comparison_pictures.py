"""Two states over each other, and what differs between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from stillbox.analysis.bench import Bench
from stillbox.analysis.decay.decay_of_take import decay_of_take
from stillbox.analysis.drawing.pictures import (
    PicturedState,
)
from stillbox.analysis.watched_build import told_apart
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo


def pictured(bench: Bench, take: TakeInfo, decay: bool = True, span_s: float | None = None) -> PicturedState:
    """What the pictures show of an in-box take; ``span_s`` as for `decay_of_take`."""
    return PicturedState(
        name=take.state or take.address,
        curve=bench.curve(take),
        findings=bench.findings_of(take),
        decay=decay_of_take(bench, take, span_s=span_s) if decay else None,
    )


def pictured_together(bench: Bench, takes: Sequence[TakeInfo]) -> list[PicturedState]:
    """One take or two with their decays over one time axis, if all have one, under names that tell them apart."""
    try:
        span_s = max(bench.decay(take).suggested_span_s for take in takes)
        states = [pictured(bench, take, span_s=span_s) for take in takes]
    except StillboxError:  # the report says why beside the findings
        states = [pictured(bench, take, decay=False) for take in takes]
    if len(takes) == 1:
        return states
    return [replace(state, name=name) for state, name in zip(states, told_apart(*takes), strict=True)]
