"""A load sets the ohm, so it reads its marked value whatever that is: only another resistor proves it."""

from __future__ import annotations

from collections.abc import Sequence

from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo

SAME_VALUE = 0.02
"""Marked values nearer to each other than this, relatively, may be those of one resistor."""


def no_proof(load: TakeInfo) -> StillboxError:
    """What a take of a load says, and what it cannot say."""
    value = "" if load.load_ohm is None else f" of {load.load_ohm:g} ohm"
    return StillboxError(
        f"the load{value} (take {load.number}) sets the ohm, so it reads its marked value whatever it is and proves "
        "nothing",
        "sweep another resistor that you know, of another value, as check-resistor",
    )


def proof_of_load(load: TakeInfo, checks: Sequence[TakeInfo]) -> list[str]:
    """What is lacking of the proof that the load's value is right; empty where a check resistor gives it."""
    if not checks:
        return [str(no_proof(load))]
    marked = [check.load_ohm for check in checks if check.load_ohm is not None]
    if load.load_ohm is None or any(abs(value / load.load_ohm - 1) > SAME_VALUE for value in marked):
        return []
    return [
        f"the check resistor is marked as the load is, {load.load_ohm:g} ohm: if it is the same one, it proves only "
        "that it reads the same twice; check with one of another value"
    ]
