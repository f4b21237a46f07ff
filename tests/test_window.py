"""The real window, driven offscreen: the whole job from the first start to the export, every button, every error."""

from __future__ import annotations

import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import csv
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from PyQt5.QtCore import QEvent, QMimeData, QPoint, QPointF, Qt, QUrl
from PyQt5.QtGui import QDropEvent, QImage
from PyQt5.QtPrintSupport import QPrinter
from PyQt5.QtWidgets import QApplication, QDialog, QFileDialog, QInputDialog
from pytestqt.qtbot import QtBot

from analysis.cause_signs import CAUSE_SIGNS
from capture.audio_device import DeviceInfo
from capture.build_folder import BuildFolder
from capture.devices import find_device
from capture.live_take import LiveRequest, record_take
from capture.practice_rig import PracticeRig
from capture.safety import cautions_acknowledged
from gui.build_edits import Wastebasket
from gui.import_form import ImportForm
from gui.main_window import MainWindow
from gui.menus import MENUS
from gui.new_build_form import NewBuildForm
from gui.safety_dialogs import CautionsDialog, OutputDialog
from gui.session import practice_build
from gui.settings import Settings
from gui.view import all_views
from gui.words import SUBJECT_WORDS

RECORDINGS = Path(__file__).resolve().parents[1] / "demo_recordings"
HEIGHT_WAVE_HZ = 343.7 / 2 / 0.6
"""First standing wave along the 0.6 m of the practice rig's box: c / 2L, in closed form."""
WAIT_MS = 60_000


@pytest.fixture(autouse=True)
def own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No test reads or writes what belongs to the user."""
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    for name in ("XDG_CONFIG_HOME", "XDG_STATE_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME", "XDG_DOCUMENTS_DIR"):
        monkeypatch.setenv(name, str(tmp_path / "home" / name.lower()))


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A practice build with sweeps in free air, stock and lined."""
    path = practice_build(tmp_path_factory.mktemp("swept"))
    rig = find_device("practice rig")
    for subject, state in (("free-air", None), ("in-box", "stock"), ("in-box", "lined")):
        record_take(BuildFolder.open(path), rig, LiveRequest(subject, state, seconds=2.0), say=lambda _: None)
    return path


