"""What a check says: verdict, items, suspects. Plain data."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from stillbox.capture.recording.take import TakeInfo

CheckVerdict = Literal["good", "look", "stop"]
CheckFault = Literal[
    "open", "short", "intermittent", "wrong part", "driver not connected", "other driver", "leak", "port blocked",
    "no stuffing", "new resonance", "rub", "loose part",
]  # fmt: skip
VERDICTS: tuple[CheckVerdict, ...] = ("good", "look", "stop")
"""The better first."""


def worst(verdicts: Iterable[CheckVerdict]) -> CheckVerdict:
    """The gravest of some."""
    return max(verdicts, key=VERDICTS.index, default="good")


@dataclass(frozen=True)
class Item:
    """One thing that was looked at.

    Attributes
    ----------
    measured, expected, low, high : float or None
        In ``value_unit``; between low and high it is good; None where there is no such number.
    limit_from : str
        Where the limits come from.
    remedy : str
        What to do; empty where it is good.
    """

    name: str
    verdict: CheckVerdict
    measured: float | None
    expected: float | None
    low: float | None
    high: float | None
    value_unit: str
    limit_from: str
    remedy: str = ""


@dataclass(frozen=True)
class CheckSuspect:
    """A fault that may be behind it.

    Attributes
    ----------
    part, part_fault : str or None
        Of a wrong part, in the words of ``crossover``; ``part`` also names a driver.
    value : float or None
        F, H or ohm as it seems to be; Hz of a resonance or a place.
    words : str
        As a clause: C1 is shorted.
    other : str
        Part that it is exchanged with.
    """

    kind: CheckFault
    part: str | None
    part_fault: str | None
    value: float | None
    probability: float
    evidence: tuple[str, ...]
    words: str
    remedy: str = ""
    other: str = ""

    @property
    def parts(self) -> frozenset[str]:
        """Names of all that would be wrong."""
        return frozenset({self.part or "", self.other} - {""})


@dataclass(frozen=True)
class CheckReport:
    """A check of one take.

    Attributes
    ----------
    against : str
        What it was set against, in words.
    sentence : str
        The verdict in one sentence.
    suspects : tuple of CheckSuspect
        The likeliest first; the first ``explaining`` of them together explain what was seen.
    not_checked : tuple of str
        What the terminals cannot tell, each with the measurement that would.
    """

    build: str
    take: TakeInfo
    against: str
    verdict: CheckVerdict
    sentence: str
    items: tuple[Item, ...]
    suspects: tuple[CheckSuspect, ...]
    not_checked: tuple[str, ...]
    warnings: tuple[str, ...]
