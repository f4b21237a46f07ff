"""What a fit tells of its numbers beside their values: why an uncertainty is missing, what lies at a bound.

And which numbers hang together. A number has its name in the JSON document; of a loss it is 1/Q.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Literal

import numpy as np

from stillbox.analysis.lumped.fit_end import FitEnd
from stillbox.analysis.maths.quantity import jacobian
from stillbox.capture.arrays import FloatArray

FAR = 0.5
"""Standard deviations that a fit still has to go from which on it has not come to its end: an uncertainty that holds
them too is 12 % larger."""
KEPT = 0.9
"""Standard deviation over that beforehand from which on the data have told nothing."""
STRONG = 0.9
"""Correlation from which on two numbers can hardly be told apart: each alone is known 2.3 times better where the other
is known."""
MOST_PAIRS = 5

Reason = Literal["", "left out", "at a bound", "singular", "known beforehand"]
"""Why there is no uncertainty from the take; empty where there is one."""

WORDS: dict[str, str] = {
    "left out": "left out, as the take is followed as well without",
    "singular": "not to be told from others at all, by the take or by what was known beforehand",
    "known beforehand": "not told by this take, so what was known beforehand stands, with its uncertainty",
}
"""Reasons in words; that of a bound has a number in it."""


@dataclass(frozen=True)
class Sought:
    """A number that a report is to tell of.

    Attributes
    ----------
    name : str
        In the JSON document.
    short : str
        In sentences: "alpha", "1/QA".
    index : int or None
        The parameter that it hangs on, None for more than one.
    value : callable
        From the parameters to the number.
    """

    name: str
    short: str
    index: int | None
    value: Callable[[FloatArray], float]


@dataclass(frozen=True)
class FittedNumber:
    """A number of a fit: value, standard uncertainty (None: ``reason`` says why), at which bound it lies.

    ``off``: how far the best lies from where the fit has stopped, in standard uncertainties.
    """

    name: str
    short: str
    value: float
    std: float | None
    reason: Reason
    bound: Literal["least", "most"] | None
    off: float = 0.0


@dataclass(frozen=True)
class Correlated:
    """Two numbers that hang together, and the coefficient of correlation, from -1 to 1."""

    names: tuple[str, str]
    shorts: tuple[str, str]
    coefficient: float

    def sentence(self, remedy: str) -> str:
        """In words; ``remedy`` is what would part them, empty where nothing is known to."""
        one, other = self.shorts
        told = f"{one} and {other} can hardly be told apart here (correlation {abs(self.coefficient):.2f})"
        return f"{told}: {remedy} would part them" if remedy else told


@dataclass(frozen=True)
class FitReport:
    """All that a fit tells of its numbers.

    Attributes
    ----------
    numbers : tuple of FittedNumber
    correlations : tuple of Correlated
        The strongest first, `STRONG` at least, `MOST_PAIRS` at most.
    """

    numbers: tuple[FittedNumber, ...]
    correlations: tuple[Correlated, ...]

    @property
    def converged(self) -> bool:
        """Whether no number is `FAR` from the best."""
        return all(one.off <= FAR for one in self.numbers)

    def lines(self, remedies: Mapping[frozenset[str], str]) -> Iterator[str]:
        """What is to be known of it, in sentences; ``remedies``: what parts two numbers, by their names."""
        if not self.converged:
            far = ", ".join(f"{one.short} {one.off:.1f}" for one in self.numbers if one.off > FAR)
            yield (
                "the fit has stopped before its end; so many times their uncertainty, which does not hold it, the best "
                f"lies off: {far}"
            )
        for one in self.numbers:
            if one.bound is not None:
                other = {"least": "less", "most": "more"}[one.bound]
                yield (
                    f"{one.short} is at the {one.bound} that it can be, {one.value:.3g}: the take asks for {other}, so "
                    "there is no uncertainty to tell"
                )
        for reason, words in WORDS.items():
            shorts = [one.short for one in self.numbers if one.reason == reason]
            if shorts:
                yield f"{words}: {', '.join(shorts)}"
        for pair in self.correlations:
            yield pair.sentence(remedies.get(frozenset(pair.names), ""))
        if not self.correlations:
            yield f"no two of its numbers are hard to tell apart (no correlation of {STRONG:g} or more)"

    def document(self, remedies: Mapping[frozenset[str], str]) -> dict[str, Any]:
        """The same for other programs."""
        return {
            "converged": self.converged,
            "numbers": [
                {
                    "name": one.name,
                    "value": one.value,
                    "std": one.std,
                    "reason": one.reason or None,
                    "bound": one.bound,
                    "off_std": one.off,
                }
                for one in self.numbers
            ],
            "correlations": [
                {"names": list(pair.names), "coefficient": pair.coefficient} for pair in self.correlations
            ],
            "sentences": list(self.lines(remedies)),
        }


def fit_report(
    sought: Sequence[Sought],
    parameters: FloatArray,
    covariance: FloatArray,
    end: FitEnd,
    by_definition: Collection[frozenset[str]] = (),
) -> FitReport:
    """Report on a fit.

    Parameters
    ----------
    sought : sequence of Sought
    parameters, covariance : ndarray, shape (k,) and (k, k)
        Of the fit. Where ``end`` says that one has no uncertainty, what the covariance has of it does not count.
    end : FitEnd
    by_definition : collection of frozenset of str
        Names of pairs that hang together because the one enters the other: nothing to tell.
    """
    values = np.array([one.value(parameters) for one in sought])
    slopes = np.concatenate(
        [jacobian(lambda x, one=one: np.array([one.value(x)]), parameters) for one in sought]  # type: ignore[misc]
    )
    spread = slopes @ covariance @ slopes.T
    stds = np.sqrt(np.maximum(np.diag(spread), 0.0))
    off = np.abs(slopes @ end.step) / np.where(stds > 0, stds, np.inf)
    reasons = [_reason(one.index, end) for one in sought]
    numbers = tuple(
        FittedNumber(
            one.name,
            one.short,
            float(value),
            None if reason in ("left out", "at a bound", "singular") else float(std),
            reason,
            _bound(one.index, end),
            0.0 if reason in ("left out", "at a bound", "singular") else float(far),
        )
        for one, value, std, reason, far in zip(sought, values, stds, reasons, off, strict=True)
    )
    told = [place for place, number in enumerate(numbers) if number.std]
    pairs = [
        Correlated(
            (sought[one].name, sought[other].name),
            (sought[one].short, sought[other].short),
            float(spread[one, other] / (stds[one] * stds[other])),
        )
        for one, other in combinations(told, 2)
        if {sought[one].name, sought[other].name} not in by_definition
    ]
    strong = sorted(
        (pair for pair in pairs if abs(pair.coefficient) >= STRONG), key=lambda pair: -abs(pair.coefficient)
    )
    return FitReport(numbers, tuple(strong[:MOST_PAIRS]))


def _reason(index: int | None, end: FitEnd) -> Reason:
    if index is None:
        return ""
    if not end.moved[index]:
        return "left out"
    if end.at_limit[index]:
        return "at a bound"
    if end.unseen[index]:
        return "singular"
    return "known beforehand" if end.kept[index] >= KEPT else ""


def _bound(index: int | None, end: FitEnd) -> Literal["least", "most"] | None:
    if index is None or not end.moved[index] or not end.at_limit[index]:
        return None
    return "least" if end.at_limit[index] < 0 else "most"
