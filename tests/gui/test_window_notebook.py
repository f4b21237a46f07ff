"""The notebook in the window: a list, a small form, and every change can be taken back without losing anything."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from PIL import Image
from PyQt5.QtWidgets import QDialog
from pytestqt.qtbot import QtBot
from window_driving import opened, settle, trouble

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.notebook import read_notebook
from stillbox.gui.main_window import MainWindow
from stillbox.gui.parts.notebook_form import EntryForm
from stillbox.gui.work.notebook_dialog import NotebookDialog

Answers = list[tuple[type[QDialog], Callable[..., bool]]]


@pytest.fixture
def empty(tmp_path: Path) -> Path:
    """A build in which nothing was swept yet."""
    return BuildFolder.create(tmp_path / "pair").path


@pytest.fixture
def answers(monkeypatch: pytest.MonkeyPatch) -> Iterator[Answers]:
    """What each dialog is answered, one after the other: which it must be, and what a person does in it."""
    expected: Answers = []

    def execute(dialog: QDialog) -> int:
        kind, act = expected.pop(0)
        assert type(dialog) is kind
        return int(act(dialog))

    for kind in (NotebookDialog, EntryForm):
        monkeypatch.setattr(kind, "exec_", execute)
    yield expected
    assert not expected


def pressed(name: str, row: int | None = None, lines: int | None = None) -> Callable[[NotebookDialog], bool]:
    """Press a button of the list, with an entry selected."""

    def act(dialog: NotebookDialog) -> bool:
        assert lines is None or dialog.list.count() == lines
        if row is not None:
            dialog.list.setCurrentRow(row)
        getattr(dialog, name).click()
        return bool(dialog.result())

    return act


def closed(dialog: NotebookDialog) -> bool:
    return False


def filled(**values: str | float) -> Callable[[EntryForm], bool]:
    def act(form: EntryForm) -> bool:
        for key, value in values.items():
            if key in form.numbers:
                form.numbers[key].setValue(float(value))
            else:
                field = getattr(form, key)
                (field.setCurrentText if hasattr(field, "setCurrentText") else field.setText)(str(value))
        return True

    return act


def test_entries_are_added_corrected_withdrawn_and_all_of_it_taken_back(
    qtbot: QtBot, window: MainWindow, empty: Path, tmp_path: Path, answers: Answers
) -> None:
    opened(qtbot, window, empty)
    Image.new("RGB", (90, 60), "red").save(tmp_path / "a.png")
    answers += [
        (NotebookDialog, pressed("new", lines=0)),
        (EntryForm, filled(heard="booms & rattles")),
        (NotebookDialog, pressed("new", lines=1)),
        (EntryForm, filled(text="felt", state="lined", material="felt", area_cm2=3500, thickness_mm=10, cost=12.5,
                           currency="eur", parts="C2=8.2u; L1.loss=0.2", pictures=str(tmp_path / "a.png"))),
        (NotebookDialog, pressed("correct", row=1, lines=2)),
        (EntryForm, filled(text="felt at the back", takes_out="1, 2")),
        (NotebookDialog, pressed("turn", row=0)),
        (NotebookDialog, closed),
    ]  # fmt: skip
    window.actions_by_name["ask_notebook"].trigger()
    settle(qtbot, window)
    assert trouble(window) == ""
    first, second = read_notebook(empty).entries
    assert first.heard == "booms & rattles" and first.withdrawn is not None
    assert (second.text, second.cost, second.currency, second.parts, second.pictures) == (
        "felt at the back", 12.5, "EUR", ("C2=8.2u", "L1.loss=0.2"), ("0002-1.jpg",),
    )  # fmt: skip
    assert second.takes_out == (1, 2) and second.minutes is None and second.mass_g is None
    assert [one.text for one in second.former] == ["felt"]
    for _ in range(4):
        window.undo()
        settle(qtbot, window)
    taken_back = read_notebook(empty)
    assert not taken_back.standing and [one.text for one in taken_back.entries] == ["", "felt"]
    for _ in range(4):
        window.redo()
        settle(qtbot, window)
    again = read_notebook(empty)
    assert len(again.entries) == 2 and [entry.text for entry in again.standing] == ["felt at the back"]
    assert len(again.entry(2).former) == 3 and trouble(window) == ""


def test_what_cannot_be_is_told_and_nothing_is_written(
    qtbot: QtBot, window: MainWindow, empty: Path, answers: Answers
) -> None:
    opened(qtbot, window, empty)
    answers += [
        (NotebookDialog, pressed("new")),
        (EntryForm, filled(text="felt", parts="C2 is larger")),
        (NotebookDialog, closed),
    ]
    window.actions_by_name["ask_notebook"].trigger()
    settle(qtbot, window)
    assert "write NAME=VALUE" in trouble(window) and not (empty / "notebook.toml").exists()
    answers += [
        (NotebookDialog, pressed("new")),
        (EntryForm, filled(text="felt", takes_out="the first")),
        (NotebookDialog, closed),
    ]
    window.actions_by_name["ask_notebook"].trigger()
    settle(qtbot, window)
    assert "must be the number of an entry" in trouble(window) and not (empty / "notebook.toml").exists()
    (empty / "notebook.toml").write_text("[[entry]\n")
    window.actions_by_name["ask_notebook"].trigger()
    settle(qtbot, window)
    assert "mend it in a text editor" in trouble(window)
