"""Which of a speaker's drivers is the one in the box, where several were swept."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence

from stillbox.capture.recording.take import TakeInfo

NAMELESS = "-"
"""Stands for takes without a name, see `capture.recording.take.fitting_takes`."""


def driver_in_box(
    free_air: Sequence[TakeInfo],
    told: str | None,
    others: Collection[str],
    resonance_hz: Callable[[TakeInfo], float | None],
) -> str | None:
    """Name of the driver in the box; None where no take has a name, `NAMELESS` where only takes without can be of it.

    Parameters
    ----------
    free_air : sequence of TakeInfo
        All takes in free air of a unit.
    told : str or None
        The name that a person has given.
    others : collection of str
        Drivers that are known not to be the one in the box.
    resonance_hz : callable
        From a take to the driver's resonance, None where it has none. The lowest is a woofer's.
    """
    newest = {take.of: take for take in free_air}
    if told is not None and told in newest:
        return told
    names = [name for name in newest if name]
    if not names:
        return None
    if told is not None or "" in newest:
        return NAMELESS
    mine = [name for name in names if name not in others]
    if len(mine) < 2:
        return mine[0] if mine else NAMELESS
    return min(mine, key=lambda name: resonance_hz(newest[name]) or math.inf)
