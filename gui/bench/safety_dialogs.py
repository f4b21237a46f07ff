"""What is settled before the first live sweep: cautions that must have been read, and the voltage of the output."""

from __future__ import annotations

from PyQt5.QtCore import Qt, QTimer
from PyQt5.QtWidgets import (
    QCheckBox,
    QDialog,
    QDialogButtonBox,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from stillbox.analysis.take_controls import LOUDEST_VOLTS, METER_VOLTS
from stillbox.capture.sound.audio_device import AudioDevice
from stillbox.capture.sound.measuring_tone import MeasuringTone, ToneNotReadable, TonePlan
from stillbox.gui.parts.fields import FormDialog, NumberField, in_a_row
from stillbox.gui.parts.plain_text import PlainLabel
from stillbox.gui.work.work import failure_of, sentence_of_error

LISTEN_MS = 200


class CautionsDialog(QDialog):
    """Once per build: the cautions, and the person's word that they were read."""

    def __init__(self, parent: QWidget, texts: tuple[str, ...]) -> None:
        super().__init__(parent)
        self.setWindowTitle("Before the first sweep of this build")
        layout = QVBoxLayout(self)
        for text in texts:
            label = PlainLabel(text)
            label.setObjectName("caution")
            label.setWordWrap(True)
            layout.addWidget(label)
        self.read = QCheckBox("I have read these, and my &jig heeds them.")
        layout.addWidget(self.read)
        buttons = QDialogButtonBox(QDialogButtonBox.Ok | QDialogButtonBox.Cancel)
        self.ok = buttons.button(QDialogButtonBox.Ok)
        assert self.ok is not None
        self.ok.setEnabled(False)
        self.read.toggled.connect(self.ok.setEnabled)
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        layout.addWidget(buttons)
        self.setMinimumWidth(560)


class OutputDialog(FormDialog):
    """How many volts the output gives: typed, or measured with a multimeter and a tone that grows step by step.

    Parameters
    ----------
    tone : TonePlan or ToneNotReadable
        What the gate gives leave to; or why there is no tone, so that only typing is left.
    """

    def __init__(
        self, parent: QWidget, device: AudioDevice, tone: TonePlan | ToneNotReadable, known_volts: float | None
    ) -> None:
        super().__init__(parent, f"Output of {device.info.name}", 500)
        self._device = device
        self._plan = tone if isinstance(tone, TonePlan) else None
        self._tone: MeasuringTone | None = None
        self._level_dbfs = 0.0 if self._plan is None else self._plan.first_dbfs
        guide = PlainLabel(_guide(tone))
        guide.setWordWrap(True)
        self.play = QPushButton("&Play the tone")
        self.play.clicked.connect(self._toggle)
        self.play.setEnabled(self._plan is not None)
        self.louder = QPushButton("&Louder")
        self.louder.clicked.connect(self._louder)
        self.louder.setEnabled(False)
        self.level = PlainLabel()
        self.reading = NumberField(METER_VOLTS, at_once=True)
        self.reading.valueChanged.connect(lambda _: self._show_level())
        self.take_reading = QPushButton("&Use this reading")
        self.take_reading.clicked.connect(self._use)
        self.take_reading.setEnabled(False)
        self.volts = NumberField(LOUDEST_VOLTS, known_volts)
        for field in (self.reading, self.volts):
            field.setAlignment(Qt.AlignRight)
        self.trouble = PlainLabel()
        self.trouble.setObjectName("trouble")
        self.trouble.setWordWrap(True)
        self.trouble.hide()
        buttons = in_a_row(self.play, self.louder, self.level, room="behind")
        self.lay_out(guide, buttons, self.reading, self.take_reading, self.volts, self.trouble)
        self._listening = QTimer(self)
        self._listening.setInterval(LISTEN_MS)
        self._listening.timeout.connect(self._listen)
        self._show_level()

    def _show_level(self) -> None:
        playing = self._tone is not None
        self.play.setText("&Stop the tone" if playing else "&Play the tone")
        louder_dbfs = None if self._plan is None else self._plan.after(self._level_dbfs)
        safe = self._plan is not None and self.reading.value() < self._plan.safe_reading_volts
        self.louder.setEnabled(playing and safe and louder_dbfs is not None)
        self.louder.setText("As loud as it gets" if louder_dbfs is None else f"&Louder, {_level(louder_dbfs)}")
        self.take_reading.setEnabled(playing)
        self.level.setText(_level(self._level_dbfs) if playing else "")

    def _toggle(self) -> None:
        if self._tone is None:
            self._begin()
        else:
            self.silence()

    def _begin(self) -> None:
        assert self._plan is not None
        self.trouble.hide()
        self._tone = MeasuringTone(self._device, self._plan, self._level_dbfs)
        self._tone.__enter__()
        self._listening.start()
        self._show_level()

    def silence(self) -> None:
        """Fade the tone out."""
        self._listening.stop()
        if self._tone is not None:
            tone, self._tone = self._tone, None
            tone.__exit__(None, None, None)
        self._show_level()

    def _listen(self) -> None:
        """Say so when the tone does not sound, or no longer."""
        if self._tone is not None:
            try:
                self._tone.require_sound()
            except Exception as error:  # a fault of ours too: it stops the tone, and is told once
                self.silence()
                self._show_trouble(error)

    def _louder(self) -> None:
        louder_dbfs = None if self._plan is None else self._plan.after(self._level_dbfs)
        self.silence()
        if louder_dbfs is not None:
            self._level_dbfs = louder_dbfs
            self._begin()

    def _use(self) -> None:
        if self._tone is None:
            return
        try:
            self.volts.setValue(self._tone.loudest_volts(self.reading.value()))
            self.trouble.hide()
        except Exception as error:
            self._show_trouble(error)

    def _show_trouble(self, error: Exception) -> None:
        self.trouble.setText(failure_of(error).sentence)
        self.trouble.show()

    def done(self, result: int) -> None:
        self.silence()
        super().done(result)

    def answer_volts(self) -> float | None:
        """Output at full scale, V rms; None where it stays unknown."""
        return self.volts.told


def _guide(tone: TonePlan | ToneNotReadable) -> str:
    if not isinstance(tone, TonePlan):
        return sentence_of_error(tone)
    return (
        "Take the speaker off the clips. Turn the volume to where it will stay. Set a multimeter to AC volts and hold "
        f"it across the output: source side of the reference resistor, and ground. {tone.sentence} Go louder only "
        f"while the meter shows less than {tone.safe_reading_volts:.2g} V."
    )


def _level(level_dbfs: float) -> str:
    return f"{level_dbfs:.0f} dBFS".replace("-", "\N{MINUS SIGN}")
