"""The real window, driven offscreen: the whole job, the picture and what leaves it."""

from __future__ import annotations

import csv
import shutil
from itertools import pairwise
from pathlib import Path

import invented_speaker
import numpy as np
import pytest
from PyQt5.QtCore import QPoint, Qt
from PyQt5.QtGui import QImage, QPainter
from PyQt5.QtPrintSupport import QPrinter
from PyQt5.QtWidgets import QFileDialog, QMessageBox, QWidget
from pytestqt.qtbot import QtBot
from window_driving import click, opened, settle, trouble

from stillbox.analysis.drawing.cause_signs import CAUSE_SIGNS
from stillbox.analysis.drawing.picture_marks import marks_of_changes, marks_of_findings
from stillbox.analysis.impedance.repeatability import bare_driver_findings
from stillbox.analysis.maths.number_words import frequency_words
from stillbox.analysis.ringing.comparison import Change, Comparison
from stillbox.analysis.ringing.summary import summary_of_comparison
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.practice.practice_speakers import INSIDE_M, SPEED_OF_SOUND_M_S
from stillbox.gui.main_window import MainWindow
from stillbox.gui.results.exporting import ask_path
from stillbox.gui.results.finding_rows import driver_row
from stillbox.gui.results.view import Export
from stillbox.gui.views.all_views import ALL_VIEWS
from stillbox.gui.views.two_states import change_row

HEIGHT_WAVE_HZ = SPEED_OF_SOUND_M_S / 2 / INSIDE_M[0]
"""First standing wave along the height of the practice rig's box: c / 2L, in closed form."""


def test_the_whole_job(qtbot: QtBot, window: MainWindow, tmp_path: Path) -> None:
    """First start, free air, stock, lined, findings, compare, export; a first result after three clicks."""
    assert window.first_start.isVisible()
    click(qtbot, window.first_start.practice)
    settle(qtbot, window)
    assert window.bench.subject_key() == "free-air"
    click(qtbot, window.bench.sweep)
    assert window.bench.stop.isEnabled() and not window.bench.sweep.isEnabled()
    settle(qtbot, window)
    assert "Fundamental resonance at" in window.results.sentence.text()
    assert window.bench.subject_key() == "in-box"
    click(qtbot, window.bench.sweep)
    settle(qtbot, window)
    rows = window.results.findings.rows
    first = min(rows, key=lambda row: abs(row.frequency_hz - HEIGHT_WAVE_HZ))
    assert first.frequency_hz == pytest.approx(HEIGHT_WAVE_HZ, rel=0.03)
    assert first.cause == "standing wave"
    assert any(row.cause == "wall" and row.frequency_hz == pytest.approx(232.0, rel=0.02) for row in rows)
    assert "tuned to" in window.results.sentence.text() and "Next" in window.results.sentence.text()

    window.bench.state.setCurrentText("lined")
    qtbot.keyClick(window, Qt.Key_F5)
    settle(qtbot, window)
    assert [take.state for take in window.listing.takes] == ["", "stock", "lined"]  # type: ignore[union-attr]
    window.compare()
    settle(qtbot, window)
    assert window.reading.view is not None and window.reading.view.key == "compare"
    wall = next(row for row in window.results.findings.rows if row.cause == "wall")
    assert "gone" in wall.numbers

    for export in window.reading.view.exports(window.reading.results, window.results.wish()):  # type: ignore[arg-type]
        path = tmp_path / f"out{export.suffixes[0]}"
        window.transfers.export(export, path)
        settle(qtbot, window)
        assert path.stat().st_size > 1000
        path.unlink()
    assert not trouble(window)


