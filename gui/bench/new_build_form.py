"""The small form for a new build: where, and what is known of the box."""

from __future__ import annotations

from pathlib import Path

from PyQt5.QtWidgets import QFileDialog, QLineEdit, QWidget

from stillbox.analysis.take_controls import ABOVE_SEA, INSIDE, RATED_OHM
from stillbox.gui.parts.fields import FormDialog, NumberField, hint, in_a_row
from stillbox.gui.parts.path_row import path_row

USUAL_OHM = 8.0


class NewBuildForm(FormDialog):
    """Ask for the folder and the inside of the box."""

    def __init__(self, parent: QWidget, parent_folder: Path) -> None:
        super().__init__(parent, "New build", 620)
        self.name = QLineEdit("my-speakers")
        self.name.setToolTip("Name of the build, and of its folder.")
        self.folder = QLineEdit(str(parent_folder))
        self.sides = [NumberField(side) for side in INSIDE]
        self.rated, self.above_sea = NumberField(RATED_OHM, USUAL_OHM), NumberField(ABOVE_SEA)
        self.lay_out(
            ("&Name", self.name),
            ("&In folder", path_row(self.folder, self._choose)),
            ("I&nside: height, width, depth", in_a_row(*self.sides)),
            self.rated,
            self.above_sea,
            hint("Standing waves are told by the inside. More can be written into build.toml later."),
        )

    def _choose(self) -> None:
        name = QFileDialog.getExistingDirectory(self, "Folder for builds", self.folder.text())
        if name:
            self.folder.setText(name)

    @property
    def path(self) -> Path:
        return Path(self.folder.text()).expanduser() / (self.name.text().strip() or "my-speakers")

    def inside_mm(self) -> tuple[float, float, float] | None:
        """Height, width, depth; None unless all three are given."""
        height, width, depth = (side.told for side in self.sides)
        return None if height is None or width is None or depth is None else (height, width, depth)

    def rated_ohm(self) -> float | None:
        return self.rated.told

    def metres_above_sea(self) -> float | None:
        return self.above_sea.told
