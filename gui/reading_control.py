"""Which results are shown: orders views to be computed beside the window, and drops what is no longer wanted."""

from __future__ import annotations

import gc
from typing import TYPE_CHECKING

from PyQt5.QtCore import QObject, pyqtSignal

from gui.results_panel import ResultsPanel
from gui.session import Session
from gui.view import Results, View, all_views
from gui.work import Failure, Lane

if TYPE_CHECKING:
    from capture.take import TakeInfo

WORKING = "Working it out …"


def _loaded_views() -> list[View]:
    """The views with all that they need, warmed up so that the first result comes as quickly as the next."""
    views = all_views()
    import capture.live_take  # noqa: F401

    # What has been loaded stays: without this each full collection looks through all of it, and the window waits.
    gc.freeze()
    return views


class ReadingControl(QObject):
    """From a selection of takes to what the right half shows."""

    shown = pyqtSignal(object)
    failed = pyqtSignal(object)

    def __init__(self, panel: ResultsPanel, lane: Lane, parent: QObject) -> None:
        super().__init__(parent)
        self._panel, self._lane = panel, lane
        self.views: list[View] = []
        self.view: View | None = None
        self.results: Results | None = None
        self.takes: list[TakeInfo] = []
        self._wanted = 0
        self._troubled = False
        self._waiting: tuple[Session, list[TakeInfo], str | None] | None = None

    def load_views(self) -> None:
        """Import what computes and draws; it takes a moment, so the window stands before."""
        self._lane.order(_loaded_views, self._take_views, self.failed.emit)

    def _take_views(self, views: list[View]) -> None:
        self.views = views
        self._panel.set_views(views)
        if self._waiting is not None:
            waiting, self._waiting = self._waiting, None
            self.show(*waiting)

    def show(self, session: Session, takes: list[TakeInfo], key: str | None = None) -> None:
        """Show takes in a view of that name, or in the first that fits."""
        self._wanted += 1
        if not self.views:
            self._waiting = (session, takes, key)
            return
        fitting = [view for view in self.views if view.fits(takes)]
        view = next((view for view in fitting if view.key == key), fitting[0] if fitting else None)
        if view is None:
            self.clear()
            return
        wanted, same = self._wanted, view is self.view and takes == self.takes
        self.takes = takes
        if not same:
            self._panel.sentence.setText(WORKING)

        def compute() -> Results | None:
            results = None
            for results in view.compute(session.bench(), takes):
                if wanted != self._wanted:
                    return None
                if not results.complete:
                    self._lane.tell(lambda results=results: self._take(wanted, view, results))  # type: ignore[misc]
            return results

        self._lane.order(
            compute,
            lambda results: self._take(wanted, view, results),
            lambda failure: self._fail(wanted, failure),
            topic="reading",
        )

    def clear(self) -> None:
        """Show nothing."""
        self._wanted += 1
        self.view = self.results = None
        self.takes = []
        self._panel.show_nothing()
        self.shown.emit(None)

    def _take(self, wanted: int, view: View, results: Results | None) -> None:
        if wanted != self._wanted or results is None:
            return
        self.view, self.results = view, results
        if self._troubled:
            self._panel.clear_trouble()
            self._troubled = False
        self._panel.show_results(view, results)
        self.shown.emit(results)

    def _fail(self, wanted: int, failure: Failure) -> None:
        if wanted != self._wanted:
            return
        self.view = self.results = None
        self._troubled = True
        self._panel.show_nothing("This take cannot be read yet.")
        self.failed.emit(failure)
