"""The notebook in the window: shown as a list, each change a step that can be taken back."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from PyQt5.QtWidgets import QWidget

from stillbox.gui.work.work import Failure, Lane

if TYPE_CHECKING:
    from pathlib import Path

    from stillbox.capture.build.build_folder import BuildFolder
    from stillbox.capture.build.notebook import Entry, Notebook

Push = Callable[[str, Callable[[], None], Callable[[], None]], None]


class NotebookEdits:
    """Asks for entries and puts what is done on the undo stack; nothing is ever taken out of the file."""

    def __init__(self, window: QWidget, lane: Lane, push: Push, failed: Callable[[Failure], None]) -> None:
        self._window, self._lane, self._push, self._failed = window, lane, push, failed

    def show(self, build: BuildFolder) -> None:
        """Show the list, and again after each change, until it is closed."""
        from stillbox.capture.build.notebook import read_notebook

        def read() -> tuple[Notebook, list[str]]:
            states = [take.state for take in build.takes() if take.subject == "in-box" and take.state]
            return read_notebook(build.path), list(dict.fromkeys(states))

        self._lane.order(read, lambda found: self._shown(build, *found), self._failed)

    def _shown(self, build: BuildFolder, notebook: Notebook, states: list[str]) -> None:
        from stillbox.gui.parts.notebook_form import EntryForm
        from stillbox.gui.work.notebook_dialog import NotebookDialog

        complaint = next((entry.heard for entry in notebook.standing if entry.heard), "")
        known = f"Heard at first: {complaint}." if complaint else "Nothing is said yet of what you hear."
        dialog = NotebookDialog(self._window, notebook, known)
        if not dialog.exec_():
            return
        entry = dialog.chosen
        if dialog.wanted == "new" or entry is None:
            form = EntryForm(self._window, None, complaint, notebook.currency or "", states)
            if form.exec_():
                self.add(build, form.answer(), form.files())
        elif dialog.wanted == "correct":
            form = EntryForm(self._window, entry, complaint, notebook.currency or "", states)
            shown = form.answer()  # rounded: that is no change
            if form.exec_():
                changes = {key: value for key, value in form.answer().items() if value != shown[key]}
                if changes or form.files():
                    self.correct(build, entry, changes, form.files())
        else:
            self.turn(build, entry.number, withdraw=dialog.wanted == "withdraw")
        self.show(build)

    def add(self, build: BuildFolder, said: dict[str, Any], pictures: list[Path]) -> None:
        """Write a new entry; taken back it is withdrawn, for nothing is lost."""
        from stillbox.analysis.notebook.checked import checked_parts
        from stillbox.capture.build.notebook_edit import add_entry, restore_entry, withdraw_entry

        written: list[int] = []

        def forward() -> None:
            if written:
                restore_entry(build, written[0])
                return
            checked_parts(said.get("parts", ()))
            written.append(add_entry(build, said, pictures).number)

        self._push("a new entry of the notebook", forward, lambda: drop(withdraw_entry(build, written[0])))

    def correct(self, build: BuildFolder, entry: Entry, changes: dict[str, Any], pictures: list[Path]) -> None:
        """Correct an entry; taken back it says what it said, and both stay in the file."""
        from stillbox.analysis.notebook.checked import checked_parts
        from stillbox.capture.build.notebook_edit import correct_entry

        added: list[tuple[str, ...]] = []

        def forward() -> None:
            checked_parts(changes.get("parts", ()))
            known = {**changes, "pictures": added[0]} if added else changes
            corrected = correct_entry(build, entry.number, known, [] if added else pictures)
            if pictures and not added:
                added.append(corrected.pictures)

        def backward() -> None:
            touched = {*changes, *(["pictures"] if pictures else [])}
            correct_entry(build, entry.number, {key: getattr(entry, key) for key in touched})

        self._push(f"correcting entry {entry.number}", forward, backward)

    def turn(self, build: BuildFolder, number: int, withdraw: bool) -> None:
        """Withdraw an entry, or bring it back."""
        from stillbox.capture.build.notebook_edit import restore_entry, withdraw_entry

        steps = [lambda: drop(withdraw_entry(build, number)), lambda: drop(restore_entry(build, number))]
        forward, backward = steps if withdraw else reversed(steps)
        self._push(f"{'withdrawing' if withdraw else 'bringing back'} entry {number}", forward, backward)


def drop(_: object) -> None:
    """Only the effect is wanted."""