@pytest.fixture(scope="module")
def quick_takes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A build whose takes take little to work out: three of free air."""
    path = practice_build(tmp_path_factory.mktemp("quick"))
    rig = find_device("practice rig")
    for _ in range(3):
        record_take(BuildFolder.open(path), rig, LiveRequest("free-air", seconds=2.0), say=lambda _: None)
    return path


@pytest.fixture
def quick(quick_takes: Path, tmp_path: Path) -> Path:
    shutil.copytree(quick_takes, tmp_path / "practice")
    return tmp_path / "practice"


@pytest.fixture
def build(swept: Path, tmp_path: Path) -> Path:
    shutil.copytree(swept, tmp_path / "practice")
    return tmp_path / "practice"


@pytest.fixture
def window(qtbot: QtBot, tmp_path: Path) -> Iterator[MainWindow]:
    made = MainWindow(Settings(hurry=True, seconds=2.0, window_size=[1366, 768]), tmp_path / "window.toml")
    made.show()
    settle(qtbot, made)
    yield made
    made.close()
    qtbot.waitUntil(lambda: not made.isVisible(), timeout=WAIT_MS)
    made.deleteLater()


def settle(qtbot: QtBot, window: MainWindow) -> None:
    """Wait until nothing is being worked at."""
    quiet = 0

    def check() -> bool:
        nonlocal quiet
        busy = window.sweeps.running or any(lane.busy for lane in window.lanes.values())
        quiet = 0 if busy or window.results.pane._settle.isActive() else quiet + 1
        return quiet >= 3

    qtbot.waitUntil(check, timeout=WAIT_MS)


def opened(qtbot: QtBot, window: MainWindow, build: Path) -> MainWindow:
    window.open_build(build)
    settle(qtbot, window)
    return window


def agree(monkeypatch: pytest.MonkeyPatch, dialog: type[QDialog], fill: Callable[[QDialog], None]) -> None:
    """Answer a dialog when it comes up."""

    def execute(self: QDialog) -> int:
        fill(self)
        return QDialog.Accepted

    monkeypatch.setattr(dialog, "exec_", execute)


def click(qtbot: QtBot, button: object) -> None:
    qtbot.mouseClick(button, Qt.LeftButton)


def trouble(window: MainWindow) -> str:
    return window.results.trouble.text() if window.results.trouble_row.isVisible() else ""


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
    assert any(row.cause == "wall" and row.frequency_hz == pytest.approx(178.0, rel=0.02) for row in rows)
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


def test_cursor_reads_what_was_measured(qtbot: QtBot, window: MainWindow, build: Path) -> None:
    from gui.picture_pane import _readings

    opened(qtbot, window, build)
    pane = window.results.pane
    window.focus_picture()
    for _ in range(5):
        qtbot.keyClick(pane, Qt.Key_Right)
    begin = pane.cursor_hz
    qtbot.keyClick(pane, Qt.Key_Right, Qt.ShiftModifier)
    assert pane.cursor_hz == pytest.approx(begin * 2 ** (1 / 12))
    qtbot.keyClick(pane, Qt.Key_Left)
    curve = window.reading.results.data.curve  # type: ignore[union-attr]
    readings = {each.name: value for each, value in _readings(pane.picture.panels[0], 1000.0)}  # type: ignore[union-attr]
    index = int(np.argmin(np.abs(curve.frequency_hz - 1000.0)))
    assert readings["|Z|"] == pytest.approx(abs(curve.impedance_ohm[index]), rel=1e-3)
    assert readings["phase"] == pytest.approx(np.degrees(np.angle(curve.impedance_ohm[index])), abs=0.1)
    qtbot.keyClick(pane, Qt.Key_Down)
    qtbot.keyClick(pane, Qt.Key_Down)
    assert pane.cursor_time is not None and pane.cursor_time > 0
    panel = pane.picture.panels[-1]  # type: ignore[union-attr]
    qtbot.mouseClick(pane, Qt.LeftButton, pos=QPoint(400, round(panel.top + panel.height * 0.7)))
    surface = panel.request.surface
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
    assert window.results.pane.picture.panels[-1].request.surface.unit == "cycles"  # type: ignore[union-attr]


def test_undo_of_every_change(qtbot: QtBot, window: MainWindow, quick: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened(qtbot, window, quick)
    folder = BuildFolder.open(quick)
    monkeypatch.setattr(QInputDialog, "getText", lambda *_, **__: ("braced", True))
    window.bench.takes.select_numbers([3])
    window.rename()
    settle(qtbot, window)
    assert folder.find_take("3").state == "braced"
    window.undo()
    settle(qtbot, window)
    assert folder.find_take("3").state == ""
    window.redo()
    settle(qtbot, window)
    assert folder.find_take("3").state == "braced"

    window.remove()
    settle(qtbot, window)
    assert [take.number for take in folder.takes()] == [1, 2]
    assert not folder.damaged()
    agree(monkeypatch, Wastebasket, lambda dialog: None)
    window.wastebasket()
    settle(qtbot, window)
    assert [take.number for take in folder.takes()] == [1, 2, 3]
    window.undo()
    settle(qtbot, window)
    assert [take.number for take in folder.takes()] == [1, 2]
    window.undo()
    settle(qtbot, window)
    assert folder.load(folder.find_take("3")).samples.shape[1] == 2

    window.bench.reference.setValue(12.0)
    window.bench.reference.editingFinished.emit()
    settle(qtbot, window)
    assert folder.calibration is not None and folder.calibration.reference_ohm == 12.0
    window.undo()
    settle(qtbot, window)
    assert folder.calibration is not None and folder.calibration.reference_ohm == 10.0
    assert window.bench.reference.value() == 10.0


def test_a_bad_name_for_a_state_is_refused(
    qtbot: QtBot, window: MainWindow, quick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened(qtbot, window, quick)
    monkeypatch.setattr(QInputDialog, "getText", lambda *_, **__: ("../x", True))
    window.bench.takes.select_numbers([3])
    window.rename()
    settle(qtbot, window)
    assert "cannot name a state" in trouble(window)
    assert not window.edits.stack.canUndo()
    click(qtbot, window.results.dismiss)
    assert not trouble(window)


def test_stop_keeps_nothing_and_fades(qtbot: QtBot, window: MainWindow, quick: Path) -> None:
    opened(qtbot, window, quick)
    window.bench.hurry.setChecked(False)
    click(qtbot, window.bench.sweep)
    qtbot.waitUntil(lambda: window.bench.progress.value() > 50, timeout=WAIT_MS)
    assert max(window.bench.meters.held_dbfs) > -40
    assert window.bench.meters.updates > 10  # the rate itself is measured by the benchmarks
    assert "left" in window.bench.progress.format()
    qtbot.keyClick(window, Qt.Key_Escape)
    settle(qtbot, window)
    assert "nothing of this sweep was kept" in window.bench.said.text()
    assert len(BuildFolder.open(quick).takes()) == 3
    assert window.bench.sweep.isEnabled() and not window.bench.stop.isEnabled()


def test_closing_during_a_sweep_fades_out_and_asks_nothing(qtbot: QtBot, tmp_path: Path, quick: Path) -> None:
    window = MainWindow(Settings(seconds=5.0), tmp_path / "window.toml")
    window.show()
    opened(qtbot, window, quick)
    window.sweep()
    qtbot.waitUntil(lambda: window.bench.progress.value() > 20, timeout=WAIT_MS)
    window.close()
    qtbot.waitUntil(lambda: not window.isVisible(), timeout=5_000)
    assert len(BuildFolder.open(quick).takes()) == 3
    assert not BuildFolder.open(quick).unfinished()


@pytest.mark.parametrize(
    ("fault", "words"),
    [("open clips", "nothing is on the clips"), ("muted output", "nothing of the test tones arrives")],
)
def test_faults_of_the_wiring_come_as_sentences(
    qtbot: QtBot, window: MainWindow, quick: Path, fault: str, words: str
) -> None:
    opened(qtbot, window, quick)
    window.bench.device.addItem("faulty", f"practice rig: boxy, {fault}")
    window.bench.device.setCurrentIndex(window.bench.device.count() - 1)
    window.sweep()
    settle(qtbot, window)
    assert words in trouble(window).lower()
    assert "Traceback" not in trouble(window)
    assert window.bench.sweep.isEnabled()


def test_what_needs_a_build_says_so(qtbot: QtBot, window: MainWindow, tmp_path: Path) -> None:
    window.sweep()
    assert "No build is open" in trouble(window)
    window.transfers.import_file(tmp_path / "x.wav")
    assert "No build is open" in trouble(window)
    window.transfers.print_picture()
    assert "nothing to print" in trouble(window)
    window.open_build(tmp_path / "nowhere")
    settle(qtbot, window)
    assert "is no build" in trouble(window)
    window.compare()
    assert "nothing to compare" in trouble(window)
    window.help_pages.open_log()
    assert "no log yet" in trouble(window)


class Card(PracticeRig):
    """A rig that passes for a sound card of unknown voltage: cautions apply and the output has to be told."""

    @property
    def info(self) -> DeviceInfo:
        return replace(super().info, name="a card", kind="sound card", harmless=False, loudest_volts=None)


def test_cautions_and_output_come_before_the_first_real_sweep(
    qtbot: QtBot, window: MainWindow, quick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened(qtbot, window, quick)
    monkeypatch.setattr("capture.devices.find_device", lambda *_, **__: Card(real_pace=True))
    window.bench.device.addItem("a card", "0")
    window.bench.device.setCurrentIndex(window.bench.device.count() - 1)
    monkeypatch.setattr(CautionsDialog, "exec_", lambda self: QDialog.Rejected)
    window.sweep()
    settle(qtbot, window)
    assert len(BuildFolder.open(quick).takes()) == 3 and "before anything was played" in window.bench.said.text()

    def read(dialog: QDialog) -> None:
        assert isinstance(dialog, CautionsDialog) and dialog.ok is not None
        assert not dialog.ok.isEnabled()
        dialog.read.setChecked(True)
        assert dialog.ok.isEnabled()

    def measure(dialog: QDialog) -> None:
        assert isinstance(dialog, OutputDialog)
        click(qtbot, dialog.play)
        click(qtbot, dialog.louder)
        dialog.reading.setValue(0.0)
        click(qtbot, dialog.take_reading)
        assert "reading of 0 V" in dialog.trouble.text()
        dialog.reading.setValue(0.1)
        click(qtbot, dialog.take_reading)
        assert dialog.volts.value() == pytest.approx(0.1 * 10 ** (30 / 20), rel=1e-3)  # at -30 dBFS
        dialog.done(QDialog.Accepted)

    agree(monkeypatch, CautionsDialog, read)
    agree(monkeypatch, OutputDialog, measure)
    window.sweep()
    settle(qtbot, window)
    newest = BuildFolder.open(quick).takes()[-1]
    assert newest.number == 4 and newest.live is not None
    assert newest.live.loudest_volts == pytest.approx(3.162, rel=1e-3)
    assert cautions_acknowledged(BuildFolder.open(quick))
    click(qtbot, window.bench.output_button)
    settle(qtbot, window)
    assert not trouble(window)


def test_a_new_build_asks_for_the_resistor_when_it_sweeps(
    qtbot: QtBot, window: MainWindow, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fill(form: QDialog) -> None:
        assert isinstance(form, NewBuildForm)
        form.folder.setText(str(tmp_path))
        form.name.setText("shelf pair")
        for field, value in zip(form.sides, (600, 350, 280), strict=True):
            field.setValue(value)

    agree(monkeypatch, NewBuildForm, fill)
    window.new_build()
    settle(qtbot, window)
    folder = BuildFolder.open(tmp_path / "shelf pair")
    assert folder.description.inside_mm == (600, 350, 280)
    assert folder.calibration is None
    window.sweep()
    settle(qtbot, window)
    assert folder.calibration is not None and folder.calibration.reference_ohm == 10.0
    assert len(folder.takes()) == 1 and not trouble(window)
    agree(monkeypatch, NewBuildForm, fill)
    window.new_build()
    settle(qtbot, window)
    assert "is a build already" in trouble(window)


def test_a_dropped_recording_is_taken_in(
    qtbot: QtBot, window: MainWindow, quick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened(qtbot, window, quick)

    def fill(form: QDialog) -> None:
        assert isinstance(form, ImportForm)
        form.subject.setCurrentIndex(form.subject.findData("in-box"))
        form.state.setText("from outside")
        form.excitation.setText(str(RECORDINGS / "sweep-5s.json"))

    agree(monkeypatch, ImportForm, fill)
    data = QMimeData()
    data.setUrls([QUrl.fromLocalFile(str(RECORDINGS / "in-box-stock.flac"))])
    window.dropEvent(QDropEvent(QPointF(5, 5), Qt.CopyAction, data, Qt.LeftButton, Qt.NoModifier))
    qtbot.waitUntil(lambda: "Kept as take 4" in window.bench.said.text(), timeout=WAIT_MS)
    assert BuildFolder.open(quick).find_take("4").state == "from outside"


def test_a_damaged_recording_is_refused(
    qtbot: QtBot, window: MainWindow, quick: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened(qtbot, window, quick)
    (tmp_path / "noise.wav").write_bytes(b"no sound at all")
    (tmp_path / "noise.json").write_text((RECORDINGS / "sweep-2s.json").read_text())
    agree(monkeypatch, ImportForm, lambda form: None)
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_, **__: (str(tmp_path / "noise.wav"), ""))
    window.actions_by_name["ask_import"].trigger()
    settle(qtbot, window)
    assert "noise.wav" in trouble(window)
    assert len(BuildFolder.open(quick).takes()) == 3


def test_exports_write_what_the_commands_write(
    qtbot: QtBot, window: MainWindow, build: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from analysis.bench import Bench
    from analysis.export import curve_csv

    opened(qtbot, window, build)
    window.transfers.fill_exports(window.export_menu)
    actions = window.export_menu.actions()
    assert [action.text().split(" (")[0] for action in actions] == [
        "Picture",
        "Impedance as a table",
        "Impedance for simulators",
        "Decay as a table",
    ]
    for action, name in zip(actions, ("p.svg", "z.csv", "z.z1p", "d.csv"), strict=True):
        monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_, name=name, **__: (str(tmp_path / name), ""))
        action.trigger()
        settle(qtbot, window)
    assert (tmp_path / "p.svg").read_text().startswith("<?xml")
    bench = Bench(BuildFolder.open(build))
    assert (tmp_path / "z.csv").read_text() == curve_csv(bench.curve(bench.in_box("lined")))
    assert "# Hz Z RI R 1" in (tmp_path / "z.z1p").read_text()
    with (tmp_path / "d.csv").open() as file:
        assert len(list(csv.DictReader(file))) > 10_000
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_, **__: (str(tmp_path / "no" / "where.csv"), ""))
    actions[1].trigger()
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


def test_settings_come_back(qtbot: QtBot, tmp_path: Path, quick: Path) -> None:
    from gui.settings import read_settings

    path = tmp_path / "kept.toml"
    window = MainWindow(Settings(), path)
    window.show()
    opened(qtbot, window, quick)
    window.toggle_theme()
    window.toggle_decay()
    window.bench.unit.setCurrentText("B")
    settle(qtbot, window)
    window.close()
    kept = read_settings(path)
    assert (kept.theme, kept.decay_style, kept.unit) == ("dark", "heat", "B")
    assert kept.recent == [str(quick.resolve())]
    path.write_text("theme = 7\nrecent = [1]\nunit = 'C'\n")
    assert read_settings(path) == Settings(unit="C")
    path.write_bytes(b"\xff\xfe")
    assert read_settings(path) == Settings()


def test_wiring_and_cautions_follow_the_case(qtbot: QtBot, window: MainWindow) -> None:
    pictures = set()
    for subject in SUBJECT_WORDS:
        for jig in ("high-side", "low-side"):
            window.bench.choose_subject(subject)
            window.bench.jig.setCurrentIndex(window.bench.jig.findData(jig))
            image = window.bench.wiring.grab().toImage().convertToFormat(QImage.Format_RGB32)
            bits = image.constBits()
            bits.setsize(image.byteCount())
            pictures.add(bytes(bits))
    assert len(pictures) >= 2 * len(SUBJECT_WORDS) - 4  # in the box and in a test box differ by the port only
    assert not window.bench.caution.isVisible()
    window.bench.device.addItem("a card", "0")
    window.bench.device.setCurrentIndex(window.bench.device.count() - 1)
    window.bench.choose_subject("free-air")
    assert window.bench.caution.isVisible()
    for word in ("power amplifier", "tweeter", "ear protection", "no safety instrument"):
        assert word in window.bench.caution.text()
    window.bench.choose_subject("load")
    assert window.bench.load_row.isVisible()


def test_every_action_has_words_and_keys_of_its_own(window: MainWindow) -> None:
    keys = [keys for _, entries in MENUS for _, keys, _ in entries if keys]
    assert len(keys) == len(set(keys))
    for _, entries in MENUS:
        for words, _, name in entries:
            assert not name or window.actions_by_name[name].text().startswith(words.split(" …")[0][:4])
    for show in (window.help_pages.show_jig, window.help_pages.show_keys, window.help_pages.show_about):
        show()
    assert "reference resistor" in window.help_pages.jig_window.toPlainText()
    window.help_pages.message.close()
    window.help_pages.jig_window.close()


def test_every_field_of_the_bench_is_reached_by_tab(qtbot: QtBot, window: MainWindow) -> None:
    panel = window.bench
    wanted = {panel.subject, panel.state, panel.unit, panel.jig, panel.device, panel.level, panel.sweep, panel.takes}
    window.activateWindow()
    panel.build_button.setFocus()
    seen = set()
    for _ in range(40):
        focused = window.focusWidget()
        seen |= {field for field in wanted if focused is field or field.isAncestorOf(focused)}
        window.focusNextChild()
    assert seen == wanted


def test_views_find_themselves() -> None:
    views = all_views()
    assert [view.key for view in views] == ["take", "compare"]
    assert len({view.order for view in views}) == len(views)
    assert set(CAUSE_SIGNS)


@pytest.mark.skipif(shutil.which("Xvfb") is None, reason="Xvfb is not installed")
def test_a_real_window_on_a_screen(qtbot: QtBot, build: Path, tmp_path: Path) -> None:
    from window_on_screen import Photo, photograph

    path = photograph(Photo("compare", 1366, 768, scene="compare"), tmp_path, build)
    image = QImage(str(path))
    assert (image.width(), image.height()) == (1366, 768)
    colours = {image.pixel(x, y) for x in range(0, 1366, 7) for y in range(0, 768, 7)}
    assert len(colours) > 60


def test_without_a_screen_there_is_a_sentence(tmp_path: Path) -> None:
    bare = {key: value for key, value in os.environ.items() if key not in ("DISPLAY", "WAYLAND_DISPLAY")}
    bare.pop("QT_QPA_PLATFORM", None)
    program = str(Path(__file__).resolve().parents[1] / "stillbox.py")
    for arguments in ([], [str(tmp_path)]):
        ran = subprocess.run([sys.executable, program, *arguments], env=bare, capture_output=True, text=True)
        assert ran.returncode == 2
        assert ran.stderr.startswith("stillbox: there is no screen") and ran.stderr.count("\n") == 1
    bare["QT_QPA_PLATFORM"] = "offscreen"
    ran = subprocess.run([sys.executable, program, str(tmp_path)], env=bare, capture_output=True, text=True)
    assert ran.returncode == 2 and "is no build" in ran.stderr


def test_the_box_is_read_again_after_the_editor(
    qtbot: QtBot, window: MainWindow, build: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened(qtbot, window, build)
    monkeypatch.setattr("gui.main_window.QDesktopServices.openUrl", lambda url: True)
    assert any(row.cause == "standing wave" for row in window.results.findings.rows)
    window.edit_description()
    path = build / "build.toml"
    path.write_text(path.read_text().replace("inside_mm", "# inside_mm"))
    QApplication.sendEvent(window, QEvent(QEvent.ActivationChange))
    settle(qtbot, window)
    assert not any(row.cause == "standing wave" for row in window.results.findings.rows)
    assert any("inside dimensions are not known" in note for note in window.reading.results.notes)  # type: ignore[union-attr]
