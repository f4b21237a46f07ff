"""Which of a speaker's drivers is the one in the box, where several were swept."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from stillbox.capture.recording.take import TakeInfo


def driver_in_box(
    free_air: Sequence[TakeInfo], told: str | None, resonance_hz: Callable[[TakeInfo], float | None]
) -> str | None:
    """Name of the driver in the box; None where takes without a name, or of one name alone, leave no choice.

    Parameters
    ----------
    free_air : sequence of TakeInfo
        All takes in free air of a unit.
    told : str or None
        The name that a person has given: it counts where there are takes of that name.
    resonance_hz : callable
        From a take to the driver's resonance, None where it has none. The lowest is a woofer's.
    """
    newest = {take.of: take for take in free_air}
    if len(newest) < 2 or "" in newest:
        return None
    if told in newest:
        return told
    return min(newest, key=lambda name: resonance_hz(newest[name]) or math.inf)
