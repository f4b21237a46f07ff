"""The small form for an entry of the notebook: what was heard, what was done, what it cost."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from PyQt5.QtWidgets import QComboBox, QFileDialog, QLineEdit, QWidget

from stillbox.analysis.controls import Number
from stillbox.analysis.notebook.notebook_controls import AREA, COST, MASS, MINUTES, POROSITY, THICKNESS
from stillbox.analysis.system.filling import POROSITY as KNOWN_MATERIALS
from stillbox.capture.build.notebook import Entry
from stillbox.gui.parts.fields import FormDialog, NumberField, hint, in_a_row
from stillbox.gui.parts.path_row import path_row

KINDS = "Pictures (*.jpg *.jpeg *.png *.webp *.bmp)"
FIRST = "What do you hear, what is to become better? Say it before anything is done: it is asked again at the end."


class EntryForm(FormDialog):
    """Ask for an entry, new or to be corrected; what is left empty says nothing.

    Parameters
    ----------
    parent : QWidget
    entry : Entry or None
        What is corrected.
    complaint : str
        What was heard at first; empty: nothing yet.
    currency : str
        The last one.
    states : sequence of str
        Those that were swept.
    """

    def __init__(
        self,
        parent: QWidget,
        entry: Entry | None = None,
        complaint: str = "",
        currency: str = "",
        states: Sequence[str] = (),
    ) -> None:
        super().__init__(parent, "New entry" if entry is None else f"Correct entry {entry.number}", 560)
        said = Entry() if entry is None else entry
        self.heard, self.text = QLineEdit(said.heard), QLineEdit(said.text)
        self.heard.setPlaceholderText(f"at first: {complaint}" if complaint else "what is to become better")
        self.state = QComboBox()
        self.state.setEditable(True)
        self.state.addItems(["", *states])
        self.state.setCurrentText(said.state or "")
        self.state.setToolTip("Stage of the work that it led to; empty: that of the next take in the box.")
        self.unit = QLineEdit(said.unit or "")
        self.unit.setPlaceholderText("any")
        self.unit.setToolTip("Which of a pair; empty: any that has the state.")
        self.material = QComboBox()
        self.material.setEditable(True)
        self.material.addItems(["", *sorted(KNOWN_MATERIALS)])
        self.material.setCurrentText(said.material)
        self.material.setMinimumContentsLength(14)
        self.material.setToolTip("What was put into the box; it counts in the volume budget and as lining.")
        self.at = QLineEdit(said.at)
        self.numbers = {one.key: _field(one, said) for one in (AREA, THICKNESS, MASS, POROSITY, COST, MINUTES)}
        self.takes_out = QLineEdit(", ".join(map(str, said.takes_out)))
        self.takes_out.setToolTip("Numbers of entries whose material was taken out again, as 2, 5.")
        self.parts = QLineEdit("; ".join(said.parts))
        self.parts.setToolTip("Parts that were exchanged with their new values, as C2=8.2u; L1.loss=0.2.")
        self.currency = QLineEdit(said.currency or currency)
        self.currency.setMaxLength(3)
        self.currency.setToolTip("Currency of the cost: three letters, as in EUR.")
        self.pictures = QLineEdit()
        self.pictures.setToolTip("Small upright copies are kept, without place and camera.")
        area, thickness, mass, porosity, cost, minutes = self.numbers.values()
        self.lay_out(
            hint(f"You heard at first: {complaint}. What do you hear now?" if complaint else FIRST),
            ("You &hear", self.heard),
            ("What was &done", self.text),
            ("&State, unit", in_a_row(self.state, self.unit, room="for the first")),
            ("&Material, where", in_a_row(self.material, self.at)),
            ("&Area, thickness", in_a_row(area, thickness)),
            ("Mass, &part that is air", in_a_row(mass, porosity)),
            ("&Takes out entries", self.takes_out),
            ("&Exchanged parts", self.parts),
            ("&Cost", in_a_row(cost, self.currency, room="for the first")),
            minutes,
            ("Pict&ures", path_row(self.pictures, self._choose)),
        )

    def _choose(self) -> None:
        names, _ = QFileDialog.getOpenFileNames(self, "Pictures of the work", "", KINDS)
        if names:
            self.pictures.setText("; ".join(names))

    def answer(self) -> dict[str, Any]:
        """Values of `capture.build.notebook.Said` by their names; None and empty where nothing is said."""
        numbers = {key: field.told for key, field in self.numbers.items()}
        return {
            "heard": self.heard.text().strip(),
            "text": self.text.text().strip(),
            "state": self.state.currentText().strip() or None,
            "unit": self.unit.text().strip() or None,
            "material": self.material.currentText().strip(),
            "at": self.at.text().strip(),
            "parts": tuple(filter(None, (part.strip() for part in self.parts.text().split(";")))),
            "takes_out": tuple(int(one) if one.isdecimal() else one for one in _words(self.takes_out.text())),
            **numbers,
            "currency": (self.currency.text().strip().upper() or None) if numbers["cost"] is not None else None,
        }

    def files(self) -> list[Path]:
        """Further pictures."""
        return [Path(name.strip()) for name in self.pictures.text().split(";") if name.strip()]


def _words(text: str) -> list[str]:
    """What stands between commas and blanks."""
    return text.replace(",", " ").split()


def _field(declared: Number, said: Entry) -> NumberField:
    return NumberField(declared, getattr(said, declared.key), at_once=True)