def test_a_finding_is_lit_everywhere(qtbot: QtBot, window: MainWindow, build: Path) -> None:
    opened(qtbot, window, build)
    assert window.reading.takes[0].state == "lined"
    window.bench.takes.select_numbers([2])
    settle(qtbot, window)
    window.next_finding()
    row = window.results.findings.current()
    assert row is not None
    assert window.results.pane.selected_hz == row.frequency_hz
    assert row.advice in window.results.findings.details.toPlainText().replace("\n", " ")
    before = window.results.pane.grab().toImage()
    window.next_finding()
    assert window.results.pane.grab().toImage() != before
    third = window.results.findings.rows[2].frequency_hz
    pane = window.results.pane
    place = QPoint(round(pane.x_of(third)), round(pane.picture.panels[0].top + 5))  # type: ignore[union-attr]
    qtbot.mouseClick(pane, Qt.LeftButton, pos=place)
    picked = window.results.findings.current()
    assert picked is not None and picked.frequency_hz == pytest.approx(third, rel=0.03)
    assert pane.selected_hz == picked.frequency_hz
    # In a take where nothing of it is, nothing stays lit.
    window.bench.takes.select_numbers([1])
    settle(qtbot, window)
    assert window.results.findings.current() is None and pane.selected_hz is None


def test_the_list_of_takes_says_what_is_simulated(qtbot: QtBot, window: MainWindow, build: Path) -> None:
    opened(qtbot, window, build)
    model = window.bench.takes.takes_model
    notes = model.index(0, model.columnCount() - 1)
    assert "rig" in model.data(notes)
    assert "made with the practice rig, a simulated speaker" in model.data(notes, Qt.ToolTipRole)
    table, measure = window.bench.takes, window.bench.takes.fontMetrics().horizontalAdvance
    for column in range(model.columnCount() - 1):
        shown = [model.headerData(column, Qt.Horizontal)]
        shown += [model.data(model.index(row, column)) for row in range(model.rowCount())]
        assert table.columnWidth(column) > max(map(measure, shown))


def test_a_view_goes_to_a_take_that_it_can_show_or_says_what_it_needs(
    qtbot: QtBot, window: MainWindow, quick: Path
) -> None:
    opened(qtbot, window, quick)
    window.results.view_wanted.emit("bass")
    settle(qtbot, window)
    assert trouble(window).startswith("Box and bass needs one take of the speaker in its box: select it on the left")
    assert window.reading.view is not None and window.reading.view.key == "take"
    window.results.view_wanted.emit("driver")
    settle(qtbot, window)
    assert window.reading.view.key == "driver" and not trouble(window)


def test_what_cannot_be_told_is_not_called_unchanged() -> None:
    first, second = invented_speaker.report(invented_speaker.fit()).findings[:2]
    changes = (
        Change(first.resonance.frequency_hz, first, first, "unchanged", 0.1, 0.01),
        Change(second.resonance.frequency_hz, second, None, "unchanged", -1.0, 2.0),
    )
    comparison = Comparison("stock", "lined", "A", changes, ())
    before, after = invented_speaker.report(invented_speaker.fit()), invented_speaker.report(invented_speaker.fit(()))
    said = summary_of_comparison(comparison, before, after)
    assert f"{frequency_words(first.resonance.frequency_hz)} unchanged" in said
    unseen = frequency_words(second.resonance.frequency_hz)
    assert f"{unseen} cannot be told" in said and f"nothing new below {unseen}" in said
    assert [row.numbers.split(":")[0] for row in map(change_row, changes)] == ["unchanged", "cannot be told"]
    marks = marks_of_changes(comparison.changes)
    assert [mark.label.split(": ")[1] for mark in marks] == ["unchanged", "cannot be told"]


def test_a_resonance_of_the_driver_alone() -> None:
    """In free air there is but one cause: nothing is said of how sure it is."""
    fit = invented_speaker.fit()
    alone = bare_driver_findings(fit)
    rows = [driver_row(one, fit.detection_limit) for one in alone]
    marks = marks_of_findings(alone)
    assert [(row.frequency_hz, row.cause) for row in rows] == [(mark.frequency_hz, mark.cause) for mark in marks]
    assert {row.cause for row in rows} == {"driver"} and marks[0].label == "178 Hz driver"
    assert not any("sure" in text for row in rows for text in (row.numbers, *row.values))
    assert "±" in rows[0].values[0]


