"""The crossover in the window: written as a table, drawn, kept, tried at once, taken back."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest
from PyQt5.QtCore import Qt
from pytestqt.qtbot import QtBot
from reference.wild_two_ways import WildTwoWay, wild_two_way, write_build
from window_driving import WAIT_MS, click, settle, trouble

from stillbox.analysis.crossover.draft import Draft, DraftRow
from stillbox.analysis.network.differences import network_differences
from stillbox.analysis.network.netlist import network_from_text, read_netlist
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.recording.take import TakeInfo
from stillbox.capture.sweep.excitation import Excitation
from stillbox.gui.main_window import MainWindow
from stillbox.gui.parts.theme import DARK, LIGHT
from stillbox.gui.results.parts_desk import COLUMNS, PartsDesk
from stillbox.gui.results.parts_sheet import PartsSheet

TAKES = (("channel-match", ""), ("load", ""), ("free-air", "woofer"), ("free-air", "tweeter"), ("in-box", ""))
SWEEP = Excitation(seconds=2.0, repeats=1)


@pytest.fixture(scope="module")
def speaker() -> WildTwoWay:
    return wild_two_way(12)


@pytest.fixture
def build(speaker: WildTwoWay, tmp_path: Path) -> BuildFolder:
    return write_build(speaker, tmp_path / "two", SWEEP, takes=TAKES)


def write(desk: PartsDesk, name: str, column: str, text: str) -> None:
    """As somebody types it into a cell."""
    row = [one.name for one in desk.draft.rows].index(name)
    item = desk.table.item(row, COLUMNS.index(column))
    assert item is not None and item.flags() & Qt.ItemIsEditable
    item.setText(text)


def shown(qtbot: QtBot, window: MainWindow, build: BuildFolder) -> PartsDesk:
    window.open_build(build.path)
    qtbot.waitUntil(lambda: bool(window.reading.takes), timeout=WAIT_MS)
    window._view_wanted("network")  # before the findings are worked out
    settle(qtbot, window)
    assert trouble(window) == ""
    return window.results.desk


def test_a_crossover_is_written_kept_tried_and_taken_back(
    qtbot: QtBot, window: MainWindow, build: BuildFolder, speaker: WildTwoWay
) -> None:
    """No netlist is seen, and none is replaced."""
    desk = shown(qtbot, window, build)
    assert "Write its parts into the table" in window.results.sentence.text()
    assert [row.name for row in desk.draft.rows] == ["tweeter", "woofer"] and not desk.keep.isEnabled()
    planned = network_from_text(speaker.netlist())
    for part in planned.parts:
        desk._add(part.kind)
        write(desk, desk.draft.rows[desk.table.currentRow()].name, "Part", part.name)
        letter = {"capacitor": "u", "coil": "m", "resistor": ""}[part.kind]
        scale = {"u": 1e-6, "m": 1e-3, "": 1.0}[letter]
        cells = {"From": part.nodes[0], "To": part.nodes[1], "Value": f"{part.value / scale:.6g}{letter}"}
        if part.loss_ohm:
            cells["Loss"] = f"{part.loss_ohm:.3g}"
        for column, text in cells.items():
            write(desk, part.name, column, text)
    assert desk.fault.startswith("Node") and not desk.keep.isEnabled()
    for place in planned.drivers:
        write(desk, place.name, "From", place.positive)
        write(desk, place.name, "To", place.negative)
    assert desk.fault == "" and desk.circuit.schematic is not None and desk.circuit.schematic.is_ladder
    assert desk.keep.text() == "Keep for all takes"
    write(desk, "C1", "± %", "2")
    path = build.path / "build.toml"
    path.write_text(path.read_text(encoding="utf-8") + "# by hand\n", encoding="utf-8")
    click(qtbot, desk.keep)
    settle(qtbot, window)
    kept = build.path / "crossover" / "0001.cir"
    assert network_differences(planned, network_from_text(read_netlist(kept))) == ()
    assert build.description.crossover.parts == {"C1": 2.0}
    assert "# by hand" in path.read_text(encoding="utf-8")
    assert "Lowest impedance" in window.results.sentence.text() and desk.table.item(0, 8).text() != ""

    # Tried at once: painted over the picture before the picture itself is drawn.
    numbers = [row.numbers for row in window.results.findings.rows]
    write(desk, "C1", "Value", "6.8u")
    qtbot.waitUntil(lambda: bool(window.results.pane._overlay), timeout=WAIT_MS)
    settle(qtbot, window)
    assert not window.results.pane._overlay and "dB at" in window.results.sentence.text()
    assert [row.numbers for row in window.results.findings.rows] != numbers
    assert desk.keep.text() == "Keep from state stock on" and desk.keep.isEnabled()
    report = window.reading.results.data.report
    assert report.swaps == ("C1 12 → 6.8 µF",)
    assert [len(place.panel.curves) for place in window.results.pane.picture.panels][:2] == [3, 6]
    desk.cable.setText("3m,1.5mm2")
    desk.cable.editingFinished.emit()
    settle(qtbot, window)
    assert len(window.reading.results.data.report.swaps) == 2
    assert (desk.sheet.state, desk.sheet.unit, desk.sheet.planned.part("C1").value) == ("stock", None, 12e-6)

    # Taken back: what was tried, then what was kept, which stays in the wastebasket.
    window.edits.stack.undo()
    assert desk.draft == desk.sheet.draft
    window.edits.stack.undo()
    settle(qtbot, window)
    assert not kept.exists() and (build.path / "wastebasket" / kept.name).exists()
    assert build.description.crossover.parts == {} and not desk.sheet.kept
    window.edits.stack.redo()
    qtbot.waitUntil(kept.exists, timeout=WAIT_MS)


def test_what_is_wrong_is_said_below_the_table(qtbot: QtBot) -> None:
    desk = PartsDesk()
    qtbot.addWidget(desk)
    steps: list[Draft] = []
    desk.edited.connect(lambda before, after, _: (steps.append(before), desk.take_draft(after)))
    take = cast(TakeInfo, SimpleNamespace(number=1))
    drivers = (DraftRow("woofer", "in", "0", is_driver=True),)
    desk.show_sheet(PartsSheet(take, Draft(drivers), False, "Keep", None, None))
    desk.show()
    desk._add("capacitor")
    assert desk.draft.rows[0].name == "C1" and desk.fault == ""
    write(desk, "C1", "Value", "much")
    assert desk.fault.startswith("Value of C1: 'much'") and desk.told.text() == desk.fault
    write(desk, "C1", "Value", "4u7")
    assert desk.fault == "" and desk.draft.rows[0].value == "4.7 µF" and len(steps) == 3
    write(desk, "C1", "To", "nowhere")
    assert "floats" in desk.fault and desk.circuit.schematic is not None and "C1" in desk.circuit.schematic.places
    desk.take_draft(steps[-1])
    desk.cable.setText("long")
    desk.cable.editingFinished.emit()
    assert "'long' is no cable" in desk.fault
    desk.table.setCurrentCell(0, 0)
    assert desk.circuit.selected == "C1"
    desk.circuit.picked.emit("woofer")
    assert desk.table.currentRow() == 1
    click(qtbot, desk.remove)
    assert [one.name for one in desk.draft.rows] == ["C1"]
    click(qtbot, desk.back)
    assert desk.draft == Draft(drivers) and desk.cable.text() == "" and not desk.back.isEnabled()
    for theme in (DARK, LIGHT):
        desk.set_theme(theme)
        assert not desk.circuit.grab().isNull()
