"""The views of driver and box in the real window, driven offscreen: lists, controls, files, faults.

What is true of the practice rig is what it is made from (``capture.practice.practice_speakers``).
"""

from __future__ import annotations

import csv
import importlib
import json
import re
import shutil
import threading
from collections.abc import Iterator
from pathlib import Path
from unittest.mock import Mock

import numpy as np
import pytest
from practice_takes import practice_takes
from PyQt5.QtCore import Qt
from PyQt5.QtPrintSupport import QPrinter
from PyQt5.QtWidgets import QApplication, QComboBox, QDoubleSpinBox
from pytestqt.qtbot import QtBot
from recorded import RecordedBuild
from reference.random_boxes import random_box
from reference.random_drivers import random_driver
from reference.speaker_circuit import SpeakerCircuit
from window_driving import click, opened, settle, trouble

from stillbox.analysis.bass.bass import Change
from stillbox.analysis.bass.bass_controls import CHANGES, PORT_LENGTH
from stillbox.analysis.bass.bass_report import bass_report
from stillbox.analysis.bench import Bench
from stillbox.analysis.controls import Number
from stillbox.analysis.drawing.picture_marks import Mark
from stillbox.analysis.driver.driver_words import driver_table
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.practice.practice_speakers import ADDED_MASS_KG, speaker_named
from stillbox.capture.sweep.excitation import Excitation
from stillbox.gui.main_window import MainWindow
from stillbox.gui.results.exporting import exports_of
from stillbox.gui.results.view import Results, Row, View, Wish
from stillbox.gui.views.box_and_bass import VIEW as BOX
from stillbox.gui.views.driver import VIEW as DRIVER
from stillbox.gui.work.settings import Settings

FREE_AIR, ADDED_MASS, STOCK, LINED = 1, 2, 3, 4
WOOFER = speaker_named("bare box").driver