def test_cursor_reads_what_was_measured(qtbot: QtBot, window: MainWindow, build: Path) -> None:
    from stillbox.gui.results.picture_pane import _readings

    opened(qtbot, window, build)
    pane = window.results.pane
    window.focus_picture()
    for _ in range(5):
        qtbot.keyClick(pane, Qt.Key_Right)
    begin = pane.cursor_hz
    qtbot.keyClick(pane, Qt.Key_Right, Qt.ShiftModifier)
    assert pane.cursor_hz == pytest.approx(begin * 2 ** (1 / 12))
    qtbot.keyClick(pane, Qt.Key_Left)
    curve = window.reading.results.data.measured.curve  # type: ignore[union-attr]
    readings = {each.name: value for each, value in _readings(pane.picture.panels[0], 1000.0)}  # type: ignore[union-attr]
    index = int(np.argmin(np.abs(curve.frequency_hz - 1000.0)))
    assert readings["|Z|"] == pytest.approx(abs(curve.impedance_ohm[index]), rel=1e-3)
    assert readings["phase"] == pytest.approx(np.degrees(np.angle(curve.impedance_ohm[index])), abs=0.1)
    qtbot.keyClick(pane, Qt.Key_Down)
    qtbot.keyClick(pane, Qt.Key_Down)
    assert pane.cursor_time is not None and pane.cursor_time > 0
    panel = pane.picture.panels[-1]  # type: ignore[union-attr]
    qtbot.mouseClick(pane, Qt.LeftButton, pos=QPoint(400, round(panel.top + panel.height * 0.7)))
    surface = panel.panel.surface
    assert surface is not None
    assert surface.starts[0] <= pane.cursor_time <= surface.starts[-1]
    assert surface.time_of(surface.height_of(20.0)) == pytest.approx(20.0)


def test_zoom_pan_reset(qtbot: QtBot, window: MainWindow, build: Path) -> None:
    opened(qtbot, window, build)
    pane = window.results.pane
    whole = pane.ends_hz
    for name, narrower in (("zoom_in", True), ("zoom_out", False)):
        before = np.log(pane.ends_hz[1] / pane.ends_hz[0])
        window.actions_by_name[name].trigger()
        assert bool(np.log(pane.ends_hz[1] / pane.ends_hz[0]) < before) is narrower
    window.zoom_in()
    settle(qtbot, window)
    ratio = pane.ends_hz[1] / pane.ends_hz[0]
    qtbot.mousePress(pane, Qt.LeftButton, pos=QPoint(300, 250))
    qtbot.mouseMove(pane, QPoint(340, 250))
    held = pane.ends_hz
    qtbot.mouseRelease(pane, Qt.LeftButton, pos=QPoint(340, 250))
    assert held[1] / held[0] == pytest.approx(ratio)
    qtbot.mousePress(pane, Qt.LeftButton, Qt.ShiftModifier, QPoint(200, 250))
    wanted = (pane.frequency_at(200), pane.frequency_at(300))
    qtbot.mouseRelease(pane, Qt.LeftButton, Qt.ShiftModifier, QPoint(300, 250))
    assert pane.ends_hz == pytest.approx(wanted)
    settle(qtbot, window)
    assert (pane.picture.low_hz, pane.picture.high_hz) == pytest.approx(wanted)  # type: ignore[union-attr]
    click(qtbot, window.results.reset)
    settle(qtbot, window)
    assert pane.ends_hz == pytest.approx(whole)


def test_decay_styles_and_themes_change_the_picture(qtbot: QtBot, window: MainWindow, build: Path) -> None:
    opened(qtbot, window, build)
    seen = []
    for change in (lambda: None, window.toggle_decay, window.toggle_time, window.toggle_theme):
        change()
        settle(qtbot, window)
        seen.append(window.results.pane.picture.pixels.copy())  # type: ignore[union-attr]
    for first, second in pairwise(seen):
        assert first.shape == second.shape and np.any(first != second)
    assert seen[0][..., :3].mean() > 200 > 80 > seen[-1][..., :3].mean()
    assert window.results.pane.picture.panels[-1].panel.surface.unit == "cycles"  # type: ignore[union-attr]


