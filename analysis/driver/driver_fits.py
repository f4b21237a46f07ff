"""Fits of drivers of a bench, each made once."""

from __future__ import annotations

from weakref import WeakKeyDictionary

from stillbox.analysis.bench import Bench
from stillbox.analysis.driver.driver_report import DriverReport, driver_of_take
from stillbox.capture.recording.take import TakeInfo

_KNOWN: WeakKeyDictionary[Bench, dict[int, DriverReport]] = WeakKeyDictionary()
"""What is kept must not lead back to the bench: it would keep it for good."""


def fitted_driver(bench: Bench, take: TakeInfo) -> DriverReport:
    """Of a free-air take; forgotten with its bench."""
    known = _KNOWN.setdefault(bench, {})
    if take.number not in known:
        known[take.number] = driver_of_take(bench, take)
    return known[take.number]
