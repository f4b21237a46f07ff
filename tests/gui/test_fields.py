"""Fields are made from the declarations that the command line has, too."""

from __future__ import annotations

from PyQt5.QtCore import Qt
from PyQt5.QtTest import QTest
from PyQt5.QtWidgets import QComboBox, QDoubleSpinBox, QWidget
from pytestqt.qtbot import QtBot

from stillbox.analysis.controls import Choice, Number
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
