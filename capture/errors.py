"""The one error that people are meant to read."""

from __future__ import annotations

from pydantic import ValidationError


class StillboxError(Exception):
    """A fault that the person can mend: says what is wrong, with which value, and the remedy.

    The command line prints it as one line on stderr and exits with 2; the window shows it as a sentence.
    """


def describe_validation_error(error: ValidationError) -> str:
    """First fault of a pydantic error as one phrase: field, value received, what is allowed."""
    first = error.errors()[0]
    field = ".".join(str(part) for part in first["loc"]) or "value"
    received = repr(first.get("input"))
    if len(received) > 60:
        received = received[:57] + "..."
    fault = first["msg"].removeprefix("Value error, ")
    return f"{field}: {fault[:1].lower()}{fault[1:]} (received {received})"
