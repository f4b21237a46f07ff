"""The commands `coil` and `wire`: what they tell, and what cannot be."""

from __future__ import annotations

import json
import math

import pytest
from invoked import one_line, run

from stillbox.analysis.parts.wire_report import BehindIt, coil_report, wire_report
from stillbox.analysis.parts.wire_size import read_wire_size
from stillbox.analysis.physics.coils import Winding
from stillbox.capture.errors import StillboxError

VALUES = ("1e-320", "nan", "inf", "-1e308", "1e308", "-1")


@pytest.mark.parametrize(
    ("text", "diameter_mm", "words", "nominal"),
    [
        ("1.4mm", 1.4, "1.4 mm", None),
        ("1,4 MM", 1.4, "1.4 mm", None),
        ("2.5mm2", 1.7841, "2.5 mm²", 2.5),
        ("4 mm²", 2.2568, "4 mm²", 4.0),
        ("awg18", 1.024, "AWG 18", None),
        ("AWG 10", 2.588, "AWG 10", None),
    ],
)
def test_sizes_of_wire(text: str, diameter_mm: float, words: str, nominal: float | None) -> None:
    wire = read_wire_size(text)
    assert 1e3 * wire.diameter_m == pytest.approx(diameter_mm, abs=5e-4)
    assert (wire.text, wire.nominal_mm2) == (words, nominal)
    if nominal is not None:
        assert 1e6 * wire.section_m2 == pytest.approx(nominal)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("2.5", "'2.5' is no size of a wire; write 2.5mm for a diameter or 2.5mm2 for a section"),
        ("2,5", "write 2.5mm for a diameter"),
        ("thick", "write 1.4mm, 2.5mm2 or awg14"),
        ("", "write 1.4mm, 2.5mm2 or awg14"),
        ("0.01mm", "is 0.01 mm thick; give one of 0.05 to 12 mm"),
        ("250mm2", "is 17.8 mm thick"),
        ("awg60", "no wire of gauge 60 here; give AWG 0 to 40"),
    ],
)
def test_what_is_no_size_is_told(text: str, said: str) -> None:
    with pytest.raises(StillboxError) as raised:
        read_wire_size(text)
    assert said in str(raised.value)


def test_wire_and_its_connections() -> None:
    report = wire_report("2.5mm2", 5.0, 0.02, 20.0, BehindIt(5.6, 0.4, 3.0))
    assert report.wire_ohm == pytest.approx(10 / 58 / 2.5, rel=1e-12)
    assert report.most_ohm == pytest.approx(7.98e-3 * 10, rel=1e-12)  # IEC 60228, class 5
    assert report.resistance_ohm == pytest.approx(report.wire_ohm + 0.02)
    document = report.document()
    assert document["effect"]["level_db"] == pytest.approx(20 * math.log10(5.6 / (5.6 + report.resistance_ohm)))
    assert document["effect"]["qes"] == pytest.approx(0.4 * (5.6 + report.resistance_ohm) / 5.6)
    warm = wire_report("2.5mm2", 5.0, 0.0, 100.0, BehindIt())
    assert warm.wire_ohm / report.wire_ohm == pytest.approx(1.3144, abs=5e-5)
    assert wire_report("1.4mm", 5.0, 0.0, 20.0, BehindIt()).most_ohm is None


def test_the_wire_in_words() -> None:
    driver = ("--re-ohms", "5.6", "--qes", "0.4", "--qms", "3")
    status, out, err = run("wire", "--wire", "2.5mm2", "--length", "5", "--contacts", "0.02", *driver)
    assert (status, err) == (0, "")
    assert out.splitlines() == [
        "5 m of 2.5 mm², there and back: 68.97 mohm at 20 degrees C",
        "as flexible cable at most 79.8 mohm (IEC 60228, class 5)",
        "with its connections: 88.97 mohm",
        "level: −0.14 dB where the driver has its 5.6 ohm, −0.02 dB at its resonance",
        "damping: Qes 0.400 becomes 0.406; Qts 0.353 becomes 0.358 (+1.4 %)",
    ]


def test_a_coil_for_an_inductance() -> None:
    report = coil_report("1mm", "1.2mH", bobbin="30x25")
    coil = report.winding
    assert coil == Winding(coil.turns, 23, pytest.approx(0.03), 1e-3, pytest.approx(1.06e-3))
    assert coil.inductance_h == pytest.approx(1.2e-3, rel=0.005)
    document = report.document()
    assert document["resistance_ohm"] == pytest.approx(coil.wire_length_m * 21.95e-3, rel=3e-4)
    assert document["wire"]["copper_g"] == pytest.approx(8.89 * math.pi / 4 * coil.wire_length_m, rel=1e-9)
    assert document["skin_effect"]["factor"] == pytest.approx(1.0267, abs=5e-5)
    assert document["effect"] is None
    again = coil_report("1mm", turns=coil.turns, bobbin="30 x 25 mm")
    assert again.winding.inductance_h == coil.inductance_h


