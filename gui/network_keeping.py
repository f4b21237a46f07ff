"""What is written in the table of a crossover: taken back, brought again, kept in the build."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PyQt5.QtCore import QObject

from stillbox.analysis.crossover.draft import Draft, network_of_draft, tolerances_of_draft
from stillbox.analysis.network.netlist import netlist_text
from stillbox.capture.shown_text import in_one_line
from stillbox.gui.results.parts_desk import PartsDesk
from stillbox.gui.work.build_edits import BuildEdits

if TYPE_CHECKING:
    from stillbox.gui.results.parts_sheet import PartsSheet


class NetworkKeeping(QObject):
    """Between the table and the undo stack of the build."""

    def __init__(self, desk: PartsDesk, edits: BuildEdits, parent: QObject) -> None:
        super().__init__(parent)
        self._desk, self._edits = desk, edits
        desk.edited.connect(self._edited)
        desk.keep_wanted.connect(self._keep)

    def _edited(self, before: Draft, after: Draft, words: str) -> None:
        sheet = self._desk.sheet

        def show(draft: object) -> None:
            # Of another take it would be another crossover: what was written there is not brought here.
            if isinstance(draft, Draft) and sheet is not None and _same_take(self._desk.sheet, sheet):
                self._desk.take_draft(draft)

        self._edits.show_draft(words, before, after, show)

    def _keep(self, draft: Draft) -> None:
        sheet = self._desk.sheet
        if sheet is None:
            return
        planned = sheet.draft if sheet.kept else Draft()
        text = netlist_text(network_of_draft(draft, sheet.planned))
        head, _, rest = text.partition("\n")
        title = f"* crossover of {in_one_line(sheet.title)}" if head.strip() in ("*", "* crossover") else head
        before, after = (tolerances_of_draft(one, {}) for one in (planned, draft))
        moved = {name: percent for name, percent in after.items() if percent != before.get(name)}
        tolerances = {name: (before.get(name), percent) for name, percent in moved.items()}
        self._edits.keep_crossover(f"{title}\n{rest}", sheet.state, sheet.unit, tolerances)


def _same_take(one: PartsSheet | None, other: PartsSheet) -> bool:
    return one is not None and one.take.number == other.take.number
