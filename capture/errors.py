"""The one error that people are meant to read."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pydantic import ValidationError

from stillbox.capture.shown_text import visible


class StillboxError(Exception):
    """A fault that the person can mend: says what is wrong, with which value, and the remedy.

    The command line prints it as one line on stderr and exits with 2; the window shows it as a sentence. What cannot
    be shown in a line (line ends, other control characters, halves of characters in names) is escaped.
    """

    def __init__(self, sentence: str) -> None:
        super().__init__(visible(sentence))


def describe_validation_error(error: ValidationError) -> str:
    """First fault of a pydantic error as one phrase: field, value received, what is allowed."""
    first = error.errors()[0]
    field = ".".join(str(part) for part in first["loc"]) or "value"
    received = _shown(first.get("input"))
    fault = first["msg"].removeprefix("Value error, ")
    return f"{field}: {fault[:1].lower()}{fault[1:]} (received {received})"


def _shown(value: object) -> str:
    """A value as a person wrote it, cut short."""
    try:
        shown = repr(value)
    except (RecursionError, ValueError):  # nested too deeply, or an integer of thousands of digits
        return "something too long to show"
    return shown if len(shown) <= 60 else shown[:57] + "..."