def test_exports_write_what_the_commands_write(
    qtbot: QtBot, window: MainWindow, build: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from stillbox.analysis.bench import Bench
    from stillbox.analysis.curve.curve_files import curve_csv

    opened(qtbot, window, build)
    window.transfers.fill_exports(window.export_menu)
    actions = window.export_menu.actions()
    assert [action.text().split(" (")[0] for action in actions] == [
        "Picture",
        "Report of this take",
        "Impedance as a table",
        "Impedance for simulators",
        "Decay as a table",
    ]
    for action, name in zip(actions, ("p.svg", "r.html", "z.csv", "z.z1p", "d.csv"), strict=True):
        monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_, name=name, **__: (str(tmp_path / name), ""))
        action.trigger()
        settle(qtbot, window)
    assert (tmp_path / "p.svg").read_text().startswith("<?xml")
    bench = Bench(BuildFolder.open(build))
    assert (tmp_path / "z.csv").read_text() == curve_csv(bench.curve(bench.in_box("lined")))
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "Findings, lined" in page and "Box, lined" in page
    assert "# Hz Z RI R 1" in (tmp_path / "z.z1p").read_text()
    with (tmp_path / "d.csv").open() as file:
        assert len(list(csv.DictReader(file))) > 10_000
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_, **__: (str(tmp_path / "no" / "where.csv"), ""))
    actions[2].trigger()
    settle(qtbot, window)
    assert "cannot write" in trouble(window).lower()


def test_printing_fills_a_page(qtbot: QtBot, window: MainWindow, build: Path, tmp_path: Path) -> None:
    opened(qtbot, window, build)
    printer = QPrinter()
    printer.setOutputFormat(QPrinter.PdfFormat)
    printer.setOutputFileName(str(tmp_path / "page.pdf"))
    window.transfers.print_on(printer)
    settle(qtbot, window)
    assert (tmp_path / "page.pdf").read_bytes().startswith(b"%PDF")
    assert (tmp_path / "page.pdf").stat().st_size > 20_000


@pytest.mark.parametrize("form", [QPrinter.PdfFormat, QPrinter.NativeFormat])
def test_printing_to_a_file_obeys_the_rules_of_files(
    qtbot: QtBot, window: MainWindow, build: Path, tmp_path: Path, form: QPrinter.OutputFormat
) -> None:
    opened(qtbot, window, build)
    take = sorted((build / "takes").glob("*.flac"))[0]
    precious = tmp_path / "precious.pdf"
    precious.write_text("no print at all")
    (tmp_path / "link.pdf").symlink_to(build / "build.toml")
    before = {path: path.read_bytes() for path in (take, build / "build.toml", precious)}
    for path, words in (
        (take, "must end in .pdf or .ps"),
        (build / "build.toml", "must end in .pdf or .ps"),
        (build / "takes" / "page.pdf", "holds nothing but takes"),
        (tmp_path / "link.pdf", "never written over"),
        (precious, "is not a print"),
        (tmp_path / "nowhere" / "page.pdf", "no folder"),
    ):
        printer = QPrinter()
        printer.setOutputFormat(form)
        printer.setOutputFileName(str(path))
        window.transfers.print_on(printer)
        settle(qtbot, window)
        assert words in trouble(window)
        window.results.clear_trouble()
    assert {path: path.read_bytes() for path in before} == before
    assert not (build / "takes" / "page.pdf").exists()
    printer = QPrinter()
    printer.setOutputFileName(str(tmp_path / "again.pdf"))
    for _ in range(2):  # a print may be replaced by a print
        window.transfers.print_on(printer)
        settle(qtbot, window)
        assert not trouble(window)
        assert (tmp_path / "again.pdf").stat().st_size > 20_000


