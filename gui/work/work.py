"""Work beside the window: threads that compute, and results that come back to the thread of the window.

A ``Lane`` is one thread that does one job after another. What a job returns, says or raises arrives as a call in the
window's thread; a failure always arrives, as a sentence, with the traceback in the log. What nobody waits for any more
is stopped, and nothing arrives of it.
"""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from PyQt5.QtCore import QObject, Qt, pyqtSignal

from stillbox.analysis.maths.stopping import NoLongerWanted, stopping_when
from stillbox.capture.errors import StillboxError, describe_program_fault
from stillbox.capture.shown_text import as_sentence

LOG = logging.getLogger("stillbox")

Job = Callable[[], Any]


@dataclass(frozen=True)
class Failure:
    """Why a job has no result, as a sentence."""

    sentence: str
    error: BaseException


class _Bridge(QObject):
    """Carries calls into the thread that made it."""

    call = pyqtSignal(object)

    def __init__(self) -> None:
        super().__init__()
        self.call.connect(_run, Qt.QueuedConnection)  # type: ignore[call-arg]  # which the stubs do not know


def _run(function: Callable[[], None]) -> None:
    function()


@dataclass
class _Order:
    job: Job
    done: Callable[[Any], None]
    failed: Callable[[Failure], None]
    topic: str
    unwanted: Callable[[], bool] | None


class Lane:
    """One worker thread.

    A job of a topic that is ordered while another of the same topic still waits takes its place: of many redraws only
    the last is done.
    """

    def __init__(self, name: str) -> None:
        self._bridge = _Bridge()
        self._orders: queue.SimpleQueue[_Order | None] = queue.SimpleQueue()
        self._newest: dict[str, _Order] = {}
        self._pending = 0
        self._ended = False
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)
        self._thread.start()

    @property
    def busy(self) -> bool:
        """Whether something is being done or waits, or its result is on the way to the window."""
        return self._pending > 0

    def order(
        self,
        job: Job,
        done: Callable[[Any], None],
        failed: Callable[[Failure], None],
        topic: str = "",
        unwanted: Callable[[], bool] | None = None,
    ) -> None:
        """Do ``job`` in the lane, then call ``done`` in the window's thread; ``failed`` if either goes wrong.

        As soon as ``unwanted`` says so, or the lane is to end, what computes in such a job stops, and neither is
        called. A job without it is always done to its end: it may write a file.
        """
        order = _Order(job, done, failed, topic, unwanted)
        if topic:
            self._newest[topic] = order
        self._pending += 1
        self._orders.put(order)

    def tell(self, function: Callable[[], None]) -> None:
        """From within a job: call something in the window's thread."""
        if not self._ended:
            self._bridge.call.emit(function)

    def end(self, patience_s: float = 5.0) -> bool:
        """Let the running job end, drop the rest; False if it did not end in time."""
        self._ended = True
        self._orders.put(None)
        self._thread.join(patience_s)
        return not self._thread.is_alive()

    def _work(self) -> None:
        while (order := self._orders.get()) is not None and not self._ended:
            if order.topic and self._newest.get(order.topic) is not order:
                self.tell(self._finished)
                continue
            try:
                result = self._done(order)
            except NoLongerWanted:
                self.tell(self._finished)
            except BaseException as error:  # whatever it is: the lane lives on, and the window hears of it
                failure = failure_of(error)
                self.tell(lambda order=order, failure=failure: self._deliver(order.failed, failure))  # type: ignore[misc]
            else:
                self.tell(lambda order=order, result=result: self._hand_over(order, result))  # type: ignore[misc]

    def _done(self, order: _Order) -> Any:
        unwanted = order.unwanted
        if unwanted is None:
            return order.job()
        with stopping_when(lambda: self._ended or unwanted()):
            return order.job()

    def _finished(self) -> None:
        self._pending -= 1

    def _hand_over(self, order: _Order, result: Any) -> None:
        """What goes wrong with a result in the window is a failure of its order too: nobody waits for ever."""
        try:
            self._deliver(order.done, result)
        except Exception as error:
            order.failed(failure_of(error))

    def _deliver(self, function: Callable[[Any], None], value: Any) -> None:
        self._pending -= 1
        if not self._ended:
            function(value)


def failure_of(error: BaseException) -> Failure:
    """The failure that an error makes, with the traceback in the log where it is a fault of ours."""
    expected = isinstance(error, StillboxError)
    LOG.log(
        logging.INFO if expected else logging.ERROR,
        "%s: %s",
        threading.current_thread().name,
        error,
        exc_info=None if expected else error,
    )
    return Failure(sentence_of_error(error), error)


def sentence_of_error(error: BaseException) -> str:
    """The error as a person should read it: never a traceback."""
    if isinstance(error, StillboxError):
        return as_sentence(str(error))
    if isinstance(error, OSError):
        return f"{error.filename or 'The system'}: {error.strerror or error}; check the path and the rights there."
    return (
        f"{as_sentence(describe_program_fault(error))} Nothing recorded is lost; the log in the help menu says where "
        "it happened."
    )
