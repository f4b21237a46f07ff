"""One live take from the press of the button to the list: cautions, output, check, sweep, stop."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from PyQt5.QtCore import QObject, QTimer, pyqtSignal
from PyQt5.QtWidgets import QWidget

from stillbox.capture.practice.practice_rig import RIG_NAME
from stillbox.capture.sound.audio_device import AudioDevice, RecordingStopped, StreamState
from stillbox.gui.bench.bench_panel import MARKED, BenchPanel
from stillbox.gui.bench.gate_steps import NOTHING_PLAYED, GateSteps, Ways
from stillbox.gui.work.session import Session, record
from stillbox.gui.work.work import Failure, Lane

if TYPE_CHECKING:
    from stillbox.capture.live.live_take import LiveRequest
    from stillbox.capture.recording.take import TakeInfo

METER_MS = 33
STOP_PATIENCE_S = 15.0
"""A stop takes a fade; a lock that is waited for, or a device that does not answer, some seconds."""


class SweepControl(QObject):
    """Runs sweeps in its own lane and keeps the bench panel informed."""

    taken = pyqtSignal(object)
    trouble = pyqtSignal(str)
    began = pyqtSignal()

    def __init__(self, panel: BenchPanel, lane: Lane, window: QWidget) -> None:
        super().__init__(window)
        self._panel, self._lane, self._window = panel, lane, window
        self._stream: StreamState | None = None
        self._timer = QTimer(self)
        self._timer.setInterval(METER_MS)
        self._timer.timeout.connect(self._watch)
        self._device: tuple[str, bool, AudioDevice] | None = None
        self._gate = GateSteps(window, lane, self._cautions)
        self._asking = False
        self._stop_asked_s: float | None = None

    @property
    def running(self) -> bool:
        """Whether something sounds, or the person is being asked before it."""
        return self._stream is not None or self._asking

    def begin(self, session: Session) -> None:
        """Settle what must be settled, then sweep."""
        if self.running:
            return
        find = self._finder()
        self._stream = stream = StreamState()
        self._stop_asked_s = None
        self._panel.begin_sweep()
        self.began.emit()
        ways = Ways(
            lambda device: self._sweep(session, device, stream), lambda: self._end(NOTHING_PLAYED), self._failed
        )
        self._gate.go(session.build, find, False, ways)

    def _finder(self) -> Callable[[], AudioDevice]:
        """What finds the chosen device, to be called in the lane."""
        name, hurry = str(self._panel.device.currentData() or ""), self._panel.hurry.isChecked()
        return lambda: self._find(name, hurry)

    def _find(self, name: str, hurry: bool) -> AudioDevice:
        """The device; a practice rig is kept, for it remembers what it has computed."""
        from stillbox.capture.live.devices import find_device

        if self._device is None or self._device[:2] != (name, hurry):
            self._device = (name, hurry, find_device(name or None, real_pace=not hurry))
        return self._device[2]

    def _sweep(self, session: Session, device: AudioDevice, stream: StreamState) -> None:
        """The gate is passed: check, sweep, keep."""
        if stream.stop_requested:
            self._end(NOTHING_PLAYED)
            return
        request = self.request()
        self._timer.start()
        self._lane.order(
            lambda: record(session, device, request, stream, lambda text: self._lane.tell(lambda: self._say(text))),
            self._done,
            self._failed,
        )

    def ask_output_of_chosen(self, session: Session | None) -> None:
        """How many volts the output of the chosen device gives, from its button."""
        if session is None:
            self.trouble.emit("No build is open: the tone that measures the output keeps to the limits of a build.")
        elif not self.running:
            self._asking, self._stop_asked_s = True, None
            ways = Ways(lambda _: self._asked(), self._asked, self._failed_to_ask)
            self._gate.go(session.build, self._finder(), True, ways)

    def _asked(self) -> None:
        self._asking = False

    def _failed_to_ask(self, failure: Failure) -> None:
        self._asking = False
        self.trouble.emit(failure.sentence)
        self._forget_card()

    def _cautions(self) -> tuple[str, ...]:
        """What applies to what is on the clips of something real."""
        from stillbox.analysis.cautions import cautions_for, topics_of

        return cautions_for(*topics_of(self._panel.subject_key()))

    def request(self) -> LiveRequest:
        """What the panel asks for."""
        from stillbox.capture.live.live_take import LiveRequest

        panel = self._panel
        subject = panel.subject_key()
        marked = subject in MARKED
        return LiveRequest(
            subject=subject,
            state=(panel.state.currentText().strip() or None) if panel.state.isEnabled() else None,
            unit=panel.unit.currentText().strip() or "A",
            of=panel.of.text().strip() if panel.of.isEnabled() else "",
            jig=str(panel.jig.currentData()),
            load_ohm=panel.load_ohm.value() if marked else None,
            load_tolerance_percent=panel.load_percent.value() if marked else None,
            celsius=panel.celsius.told if panel.air_row.isVisibleTo(panel) else None,
            remounted=subject == "in-box" and panel.remounted.isChecked(),
            port_closed=subject == "in-box" and panel.port_closed.isChecked(),
            level_dbfs=panel.level.told,
            seconds=float(panel.seconds.currentData()),
        )

    @property
    def overdue(self) -> bool:
        """Whether a stop was asked for so long ago that nothing can be waited for any more."""
        return self._stop_asked_s is not None and time.monotonic() - self._stop_asked_s > STOP_PATIENCE_S

    def stop(self) -> None:
        """Fade out and keep nothing."""
        if self._stop_asked_s is None:
            self._stop_asked_s = time.monotonic()
        self._gate.turn_back()
        if self._stream is not None:
            self._stream.request_stop()
            self._panel.said.setText("Fading out …")

    def _say(self, text: str) -> None:
        self._panel.said.setText(text[:1].upper() + text[1:] + ".")

    def _watch(self) -> None:
        if self._stream is not None:
            self._panel.meters.show_peaks(self._stream.take_peaks())
            self._panel.show_progress(self._stream.progress, self._stream.sweeping)

    def _done(self, info: TakeInfo) -> None:
        notes = [*info.flags, *(info.live.notes if info.live else ())]
        words = f"Kept as take {info.number}."
        self._panel.forget_marks()
        self._end(" ".join([words, *(f"Note: {note}." for note in notes)]))
        self.taken.emit(info)

    def _failed(self, failure: Failure) -> None:
        if isinstance(failure.error, RecordingStopped):
            self._end("Stopped; nothing of this sweep was kept.")
            return
        self._end("No take was kept.")
        self.trouble.emit(failure.sentence)
        self._forget_card()

    def _forget_card(self) -> None:
        """What has failed may be another device when it is back: look for it anew."""
        if self._device is not None and not self._device[0].startswith(RIG_NAME):
            self._device = None

    def _end(self, words: str) -> None:
        self._watch()
        self._timer.stop()
        self._panel.meters.rest()
        self._stream = None
        self._panel.end_sweep(words)
