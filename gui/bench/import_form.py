"""The small form for a recording made elsewhere: what is it of, and which sweep was played."""

from __future__ import annotations

from pathlib import Path

from PyQt5.QtWidgets import QCheckBox, QComboBox, QFileDialog, QLineEdit, QWidget

from stillbox.analysis.take_controls import CELSIUS, LOAD_OHM, LOAD_TOLERANCE
from stillbox.capture.recording.take import NAMED_SUBJECTS, STATE_SUBJECTS
from stillbox.capture.shown_text import visible
from stillbox.gui.bench.bench_panel import MARKED, OF_TIP, PORT_CLOSED_TIP, REMOUNTED_TIP
from stillbox.gui.parts.fields import FormDialog, NumberField
from stillbox.gui.parts.path_row import path_row
from stillbox.gui.parts.plain_text import PlainLabel
from stillbox.gui.parts.words import SUBJECT_WORDS


def excitation_beside(audio_path: Path) -> Path | None:
    """The JSON that most likely goes with a recording: of the same name, else the only one in its folder."""
    same = audio_path.with_suffix(".json")
    if same.is_file():
        return same
    others = sorted(audio_path.parent.glob("*.json"))
    return others[0] if len(others) == 1 else None


class ImportForm(FormDialog):
    """Ask what a recording is of."""

    def __init__(self, parent: QWidget, audio_path: Path, state: str, unit: str, jig: str) -> None:
        super().__init__(parent, "Take in a recording", 480)
        self.subject = QComboBox()
        for key, (title, meaning) in SUBJECT_WORDS.items():
            self.subject.addItem(title, key)
            self.subject.setItemData(self.subject.count() - 1, meaning, 3)
        self.state, self.unit = QLineEdit(state), QLineEdit(unit)
        self.of = QLineEdit()
        self.of.setToolTip(OF_TIP)
        self.jig = QComboBox()
        self.jig.addItems(["high-side", "low-side"])
        self.jig.setCurrentText(jig)
        beside = excitation_beside(audio_path)
        self.excitation = QLineEdit("" if beside is None else str(beside))
        self.excitation.setToolTip("The JSON file that was written beside the sweep you played.")
        self.load_ohm, self.load_percent = NumberField(LOAD_OHM), NumberField(LOAD_TOLERANCE)
        self.celsius, self.remounted, self.port_closed = NumberField(CELSIUS), QCheckBox(), QCheckBox()
        self.remounted.setToolTip(REMOUNTED_TIP)
        self.port_closed.setToolTip(PORT_CLOSED_TIP)
        name = PlainLabel(visible(audio_path.name))
        name.setStyleSheet("font-weight: bold")
        self.lay_out(
            name,
            ("&What is it of?", self.subject),
            ("&State", self.state),
            ("&Unit", self.unit),
            ("&Driver or part", self.of),
            ("&Jig", self.jig),
            self.load_ohm,
            self.load_percent,
            self.celsius,
            ("&Remounted", self.remounted),
            ("&Port closed", self.port_closed),
            ("Sweep played (&JSON)", path_row(self.excitation, self._choose)),
        )
        self.subject.currentIndexChanged.connect(self._follow)
        self.excitation.textChanged.connect(self._follow)
        self._follow()

    def _follow(self) -> None:
        marked = self.subject.currentData() in MARKED
        self.load_ohm.setEnabled(marked)
        self.load_percent.setEnabled(marked)
        self.of.setEnabled(self.subject.currentData() in NAMED_SUBJECTS)
        for mark in (self.remounted, self.port_closed):
            mark.setEnabled(self.subject.currentData() == "in-box")
        if self.ok is not None:
            self.ok.setEnabled(bool(self.excitation.text().strip()))

    def _choose(self) -> None:
        name, _ = QFileDialog.getOpenFileName(
            self, "The JSON beside the sweep", self.excitation.text(), "JSON (*.json)"
        )
        if name:
            self.excitation.setText(name)

    def answers(self) -> dict[str, object]:
        """Arguments of ``capture.build.take_import.import_take``, without the excitation."""
        subject = str(self.subject.currentData())
        marked = subject in MARKED
        state = self.state.text().strip() if subject in STATE_SUBJECTS else ""
        return {
            "subject": subject,
            "celsius": self.celsius.told,
            "remounted": self.remounted.isEnabled() and self.remounted.isChecked(),
            "port_closed": self.port_closed.isEnabled() and self.port_closed.isChecked(),
            "state": state or None,
            "unit": self.unit.text().strip() or "A",
            "of": self.of.text().strip() if self.of.isEnabled() else "",
            "jig": self.jig.currentText(),
            "load_ohm": self.load_ohm.value() if marked else None,
            "load_tolerance_percent": self.load_percent.value() if marked else None,
        }
