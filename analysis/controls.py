"""What a person may change in a reading: declared once, for options, fields, limits and help alike.

Nothing slow is loaded here: the command line shows these before it computes anything.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from stillbox.capture.errors import StillboxError


@dataclass(frozen=True)
class Number:
    """A number that the person may change.

    Attributes
    ----------
    key : str
        Under which a topic is asked for it.
    words : str
        Before the field of the window; & marks the letter that leads to it.
    unit : str
        Behind the number.
    low, high, step : float
    begin : float or None
        What it is as measured; None where that is no number: the field then shows ``without``.
    decimals : int
    tip : str
        What it is, in the window and in the help of the option.
    option : str
        Its name on the command line.
    without : str
    """

    key: str
    words: str
    unit: str
    low: float
    high: float
    step: float
    begin: float | None = None
    decimals: int = 0
    tip: str = ""
    option: str = ""
    without: str = "not known"

    @property
    def shown(self) -> float | None:
        """``begin`` with the digits of the field."""
        return None if self.begin is None else round(min(max(self.begin, self.low), self.high), self.decimals)

    def checked(self, value: float | None) -> float | None:
        """The value itself.

        Raises
        ------
        StillboxError
            Where it is not within ``low`` and ``high``.
        """
        if value is not None and not self.low <= value <= self.high:
            raise StillboxError(f"{self.option} {value:g} must be {self.low:g} to {self.high:g}", "correct it")
        return value


@dataclass(frozen=True)
class Choice:
    """One of several, as ``options`` of (value, words); the first is how it begins."""

    key: str
    words: str
    options: tuple[tuple[str, str], ...]
    tip: str = ""


Control = Number | Choice
Asked = Mapping[str, Any]
"""What is asked of a topic: which take, state or unit, and values of controls by their keys; what is left out is as it
began."""
