"""The decay of a take on the grids on which it is drawn, followed and written."""

from __future__ import annotations

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.watched_build import nameless
from stillbox.analysis.waterfall.decay import CumulativeDecay
from stillbox.analysis.waterfall.decay_response import decay_on_log_grid
from stillbox.analysis.waterfall.ridges import Ridge, find_ridges, follow_ridges
from stillbox.capture.recording.take import TakeInfo

TABLE_SLICES = 60
"""Slices of a decay written as a table."""
CYCLES = np.linspace(0.0, 30.0, 91)
"""Time axis of decays drawn in cycles of each frequency."""


def decay_of_take(bench: Bench, take: TakeInfo, cycles: bool = False, span_s: float | None = None) -> CumulativeDecay:
    """Decay on the logarithmic grid on which pictures are drawn; ``span_s`` where takes must share one time axis."""
    return bench.kept(
        "decay on grid",
        (nameless(take), cycles, span_s),
        lambda: decay_on_log_grid(bench.decay(take), cycles=CYCLES if cycles else None, span_s=span_s),
    )


def ridges_of(bench: Bench, take: TakeInfo) -> tuple[tuple[Ridge, ...], tuple[str, ...]]:
    """The ridge of each resonance of a take, and notes: where the band ends, ridges that no resonance explains."""
    response, resonances = bench.decay(take), bench.fit(take).resonances
    decay = decay_of_take(bench, take)
    unexplained = [
        f"a ridge at {ridge.frequency_hz:.4g} Hz belongs to no resonance found"
        for ridge in find_ridges(decay)
        if all(abs(ridge.frequency_hz - one.frequency_hz) > one.frequency_hz / one.q for one in resonances)
    ]
    return follow_ridges(decay, resonances), (*response.reasons, *unexplained)
