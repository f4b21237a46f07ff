"""Fields are made from the declarations that the command line has, too."""

from __future__ import annotations

import ast

import pytest
import typer
from places import ROOT
from PyQt5.QtCore import Qt
from PyQt5.QtTest import QTest
from PyQt5.QtWidgets import QComboBox, QDoubleSpinBox, QWidget
from pytestqt.qtbot import QtBot

from stillbox.analysis import take_controls
from stillbox.analysis.bass import bass_controls
from stillbox.analysis.controls import Choice, Number
from stillbox.commands import front_door
from stillbox.gui.parts.fields import NumberField
from stillbox.gui.parts.flow_layout import FlowLayout
from stillbox.gui.results.control_fields import ControlFields


def test_fields_are_made_from_declarations(qtbot: QtBot) -> None:
    """Typed numbers count when finished; what is as it began is not asked for; the fields follow what is shown."""
    row = QWidget()
    qtbot.addWidget(row)
    first = QDoubleSpinBox()
    fields = ControlFields(FlowLayout(row), (first,), row)
    heard: list[dict[str, float | str]] = []
    fields.asked_changed.connect(heard.append)
    declared = (
        Number("mass", "&mass", "g", 1, 100, 5, 12.34, 1, "Mass on the cone."),
        Number("gap", "gap", "mm", 2, 9, 1, None),
        Choice("side", "side", (("l", "left"), ("r", "right"))),
    )
    fields.show_controls(declared, {})
    row.resize(90, 300)
    row.show()
    mass, gap, side = (fields.fields[key] for key in ("mass", "gap", "side"))
    assert isinstance(mass, QDoubleSpinBox) and isinstance(gap, QDoubleSpinBox) and isinstance(side, QComboBox)
    assert (mass.value(), mass.suffix(), mass.toolTip()) == (12.3, " g", "Mass on the cone.")
    assert gap.text() == "not known" and fields.asked() == {} and not fields.back.isEnabled()
    assert mass.mapTo(row, mass.rect().topLeft()).y() < side.mapTo(row, side.rect().topLeft()).y()
    mass.selectAll()
    QTest.keyClicks(mass, "40")
    assert heard == []
    fields.show_controls(declared, {})
    QTest.keyClick(mass, Qt.Key_Return)
    assert heard == [{"mass": 40.0}]
    gap.stepUp()
    side.setCurrentIndex(1)
    assert heard[-1] == {"mass": 40.0, "gap": 2.0, "side": "r"}
    assert fields.back.isEnabled()
    fields.show_controls(declared, {"mass": 20.0})
    assert mass.value() == 20.0 and fields.asked() == {"mass": 20.0} and len(heard) == 3
    fields.begin_again()
    assert heard[-1] == {} and mass.value() == 12.3 and gap.text() == "not known"
    fields.show_controls((), {})
    assert not fields.fields and not fields.back.isVisible()


DECLARED = [
    one
    for value in (*vars(take_controls).values(), *vars(bass_controls).values())
    for one in (value if isinstance(value, tuple) else (value,))
    if isinstance(one, Number)
]


def test_a_number_field_shows_its_declaration_and_what_is_not_known(qtbot: QtBot) -> None:
    for declared in DECLARED:
        field = NumberField(declared)
        qtbot.addWidget(field)
        assert field.told == declared.shown and field.asked is None and field.toolTip() == declared.tip
        assert (field.text() == declared.without) == (declared.begin is None)
        for value in (declared.low, declared.high):
            field.tell(value)
            assert field.told == pytest.approx(value, abs=0.5 * 10.0**-declared.decimals)
        field.setValue(declared.high + 1e9)
        assert field.value() == declared.high
        field.tell(None)
        assert field.asked is None
        if declared.begin is None:
            field.stepUp()
            assert field.told == pytest.approx(declared.low, abs=10.0**-declared.decimals)


def test_all_fields_of_numbers_have_one_home() -> None:
    """No form makes spin boxes or buttons that agree by itself, so that none goes without a declaration."""
    for path in (ROOT / "gui").rglob("*.py"):
        called = {
            node.func.id
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
        }
        assert path.name == "fields.py" or not called & {"QDoubleSpinBox", "QSpinBox"}, path


OF_BUILDS = ("start", "import", "record", "calibrate", "bass")
"""Commands that are told something of a build or a take; the option of another may have the same name."""


def test_options_have_the_words_of_the_fields() -> None:
    commands = typer.main.get_command(front_door.app).commands  # type: ignore[attr-defined]
    options = [option for name in OF_BUILDS for option in commands[name].params]
    for declared in DECLARED:
        found = [option.help for option in options if declared.option in option.opts]
        assert bool(found) == bool(declared.option), declared.option
        assert all(words.startswith(declared.tip.rstrip(".")) for words in found), declared.option
