"""The real window, driven offscreen: the bench, every change, every error."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from places import RECORDINGS
from PyQt5.QtCore import QEvent, QMimeData, QPointF, Qt, QUrl
from PyQt5.QtGui import QDropEvent, QImage
from PyQt5.QtWidgets import QApplication, QDialog, QFileDialog, QInputDialog
from pytestqt.qtbot import QtBot
from window_driving import WAIT_MS, Card, agree, click, opened, settle, trouble

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.live.live_take import LiveRequest, record_take
from stillbox.capture.practice.practice_rig import PracticeRig
from stillbox.capture.sound.safety import cautions_acknowledged
from stillbox.gui.bench.import_form import ImportForm
from stillbox.gui.bench.meters import LOWEST_DBFS
from stillbox.gui.bench.new_build_form import NewBuildForm
from stillbox.gui.bench.safety_dialogs import CautionsDialog, OutputDialog
from stillbox.gui.main_window import MainWindow
from stillbox.gui.menus import MENUS
from stillbox.gui.parts.air_form import AirForm
from stillbox.gui.parts.words import SUBJECT_WORDS
from stillbox.gui.work.build_edits import Wastebasket
from stillbox.gui.work.settings import Settings


def test_undo_of_every_change(qtbot: QtBot, window: MainWindow, build: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened(qtbot, window, build)
    folder = BuildFolder.open(build)
    monkeypatch.setattr(QInputDialog, "getText", lambda *_, **__: ("braced", True))
    window.bench.takes.select_numbers([3])
    window.rename()
    settle(qtbot, window)
    assert folder.find_take("3").state == "braced"
    window.undo()
    settle(qtbot, window)
    assert folder.find_take("3").state == "lined"
    window.redo()
    settle(qtbot, window)
    assert folder.find_take("3").state == "braced"

    window.remove()
    settle(qtbot, window)
    assert [take.number for take in folder.takes()] == [1, 2]
    assert not folder.damaged()
    assert [take.number for take in window.bench.takes.selected()] == [2]  # the neighbour takes its place
    agree(monkeypatch, Wastebasket, lambda dialog: None)
    window.wastebasket()
    settle(qtbot, window)
    assert [take.number for take in folder.takes()] == [1, 2, 3]
    assert [take.number for take in window.bench.takes.selected()] == [3]
    window.undo()
    settle(qtbot, window)
    assert [take.number for take in folder.takes()] == [1, 2]
    window.undo()
    settle(qtbot, window)
    assert folder.load(folder.find_take("3")).samples.shape[1] == 2
    assert [take.number for take in window.bench.takes.selected()] == [3]  # what has come back
    window.bench.takes.select_numbers([1, 2, 3])
    window.remove()
    settle(qtbot, window)
    assert folder.takes() == [] and "Nothing to show" in window.results.sentence.text()
    window.undo()
    settle(qtbot, window)
    assert [take.number for take in window.bench.takes.selected()] == [3]
    assert "Nothing to show" not in window.results.sentence.text()

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
    assert max(window.bench.meters.level_dbfs) == LOWEST_DBFS and max(window.bench.meters.held_dbfs) > -40
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
    window.bench.device.addItem("faulty", f"practice rig: bare box, {fault}")
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


def test_cautions_and_output_come_before_the_first_real_sweep(
    qtbot: QtBot, window: MainWindow, quick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened(qtbot, window, quick)
    monkeypatch.setattr("stillbox.capture.live.devices.find_device", lambda *_, **__: Card(real_pace=True))
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
        for field, value in zip(form.sides, (460, 300, 230), strict=True):
            field.setValue(value)
        form.above_sea.setValue(480)

    agree(monkeypatch, NewBuildForm, fill)
    window.new_build()
    settle(qtbot, window)
    folder = BuildFolder.open(tmp_path / "shelf pair")
    assert folder.description.inside_mm == (460, 300, 230)
    assert folder.description.metres_above_sea == 480.0
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
        form.of.setText("woofer")
        form.celsius.setValue(24.0)
        form.remounted.setChecked(True)
        form.port_closed.setChecked(True)
        form.excitation.setText(str(RECORDINGS / "sweep-5s.json"))

    agree(monkeypatch, ImportForm, fill)
    data = QMimeData()
    data.setUrls([QUrl.fromLocalFile(str(RECORDINGS / "in-box-stock.flac"))])
    window.dropEvent(QDropEvent(QPointF(5, 5), Qt.CopyAction, data, Qt.LeftButton, Qt.NoModifier))
    qtbot.waitUntil(lambda: "Kept as take 4" in window.bench.said.text(), timeout=WAIT_MS)
    kept = BuildFolder.open(quick).find_take("4")
    assert (kept.state, kept.celsius, kept.remounted, kept.port_closed) == ("from outside", 24.0, True, True)
    assert kept.of == "woofer"
    settle(qtbot, window)
    shown = window.bench.takes.takes_model
    tip = shown.data(shown.index(0, 0), Qt.ToolTipRole)
    assert "24 °C" in tip and "remounted" in tip and "port closed" in shown.data(shown.index(0, 5))


def test_a_sweep_with_the_port_closed_is_kept_as_such_and_the_mark_goes(
    qtbot: QtBot, window: MainWindow, quick: Path
) -> None:
    opened(qtbot, window, quick)
    panel = window.bench
    panel.choose_subject("in-box")
    for mark in (panel.remounted, panel.port_closed):
        assert mark.isVisible()
        mark.setChecked(True)
    window.sweep()
    settle(qtbot, window)
    kept = BuildFolder.open(quick).takes()[-1]
    assert kept.port_closed and kept.remounted and not trouble(window)
    assert not panel.port_closed.isChecked() and not panel.remounted.isChecked()
    panel.port_closed.setChecked(True)
    panel.choose_subject("free-air")
    assert not panel.port_closed.isVisible() and not window.sweeps.request().port_closed


def test_the_air_of_a_build_can_be_told_and_taken_back(
    qtbot: QtBot, window: MainWindow, quick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened(qtbot, window, quick)
    path = quick / "build.toml"
    before = path.read_text()

    def fill(form: QDialog) -> None:
        assert isinstance(form, AirForm)
        assert (form.above_sea.value(), form.pressure.told) == (0.0, None)
        form.celsius.setValue(24.5)
        form.above_sea.setValue(620)
        form.pressure.setValue(938.5)
        assert not form.above_sea.isEnabled()  # a barometer on the spot says more
        form.pressure.setValue(form.pressure.minimum())
        assert form.above_sea.isEnabled() and form.pressure.text() == "not known"

    agree(monkeypatch, AirForm, fill)
    window.actions_by_name["ask_air"].trigger()
    settle(qtbot, window)
    assert not trouble(window)
    said = BuildFolder.open(quick).description
    assert (said.temperature_c, said.metres_above_sea, said.pressure_hpa) == (24.5, 620.0, None)
    kept = [line for line in path.read_text().splitlines() if "temperature_c" not in line and "metres" not in line]
    assert kept == [line for line in before.splitlines() if "temperature_c" not in line and "metres" not in line]
    window.undo()
    settle(qtbot, window)
    said = BuildFolder.open(quick).description
    assert (said.temperature_c, said.metres_above_sea) == (20.0, 0.0)


def test_air_that_is_only_looked_at_stays_as_it_was_written(
    qtbot: QtBot, window: MainWindow, quick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = quick / "build.toml"
    path.write_text(re.sub("(?m)^.*metres_above_sea.*$", "metres_above_sea = 312.25", path.read_text()))
    before = path.read_text()
    assert "\nmetres_above_sea = 312.25\n" in before
    opened(qtbot, window, quick)
    agree(monkeypatch, AirForm, lambda form: None)
    window.actions_by_name["ask_air"].trigger()
    settle(qtbot, window)
    assert path.read_text() == before and not trouble(window)


def test_the_panel_asks_for_air_and_remounting(qtbot: QtBot, window: MainWindow, quick: Path) -> None:
    opened(qtbot, window, quick)
    panel = window.bench
    panel.choose_subject("in-box")
    request = window.sweeps.request()
    assert (request.celsius, request.remounted) == (None, False)
    panel.celsius.setValue(27.0)
    panel.remounted.setChecked(True)
    request = window.sweeps.request()
    assert (request.celsius, request.remounted) == (27.0, True)
    panel.choose_subject("free-air")
    request = window.sweeps.request()
    assert (request.celsius, request.remounted) == (27.0, False)
    panel.choose_subject("load")
    assert window.sweeps.request().celsius is None


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


def test_settings_come_back(qtbot: QtBot, tmp_path: Path, quick: Path) -> None:
    from stillbox.gui.work.settings import read_settings

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


def test_without_a_screen_there_is_a_sentence(tmp_path: Path) -> None:
    bare = {key: value for key, value in os.environ.items() if key not in ("DISPLAY", "WAYLAND_DISPLAY")}
    bare.pop("QT_QPA_PLATFORM", None)
    for arguments in ([], [str(tmp_path)]):
        ran = subprocess.run([sys.executable, "-m", "stillbox", *arguments], env=bare, capture_output=True, text=True)
        assert ran.returncode == 2
        assert ran.stderr.startswith("stillbox: there is no screen") and ran.stderr.count("\n") == 1
    bare["QT_QPA_PLATFORM"] = "offscreen"
    ran = subprocess.run([sys.executable, "-m", "stillbox", str(tmp_path)], env=bare, capture_output=True, text=True)
    assert ran.returncode == 2 and "is no build" in ran.stderr


def test_the_box_is_read_again_after_the_editor(
    qtbot: QtBot, window: MainWindow, build: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened(qtbot, window, build)
    monkeypatch.setattr("stillbox.gui.main_window.QDesktopServices.openUrl", lambda url: True)
    assert any(row.cause == "standing wave" for row in window.results.findings.rows)
    window.edit_description()
    path = build / "build.toml"
    path.write_text(path.read_text().replace("inside_mm", "# inside_mm"))
    QApplication.sendEvent(window, QEvent(QEvent.ActivationChange))
    settle(qtbot, window)
    assert not any(row.cause == "standing wave" for row in window.results.findings.rows)
    assert any("inside dimensions are not known" in note for note in window.reading.results.notes)  # type: ignore[union-attr]


def test_the_next_state_is_proposed(qtbot: QtBot, window: MainWindow, build: Path) -> None:
    """So that no take stands for another unawares; a name that was typed stays until there is a take of it."""
    opened(qtbot, window, build)
    bench = window.bench
    assert bench.state.currentText() == "final"
    bench.unit.setCurrentText("B")
    assert bench.state.currentText() == "stock"
    bench.unit.setCurrentText("A")
    bench.state.setCurrentText("braced")
    window.refresh()
    settle(qtbot, window)
    assert bench.state.currentText() == "braced"
    takes = list(window.listing.takes)  # type: ignore[union-attr]
    bench.show_names([*takes, takes[-1].model_copy(update={"number": 4, "state": "braced"})])
    assert bench.state.currentText() == "final" and "proposed as 'final'" in bench.said.text()
    assert "stands for" not in bench.said.text()
    bench.state.setCurrentText("lined")
    bench.show_names([*bench._known, takes[-1].model_copy(update={"number": 5, "state": "lined"})])
    assert "take 5 stands for 'lined' of unit A from now on, no longer take 3" in bench.said.text()


def test_a_load_does_not_prove_itself(qtbot: QtBot, window: MainWindow, quick: Path) -> None:
    rig = PracticeRig("bare box", real_pace=False)
    record_take(BuildFolder.open(quick), rig, LiveRequest("load", load_ohm=8.2, seconds=2.0), say=lambda _: None)
    opened(qtbot, window, quick)
    window.bench.takes.select_numbers([4])
    settle(qtbot, window)
    said = window.results.sentence.text()
    assert "The load of 8.2 ohm (take 4) sets the ohm" in said and "as check-resistor" in said
    assert "within the expanded" not in said
