"""The errors that people are meant to read: a fault and its remedy."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pydantic import ValidationError

from stillbox.capture.shown_text import visible


class StillboxError(Exception):
    """A fault that the person can mend.

    The command line prints both parts as one line on stderr and exits with 2; the window shows them as a sentence.
    What cannot be shown in a line (line ends, other control characters, halves of characters in names) is escaped.
    Nothing may steer by the words: what somebody has to tell apart is a class of its own.

    Parameters
    ----------
    fault : str
        What is wrong, with which value.
    remedy : str
        What to do about it; empty only where there is nothing to do.
    """

    def __init__(self, fault: str, remedy: str) -> None:
        self.fault, self.remedy = visible(fault), visible(remedy)
        super().__init__(self.fault, self.remedy)

    def __str__(self) -> str:
        return "; ".join(filter(None, (self.fault, self.remedy)))


def describe_program_fault(error: BaseException) -> str:
    """What is said of an error that no person can mend: it is ours, and whoever mends it needs its name."""
    return f"something went wrong inside Stillbox ({type(error).__name__}: {error})"


def describe_validation_error(error: ValidationError) -> str:
    """First fault of a pydantic error as one phrase: field, value received, what is allowed."""
    first = error.errors()[0]
    field = ".".join(str(part) for part in first["loc"]) or "value"
    received = _shown(first.get("input"))
    # What a check of ours has raised stands there as it is; pydantic puts words of its own before it.
    said = str(first["ctx"]["error"]) if first["type"] == "value_error" else first["msg"]
    return f"{field}: {said[:1].lower()}{said[1:]} (received {received})"


def _shown(value: object) -> str:
    """A value as a person wrote it, cut short."""
    try:
        shown = repr(value)
    except (RecursionError, ValueError):  # nested too deeply, or an integer of thousands of digits
        return "something too long to show"
    return shown if len(shown) <= 60 else shown[:57] + "..."
