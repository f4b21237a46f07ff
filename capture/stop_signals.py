"""Ctrl-C, a request to end, a terminal that goes away: one way for all three, and no file left half written.

Python turns Ctrl-C alone into an exception, wherever it is. Within ``stop_signals`` all signals that ask for an end
raise Stopped; where that would do harm they are kept back (``kept_back``) or answered otherwise (``answered_by``): a
sound fades out first.
"""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
"""Those of them that the system has."""

GRACE_S = 3.0
"""So long a further signal is taken for the same: terminals send several when they close."""

STATUS_OF_SIGNALS = 128


class Stopped(KeyboardInterrupt):
    """A signal asked for the end."""


class StopSignals:
    """What has come, and what becomes of it.

    Attributes
    ----------
    number : int or None
        The first signal that came.
    """

    def __init__(self) -> None:
        self.number: int | None = None
        self.kept_back = 0
        self.answers: list[Callable[[], object]] = []
        self._came_s = 0.0

    @property
    def status(self) -> int | None:
        """Exit status that says which signal came; None where none did."""
        return None if self.number is None else STATUS_OF_SIGNALS + self.number

    def handle(self, number: int, _: FrameType | None) -> None:
        """The handler of all of them."""
        again = self.number is not None
        if again and time.monotonic() - self._came_s < GRACE_S:
            return
        self.number = self.number or number
        self._came_s = time.monotonic()
        if self.answers and not again:
            self.answers[-1]()
        elif not self.kept_back:
            raise Stopped

    def release(self) -> None:
        """Raise what was kept back."""
        if self.number is not None and not self.kept_back and not self.answers:
            raise Stopped


_active: StopSignals | None = None


@contextmanager
def stop_signals() -> Iterator[StopSignals]:
    """Take all signals that ask for an end; those that were to be ignored (nohup) stay so.

    They reach the main thread alone: in another one nothing changes.
    """
    global _active
    signals, before = StopSignals(), {}
    for name in NAMES if threading.current_thread() is threading.main_thread() else ():
        known = getattr(signal, name, None)
        if known is not None and signal.getsignal(known) not in (signal.SIG_IGN, None):
            before[known] = signal.signal(known, signals.handle)
    outer, _active = _active, signals
    try:
        yield signals
    finally:
        _active = outer
        for known, handler in before.items():
            signal.signal(known, handler)


def _of_this_thread() -> StopSignals | None:
    return _active if threading.current_thread() is threading.main_thread() else None


@contextmanager
def kept_back() -> Iterator[None]:
    """Do what is within to its end first: a file that is to be whole."""
    signals = _of_this_thread()
    if signals is None:
        yield
        return
    signals.kept_back += 1
    try:
        yield
    finally:
        signals.kept_back -= 1
    signals.release()


@contextmanager
def answered_by(answer: Callable[[], object]) -> Iterator[None]:
    """Let a signal call ``answer`` instead; whoever asked for the answer ends by it. A second one, later, raises."""
    signals = _of_this_thread()
    if signals is None:
        yield
        return
    signals.answers.append(answer)
    try:
        yield
    finally:
        signals.answers.pop()
