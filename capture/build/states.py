"""Names of stages of the work: what they may be, which comes next, and which take stands for one."""

from __future__ import annotations

import re
from collections.abc import Iterable

from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import NAME_PATTERN, TakeInfo, fitting_takes

USUAL_STATES = ("stock", "lined", "final")
"""What the window proposes, one after the other; a person's own names are as good."""


def check_name(name: str, what: str = "a state") -> None:
    """StillboxError where ``name`` cannot name a state or a unit.

    A state may not be digits alone, for those are the number of a take wherever a state is asked for.
    """
    if not re.fullmatch(NAME_PATTERN, name):
        raise StillboxError(
            f"'{name[:60]}' cannot name {what}", "use letters, digits, space and ._+-, at most 40 characters"
        )
    if what == "a state" and name.isdigit():
        raise StillboxError(
            f"'{name}' cannot name a state: digits alone are the number of a take",
            f"write a word with it, as 'step {name}'",
        )


def next_state(takes: Iterable[TakeInfo], unit: str) -> str:
    """A name for the next take of a unit in its box: one under which there is none yet."""
    used = {take.state for take in takes if take.subject == "in-box" and take.unit == unit}
    numbered = (f"step {number}" for number in range(len(USUAL_STATES) + 1, len(USUAL_STATES) + len(used) + 2))
    return next(name for name in (*USUAL_STATES, *numbered) if name not in used)


def stood_before(takes: Iterable[TakeInfo], info: TakeInfo) -> TakeInfo | None:
    """The take of the same state of which ``info`` takes the place; None where it is the first, or not in the box."""
    same = [
        take
        for take in fitting_takes(takes, info.subject, info.state or "-", info.unit, of=info.of or "-")
        if take.number < info.number and take.state == info.state and take.subject == "in-box"
    ]
    return same[-1] if same else None


def standing_sentence(takes: Iterable[TakeInfo], info: TakeInfo, rename: str = "stillbox takes BUILD --rename") -> str:
    """Said where a new take stands for a state that had one already; empty where it is the first.

    ``rename`` is how a take is given another state.
    """
    earlier = stood_before(takes, info)
    if earlier is None:
        return ""
    return (
        f"take {info.number} stands for '{info.state}' of unit {info.unit} from now on, no longer take "
        f"{earlier.number}; if the box is not as it was, give it a state of its own ({rename} {info.number} NAME)"
    )
