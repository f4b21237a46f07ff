"""What can be taken back, as steps of Qt's undo stack; the disk is written in a lane, the window follows."""

from __future__ import annotations

from collections.abc import Callable

from PyQt5.QtWidgets import QUndoCommand

Change = Callable[[], None]
Apply = Callable[[Change], None]


class Step(QUndoCommand):
    """A change and its reverse.

    Parameters
    ----------
    words : str
        For the menu: "Undo <words>".
    forward, backward : callable
        Work on the disk; run in a lane by ``apply``.
    """

    def __init__(self, words: str, forward: Change, backward: Change, apply: Apply) -> None:
        super().__init__(words)
        self._forward, self._backward, self._apply = forward, backward, apply

    def redo(self) -> None:
        self._apply(self._forward)

    def undo(self) -> None:
        self._apply(self._backward)


class DraftStep(QUndoCommand):
    """A change of what somebody writes in the window; nothing is on the disk yet.

    Parameters
    ----------
    words : str
    before, after : object
    show : callable
        Shows the one or the other.
    """

    def __init__(self, words: str, before: object, after: object, show: Callable[[object], None]) -> None:
        super().__init__(words)
        self._before, self._after, self._show = before, after, show

    def redo(self) -> None:
        self._show(self._after)

    def undo(self) -> None:
        self._show(self._before)
