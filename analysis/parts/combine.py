"""One value out of several parts: up to three of one kind in series, in parallel or both.

What adds up (resistors and coils in series, capacitors in parallel) is called a sum here, the other way round a
bundle: one over the sum of one over each. Three parts can be a sum, a bundle, a bundle of a sum and one more, or a sum
of a bundle and one more. All pairs are made once and sorted; for each third part the pair that it needs is looked up.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stillbox.analysis.maths.quantity import Quantity
from stillbox.analysis.parts.drawer import DrawerPart
from stillbox.analysis.parts.kinds import Kind
from stillbox.analysis.parts.part_codes import value_words
from stillbox.capture.arrays import FloatArray
from stillbox.capture.errors import StillboxError

MOST_PARTS = 3
MOST_RESULTS = 200
SAME_ERROR = 1e-9
"""Relative errors that differ by less are the same, and the cheaper or simpler way comes first."""

_SUM, _BUNDLE = 0, 1


@dataclass(frozen=True)
class Combination:
    """Parts that together make a value.

    Attributes
    ----------
    kind : str
        Of the parts.
    parts : tuple of DrawerPart
        One, two or three; of three, the first two belong together where ``inner`` and ``outer`` differ.
    inner, outer : int
        How the first two are joined, and how the third comes to them: 0 for a sum, 1 for a bundle.
    target : float
        What was wanted; F, H or ohm.
    """

    kind: Kind
    parts: tuple[DrawerPart, ...]
    inner: int
    outer: int
    target: float

    @property
    def value(self) -> float:
        """F, H or ohm."""
        return self._joined([part.value for part in self.parts])

    @property
    def error(self) -> float:
        """How far it is off, as a part of the target."""
        return self.value / self.target - 1

    @property
    def worst_percent(self) -> float | None:
        """How far all parts at the same end of their tolerance take its value; None where one is not told."""
        tolerances = self._tolerances()
        if tolerances is None:
            return None
        ends = [
            self._joined([part.value * (1 + sign * one) for part, one in zip(self.parts, tolerances, strict=True)])
            for sign in (-1, 1)
        ]
        return 100 * max(abs(end / self.value - 1) for end in ends)

    @property
    def likely_percent(self) -> float | None:
        """Half width of the interval that holds 95 % of such combinations, values even within their tolerances."""
        tolerances = self._tolerances()
        if tolerances is None:
            return None
        stds = [weight * one / math.sqrt(3) for weight, one in zip(self._weights(), tolerances, strict=True)]
        return 100 * Quantity(1.0, math.hypot(*stds), tolerance_std=max(stds)).half_width_95

    @property
    def price(self) -> float | None:
        """Of all parts; None where one has none."""
        prices = [part.price for part in self.parts]
        return math.fsum(price for price in prices if price is not None) if None not in prices else None

    def text(self) -> str:
        """How the parts are joined, + for series and || for parallel: (4.7 µF || 6.8 µF) + 22 µF."""
        words = [value_words(part.value, self.kind) for part in self.parts]
        signs = (" || ", " + ") if self.kind == "capacitor" else (" + ", " || ")
        if len(words) < MOST_PARTS or self.inner == self.outer:
            return signs[self.inner].join(words)
        return f"({words[0]}{signs[self.inner]}{words[1]}){signs[self.outer]}{words[2]}"

    def _joined(self, values: Sequence[float]) -> float:
        first, *others = values
        for value, way in zip(others, (self.inner, self.outer), strict=False):
            first = first + value if way == _SUM else 1 / (1 / first + 1 / value)
        return first

    def _tolerances(self) -> list[float] | None:
        told = [part.tolerance_percent for part in self.parts]
        return None if None in told else [one / 100 for one in told if one is not None]

    def _weights(self) -> list[float]:
        """How much of a relative change of each part gets into the whole; they add up to 1."""
        values = [part.value for part in self.parts]
        weights = [1.0]
        whole = values[0]
        for value, way in zip(values[1:], (self.inner, self.outer), strict=False):
            share = value / (whole + value) if way == _SUM else whole / (whole + value)
            weights = [*(weight * (1 - share) for weight in weights), share]
            whole = whole + value if way == _SUM else whole * value / (whole + value)
        return weights


def combinations(
    target: float, kind: Kind, drawer: Iterable[DrawerPart], most_parts: int = MOST_PARTS, results: int = 10
) -> list[Combination]:
    """The combinations of parts that come nearest to a value, the nearest first.

    Parameters
    ----------
    target : float
        F, H or ohm, above 0.
    kind : str
        capacitor, coil or resistor: decides what adds up.
    drawer : iterable of DrawerPart
        What there is; no part is used more often than it is there.
    most_parts : int
        1 to 3.
    results : int
        How many are wanted, 1 to 200.

    Raises
    ------
    StillboxError
        If a number is out of its range.
    """
    if not 1 <= most_parts <= MOST_PARTS:
        raise StillboxError(f"combinations of {most_parts} parts are not made", f"ask for 1 to {MOST_PARTS} parts")
    if not 1 <= results <= MOST_RESULTS:
        raise StillboxError(f"{results} combinations are asked for", f"ask for 1 to {MOST_RESULTS}")
    sorts = _sorts(drawer)
    found = [Combination(kind, (sort.part,), _SUM, _SUM, target) for sort in sorts]
    if most_parts > 1:
        pairs = [_Pairs.of(sorts, way) for way in (_SUM, _BUNDLE)]
        found += [one for pair in pairs for one in pair.nearest(target, kind, sorts, results)]
        if most_parts > 2:
            for pair, outer in itertools.product(pairs, (_SUM, _BUNDLE)):
                found += _triples(target, kind, sorts, pair, outer, results)
    distinct = {_key(one): one for one in found}
    ranked = sorted(distinct.values(), key=_rank)[:results]
    return [replace(one, parts=tuple(_named(one.parts, sorts))) for one in ranked]


@dataclass(frozen=True)
class _Sort:
    """Parts that differ in nothing but their names."""

    part: DrawerPart
    count: float
    names: tuple[tuple[str, float], ...]


def _sorts(drawer: Iterable[DrawerPart]) -> list[_Sort]:
    """The parts of a drawer that are alike put together, names left out and kept aside."""
    names: dict[DrawerPart, list[tuple[str, float]]] = {}
    for part in drawer:
        if part.count != 0:
            count = math.inf if part.count is None else part.count
            names.setdefault(replace(part, count=None, name=""), []).append((part.name, count))
    return [_Sort(part, sum(count for _, count in told), tuple(told)) for part, told in names.items()]


def _named(parts: Sequence[DrawerPart], sorts: Sequence[_Sort]) -> Iterator[DrawerPart]:
    """The parts with names, none used more often than it is there."""
    names = {sort.part: sort.names for sort in sorts}
    used: Counter[tuple[DrawerPart, str]] = Counter()
    for part in parts:
        name = next(name for name, count in names[part] if used[part, name] < count)
        used[part, name] += 1
        yield replace(part, name=name)


@dataclass(frozen=True)
class _Pairs:
    """All pairs that there are parts for, joined one way, by rising value."""

    way: int
    values: FloatArray
    first: NDArray[np.intp]
    second: NDArray[np.intp]

    @classmethod
    def of(cls, sorts: Sequence[_Sort], way: int) -> _Pairs:
        one, other = np.triu_indices(len(sorts))
        counts = np.array([sort.count for sort in sorts])
        there = (one != other) | (counts[one] >= 2)
        one, other = one[there], other[there]
        values = np.array([sort.part.value for sort in sorts])
        a, b = values[one], values[other]
        joined = a + b if way == _SUM else 1 / (1 / a + 1 / b)
        order = np.argsort(joined)
        return cls(way, joined[order], one[order], other[order])

    def nearest(self, target: float, kind: Kind, sorts: Sequence[_Sort], results: int) -> list[Combination]:
        best = np.argsort(np.abs(self.values / target - 1), kind="stable")[:results]
        return [
            Combination(
                kind, _in_order(sorts[one[at]].part for one in (self.first, self.second)), self.way, self.way, target
            )
            for at in best
        ]


def _triples(
    target: float, kind: Kind, sorts: Sequence[_Sort], pairs: _Pairs, outer: int, results: int
) -> list[Combination]:
    """The nearest of a pair and a third part.

    The farther a pair is from the one that is needed, the larger the error on its side. Pairs that use up the third
    part's own kind are no more than there are sorts, so that so many neighbours on each side are enough.
    """
    if not pairs.values.size:
        return []
    values = np.array([sort.part.value for sort in sorts])
    counts = np.array([sort.count for sort in sorts])
    with np.errstate(divide="ignore"):
        needed = target - values if outer == _SUM else 1 / (1 / target - 1 / values)
    able = needed > 0 if outer == _SUM else values > target
    # Where no pair would do, the nearest is the smallest (of a sum) or the largest (of a bundle).
    needed = np.where(able, needed, 0.0 if outer == _SUM else np.inf)
    reach = min(results + len(sorts) + 1, pairs.values.size)
    around = np.searchsorted(pairs.values, needed)[:, None] + np.arange(-reach, reach)
    third, pair = np.nonzero((around >= 0) & (around < pairs.values.size))
    pair = around[third, pair]
    used = 1 + (pairs.first[pair] == third) + (pairs.second[pair] == third)
    there = used <= counts[third]
    third, pair = third[there], pair[there]
    together = pairs.values[pair]
    joined = together + values[third] if outer == _SUM else 1 / (1 / together + 1 / values[third])
    # The same three parts are found up to three times over.
    best = np.argsort(np.abs(joined / target - 1), kind="stable")[: 3 * results]
    found = []
    for one in best:
        two = _in_order(sorts[at].part for at in (pairs.first[pair[one]], pairs.second[pair[one]]))
        parts = (*two, sorts[third[one]].part)
        found.append(Combination(kind, parts if pairs.way != outer else _in_order(parts), pairs.way, outer, target))
    return found


def _key(one: Combination) -> tuple[object, ...]:
    """The same for combinations of the same parts, in whatever order."""
    return one.inner, one.outer, one.parts


def _in_order(parts: Iterable[DrawerPart]) -> tuple[DrawerPart, ...]:
    """The largest first."""
    return tuple(sorted(parts, key=lambda part: (-part.value, part.tolerance_percent or 0.0, part.price or 0.0)))


def _rank(one: Combination) -> tuple[float, ...]:
    """By error, then by number of parts, price and tolerance."""
    price, worst = one.price, one.worst_percent
    return (
        round(abs(one.error) / SAME_ERROR),
        len(one.parts),
        math.inf if price is None else price,
        math.inf if worst is None else worst,
        *(part.value for part in one.parts),
    )
