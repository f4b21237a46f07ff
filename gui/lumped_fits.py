"""Fits of drivers and boxes of a bench, each made once: a change of the box then costs no fit. No Qt here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar
from weakref import WeakKeyDictionary

from analysis.driver_and_box import BoxReport, DriverReport, box_of_take, driver_of_take
from capture.errors import StillboxError
from gui.words import take_words

if TYPE_CHECKING:
    from analysis.bench import Bench
    from capture.take import TakeInfo

Report = TypeVar("Report")


@dataclass(frozen=True)
class LumpedFits:
    """By number of take."""

    bench: Bench
    drivers: dict[int, DriverReport]
    boxes: dict[int, BoxReport]

    def driver(self, take: TakeInfo) -> DriverReport:
        """Of a free-air take."""
        if take.number not in self.drivers:
            self.drivers[take.number] = _fitted(take, lambda: driver_of_take(self.bench, take))
        return self.drivers[take.number]

    def box(self, take: TakeInfo, free_air: TakeInfo) -> BoxReport:
        """Of an in-box take; all boxes lean on the same driver."""
        if take.number not in self.boxes:
            driver = self.driver(free_air)
            self.boxes[take.number] = _fitted(take, lambda: box_of_take(self.bench, take, driver))
        return self.boxes[take.number]


_KNOWN: WeakKeyDictionary[Bench, tuple[dict[int, DriverReport], dict[int, BoxReport]]] = WeakKeyDictionary()
"""What is kept must not lead back to the bench: it would keep it for good."""


def lumped_fits(bench: Bench) -> LumpedFits:
    """Those of a bench; forgotten with it, for another bench may stand for another calibration or description."""
    drivers, boxes = _KNOWN.setdefault(bench, ({}, {}))
    return LumpedFits(bench, drivers, boxes)


def _fitted(take: TakeInfo, fit: Callable[[], Report]) -> Report:
    """A fit that breaks down says of which take."""
    try:
        return fit()
    except (ValueError, ArithmeticError) as error:
        raise StillboxError(
            f"no driver or box can be fitted to {take_words(take)} ({error}); is it of what its subject says? "
            "Sweep it again, at a higher level"
        ) from error
