"""One live take from the press of the button to the list: cautions, output, check, sweep, stop."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PyQt5.QtCore import QObject, QTimer, pyqtSignal
from PyQt5.QtWidgets import QWidget

from capture.audio_device import AudioDevice, RecordingStopped, StreamState
from capture.errors import StillboxError
from gui.bench_panel import AUTOMATIC_DBFS, MARKED, BenchPanel, celsius_of
from gui.session import Session, record
from gui.words import safety_topics
from gui.work import Failure, Lane

if TYPE_CHECKING:
    from capture.live_take import LiveRequest
    from capture.take import TakeInfo

METER_MS = 33


class SweepControl(QObject):
    """Runs sweeps in its own lane and keeps the bench panel informed."""

    taken = pyqtSignal(object)
    trouble = pyqtSignal(str)
    began = pyqtSignal()

    def __init__(self, panel: BenchPanel, lane: Lane, window: QWidget) -> None:
        super().__init__(window)
        self._panel, self._lane, self._window = panel, lane, window
        self._stream: StreamState | None = None
        self._sweeping = False
        self._timer = QTimer(self)
        self._timer.setInterval(METER_MS)
        self._timer.timeout.connect(self._watch)
        self._device: tuple[str, bool, AudioDevice] | None = None

    @property
    def running(self) -> bool:
        return self._stream is not None

    def begin(self, session: Session) -> None:
        """Settle what must be settled, then sweep."""
        if self.running:
            return
        name, hurry = str(self._panel.device.currentData() or ""), self._panel.hurry.isChecked()
        self._stream = StreamState()
        self._sweeping = False
        self._panel.begin_sweep()
        self.began.emit()
        self._lane.order(
            lambda: _prepared(session, self._find(name, hurry)), lambda case: self._go(session, *case), self._failed
        )

    def _find(self, name: str, hurry: bool) -> AudioDevice:
        """The device; a practice rig is kept, for it remembers what it has computed."""
        from capture.devices import find_device

        if self._device is None or self._device[:2] != (name, hurry):
            self._device = (name, hurry, find_device(name or None, real_pace=not hurry))
        return self._device[2]

    def _go(self, session: Session, device: AudioDevice, cautions_read: bool, volts_known: bool) -> None:
        stream = self._stream
        if stream is None:
            return
        if stream.stop_requested or not self._settle(session, device, cautions_read, volts_known):
            self._end("Stopped before anything was played.")
            return
        request = self.request()
        self._timer.start()
        self._lane.order(
            lambda: record(session, device, request, stream, lambda text: self._lane.tell(lambda: self._say(text))),
            self._done,
            self._failed,
        )

    def _settle(self, session: Session, device: AudioDevice, cautions_read: bool, volts_known: bool) -> bool:
        if device.info.harmless:
            return True
        from analysis.cautions import cautions_for
        from capture.safety import acknowledge_cautions
        from gui.safety_dialogs import CautionsDialog

        if not cautions_read:
            topics = safety_topics(self._panel.subject_key(), False)
            dialog = CautionsDialog(self._window, cautions_for(*topics))  # type: ignore[arg-type]
            if not dialog.exec_():
                return False
            acknowledge_cautions(session.build)
        return volts_known or self.ask_output(device)

    def ask_output(self, device: AudioDevice) -> bool:
        """How many volts the output gives; False if the person turned back."""
        from capture.output_calibration import keep_loudest_volts, loudest_volts
        from gui.safety_dialogs import OutputDialog

        dialog = OutputDialog(self._window, device, loudest_volts(device.info))
        if not dialog.exec_():
            return False
        volts = dialog.answer_volts()
        if volts is not None:
            try:
                keep_loudest_volts(device.info, volts)
            except StillboxError as error:
                self.trouble.emit(str(error))
                return False
        return True

    def ask_output_of_chosen(self) -> None:
        """The same for the device that is chosen, from its button."""
        name = str(self._panel.device.currentData() or "")
        self._lane.order(
            lambda: self._find(name, False), lambda device: _ignore(self.ask_output(device)), self._failed_quietly
        )

    def _failed_quietly(self, failure: Failure) -> None:
        self.trouble.emit(failure.sentence)

    def request(self) -> LiveRequest:
        """What the panel asks for."""
        from capture.live_take import LiveRequest

        panel = self._panel
        subject = panel.subject_key()
        marked = subject in MARKED
        level = panel.level.value()
        return LiveRequest(
            subject=subject,
            state=(panel.state.currentText().strip() or None) if panel.state.isEnabled() else None,
            unit=panel.unit.currentText().strip() or "A",
            jig=str(panel.jig.currentData()),
            load_ohm=panel.load_ohm.value() if marked else None,
            load_tolerance_percent=panel.load_percent.value() if marked else None,
            celsius=celsius_of(panel.celsius) if panel.air_row.isVisibleTo(panel) else None,
            remounted=subject == "in-box" and panel.remounted.isChecked(),
            level_dbfs=None if level <= AUTOMATIC_DBFS else level,
            seconds=float(panel.seconds.currentData()),
        )

    def stop(self) -> None:
        """Fade out and keep nothing."""
        if self._stream is not None:
            self._stream.request_stop()
            self._panel.said.setText("Fading out …")

    def _say(self, text: str) -> None:
        self._sweeping = text.startswith("sweeping")
        self._panel.said.setText(text[:1].upper() + text[1:] + ".")

    def _watch(self) -> None:
        if self._stream is not None:
            self._panel.meters.show_peaks(self._stream.take_peaks())
            self._panel.show_progress(self._stream.progress, self._sweeping)

    def _done(self, info: TakeInfo) -> None:
        notes = [*info.flags, *(info.live.notes if info.live else ())]
        words = f"Kept as take {info.number}."
        self._end(" ".join([words, *(f"Note: {note}." for note in notes)]))
        self.taken.emit(info)

    def _failed(self, failure: Failure) -> None:
        if isinstance(failure.error, RecordingStopped):
            self._end("Stopped; nothing of this sweep was kept.")
            return
        self._end("No take was kept.")
        self.trouble.emit(failure.sentence)

    def _end(self, words: str) -> None:
        self._watch()
        self._timer.stop()
        self._panel.meters.rest()
        self._stream = None
        self._panel.end_sweep(words)


def _ignore(_: bool) -> None:
    """The answer is kept already."""


def _prepared(session: Session, device: AudioDevice) -> tuple[AudioDevice, bool, bool]:
    """The device, whether the cautions were read for this build, and whether its voltage is known."""
    from capture.output_calibration import loudest_volts
    from capture.safety import cautions_acknowledged

    return device, cautions_acknowledged(session.build), loudest_volts(device.info) is not None
