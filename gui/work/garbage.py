"""Garbage collection between events instead of whenever it happens to be due.

A full collection stops all threads, the window's too, for as long as it looks through everything; and one that is due
in a worker would delete parts of the window outside their thread. So Python's own collection is off while a window
lives; a timer of the window collects what has piled up, little at a time, and what was loaded for good is left out.
"""

from __future__ import annotations

import gc

from PyQt5.QtCore import QObject, QTimer

COLLECT_MS = 300
WORTH_WHILE = 4_000
"""New objects from which on a collection is worth its few milliseconds."""


class GarbageTimer(QObject):
    """Takes collection over from Python until ``end``."""

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self._was_on = gc.isenabled()
        gc.disable()
        self._timer = QTimer(self)
        self._timer.setInterval(COLLECT_MS)
        self._timer.timeout.connect(_collect)
        self._timer.start()

    def end(self) -> None:
        """Give it back."""
        self._timer.stop()
        gc.unfreeze()
        if self._was_on:
            gc.enable()


def keep_what_is_loaded() -> None:
    """Leave what is there now out of all collections: modules stay, and there are many."""
    gc.freeze()


def _collect() -> None:
    if gc.get_count()[0] > WORTH_WHILE:
        gc.collect()
