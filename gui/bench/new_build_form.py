"""The small form for a new build: where, and what is known of the box."""

from __future__ import annotations

from pathlib import Path

from PyQt5.QtWidgets import (
    QDialog,
    QDialogButtonBox,
    QDoubleSpinBox,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QLineEdit,
    QWidget,
)

from stillbox.gui.parts.air_form import height_field, told
from stillbox.gui.parts.path_row import path_row
from stillbox.gui.parts.plain_text import PlainLabel

SIDES = ("height", "width", "depth")


class NewBuildForm(QDialog):
    """Ask for the folder and the inside of the box."""

    def __init__(self, parent: QWidget, parent_folder: Path) -> None:
        super().__init__(parent)
        self.setWindowTitle("New build")
        self.name = QLineEdit("my-speakers")
        self.name.setToolTip("Name of the build, and of its folder.")
        self.folder = QLineEdit(str(parent_folder))
        self.sides = [_millimetres() for _ in SIDES]
        inside = QWidget()
        line = QHBoxLayout(inside)
        line.setContentsMargins(0, 0, 0, 0)
        for side, words in zip(self.sides, SIDES, strict=True):
            side.setToolTip(f"Inside {words} of the empty box, wall to wall.")
            line.addWidget(side)
        self.rated = QDoubleSpinBox()
        self.rated.setRange(0.0, 1000.0)
        self.rated.setDecimals(1)
        self.rated.setSpecialValueText("not known")
        self.rated.setSuffix(" Ω")
        self.rated.setValue(8.0)
        self.rated.setToolTip("Rated impedance, as printed on the speaker.")
        self.above_sea = height_field(None)
        buttons = QDialogButtonBox(QDialogButtonBox.Ok | QDialogButtonBox.Cancel)
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        form = QFormLayout(self)
        form.addRow("&Name", self.name)
        form.addRow("&In folder", path_row(self.folder, self._choose))
        form.addRow("I&nside: height, width, depth", inside)
        form.addRow("&Rated impedance", self.rated)
        form.addRow("&Height above the sea", self.above_sea)
        hint = PlainLabel("Standing waves are told by the inside. More can be written into build.toml later.")
        hint.setWordWrap(True)
        hint.setObjectName("caption")
        form.addRow(hint)
        form.addRow(buttons)
        self.setMinimumWidth(460)

    def _choose(self) -> None:
        name = QFileDialog.getExistingDirectory(self, "Folder for builds", self.folder.text())
        if name:
            self.folder.setText(name)

    @property
    def path(self) -> Path:
        return Path(self.folder.text()).expanduser() / (self.name.text().strip() or "my-speakers")

    def inside_mm(self) -> tuple[float, float, float] | None:
        """Height, width, depth; None unless all three are given."""
        height, width, depth = (side.value() for side in self.sides)
        return (height, width, depth) if min(height, width, depth) >= 20 else None

    def rated_ohm(self) -> float | None:
        return self.rated.value() or None

    def metres_above_sea(self) -> float | None:
        return told(self.above_sea)


def _millimetres() -> QDoubleSpinBox:
    field = QDoubleSpinBox()
    field.setRange(0, 5000)
    field.setDecimals(0)
    field.setSuffix(" mm")
    field.setSpecialValueText("not known")
    return field
