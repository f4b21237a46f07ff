"""Names in the window are shown as they are: Qt reads them neither as HTML nor as marks for the keyboard."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path

import pytest
from places import ROOT
from PyQt5.QtCore import Qt
from PyQt5.QtGui import QTextDocument
from PyQt5.QtWidgets import QLabel, QMenu, QWidget
from pytestqt.qtbot import QtBot
from window_driving import opened

from stillbox.gui.bench.first_start import SHOPPING
from stillbox.gui.bench.import_form import ImportForm
from stillbox.gui.main_window import MainWindow
from stillbox.gui.menus import fill_menu
from stillbox.gui.parts.plain_text import OwnTextLabel, plain_tip

NAME = "<b>R&D</b> <img src='x'> \x1b[31m\ud800\n$x^{2$"
GUI = ROOT / "gui"


@pytest.fixture
def hostile(quick: Path) -> Path:
    toml = quick / "build.toml"
    name = json.dumps(NAME.replace("\ud800", ""), ensure_ascii=True)
    toml.write_text(re.sub(r"(?m)^name = .*$", lambda _: f"name = {name}", toml.read_text()))
    for path in (quick / "takes").glob("*.json"):
        document = json.loads(path.read_text())
        document["flags"], document["origin"] = ["<h1>flag</h1>\x1b"], "<i>card</i>"
        path.write_text(json.dumps(document))
    return quick


def test_a_hostile_build_is_shown_letter_by_letter(qtbot: QtBot, window: MainWindow, hostile: Path) -> None:
    opened(qtbot, window, hostile)
    shown = "<b>R&D</b> <img src='x'> \\x1b[31m\\n$x^{2$"
    assert window.bench.build_button.text() == shown.replace("&", "&&")
    assert window.windowTitle() == f"{shown} – Stillbox"
    for label in window.findChildren(QLabel):
        if isinstance(label, OwnTextLabel):
            assert label.text() == SHOPPING
            continue
        assert label.textFormat() == Qt.PlainText or not Qt.mightBeRichText(label.text()), label.text()
    model = window.bench.takes.takes_model
    tip = str(model.data(model.index(0, 0), Qt.ToolTipRole))
    assert "&lt;h1&gt;flag&lt;/h1&gt;\\x1b" in tip
    assert "<h1>" not in tip
    for part in window.findChildren(QWidget):
        assert not Qt.mightBeRichText(part.toolTip()) or part.toolTip() == plain_tip(part.toolTip())
    window.results.show_trouble("cannot read <b>x</b>.wav")
    assert window.results.trouble.textFormat() == Qt.PlainText


def test_the_form_for_a_recording_shows_its_name(window: MainWindow) -> None:
    form = ImportForm(window, Path("/tmp/<b>x\x1b.wav"), "", "A", "high-side")
    (label,) = [label for label in form.findChildren(QLabel) if "x" in label.text() and ".wav" in label.text()]
    assert label.text() == "<b>x\\x1b.wav"
    assert label.textFormat() == Qt.PlainText


def test_the_first_thing_seen_shows_no_marks_of_html(window: MainWindow) -> None:
    for label in window.findChildren(QLabel):
        plain = label.textFormat() == Qt.PlainText
        assert not (plain and re.search(r"</?[a-z]\w*>", label.text())), label.text()
    (shopping,) = [label for label in window.findChildren(QLabel) if "reference resistor" in label.text()]
    document = QTextDocument()
    document.setHtml(shopping.text())
    assert shopping.textFormat() == Qt.RichText
    assert "For your own speakers you need\nA sound card with one output" in document.toPlainText()


def test_menus_show_an_and_as_it_is(window: MainWindow) -> None:
    menu = QMenu(window)
    fill_menu(menu, [("R&D box", lambda: None)])
    assert menu.actions()[0].text() == "R&&D box"


def test_tips_that_look_like_html_are_escaped() -> None:
    assert plain_tip("a < b & c") == "a < b & c"
    assert not Qt.mightBeRichText(plain_tip("plain\nlines"))
    assert "&lt;b&gt;x&lt;/b&gt;" in plain_tip("<b>x</b>")


def test_no_module_makes_labels_another_way() -> None:
    for path in GUI.rglob("*.py"):
        if path.name == "plain_text.py":
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        calls = [node.func for node in ast.walk(tree) if isinstance(node, ast.Call)]
        names = {call.id for call in calls if isinstance(call, ast.Name)}
        methods = {call.attr for call in calls if isinstance(call, ast.Attribute)}
        assert "QLabel" not in names, path
        assert path.name == "help_pages.py" or "setTextFormat" not in methods, path
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"QMessageBox\.(question|warning|information|critical|about)\(", text), path