def test_insulation_and_bobbins_change_the_coil() -> None:
    thin, thick = (coil_report("1mm", turns=200, bobbin="30x25", insulation_mm=one) for one in (0.0, 0.5))
    assert (thin.winding.per_layer, thick.winding.per_layer) == (25, 16)
    assert thick.winding.wire_length_m > thin.winding.wire_length_m
    brooks = coil_report("1mm", "1.2mH")
    assert brooks.winding.inner_diameter_m == pytest.approx(2 * brooks.width_m)
    assert brooks.winding.wire_length_m < coil_report("1mm", "1.2mH", bobbin="50x8").winding.wire_length_m


def test_a_coil_in_words_and_for_other_programs() -> None:
    arguments = ("coil", "--inductance", "1.2mH", "--wire", "1mm", "--bobbin", "30x25", "--re-ohms", "5.6")
    status, out, err = run(*arguments)
    assert status == 0
    assert "turns of 1 mm wire on a bobbin 30.0 mm across and 25.0 mm wide inside" in out
    heads = ("sum over all turns", "Wheeler's formula", "of 23 turns", "g of copper", "DC resistance at 20 degrees C")
    for head in (*heads, "skin effect at 20000 Hz", "level: −0."):
        assert head in out
    assert "measure it" in err
    document = json.loads(run(*arguments, "--json")[1])
    assert document["bobbin"] == {"inner_diameter_mm": pytest.approx(30), "width_mm": pytest.approx(25)}
    assert document["effect"]["qts"] is None


def test_doubts_about_a_coil() -> None:
    few = coil_report("2mm", "3uH", bobbin="30x25")
    assert any("a turn more or less is much" in note for note in few.notes)
    flat = coil_report("1mm", turns=300, bobbin="30x2.2")
    assert any("Wheeler's formula is made for other proportions" in note for note in flat.notes)
    assert any("skin effect" in note for note in few.notes)
    assert not any("skin effect" in note for note in coil_report("0.5mm", turns=9, bobbin="30x25").notes)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("coil", "--wire", "1mm"), "neither inductance nor turns are given"),
        (("coil", "--wire", "1mm", "--turns", "9", "--inductance", "1mH"), "inductance and turns are both given"),
        (("coil", "--wire", "1mm", "--turns", "0"), "0 turns are asked for; give 1 to 5000"),
        (("coil", "--wire", "1mm", "--inductance", "1uF"), "'1uF' is the value of a capacitor, not of a coil"),
        (("coil", "--wire", "1mm", "--inductance", "1.2"), "is 1200 mH; give 1 µH to 200 mH"),
        (("coil", "--wire", "1mm", "--turns", "9", "--bobbin", "30"), "--bobbin '30' is not DIAMETERxWIDTH"),
        (("coil", "--wire", "1mm", "--turns", "9", "--bobbin", "30x0.5"), "is narrower than the wire"),
        (("coil", "--wire", "1mm", "--turns", "9", "--bobbin", "0.5x30"), "out of reason; give 1 to 1000 mm across"),
        (("coil", "--wire", "1mm", "--turns", "9", "--qes", "0.4"), "say nothing without Re; give it too"),
        (("wire", "--wire", "1", "--length", "3"), "'1' is no size of a wire"),
        (("wire", "--wire", "1mm", "--length", "3 m"), "--length '3 m' is not a number; give the number alone"),
    ],
)
def test_wrong_use_is_told(arguments: tuple[str, ...], said: str) -> None:
    status, out, err = run(*arguments)
    assert (status, out) == (2, "")
    assert said in one_line(err)


@pytest.mark.parametrize(
    ("command", "option"),
    [
        *((("wire", "--wire", "1mm", "--length", "3"), option) for option in ("--length", "--contacts", "--celsius")),
        *((("wire", "--wire", "1mm", "--length", "3", "--re-ohms", "5", "--qes", "1"), option)
          for option in ("--re-ohms", "--qes", "--qms")),
        *((("coil", "--wire", "1mm", "--turns", "20"), option) for option in ("--insulation", "--hz", "--celsius")),
    ],
)  # fmt: skip
def test_a_number_that_cannot_be(command: tuple[str, ...], option: str) -> None:
    for value in VALUES:
        if (option, value) in (("--contacts", "1e-320"), ("--insulation", "1e-320")):
            continue  # as good as 0, which may be
        if option == "--celsius" and value in ("1e-320", "-1"):
            continue
        status, out, err = run(*command, f"{option}={value}")
        assert (status, out) == (2, ""), value
        assert ";" in one_line(err), value


def test_a_coil_of_many_layers_says_that_its_losses_are_not_all_told() -> None:
    said = [any("in many layers a multiple" in note for note in coil_report("1mm", turns=n, bobbin="30x25").notes)
            for n in (10, 200)]  # fmt: skip
    assert said == [False, True]
