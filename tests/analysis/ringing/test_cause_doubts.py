"""What contradicts a cause, and advice that says what it costs."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from reference.speaker_circuit import SpeakerCircuit
from test_causes import describe, exact_fit, findings_of, probability, tall_box, with_resonance

from stillbox.analysis.impedance.findings import ResonanceFit
from stillbox.analysis.physics.cavity import room_modes
from stillbox.analysis.ringing.advice import VentedBox, first_advice, treated_together
from stillbox.analysis.ringing.causes import assign_causes
from stillbox.capture.build.build_description import DriverPlace, InsideSize

FREE_AIR = exact_fit(SpeakerCircuit(tall_box().driver))


def bare(driver_m: float = 0.15) -> ResonanceFit:
    return replace(exact_fit(tall_box(driver_m)), resonances=())


def test_what_is_only_left_over_is_not_sure() -> None:
    fit = with_resonance(bare(), 455.0, 25.0, 0.05)
    (finding,), _ = assign_causes(fit, FREE_AIR, describe())
    assert finding.cause == "wall"
    assert 0.5 <= finding.confidence <= 0.7
    assert any("another part of the cabinet" in sentence for sentence in finding.evidence)


@pytest.mark.parametrize("off", [1.09, 0.92])
def test_a_family_off_its_dimension_brings_a_warning(off: float) -> None:
    """A height stated wrongly: its modes lie at whole multiples of another one."""
    told = describe(inside_mm=InsideSize(height=600.0 * off, width=350.0, depth=280.0), driver=DriverPlace())
    findings, warnings = assign_causes(exact_fit(tall_box(0.05)), FREE_AIR, told)
    (said,) = [one for one in warnings if "family of standing waves" in one]
    assert "above" in said if off > 1 else "below" in said
    explained = re.search(r"\((\d+) mm would explain them\)", said)
    assert explained is not None
    assert float(explained[1]) == pytest.approx(600.0, rel=0.015)
    assert all(one.confidence <= 0.7 for one in findings if one.cause == "wall")
    right = describe(driver=DriverPlace())
    assert not any("family" in one for one in assign_causes(exact_fit(tall_box(0.05)), FREE_AIR, right)[1])


def test_a_driver_told_at_a_node_that_feels_it_brings_a_warning() -> None:
    """Told at half height, where the first mode of the height has its node; it really sits near the top."""
    fit = exact_fit(tall_box(0.05))
    told = describe(driver=DriverPlace(from_top_mm=300.0, from_left_mm=175.0))
    findings, warnings = assign_causes(fit, FREE_AIR, told)
    assert any("sits at a node" in one and one.startswith("289 Hz") for one in warnings), warnings
    assert findings[0].confidence <= 0.7
    assert not any("node" in one for one in assign_causes(fit, FREE_AIR, describe(driver=DriverPlace(
        from_top_mm=50.0, from_left_mm=175.0)))[1])  # fmt: skip


def test_more_than_the_air_can_press_is_a_doubt_and_never_a_number() -> None:
    fit = with_resonance(bare(), 287.5, 20.0, 60.0)
    findings, warnings = assign_causes(fit, FREE_AIR, describe(driver=DriverPlace()))
    said = "; ".join(findings[0].evidence)
    felt = [float(one) for one in re.findall(r"feels (\d+) % of what", said)]
    assert all(one <= 100 for one in felt)
    assert probability(findings[0], "standing wave") <= 0.7
    if probability(findings[0], "standing wave") > 0.2:
        assert any("more of it than the air can press" in one for one in warnings)


# Advice


def test_one_filling_is_one_piece_of_advice() -> None:
    """Bare box with standing waves of one dimension: what works across its middle is said once."""
    findings = findings_of(tall_box(0.05), describe(driver=DriverPlace(from_top_mm=50.0, from_left_mm=175.0)))
    waves = [one for one in findings if one.cause == "standing wave"]
    assert len(waves) >= 4
    whole = [one for one in waves if "where the air moves" in one.advice]
    same = [one for one in waves if one.advice.startswith("Fibre filling as for")]
    assert len(whole) + len(same) == len(waves)
    assert len(whole) <= 3 < len(waves)
    assert "one piece of work" in whole[0].advice
    for one in same:
        assert f"{one.resonance.frequency_hz:.0f}" in "".join(two.advice for two in whole)


def test_a_filling_treats_only_where_the_air_moves() -> None:
    along = [one for one in room_modes((600.0, 350.0, 280.0), 344.0, 1_200.0) if one.orders[1:] == (0, 0)]
    assert [one.orders[0] for one in along] == [1, 2, 3, 4]
    assert treated_together(along) == [0, 1, 0, 3]  # across the middle: odd ones; at the quarters: the second
    assert treated_together([None, along[0], None]) == [0, 1, 2]


def test_filling_between_cone_and_port_costs_bass() -> None:
    first = next(one for one in room_modes((600.0, 350.0, 280.0), 344.0, 600.0) if one.orders == (1, 0, 0))
    between = VentedBox(60.0, 110.0, (150.0, 175.0, 0.0), (500.0, 175.0, 0.0))
    beside = VentedBox(60.0, 110.0, (150.0, 175.0, 0.0), (250.0, 175.0, 0.0))
    assert "costs bass, and that middle lies on it: fill the back half only" in first_advice(
        "standing wave", 287.0, 16.0, first, between
    ).text
    assert "does not lie on it" in first_advice("standing wave", 287.0, 16.0, first, beside).text
    assert "costs bass" in first_advice("standing wave", 287.0, 16.0, None, VentedBox()).text
    assert "costs bass" not in first_advice("standing wave", 287.0, 16.0, first).text


@pytest.mark.parametrize(("diameter", "length"), [(60.0, 110.0), (100.0, 80.0), (25.0, 300.0)])
def test_a_ringing_port_keeps_its_tuning(diameter: float, length: float) -> None:
    text = first_advice("port", 1_200.0, 20.0, None, VentedBox(diameter, length)).text
    new_length, new_diameter = (float(one) for one in re.findall(r"(\d+) mm", text)[:2])
    ends = 0.5 * (0.8216 + 0.6133)  # of both ends over the diameter
    before, after = diameter**2 / (length + ends * diameter), new_diameter**2 / (new_length + ends * new_diameter)
    assert after == pytest.approx(before, rel=0.06)  # whole millimetres
    assert new_length < length
    assert new_diameter < diameter
    assert "shorter or wider" not in first_advice("port", 1_200.0, 20.0).text
    assert "area and length go together" in first_advice("port", 1_200.0, 20.0).text
