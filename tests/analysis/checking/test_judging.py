"""Explanations of a curve, against circuits computed here: a closed or vented box behind a second-order crossover."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stillbox.analysis.checking.boxed_driver import BoxedDriver, Motion, motional_ohm
from stillbox.analysis.checking.expected import ExpectedSpeaker
from stillbox.analysis.checking.hypotheses import OTHER_UNIT
from stillbox.analysis.checking.judging import Judged, judged_speaker
from stillbox.analysis.checking.of_the_speaker import items_of, stops, suspects_of
from stillbox.analysis.checking.series_capacitor import guards
from stillbox.analysis.network.changes import shorted
from stillbox.analysis.network.netlist import network_from_text
from stillbox.analysis.network.network import Network
from stillbox.analysis.network.nodal import circuit_at
from stillbox.analysis.wrong_part.many_speakers import Curve
from stillbox.capture.arrays import ComplexArray

HZ = np.geomspace(20, 20_000, 64)
NETLIST = """* two-way
L1 in w 0.6m
RL1 w w2 0.3
C1 w2 0 10u
Xwoofer w2 0 woofer
C2 in t 6.8u
L2 t 0 0.3m
R1 t t2 2.2
Xtweeter 0 t2 tweeter
"""
VENTED = Motion(0.3e-3, 0.045, 0.025, 30.0, 2 * np.pi * 42, 0.05, 6.0, 6e-5)
WOOFER_OHM, TWEETER_OHM = 5.6, 5.2
DOME = Motion(30e-6, 1 / ((2 * np.pi * 900) ** 2 * 30e-6), 0.09, 1e-9, 0.0, 1.0, 1.0)


def network() -> Network:
    return network_from_text(NETLIST, "plan")


def driver_ohm(motion: Motion, resistance: float, henry: float) -> ComplexArray:
    coil = henry * (2j * np.pi * HZ) ** 0.8
    found: ComplexArray = resistance + coil + motional_ohm(motion.values()[None], HZ)[0][0]
    return found


def known(name: str, motion: Motion, resistance: float, henry: float) -> BoxedDriver:
    coil = henry * (2j * np.pi * HZ) ** 0.8
    ohm, no_spread = driver_ohm(motion, resistance, henry), np.zeros(HZ.size)
    return BoxedDriver(name, ohm, (), no_spread, HZ, resistance, coil, motion, motion, OTHER_UNIT)


def judged(
    built: Network, motion: Motion = VENTED, resistance: float = WOOFER_OHM
) -> tuple[ExpectedSpeaker, Judged]:
    """A speaker as built, its woofer 1.5 % off in each number, against the plan and one without a fault."""
    motion = replace(motion, mass=motion.mass * 1.015, compliance=motion.compliance * 0.985)
    drivers = {"woofer": driver_ohm(motion, resistance * 1.01, 4e-3), "tweeter": driver_ohm(DOME, TWEETER_OHM, 0.4e-3)}
    ohm = np.asarray(circuit_at(built, HZ, drivers).input_impedance_ohm) + 0.05
    expected = ExpectedSpeaker(
        network=network(),
        tolerance_percent={"L1": 5.0, "C1": 5.0, "C2": 5.0, "L2": 5.0, "R1": 5.0, "L1.loss": 20.0},
        curve=Curve(HZ, ohm, np.full(HZ.size, 1e-6), 0.002),
        in_box=known("woofer", VENTED, WOOFER_OHM, 4e-3),
        others=(known("tweeter", DOME, TWEETER_OHM, 0.4e-3),),
        filled=None,
        rough=0.0,
        known_dc_ohm=WOOFER_OHM + 0.35,
    )
    return expected, judged_speaker(expected)


def test_a_good_one_is_as_it_should_be_and_its_numbers_lie_within_their_limits() -> None:
    expected, found = judged(network())
    assert found.planned_probability > 0.9
    assert not suspects_of(expected, found)
    items = {item.name: item for item in items_of(expected, found, "against unit A")}
    assert all(item.verdict == "good" for item in items.values())
    assert items["tuning"].measured == pytest.approx(42, rel=0.01)
    assert items["DC resistance"].measured == pytest.approx(WOOFER_OHM * 1.01 + 0.3 + 0.05, abs=0.1)
    assert all("unit A" in item.limit_from for name, item in items.items() if name != "crossover")


def test_a_leak_is_named_first_and_looked_at() -> None:
    expected, found = judged(network(), replace(VENTED, leak=2 * np.pi * 42 / 6))
    suspects = suspects_of(expected, found)
    assert (suspects[0].kind, suspects[0].probability > 0.9) == ("leak", True)
    assert stops(network(), suspects) is None
    assert {item.name for item in items_of(expected, found, "") if item.verdict == "look"} >= {"losses of the box"}


def test_a_tweeter_without_its_capacitor_stops() -> None:
    expected, found = judged(shorted(network(), "C2"))
    suspects = suspects_of(expected, found)
    assert (suspects[0].part, suspects[0].part_fault) == ("C2", "short")
    assert stops(network(), suspects) is suspects[0]


def test_series_capacitors_are_those_that_part_a_driver_from_direct_current() -> None:
    assert guards(network()) == {"C2"}
    third = "* third order\nC1 in a 4u\nL1 a 0 1m\nC2 a b 12u\nXtweeter b 0 any\nL2 in w 1m\nXwoofer w 0 any\n"
    assert guards(network_from_text(third, "plan")) == set()  # one alone still parts it
    first = "* first order\nC1 a 0 4u\nXtweeter a in any\nC2 in 0 10u\n"
    assert guards(network_from_text(first, "plan")) == {"C1"}
