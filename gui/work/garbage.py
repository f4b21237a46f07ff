"""Garbage collection between events instead of whenever it happens to be due.

A full collection stops all threads, the window's too, for as long as it looks through everything; and one that is due
in a worker would delete parts of the window outside their thread. So Python's own collection is off while a window
lives; a timer of the window collects what is new and has piled up, little at a time, and looks through all only when
nothing has been going on for a moment. What was loaded for good is left out.
"""

from __future__ import annotations

import gc

from PyQt5.QtCore import QObject, QTimer

COLLECT_MS = 300
WORTH_WHILE = 4_000
"""New objects from which on a collection is worth its few milliseconds."""
AT_REST = 500
"""New objects between two looks up to which nothing is going on."""
_NEW = 1
"""The generation of objects that have not outlived a collection of this or the next younger one."""


class GarbageTimer(QObject):
    """Takes collection over from Python until ``end``."""

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self._was_on = gc.isenabled()
        gc.disable()
        self._timer = QTimer(self)
        self._timer.setInterval(COLLECT_MS)
        self._timer.timeout.connect(self._collect)
        self._before = 0
        self._old_knots = False
        self._timer.start()

    def end(self) -> None:
        """Give it back."""
        self._timer.stop()
        gc.unfreeze()
        if self._was_on:
            gc.enable()


    def _collect(self) -> None:
        new = gc.get_count()[0]
        if new > WORTH_WHILE:
            gc.collect(_NEW)
            self._old_knots = True  # perhaps: what was in use outlives this, and may be dropped later
        elif self._old_knots and abs(new - self._before) < AT_REST:
            gc.collect()
            self._old_knots = False
        self._before = gc.get_count()[0]


def keep_what_is_loaded() -> None:
    """Leave what is there now out of all collections: modules stay, and there are many."""
    gc.freeze()
