"""What numbers of a result mean, in a word or two, the same in tables, report and window."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stillbox.analysis.impedance.findings import Finding
from stillbox.analysis.ringing.ringing import GOOD_ENOUGH_S

NONE = "–"
TOLD = 3.0
BEYOND_DOUBT = 10.0
"""Times its uncertainty by which a change counts, and by which no number need be read any more."""
_SUREST = 0.99
"""Probability above which nothing is said more exactly: the model of causes is no better (common practice, no
source)."""
TOLD_MEANING = (
    f"told: by how many times its uncertainty a resonance changed; from {TOLD:g} on a change can be told, from "
    f"{BEYOND_DOUBT:g} on it is beyond doubt"
)
RINGING_MEANING = (
    "rings out: for how long a resonance stands above the impedance around it (to 60 dB below that) and above its "
    f"neighbours; up to {1000 * GOOD_ENOUGH_S:.0f} ms is good enough"
)


def told_text(significance: float) -> str:
    """Whether a change can be told, from the change over its uncertainty."""
    if not np.isfinite(significance):
        return NONE
    times = abs(significance)
    return "beyond doubt" if times >= BEYOND_DOUBT else f"{times:.1f} times"


def sure_text(finding: Finding) -> str:
    """How probable the cause is; nothing where it is not decided or not weighed: there is nothing to be sure of."""
    if finding.cause == "undecided" or not finding.is_weighed:
        return NONE
    return share_text(finding.confidence)


def share_text(probability: float) -> str:
    """A probability in percent; nothing is surer than above 99 %."""
    percent, surest = round(100 * probability), round(100 * _SUREST)
    return f"above {surest} %" if percent > surest else f"{percent} %"


def ringing_text(seconds: float) -> str:
    """Milliseconds for which a resonance rings out; nothing where it never stands out."""
    return f"{1000 * seconds:.0f}" if seconds > 0 else NONE


def named_warnings(names: Sequence[str], warnings: Sequence[Sequence[str]]) -> list[str]:
    """Warnings of one take or two with the take's name before them; what holds for both is said once, for both."""
    both = set(warnings[0]) & set(warnings[1]) if len(warnings) > 1 else set()
    return [
        f"{' and '.join(names) if text in both else name}: {text}"
        for index, name in enumerate(names)
        for text in warnings[index]
        if index == 0 or text not in both
    ]
