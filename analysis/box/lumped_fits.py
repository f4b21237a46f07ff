"""Fits of drivers and boxes of a bench, each made once: a change of the box then costs no fit."""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

from stillbox.analysis.bench import Bench
from stillbox.analysis.box.box_report import BoxReport, box_of_take
from stillbox.analysis.driver.driver_fits import fitted_driver
from stillbox.analysis.driver.driver_report import DriverReport
from stillbox.capture.recording.take import TakeInfo


@dataclass(frozen=True)
class LumpedFits:
    """Boxes by number of take."""

    bench: Bench
    boxes: dict[int, BoxReport]

    def driver(self, take: TakeInfo) -> DriverReport:
        """Of a free-air take."""
        return fitted_driver(self.bench, take)

    def box(self, take: TakeInfo, free_air: TakeInfo) -> BoxReport:
        """Of an in-box take; all boxes lean on the same driver."""
        if take.number not in self.boxes:
            self.boxes[take.number] = box_of_take(self.bench, take, self.driver(free_air))
        return self.boxes[take.number]


_KNOWN: WeakKeyDictionary[Bench, dict[int, BoxReport]] = WeakKeyDictionary()
"""What is kept must not lead back to the bench: it would keep it for good."""


def lumped_fits(bench: Bench) -> LumpedFits:
    """Those of a bench; forgotten with it, for another bench may stand for another calibration or description."""
    return LumpedFits(bench, _KNOWN.setdefault(bench, {}))