@pytest.fixture(scope="module")
def swept_with_mass(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A practice build swept in free air, with added mass, and in its box in two states."""
    takes = (("free-air", None), ("added-mass", None), ("in-box", "stock"), ("in-box", "lined"))
    return practice_takes(tmp_path_factory.mktemp("lumped"), takes)


@pytest.fixture
def lumped(swept_with_mass: Path, tmp_path: Path) -> Path:
    shutil.copytree(swept_with_mass, tmp_path / "practice")
    return tmp_path / "practice"


@pytest.fixture(scope="module")
def shared(qapp: QApplication, swept_with_mass: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[MainWindow]:
    """One window on that build for the tests that change nothing of it: what is fitted once stays."""
    folder = tmp_path_factory.mktemp("shared")
    shutil.copytree(swept_with_mass, folder / "practice")
    window = MainWindow(Settings(window_size=[1366, 768]), folder / "window.toml")
    window.show()
    window.open_build(folder / "practice")
    yield window
    window.close()
    window.deleteLater()


def without(build: Path, *keys: str) -> Path:
    """Take keys out of build.toml."""
    file = build / "build.toml"
    text = file.read_text()
    for key in keys:
        text, count = re.subn(rf"^{key} = .*\n", "", text, count=1, flags=re.MULTILINE)
        assert count == 1, key
    file.write_text(text)
    return build


def show(qtbot: QtBot, window: MainWindow, number: int, key: str) -> None:
    """Select a take, then a view by the chooser."""
    window.bench.takes.select_numbers([number])
    choose(qtbot, window, key)


def choose(qtbot: QtBot, window: MainWindow, key: str) -> None:
    reading = window.results.reading
    reading.setCurrentIndex(reading.findData(key))
    reading.activated.emit(reading.currentIndex())
    settle(qtbot, window)


def row(window: MainWindow, head: str) -> Row:
    return next(row for row in window.results.findings.rows if row.head == head)


def select(window: MainWindow, head: str) -> str:
    """Select a line of the list; what is said of it."""
    findings = window.results.findings
    findings.list.setCurrentRow([row.head for row in findings.rows].index(head))
    return findings.details.toPlainText()


def number(text: str) -> float:
    """The first number of a text."""
    found = re.search(r"[-+\N{MINUS SIGN}]?\d+(\.\d+)?", text)
    assert found is not None, text
    return float(found.group().replace("\N{MINUS SIGN}", "-"))


def field(window: MainWindow, key: str) -> QDoubleSpinBox:
    made = window.results.controls.fields[key]
    assert isinstance(made, QDoubleSpinBox)
    return made


def marks(view: View, results: Results) -> tuple[Mark, ...]:
    picture = view.picture(results, Wish())
    assert picture is not None
    return picture.marks


def tuning_hz(sentence: str) -> float:
    return number(sentence.split("tuned to")[-1])


def test_driver(qtbot: QtBot, shared: MainWindow) -> None:
    window = shared
    settle(qtbot, window)
    show(qtbot, window, FREE_AIR, "driver")
    results, pane = window.reading.results, window.results.pane
    assert window.reading.view is DRIVER and results is not None
    fs_hz = 1 / (2 * np.pi * np.sqrt(WOOFER.moving_mass_kg * WOOFER.compliance_m_per_n))
    assert number(row(window, "fs").numbers) == pytest.approx(fs_hz, rel=2e-3)
    assert number(row(window, "Mms").numbers) == pytest.approx(1000 * WOOFER.moving_mass_kg, rel=0.02)
    assert number(row(window, "Bl").numbers) == pytest.approx(WOOFER.force_factor_tm, rel=0.03)
    # The list is the table of the command line, and every line says what it means.
    assert [row.head for row in results.rows] == [cells[0] for cells in driver_table(results.data.report).rows]
    assert all(row.meaning and not row.cause for row in results.rows)
    assert results.sentence.startswith("Driver of unit A: fs 45.2 Hz, Qts 0.51") and "Vas" in results.sentence
    said = select(window, "fs")
    assert "95 %:" in said and "three-point method:" in said and "moving mass" in said
    assert pane.selected_hz == pytest.approx(fs_hz, rel=2e-3)
    select(window, "Re")
    assert pane.selected_hz is None
    assert window.results.findings.heading.text() == "D&river"
    assert not window.results.decay_style.isVisible() and not window.results.controls.fields
    # The picture: measured and model in one panel, what the model leaves below, one dotted line without a sign.
    assert pane.ends_hz == (10.0, 20_000.0)
    names = [[curve.name for curve in panel.panel.curves] for panel in pane.picture.panels]  # type: ignore[union-attr]
    assert names == [["|Z|", "phase", "model |Z|"], ["misfit in size", "in phase"]]
    misfit = pane.picture.panels[1].panel.curves[0]  # type: ignore[union-attr]
    assert np.abs(misfit.values).max() < 0.5
    (mark,) = marks(DRIVER, results)
    assert isinstance(mark, Mark) and mark.cause is None and not mark.sign.marker
    # From the second take the same driver is reached, with that take's curve beside it.
    window.bench.takes.select_numbers([ADDED_MASS])
    settle(qtbot, window)
    assert window.reading.view is DRIVER
    fitted = pane.picture.panels[0].panel.curves  # type: ignore[union-attr]
    assert [one.name for one in fitted if one.name.endswith("|Z|")] == [
        "free air |Z|", "free air model |Z|", "with added mass |Z|"
    ]  # fmt: skip
    measured = [one for one in fitted if one.name in ("free air |Z|", "with added mass |Z|")]
    peaks = [one.frequency_hz[np.argmax(one.values[:400])] for one in measured]
    shift = np.sqrt(1 + ADDED_MASS_KG / WOOFER.moving_mass_kg)
    assert peaks[0] / peaks[1] == pytest.approx(shift, rel=0.03)
    # A take in the box shows its findings; asked for the driver, the window goes to a take of that.
    window.bench.takes.select_numbers([LINED])
    settle(qtbot, window)
    assert window.reading.view.key == "take" and window.results.decay_style.isVisible()
    choose(qtbot, window, "driver")
    assert window.reading.view is DRIVER and window.bench.takes.selected() == window.reading.takes
    assert [take.number for take in window.reading.takes] == [FREE_AIR]


def test_driver_without_a_second_take(qtbot: QtBot, window: MainWindow, lumped: Path) -> None:
    without(lumped, "grams")
    opened(qtbot, window, lumped)
    show(qtbot, window, FREE_AIR, "driver")
    assert "no Vas yet" in window.results.sentence.text() and "[added_mass] grams" in window.results.sentence.text()
    window.bench.takes.select_numbers([ADDED_MASS])
    settle(qtbot, window)
    window.remove()
    settle(qtbot, window)
    show(qtbot, window, FREE_AIR, "driver")
    assert "Vas needs a second take: stick a known mass to the cone" in window.results.sentence.text()
    assert "--subject" not in window.results.findings.details.toPlainText()
    # Nor is excursion known, and another port cannot be foretold without the volume.
    show(qtbot, window, STOCK, "bass")
    picture = BOX.picture(window.reading.results, window.results.wish())  # type: ignore[arg-type]
    assert [panel.curves[0].name for panel in picture.panels] == ["|Z|", "level", "group delay"]
    before = window.results.sentence.text()
    field(window, "port_length_mm").setValue(200)
    settle(qtbot, window)
    assert "effective volume is known" in trouble(window) and "take this change back" in trouble(window)
    assert window.results.sentence.text() == before
    click(qtbot, window.results.controls.back)
    settle(qtbot, window)
    assert not trouble(window) and field(window, "port_length_mm").value() == 110


def test_box_and_bass(qtbot: QtBot, shared: MainWindow, swept_with_mass: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every control redraws from the fits that are there, with the numbers of the command line."""
    window = shared
    settle(qtbot, window)
    show(qtbot, window, STOCK, "bass")
    results, pane = window.reading.results, window.results.pane
    assert window.reading.view is BOX and results is not None
    measured = results.sentence
    assert re.match(r"Vented box, stock: tuned to 4\d\.\d Hz, tight, 3 dB point at \d+\.\d+ ± ", measured)
    assert all(row.meaning for row in results.rows)
    assert row(window, "QL, leakage").numbers == "tight"
    assert "tight" in select(window, "QL, leakage")
    assert pane.ends_hz == (10.0, 500.0)
    assert row(window, "effective volume").numbers.endswith("litres")
    assert {mark.label.split()[0] for mark in marks(BOX, results)} == {"fB", "f3"}
    qtbot.mouseClick(pane, Qt.LeftButton, pos=pane.rect().topLeft())
    # Limits and beginnings: shared with the command line and from build.toml.
    numbers = {each.key: each for each in results.controls if isinstance(each, Number)}
    assert all((numbers[one.key].low, numbers[one.key].high) == (one.low, one.high) for one in CHANGES)
    assert (numbers["port_diameter_mm"].begin, numbers["port_length_mm"].begin) == (60.0, 110.0)
    assert not window.results.controls.back.isEnabled()

    def not_in_the_window(module: str, name: str) -> None:
        fit = getattr(importlib.import_module(module), name)

        def fitted(*given: object, **named: object) -> object:
            assert threading.current_thread() is threading.main_thread(), "fitted again"
            return fit(*given, **named)

        monkeypatch.setattr(f"{module}.{name}", fitted)

    not_in_the_window("stillbox.analysis.box.box_report", "fit_box")
    not_in_the_window("stillbox.analysis.driver.driver_report", "fit_driver")
    fb_hz = tuning_hz(measured)
    bench = Bench(BuildFolder.open(swept_with_mass))
    pixels = pane.picture.pixels  # type: ignore[union-attr]
    for key, value, change in (
        ("volume_percent", 50.0, Change(volume_ratio=0.5)),
        ("port_diameter_mm", 50.0, Change(port_diameter_m=0.05)),
        ("port_length_mm", 200.0, Change(port_length_m=0.2)),
    ):
        field(window, key).setValue(value)
        settle(qtbot, window)
        assert not trouble(window)
        assert window.reading.results.asked == {key: value}  # type: ignore[union-attr]
        sentence = window.results.sentence.text()
        assert sentence.startswith(measured) and "Changed:" in sentence
        if key == "volume_percent":  # half the volume is half the compliance: sqrt(2) in tuning
            assert tuning_hz(sentence) == pytest.approx(np.sqrt(2) * fb_hz, rel=3e-3)
            report = bass_report(bench, "stock", change=change)
            assert report.changed_figures is not None
            assert row(window, "3 dB point, Hz").numbers.endswith(f"→ {report.changed_figures.f3_hz:.1f}")
        elif key.startswith("port"):  # a narrower and a longer port are heavier
            assert tuning_hz(sentence) < 0.95 * fb_hz
        else:
            assert tuning_hz(sentence) == pytest.approx(fb_hz, rel=1e-3)
        assert not np.array_equal(pane.picture.pixels, pixels)  # type: ignore[union-attr]
        legend = [curve.name for curve in pane.picture.panels[1].panel.curves]  # type: ignore[union-attr]
        assert legend == ["as measured: level", "changed: level"]
        click(qtbot, window.results.controls.back)
        settle(qtbot, window)
        assert window.results.sentence.text() == measured
        assert np.array_equal(pane.picture.pixels, pixels)  # type: ignore[union-attr]
    slow = number(row(window, "most excursion").numbers)
    field(window, "voltage_v").setValue(28.3)
    settle(qtbot, window)
    assert number(row(window, "most excursion").numbers) == pytest.approx(10 * slow, rel=0.03)
    assert "Changed:" not in window.results.sentence.text()
    # Impossible, but within the limits of the fields: said, and what was shown stays.
    shown = window.results.sentence.text()
    monkeypatch.setattr("stillbox.gui.views.box_and_bass.bass_of_box", _impossible)
    field(window, "volume_percent").setValue(2000)
    settle(qtbot, window)
    assert trouble(window) == "The response does not cross -3 dB; take this change back."
    assert window.results.sentence.text() == shown


def _impossible(*_: object, **__: object) -> None:
    from stillbox.capture.errors import StillboxError

    raise StillboxError("the response does not cross -3 dB", "")


def test_another_state(qtbot: QtBot, shared: MainWindow) -> None:
    """What the lining costs: this state minus the one before, in words and in both curves."""
    window = shared
    settle(qtbot, window)
    show(qtbot, window, LINED, "bass")
    against = window.results.controls.fields["against"]
    assert isinstance(against, QComboBox)
    assert [against.itemText(index) for index in range(against.count())] == ["none", "stock"]
    against.setCurrentIndex(1)
    settle(qtbot, window)
    results = window.reading.results
    assert results is not None and "From stock to lined: level " in results.sentence
    cost = results.sentence.split("From stock to lined")[1]
    before, after = row(window, "3 dB point, Hz").numbers.split(" → ")
    assert number(cost.split("3 dB point")[1]) == pytest.approx(float(after) - float(before), abs=0.11)
    assert row(window, "difference of states").numbers == "from stock to lined"
    named = [curve.name for curve in window.results.pane.picture.panels[1].panel.curves]  # type: ignore[union-attr]
    assert named == ["stock: level", "lined: level"]
    assert {mark.label.rsplit(", ")[-1] for mark in marks(BOX, results)} == {"stock", "lined"}
    # With a change the changed state is drawn beside this one; the cost is of what was measured.
    field(window, "volume_percent").setValue(80)
    settle(qtbot, window)
    named = [curve.name for curve in window.results.pane.picture.panels[1].panel.curves]  # type: ignore[union-attr]
    assert named == ["lined: level", "lined, changed: level"]
    assert cost in window.results.sentence.text()
    # The same view stays for another take of its kind, as measured.
    window.bench.takes.select_numbers([STOCK])
    settle(qtbot, window)
    assert window.reading.view is BOX and not window.reading.results.asked  # type: ignore[union-attr]
    assert field(window, "volume_percent").value() == 100
    select(window, "tuning fB")
    assert window.results.pane.selected_hz == row(window, "tuning fB").frequency_hz


def test_a_change_does_not_overtake_another_take(qtbot: QtBot, shared: MainWindow) -> None:
    """A field of the old take that is touched while the new one is being worked out changes nothing."""
    window = shared
    settle(qtbot, window)
    show(qtbot, window, STOCK, "bass")
    window.bench.takes.select_numbers([LINED])
    field(window, "volume_percent").setValue(50)
    settle(qtbot, window)
    assert window.results.sentence.text().startswith("Vented box, lined")
    assert field(window, "volume_percent").value() == 100


def test_files_and_paper(qtbot: QtBot, shared: MainWindow, tmp_path: Path) -> None:
    window = shared
    settle(qtbot, window)
    show(qtbot, window, FREE_AIR, "driver")
    written = _write_all(qtbot, window, tmp_path / "driver")
    assert set(written) == {
        "Picture",
        "Driver for other programs",
        "Fitted model as a netlist",
        "Impedance, measured and fitted, as a table",
    }
    document = json.loads(written["Driver for other programs"].read_text())
    assert document["parameters"]["fs_hz"]["value"] == pytest.approx(number(row(window, "fs").numbers), abs=0.01)
    with written["Impedance, measured and fitted, as a table"].open() as file:
        table = list(csv.DictReader(file))
    assert float(table[0]["measured_re_ohm"]) == pytest.approx(float(table[0]["model_re_ohm"]), rel=2e-3)
    assert "rdc in" in written["Fitted model as a netlist"].read_text()
    show(qtbot, window, STOCK, "bass")
    field(window, "volume_percent").setValue(70)
    settle(qtbot, window)
    written = _write_all(qtbot, window, tmp_path / "box")
    assert set(written) == {
        "Picture",
        "Box for other programs",
        "Bass for other programs",
        "Fitted box as a netlist",
        "Changed box as a netlist",
        "Bass as measured as a table",
        "Bass changed as a table",
        "Impedance as a table",
    }
    assert json.loads(written["Box for other programs"].read_text())["leak"]["leaks"] is False
    assert json.loads(written["Bass for other programs"].read_text())["changed"]["f3_hz"] > 0
    assert written["Fitted box as a netlist"].read_text() != written["Changed box as a netlist"].read_text()
    svg = written["Picture"].read_text()
    assert svg.startswith("<?xml")
    printer = QPrinter()
    printer.setOutputFormat(QPrinter.PdfFormat)
    printer.setOutputFileName(str(tmp_path / "page.pdf"))
    window.transfers.print_on(printer)
    settle(qtbot, window)
    assert (tmp_path / "page.pdf").stat().st_size > 20_000
    assert not trouble(window)


def _write_all(qtbot: QtBot, window: MainWindow, folder: Path) -> dict[str, Path]:
    """Every export of what is shown, by its words."""
    folder.mkdir()
    view, results = window.reading.view, window.reading.results
    assert view is not None and results is not None
    written = {}
    for index, export in enumerate(exports_of(view, results, window.results.wish())):
        path = folder / f"{index}{export.suffixes[0]}"
        window.transfers.export(export, path)
        settle(qtbot, window)
        assert path.stat().st_size > 500
        written[export.words] = path
    return written


def test_without_free_air(qtbot: QtBot, window: MainWindow, lumped: Path, tmp_path: Path) -> None:
    """The sentence says what to sweep; what was measured is drawn, printed and written all the same."""
    opened(qtbot, window, lumped)
    window.bench.takes.select_numbers([FREE_AIR])
    settle(qtbot, window)
    window.remove()
    settle(qtbot, window)
    for take, key in ((STOCK, "bass"), (ADDED_MASS, "driver")):
        show(qtbot, window, take, key)
        assert window.reading.view.key == key  # type: ignore[union-attr]
        assert "There is no free-air take of unit A" in window.results.sentence.text()
        assert "sweep it in free air" in window.results.sentence.text()
        assert not window.results.findings.rows and not window.results.controls.fields
        assert len(window.results.pane.picture.panels) == 1  # type: ignore[union-attr]
        assert set(_write_all(qtbot, window, tmp_path / key)) == {"Picture", "Impedance as a table"}
    assert not trouble(window)


def test_what_cannot_be_fitted_or_is_not_known(
    qtbot: QtBot, window: MainWindow, lumped: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    without(lumped, "length_mm")
    opened(qtbot, window, lumped)
    show(qtbot, window, STOCK, "bass")
    length = field(window, "port_length_mm")
    assert length.text() == "not known" and length.value() < PORT_LENGTH.low
    length.stepUp()
    settle(qtbot, window)
    assert "diameter and length stand in build.toml" in trouble(window)

    broken = Mock(side_effect=[np.linalg.LinAlgError("singular"), ValueError("shapes do not match")])
    monkeypatch.setattr("stillbox.analysis.box.box_report.fit_box", broken)
    window.bench.takes.select_numbers([LINED])
    settle(qtbot, window)
    said = window.results.sentence.text()
    assert said.startswith("No driver or box can be fitted to take 4, in-box/lined/A") and "Sweep it again" in said
    assert not window.results.controls.fields and len(window.results.pane.picture.panels) == 1  # type: ignore[union-attr]
    assert not trouble(window)
    for number in (STOCK, LINED):  # the fit of the first is known
        window.bench.takes.select_numbers([number])
        settle(qtbot, window)
    assert "went wrong inside Stillbox (ValueError: shapes" in trouble(window) and "weep" not in trouble(window)


def test_closed_box(tmp_path: Path) -> None:
    """fc of a smaller box as Small (JAES 20(10), 1972) has it: fc/fs = sqrt(1 + alpha), alpha as 1/volume."""
    generator = np.random.default_rng(5)
    driver = random_driver(generator)
    circuit = random_box(generator, driver, False, False, True)
    build = RecordedBuild.create(tmp_path / "closed", Excitation(seconds=3.0, repeats=1, silence_after_s=1.0))
    build.add(SpeakerCircuit(driver), "free-air")
    build.add(circuit, "in-box", state="stock")
    bench = Bench(BuildFolder.open(tmp_path / "closed"))
    *_, measured = BOX.compute(bench, [bench.in_box("stock")])
    assert re.match(r"Closed box, stock: fc .* Hz, Qtc ", measured.sentence)
    assert [control.key for control in measured.controls] == ["volume_percent", "voltage_v"]
    *_, smaller = BOX.change(bench, measured, {"volume_percent": 60.0})
    alpha = measured.data.report.box.fit.alpha.value
    before, after = (number(sentence.split("fc ")[-1]) for sentence in (measured.sentence, smaller.sentence))
    assert after / before == pytest.approx(np.sqrt((1 + alpha / 0.6) / (1 + alpha)), rel=3e-3)
    assert [mark.label.split()[0] for mark in marks(BOX, smaller)] == ["f3", "f3", "fc", "fc"]
