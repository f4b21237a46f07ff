"""Changes to the build that can be taken back, and the wastebasket."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from PyQt5.QtWidgets import (
    QDialog,
    QDialogButtonBox,
    QInputDialog,
    QListWidget,
    QListWidgetItem,
    QUndoStack,
    QVBoxLayout,
    QWidget,
)

from stillbox.capture.shown_text import as_sentence
from stillbox.gui.parts.plain_text import PlainLabel
from stillbox.gui.parts.words import take_words
from stillbox.gui.work.notebook_edits import NotebookEdits, drop
from stillbox.gui.work.session import Session
from stillbox.gui.work.undo_steps import DraftStep, Step
from stillbox.gui.work.work import Failure, Lane

if TYPE_CHECKING:
    from stillbox.capture.build.air_edit import BuildAir
    from stillbox.capture.recording.take import TakeInfo


class BuildEdits:
    """Puts changes on the undo stack; after each the build is read anew."""

    def __init__(
        self,
        window: QWidget,
        lane: Lane,
        changed: Callable[[], None],
        failed: Callable[[Failure], None],
        say: Callable[[str], None],
    ) -> None:
        """``say`` is told, in the thread that works, what else a change has brought."""
        self.stack = QUndoStack(window)
        self._window, self._lane, self._changed, self._failed, self._say = window, lane, changed, failed, say
        self._session: Session | None = None

    def open(self, session: Session) -> None:
        """Begin with another build; its past cannot be taken back."""
        self._session = session
        self.stack.clear()

    def _apply(self, change: Callable[[], None]) -> None:
        session = self._session
        if session is None:
            return

        def work() -> None:
            try:
                change()
            finally:
                session.changed()

        self._lane.order(work, lambda _: self._changed(), self._refused)

    def _refused(self, failure: Failure) -> None:
        # What the disk refused cannot be undone; the stack would no longer tell the truth.
        self.stack.clear()
        self._failed(failure)
        self._changed()

    def _push(self, words: str, forward: Callable[[], None], backward: Callable[[], None]) -> None:
        self.stack.push(Step(words, forward, backward, self._apply))

    def rename(self, take: TakeInfo, state: str) -> None:
        """Give a take another state."""
        from stillbox.capture.build.take_edit import rename_state

        if self._session is None or state == take.state:
            return
        build, before, number = self._session.build, take.state, take.number

        def rename(name: str) -> None:
            for sentence in rename_state(build, number, name)[1]:
                self._say(as_sentence(sentence))

        self._push(
            f"renaming take {number} to {state or 'no state'}", lambda: rename(state), lambda: rename(before)
        )

    def ask_rename(self, take: TakeInfo) -> None:
        """Ask for the other state."""
        text, agreed = QInputDialog.getText(
            self._window, "Rename the state", f"State of take {take.number} ({take.subject}):", text=take.state
        )
        if agreed:
            self.rename(take, text.strip())

    def remove(self, takes: list[TakeInfo]) -> None:
        """Put takes into the wastebasket."""
        from stillbox.capture.build.take_edit import remove_take, restore_take

        if self._session is None or not takes:
            return
        build, numbers = self._session.build, [take.number for take in takes]
        words = f"removing take{'s' if len(numbers) > 1 else ''} {', '.join(map(str, numbers))}"
        self._push(
            words,
            lambda: _each(numbers, lambda number: remove_take(build, number)),
            lambda: _each(numbers, lambda number: restore_take(build, number)),
        )

    def restore(self, takes: list[TakeInfo]) -> None:
        """Take takes out of the wastebasket."""
        from stillbox.capture.build.take_edit import remove_take, restore_take

        if self._session is None or not takes:
            return
        build, numbers = self._session.build, [take.number for take in takes]
        self._push(
            f"restoring take{'s' if len(numbers) > 1 else ''} {', '.join(map(str, numbers))}",
            lambda: _each(numbers, lambda number: restore_take(build, number)),
            lambda: _each(numbers, lambda number: remove_take(build, number)),
        )

    def ask_air(self) -> None:
        """Ask for temperature, height and pressure of the air."""
        from stillbox.capture.build.air_edit import BuildAir
        from stillbox.gui.parts.air_form import AirForm

        session = self._session
        if session is None:
            return

        def ask(air: BuildAir) -> None:
            form = AirForm(self._window, air)
            shown = form.answer()  # rounded: that is no change
            if form.exec_() and form.answer() != shown and self._session is session:
                self.set_air(air, form.answer())

        self._lane.order(lambda: BuildAir.of(session.build.description), ask, self._failed)

    def set_air(self, before: BuildAir, after: BuildAir) -> None:
        """Say the air of the build."""
        from stillbox.capture.build.air_edit import set_air

        if self._session is not None:
            build = self._session.build
            self._push("another air", lambda: set_air(build, after), lambda: set_air(build, before))

    def ask_notebook(self) -> None:
        """Show the notebook, to be added to and corrected."""
        if self._session is not None:
            NotebookEdits(self._window, self._lane, self._push, self._failed).show(self._session.build)

    def set_reference(
        self, before: tuple[float, float | None] | None, reference_ohm: float, tolerance_percent: float
    ) -> None:
        """Say the reference resistor; the first time there is nothing to go back to."""
        if self._session is None:
            return
        build = self._session.build

        def forward() -> None:
            build.set_calibration(reference_ohm, tolerance_percent)

        if before is None:
            self._apply(forward)
            return
        self._push(f"R = {reference_ohm:g} Ω", forward, lambda: drop(build.set_calibration(*before)))


    def show_draft(self, words: str, before: object, after: object, show: Callable[[object], None]) -> None:
        """A change of what is being written; it can be taken back like those of the disk."""
        self.stack.push(DraftStep(words, before, after, show))

    def keep_crossover(
        self,
        text: str,
        state: str | None,
        unit: str | None,
        tolerances: Mapping[str, tuple[float | None, float | None]],
    ) -> None:
        """Keep a netlist, with tolerances of parts as (before, after), percent; None: build.toml does not say."""
        from stillbox.capture.build.description_edit import set_tolerances
        from stillbox.capture.build.kept_networks import (
            KeptNetwork,
            bring_network_back,
            keep_network,
            set_network_aside,
        )

        if self._session is None:
            return
        build, kept = self._session.build, list[KeptNetwork]()

        def forward() -> None:
            if kept:
                bring_network_back(build, kept[0])
            else:
                kept.append(keep_network(build, text, state, unit))
            set_tolerances(build, {name: after for name, (_, after) in tolerances.items()})
            self._say(f"Kept {kept[0].words}: {kept[0].path.name}")

        def backward() -> None:
            set_network_aside(build, kept[0])
            set_tolerances(build, {name: before for name, (before, _) in tolerances.items()})

        self._push("keeping this crossover", forward, backward)


def _each(numbers: list[int], change: Callable[[int], None]) -> None:
    for number in numbers:
        change(number)


class Wastebasket(QDialog):
    """What was removed, to be restored."""

    def __init__(self, parent: QWidget, removed: tuple[TakeInfo, ...]) -> None:
        super().__init__(parent)
        self.setWindowTitle("Wastebasket of this build")
        self._removed = removed
        self.list = QListWidget()
        self.list.setSelectionMode(QListWidget.ExtendedSelection)
        for take in removed:
            self.list.addItem(QListWidgetItem(f"{take_words(take)}, {take.created.astimezone():%Y-%m-%d %H:%M}"))
        if removed:
            self.list.setCurrentRow(0)
        layout = QVBoxLayout(self)
        layout.addWidget(
            PlainLabel("Removed takes stay here until you delete them by hand." if removed else "It is empty.")
        )
        layout.addWidget(self.list)
        buttons = QDialogButtonBox(QDialogButtonBox.Cancel)
        self.restore = buttons.addButton("&Restore", QDialogButtonBox.AcceptRole)
        if self.restore is not None:
            self.restore.setEnabled(bool(removed))
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        layout.addWidget(buttons)
        self.setMinimumWidth(380)

    def chosen(self) -> list[TakeInfo]:
        """What to restore."""
        return [self._removed[self.list.row(item)] for item in self.list.selectedItems()]
