"""The left half: what is on the clips, how to wire it, what to heed, the sweep, and the takes."""

from __future__ import annotations

import time
from collections.abc import Sequence
from itertools import pairwise

from PyQt5.QtCore import Qt, pyqtSignal
from PyQt5.QtWidgets import (
    QCheckBox,
    QComboBox,
    QFormLayout,
    QGridLayout,
    QHBoxLayout,
    QLineEdit,
    QProgressBar,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from stillbox.analysis.take_controls import (
    CELSIUS,
    LEVEL,
    LOAD_OHM,
    LOAD_TOLERANCE,
    REFERENCE_OHM,
    REFERENCE_TOLERANCE,
)
from stillbox.capture.build.states import USUAL_STATES, next_state, standing_sentence
from stillbox.capture.recording.take import CALIBRATION_SUBJECTS, NAMED_SUBJECTS, STATE_SUBJECTS, TakeInfo
from stillbox.capture.sweep.usual_take import SECONDS, SWEEPS
from stillbox.gui.bench.meters import Meters
from stillbox.gui.bench.takes_table import TakesTable
from stillbox.gui.bench.wiring_picture import CAPTIONS, WiringPicture
from stillbox.gui.parts.fields import NumberField, caption, in_a_row
from stillbox.gui.parts.plain_text import PlainLabel
from stillbox.gui.parts.theme import Theme
from stillbox.gui.parts.words import MEANING, SUBJECT_WORDS, time_words
from stillbox.gui.work.session import Listing

LENGTHS_S = (1.0, SECONDS, 5.0, 10.0)
MARKED = ("load", "check-resistor")
REMOUNTED_TIP = (
    "The driver was taken out of the box and put back since the last take, and nothing else was done: "
    "comparisons learn from it what remounting does by itself."
)
OF_TIP = (
    "Name of the driver on whose own terminals the clips sit, crossover off (woofer, tweeter), or of the part (C2). "
    "Empty: the speaker's terminals, or the only driver. A driver that is not the one in the box needs its lowest "
    "frequency in build.toml first: [limits.drivers.NAME] lowest_hz."
)
PORT_CLOSED_TIP = (
    "The port was closed by hand, airtight: such a take of the same state tells a leak from other losses where the one "
    "with the open port cannot."
)


class BenchPanel(QWidget):
    """All that belongs to making a take."""

    sweep_wanted = pyqtSignal()
    stop_wanted = pyqtSignal()
    reference_changed = pyqtSignal(float, float)
    device_changed = pyqtSignal()
    case_changed = pyqtSignal()

    def __init__(self) -> None:
        super().__init__()
        self.setObjectName("bench")
        self.build_button = QPushButton("No build open")
        self.build_button.setToolTip("The build: the folder that holds all about one loudspeaker, or one pair.")
        self._make_case()
        self.wiring = WiringPicture()
        self.caption = PlainLabel()
        self.caption.setObjectName("caption")
        self.caption.setWordWrap(True)
        self.caution = PlainLabel()
        self.caution.setObjectName("caution")
        self.caution.setWordWrap(True)
        self.caution.setAccessibleName("Cautions")
        self._make_device()
        self._make_sweep()
        self.takes = TakesTable()
        self._known: tuple[TakeInfo, ...] = ()
        self._began_s: float | None = None
        self._lay_out()
        self.subject.currentIndexChanged.connect(self._case_changed)
        self.subject.currentIndexChanged.connect(self.of.clear)  # the name is of what was on the clips
        self.jig.currentIndexChanged.connect(self._case_changed)
        self.unit.currentTextChanged.connect(lambda _: self.propose_state())
        self._case_changed()

    def _make_case(self) -> None:
        self.subject = QComboBox()
        for key, (title, meaning) in SUBJECT_WORDS.items():
            self.subject.addItem(title, key)
            self.subject.setItemData(self.subject.count() - 1, meaning, Qt.ToolTipRole)
        self.subject.setToolTip("What is on the clips, that is, what this take is of.")
        self.of = QLineEdit()
        self.of.setToolTip(OF_TIP)
        self.of.setPlaceholderText("the only one")
        self.of.setMaxLength(40)
        self.state = _names("Your own name for the stage of the work: stock, lined, final …")
        self.unit = _names("Which of a pair: A or B, or any short name.")
        self.unit.addItems(["A", "B"])
        self.jig = QComboBox()
        self.jig.setMinimumContentsLength(8)
        self.jig.addItem("high-side", "high-side")
        self.jig.addItem("low-side", "low-side")
        self.jig.setToolTip(
            "high-side: input 2 at the clips, behind the reference resistor.\n"
            "low-side: the resistor lies between speaker and ground, input 2 across it."
        )
        self.load_ohm, self.load_percent = NumberField(LOAD_OHM), NumberField(LOAD_TOLERANCE)
        self.load_row = in_a_row(PlainLabel("Marked"), self.load_ohm, PlainLabel("±"), self.load_percent, room="behind")
        self.celsius = NumberField(CELSIUS)
        self.remounted = QCheckBox("remounted")
        self.remounted.setToolTip(REMOUNTED_TIP)
        self.port_closed = QCheckBox("port closed")
        self.port_closed.setToolTip(PORT_CLOSED_TIP)
        self.air_row = in_a_row(
            caption(CELSIUS.words, self.celsius), self.celsius, self.remounted, self.port_closed, room="for the first"
        )

    def _make_device(self) -> None:
        self.device = QComboBox()
        self.device.setToolTip("Plays the sweep and records both inputs. The practice rig is a simulated speaker.")
        self.device.setSizeAdjustPolicy(QComboBox.AdjustToMinimumContentsLengthWithIcon)
        self.device.setMinimumContentsLength(8)
        self.device.currentIndexChanged.connect(lambda _: self.device_changed.emit())
        self.output_button = QPushButton("Output …")
        self.output_button.setToolTip("How many volts the output gives at full scale; needed for a safe, clean level.")
        self.hurry = QCheckBox("no waiting")
        self.hurry.setToolTip("Let the practice rig run faster than a real sweep would.")
        self.level = NumberField(LEVEL)
        self.level.setToolTip(f"{LEVEL.tip} {MEANING['dBFS']}")
        self.seconds = QComboBox()
        for length_s in LENGTHS_S:
            self.seconds.addItem(f"{SWEEPS} × {length_s:g} s", length_s)
        self.seconds.setCurrentIndex(1)
        self.seconds.setToolTip("Sweeps of a take and the length of each: twice as long halves the noise power.")
        self.reference, self.tolerance = NumberField(REFERENCE_OHM), NumberField(REFERENCE_TOLERANCE)
        for field in (self.reference, self.tolerance):
            field.editingFinished.connect(self._tell_reference)
        self._reference_told = (0.0, 0.0)
        self.meters = Meters()

    def _make_sweep(self) -> None:
        self.said = PlainLabel("Ready.")
        self.said.setObjectName("said")
        self.said.setWordWrap(True)
        self.said.setAccessibleName("What the check before the sweep says")
        self.sweep = QPushButton("Sweep   F5")
        self.sweep.setObjectName("sweep")
        self.sweep.setToolTip("Check the wiring quietly, then sweep and record (F5).")
        self.sweep.setSizePolicy(QSizePolicy.Expanding, QSizePolicy.Fixed)
        self.sweep.clicked.connect(self.sweep_wanted)
        self.stop = QPushButton("Stop   Esc")
        self.stop.setObjectName("stop")
        self.stop.setToolTip("Fade out and keep nothing of this sweep (Esc).")
        self.stop.setEnabled(False)
        self.stop.clicked.connect(self.stop_wanted)
        self.progress = QProgressBar()
        self.progress.setRange(0, 1000)
        self.progress.setFormat("")
        self.progress.setAccessibleName("Progress of the sweep")

    def _lay_out(self) -> None:
        layout = QVBoxLayout(self)
        layout.setContentsMargins(12, 6, 10, 6)
        layout.setSpacing(5)
        layout.addWidget(self.build_button)
        case = QGridLayout()
        case.setHorizontalSpacing(6)
        case.setVerticalSpacing(3)
        for column, (words, field, stretch) in enumerate(
            (("&State", self.state, 3), ("&Unit", self.unit, 1), ("&Jig", self.jig, 2))
        ):
            case.addWidget(caption(words, field), 2, column)
            case.addWidget(field, 3, column)
            case.setColumnStretch(column, stretch)
        case.addWidget(caption("On the &clips", self.subject), 0, 0)
        case.addWidget(self.subject, 1, 0, 1, 2)
        case.addWidget(caption("D&river or part", self.of), 0, 2)
        case.addWidget(self.of, 1, 2)
        layout.addLayout(case)
        layout.addWidget(self.load_row)
        layout.addWidget(self.air_row)
        layout.addWidget(self.wiring)
        layout.addWidget(self.caption)
        layout.addWidget(self.caution)
        device = QFormLayout()
        device.setHorizontalSpacing(8)
        device.setVerticalSpacing(5)
        device.setFieldGrowthPolicy(QFormLayout.AllNonFixedFieldsGrow)
        device.addRow(caption("&Device", self.device), in_a_row(self.device, self.output_button, room="for the first"))
        device.addRow(
            caption(LEVEL.words, self.level),
            in_a_row(self.level, caption("lasts", self.seconds), self.seconds, self.hurry, room="for the first"),
        )
        device.addRow(
            caption(REFERENCE_OHM.words, self.reference),
            in_a_row(self.reference, PlainLabel("±"), self.tolerance, room="for the first"),
        )
        device.addRow(PlainLabel("Inputs"), self.meters)
        layout.addLayout(device)
        buttons = QHBoxLayout()
        buttons.addWidget(self.sweep, 3)
        buttons.addWidget(self.stop, 1)
        layout.addLayout(buttons)
        layout.addWidget(self.progress)
        layout.addWidget(self.said)
        layout.addWidget(caption("&Takes (select two to compare)", self.takes))
        self.takes.setMinimumHeight(88)
        layout.addWidget(self.takes, 1)
        order: list[QWidget] = [
            self.build_button,
            self.subject,
            self.of,
            self.state,
            self.unit,
            self.jig,
            self.load_ohm,
            self.load_percent,
            self.celsius,
            self.remounted,
            self.port_closed,
            self.device,
            self.output_button,
            self.hurry,
            self.level,
            self.seconds,
            self.reference,
            self.tolerance,
            self.sweep,
            self.stop,
            self.takes,
        ]
        for first, second in pairwise(order):
            QWidget.setTabOrder(first, second)

    def forget_marks(self) -> None:
        """What was marked was said of one take."""
        for mark in (self.remounted, self.port_closed):
            mark.setChecked(False)

    def set_theme(self, theme: Theme) -> None:
        self.wiring.theme = self.meters.theme = theme
        self.wiring.update()
        self.meters.update()

    def subject_key(self) -> str:
        return str(self.subject.currentData())

    def choose_subject(self, key: str) -> None:
        self.subject.setCurrentIndex(max(0, self.subject.findData(key)))

    def _case_changed(self) -> None:
        subject, jig = self.subject_key(), str(self.jig.currentData())
        self.wiring.show_wiring(subject, jig)
        self.caption.setText(CAPTIONS[subject])
        self.load_row.setVisible(subject in MARKED)
        self.air_row.setVisible(subject not in CALIBRATION_SUBJECTS)
        for mark in (self.remounted, self.port_closed):
            mark.setVisible(subject == "in-box")
        self.state.setEnabled(subject in STATE_SUBJECTS)
        self.of.setEnabled(subject in NAMED_SUBJECTS)
        self.case_changed.emit()

    def show_names(self, takes: Sequence[TakeInfo]) -> None:
        """States and units to choose from; what was typed stays until there is a take of it."""
        known = {take.number for take in self._known}
        made = [take for take in takes if take.number not in known and take.subject == "in-box"]
        self._known = tuple(takes)
        states = list(dict.fromkeys([take.state for take in reversed(takes) if take.state] + list(USUAL_STATES[:2])))
        units = list(dict.fromkeys([take.unit for take in takes] + ["A", "B"]))
        for field, names in ((self.state, states), (self.unit, units)):
            typed = field.currentText()
            field.blockSignals(True)
            field.clear()
            field.addItems(names)
            field.setCurrentText(typed)
            field.blockSignals(False)
        if known and made and made[-1].state == self.state.currentText().strip():
            self.propose_state()
            standing = standing_sentence(takes, made[-1], "F2:")
            said = [self.said.text(), *([f"Note: {standing}."] if standing else [])]
            said.append(f"The next sweep is proposed as '{self.state.currentText()}'.")
            self.said.setText(" ".join(said))

    def propose_state(self) -> None:
        """A state of which this unit has no take yet, so that no take stands for another unawares."""
        self.state.setCurrentText(next_state(self._known, self.unit.currentText().strip() or "A"))

    def show_cautions(self, texts: tuple[str, ...]) -> None:
        self.caution.setText("\n".join(texts))
        self.caution.setVisible(bool(texts))

    def show_reference(self, listing: Listing) -> None:
        """The resistor of the build, or the one to propose where it names none yet."""
        resistor_ohm = listing.proposed_ohm if listing.reference_ohm is None else listing.reference_ohm
        for field, value in ((self.reference, resistor_ohm), (self.tolerance, listing.tolerance_percent)):
            field.blockSignals(True)
            if value is not None:
                field.setValue(value)
            field.blockSignals(False)
        known = listing.reference_ohm is not None
        self._reference_told = (self.reference.value(), self.tolerance.value()) if known else (0.0, 0.0)

    def _tell_reference(self) -> None:
        now = (self.reference.value(), self.tolerance.value())
        if now != self._reference_told:
            self._reference_told = now
            self.reference_changed.emit(*now)

    def settle_reference(self) -> bool:
        """Tell the resistor if it was never told; True if that was so."""
        before = self._reference_told
        self._tell_reference()
        return before != self._reference_told

    # A sweep

    def begin_sweep(self) -> None:
        self.sweep.setEnabled(False)
        self.stop.setEnabled(True)
        self.meters.clear()
        self.progress.setValue(0)
        self.progress.setFormat("checking the wiring")
        self._began_s = None

    def show_progress(self, part: float, sweeping: bool) -> None:
        """Part that is done, with the time left."""
        if not sweeping:
            return
        now_s = time.monotonic()
        if self._began_s is None or part <= 0:
            self._began_s = now_s
        self.progress.setValue(round(1000 * part))
        if 0.03 < part < 1:
            left_s = (now_s - self._began_s) * (1 - part) / part
            self.progress.setFormat(f"sweeping, {time_words(left_s)} left")
        else:
            self.progress.setFormat("sweeping" if part < 1 else "reading the recording")

    def end_sweep(self, words: str) -> None:
        self.sweep.setEnabled(True)
        self.stop.setEnabled(False)
        self.progress.setValue(0)
        self.progress.setFormat("")
        self.said.setText(words)


def _names(tip: str) -> QComboBox:
    field = QComboBox()
    field.setEditable(True)
    field.setInsertPolicy(QComboBox.NoInsert)
    field.setToolTip(tip)
    field.setMinimumWidth(60)
    edit = field.lineEdit()
    assert edit is not None
    edit.setMaxLength(40)
    return field