def test_a_printer_that_does_not_begin_is_said(
    qtbot: QtBot, window: MainWindow, build: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened(qtbot, window, build)
    monkeypatch.setattr(QPainter, "begin", lambda *_: False)
    printer = QPrinter()
    printer.setOutputFormat(QPrinter.PdfFormat)
    for name, words in (("", "neither a printer nor the name of a file"), ("page.pdf", "printer does not begin")):
        printer.setOutputFileName(name and str(tmp_path / name))
        window.transfers.print_on(printer)
        settle(qtbot, window)
        assert words in trouble(window)
        window.results.clear_trouble()
    assert not list(tmp_path.glob("*.pdf"))


@pytest.mark.parametrize("answer", [QMessageBox.Yes, QMessageBox.No])
def test_a_file_that_the_suffix_leads_to_is_asked_about(
    qtbot: QtBot, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, answer: int
) -> None:
    """The person types "mine" and is asked by the dialog about that; "mine.csv" is what would be replaced."""
    (tmp_path / "mine.csv").write_text("a,b\n")
    given = [str(tmp_path / "mine"), str(tmp_path / "other")]
    begun, asked = [], []
    monkeypatch.setattr(
        QFileDialog, "getSaveFileName", lambda _, words, begin, kinds: (begun.append(begin), (given.pop(0), ""))[1]
    )
    monkeypatch.setattr(QMessageBox, "exec_", lambda box: (asked.append(box.text()), answer)[1])
    parent = QWidget()
    qtbot.addWidget(parent)
    chosen = ask_path(parent, Export("A table", (".csv",), lambda _: None), str(tmp_path), "first")
    assert asked == [f"mine.csv is already in {tmp_path}. Replace it?"]
    if answer == QMessageBox.Yes:
        assert chosen == tmp_path / "mine.csv"
    else:
        assert chosen == tmp_path / "other.csv"
        assert begun[1] == str(tmp_path / "mine.csv")


def test_views_find_themselves() -> None:
    views = ALL_VIEWS
    assert [view.key for view in views] == ["take", "compare", "driver", "bass", "network"]
    assert set(CAUSE_SIGNS)


@pytest.mark.skipif(shutil.which("Xvfb") is None, reason="Xvfb is not installed")
def test_a_real_window_on_a_screen(qtbot: QtBot, build: Path, tmp_path: Path) -> None:
    from window_on_screen import Photo, photograph

    path = photograph(Photo("compare", 1366, 768, scene="compare"), tmp_path, build)
    image = QImage(str(path))
    assert (image.width(), image.height()) == (1366, 768)
    colours = {image.pixel(x, y) for x in range(0, 1366, 7) for y in range(0, 768, 7)}
    assert len(colours) > 60


def test_the_rest_of_the_list_is_folded(qtbot: QtBot, window: MainWindow, build: Path) -> None:
    opened(qtbot, window, build)
    window.bench.takes.select_numbers([2])
    settle(qtbot, window)
    findings = window.results.findings
    rows, entries = findings.rows, findings.list

    def shown() -> list[str]:
        items = [entries.item(index) for index in range(entries.count())]
        return [item.text() for item in items if not item.isHidden()]

    assert shown() == [*(row.head for row in rows[:3]), f"and {len(rows) - 3} smaller"]
    entries.setCurrentRow(len(rows))
    assert shown() == [row.head for row in rows] and findings.current() is rows[3]
    findings.show_rows(list(rows), (), None, 3)  # the same again, with more known: stays open
    assert len(shown()) == len(rows)
    findings.unselect()
    window.bench.takes.select_numbers([3])
    settle(qtbot, window)
    window.bench.takes.select_numbers([2])
    settle(qtbot, window)
    assert len(shown()) == 4
    for _ in range(4):  # by key past the fold
        window.next_finding()
    assert findings.current() is findings.rows[3] and len(shown()) == len(findings.rows)
