"""Which results are shown: orders views to be computed beside the window, and drops what is no longer wanted."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from PyQt5.QtCore import QObject, pyqtSignal

from stillbox.analysis.controls import Asked
from stillbox.capture.errors import StillboxError
from stillbox.gui.parts.words import SUBJECT_WORDS
from stillbox.gui.results.results_panel import ResultsPanel
from stillbox.gui.results.view import Results, View
from stillbox.gui.work.garbage import keep_what_is_loaded
from stillbox.gui.work.session import Session
from stillbox.gui.work.work import Failure, Lane

if TYPE_CHECKING:
    from stillbox.capture.recording.take import TakeInfo

WORKING = "Working it out …"
DRAWN_S = 0.5
"""So long at most what follows waits for the picture of what is there: two threads of Python hinder each other."""
_LOOK_S = 0.02


def _loaded_views() -> list[View]:
    """The views with all that they need, warmed up so that the first result comes as quickly as the next."""
    import stillbox.capture.live.live_take  # noqa: F401
    from stillbox.gui.views.all_views import ALL_VIEWS

    keep_what_is_loaded()
    return list(ALL_VIEWS)


def why_not_together(takes: Sequence[TakeInfo]) -> str:
    """Why takes that are selected together are not compared."""
    other = next((take for take in takes if take.subject != "in-box"), takes[-1])
    what = SUBJECT_WORDS[other.subject][0].lower()
    return (
        f"These takes are not compared: take {other.number} is of {other.subject} ({what}), and only two takes of a "
        "speaker in its box are compared. Select one alone to see it."
    )


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
        self._measured: Results | None = None
        self._session: Session | None = None
        self.takes: list[TakeInfo] = []
        self._wanted = 0
        self._troubled = False
        self._drawn = threading.Event()
        panel.pane.drawn.connect(self._drawn.set)
        self._waiting: tuple[Session, list[TakeInfo], str | None] | None = None
        panel.controls.asked_changed.connect(self.change)
        panel.desk.asked_changed.connect(self.change)

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
        """Show takes in a view of that name; without a name in the one that is shown, or in the first that fits."""
        if not self.views:
            self._wanted += 1
            self._waiting = (session, takes, key)
            return
        fitting = [view for view in self.views if view.fits(takes)]
        named = next((view for view in self.views if view.key == key), None)
        if named is not None and named not in fitting:
            self._troubled = True
            sentence = f"{named.title} needs {named.needs}: select it on the left, or sweep it first."
            fault = StillboxError(f"{named.title} needs {named.needs}", "select it on the left, or sweep it first")
            self._panel.show_view(self.view)
            self.failed.emit(Failure(sentence, fault))
            return
        self._wanted += 1
        view = named or (self.view if self.view in fitting else fitting[0] if fitting else None)
        if view is None:
            self.clear()
            if takes:
                self._panel.show_nothing(why_not_together(takes))
            return
        wanted, same = self._wanted, view is self.view and takes == self.takes
        self.takes, self._session = takes, session
        self._measured = None  # the fields are those of what was shown: until the new is there they change nothing
        if not same:
            self._panel.sentence.setText(WORKING)
        self._work(view, lambda: view.compute(session.bench(), takes), lambda failure: self._fail(wanted, failure))

    def change(self, asked: Asked) -> None:
        """Show the same takes with what the person has changed."""
        view, measured, session = self.view, self._measured, self._session
        if view is None or measured is None or session is None:
            return
        self._wanted += 1
        wanted = self._wanted
        self._work(
            view,
            lambda: view.change(session.bench(), measured, asked),
            lambda failure: self._fail_change(wanted, failure),
        )

    def _work(self, view: View, begin: Callable[[], Iterator[Results]], failed: Callable[[Failure], None]) -> None:
        """Take results from a view in the lane; as soon as they are not wanted any more, what computes them stops."""
        wanted = self._wanted

        def work() -> Results | None:
            results = None
            for results in begin():
                if wanted != self._wanted:
                    return None
                if not results.complete:
                    self._drawn.clear()
                    self._lane.tell(lambda results=results: self._take(wanted, view, results))  # type: ignore[misc]
                    if not results.passing:
                        self._let_it_be_drawn(wanted)
            return results

        self._lane.order(
            work,
            lambda results: self._take(wanted, view, results),
            failed,
            topic="reading",
            unwanted=lambda: wanted != self._wanted,
        )

    def _let_it_be_drawn(self, wanted: int) -> None:
        """Within the lane: wait for the picture of what was told last."""
        end_s = time.monotonic() + DRAWN_S
        while wanted == self._wanted and time.monotonic() < end_s and not self._drawn.wait(_LOOK_S):
            pass

    def clear(self) -> None:
        """Show nothing."""
        self._wanted += 1
        self.view = self.results = self._measured = None
        self.takes = []
        self._panel.show_nothing()
        self.shown.emit(None)

    def _take(self, wanted: int, view: View, results: Results | None) -> None:
        if wanted != self._wanted or results is None:
            return
        self.view, self.results = view, results
        if not results.asked:
            self._measured = results if results.complete else None
        if self._troubled:
            self._panel.clear_trouble()
            self._troubled = False
        self._panel.show_results(view, results)
        self.shown.emit(results)

    def _fail(self, wanted: int, failure: Failure) -> None:
        if wanted != self._wanted:
            return
        self.view = self.results = self._measured = None
        self._troubled = True
        self._panel.show_nothing("This take cannot be read yet.")
        self.failed.emit(failure)

    def _fail_change(self, wanted: int, failure: Failure) -> None:
        """What cannot be: it is said, and what was shown stays."""
        if wanted == self._wanted:
            self._troubled = True
            self.failed.emit(failure)
