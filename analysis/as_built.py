"""A build whose speakers are read through other crossovers than its netlists: those that their takes tell of."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from typing import TypeVar

from stillbox.analysis.bench import Bench
from stillbox.analysis.through_crossover import BuiltCrossover
from stillbox.capture.recording.take import TakeInfo

Value = TypeVar("Value")

THE_SAME = frozenset({"ratio", "spectrum at the clips", "fit at the clips", "wrong part"})
"""What the crossover that is told of a speaker has no part in."""


class BenchAsBuilt(Bench):
    """A bench with what was built in place of what was planned; it shares the memory of that which it is made from.

    Parameters
    ----------
    plan : Bench
    built : mapping of int to BuiltCrossover
        By the number of a take of a finished speaker.
    """

    def __init__(self, plan: Bench, built: Mapping[int, BuiltCrossover]) -> None:
        vars(self).update({name: value for name, value in vars(plan).items() if name != "ungated"})
        self.plan = plan
        self._built = tuple(sorted(built.items(), key=lambda one: one[0]))

    def as_built(self, take: TakeInfo) -> BuiltCrossover | None:
        """What stands for the netlist of a take, where that is not what was built."""
        return dict(self._built).get(take.number)

    def kept(self, what: str, key: Hashable, compute: Callable[[], Value], *made_from: object) -> Value:
        """As of any bench, beside what that made of the plan."""
        return super().kept(what, self._apart(what, key), compute, *made_from)

    def knows(self, what: str, key: Hashable, *made_from: object) -> bool:
        """Whether `kept` has its answer already."""
        return super().knows(what, self._apart(what, key), *made_from)

    def _apart(self, what: str, key: Hashable) -> Hashable:
        """Takes of anything but a speaker are read as ever."""
        if what in THE_SAME or (isinstance(key, TakeInfo) and key.subject != "in-box"):
            return key
        return key, self._built
