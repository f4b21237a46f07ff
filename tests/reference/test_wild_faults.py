"""Faults of the wild two-ways, and the foresight of which can be told: bookkeeping, limits, Fisher's information."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from reference.wild_faults import FAULTS, Fault, draw_fault, least_ratio, possible_faults, with_fault
from reference.wild_fisher import FROM_THE_CURVE, PLANNED, Information, Known
from reference.wild_network import SHORT_OHM, Network
from reference.wild_two_way_truth import TwoWayTruth
from reference.wild_two_ways import WildTwoWay, wild_two_way

HZ = np.geomspace(20, 20_000, 60)


def test_open_part_is_a_part_taken_out() -> None:
    wild = wild_two_way(2)
    for name in ("C1", "L1", "R1", "tweeter"):
        fault = Fault("driver not connected" if name == "tweeter" else "open", name)
        without = wild.network().without(name).solve(2 * np.pi * HZ).impedance
        assert np.max(np.abs(with_fault(wild, fault).impedance("in-box", HZ) / without - 1)) < 1e-9, name


def test_shorted_part_is_a_wire() -> None:
    wild = wild_two_way(2)
    plus, minus = wild.plan.nodes["C4"]
    joined = [replace(b, plus=plus if b.plus == minus else b.plus, minus=plus if b.minus == minus else b.minus)
              for b in wild.network().without("C4").branches]  # fmt: skip
    joined = [replace(b, plus="inside" if b.plus == "in" and b.name != "wire" else b.plus) for b in joined]
    expected = Network(tuple(joined)).solve(2 * np.pi * HZ).impedance
    bridged = with_fault(wild, Fault("short", "C4")).impedance("in-box", HZ)
    assert np.max(np.abs(bridged - expected)) < 1.05 * SHORT_OHM  # it carries the whole current at most


def test_exchanged_parts_lie_in_each_others_places() -> None:
    wild = wild_two_way(2)
    fault = next(fault for fault in possible_faults(wild.plan) if fault.kind == "exchanged")
    wrong = with_fault(wild, fault)
    one, other = wild.plan.part(fault.part), wild.plan.part(fault.other)
    assert (wrong.plan.part(one.name).value, wrong.plan.part(one.name).planned) == (other.value, one.planned)
    assert wrong.plan.part(other.name).loss_ohm == one.loss_ohm
    assert wrong.netlist() == wild.netlist()
    back = with_fault(wrong, fault)
    assert np.array_equal(back.impedance("in-box", HZ), wild.impedance("in-box", HZ))


def test_drawn_faults_are_faults() -> None:
    rng = np.random.default_rng(4)
    seen = set()
    for seed in range(30):
        wild = wild_two_way(seed)
        fault = draw_fault(wild, rng)
        seen.add(fault.kind)
        wrong = TwoWayTruth(with_fault(wild, fault))
        if fault.kind == "value":
            part = wrong.parts[fault.part]
            ratio = max(part.value / part.planned, part.planned / part.value)
            assert ratio >= least_ratio(wild.plan.part(fault.part)) - 1e-9 and not part.within
        if fault.kind in ("open", "short"):
            assert wrong.parts[fault.part].state == fault.kind
        assert np.max(np.abs(wrong.impedance(HZ) / wild.impedance("in-box", HZ) - 1)) > 1e-6
    assert seen == set(FAULTS)


@pytest.fixture(scope="module")
def as_planned() -> WildTwoWay:
    wild = wild_two_way(2)
    exact = [replace(p, value=p.planned, loss_ohm=p.planned_loss_ohm or p.loss_ohm) for p in wild.plan.parts]
    return replace(wild, plan=wild.plan.with_parts(*exact))


@pytest.mark.parametrize("name", ["C1", "L2", "R3"])
def test_twice_the_fault_is_four_times_the_evidence(as_planned: WildTwoWay, name: str) -> None:
    """By the whole fit with everything else free; and Fisher's information foretells it."""
    about = Information(as_planned)
    part = as_planned.plan.part(name)
    ratios = []
    for size in (0.02, 0.04):
        wrong = replace(as_planned, plan=as_planned.plan.with_parts(replace(part, value=part.planned * np.exp(size))))
        curve = about.curve_of(wrong)
        ratio = about.cost(PLANNED, curve) - about.cost(Fault("value", name), curve)
        assert ratio == pytest.approx(about.small_fault(name, size), rel=0.02)
        ratios.append(ratio)
    assert ratios[1] / ratios[0] == pytest.approx(4, rel=0.03)
    assert about.cost(PLANNED, about.curve) < 1e-9


def test_information_of_one_part_alone(as_planned: WildTwoWay) -> None:
    """Nothing else free: half the squares of the change over the noise, less what the tolerance takes."""
    sure = Known(noise=2e-3, reference=1e-9, wire_ohm=1e-9, coil_ohm=1e-9, capacitor_ohm=1e-9,
                 woofer=(1e-9,) * 6, small=(1e-9,) * 5)  # fmt: skip
    plan = as_planned.plan
    tight = replace(as_planned, plan=plan.with_parts(*(replace(p, tolerance_percent=p.tolerance_percent * 1e-7)
                                                       for p in plan.parts if p.name != "C1")))  # fmt: skip
    about, part, step = Information(tight, sure), plan.part("C1"), 1e-4
    ends = [about.curve_of(replace(tight, plan=tight.plan.with_parts(replace(part, value=part.value * np.exp(log)))))
            for log in (-step, step)]  # fmt: skip
    squares = np.sum(np.abs(np.log(ends[1] / ends[0]) / (2 * step) / sure.noise) ** 2)
    left = 1 / (1 / squares + part.tolerance_std**2)
    assert about.small_fault("C1", 0.01) == pytest.approx(0.5 * 0.01**2 * left, rel=0.02)


def test_bounds_are_bounds() -> None:
    """A search that is given up early says less than the whole one, and the same where the whole one says little."""
    about = Information(wild_two_way(3), FROM_THE_CURVE)
    curve = about.curve_of(with_fault(about.wild, Fault("short", "R2")))
    for fault in (Fault("value", "R1"), Fault("short", "R1"), Fault("loss", "L1"), Fault("exchanged", "C1", "C2")):
        whole, given_up = about.cost(fault, curve), about.cost(fault, curve, 60.0)
        assert given_up <= whole + 0.01
        if whole < 60:
            assert given_up == pytest.approx(whole, abs=0.05), fault


def test_what_cannot_be_told_is_known(as_planned: WildTwoWay) -> None:
    """Either part of a zobel open is the same thing; less known of the drivers is less told."""
    about = Information(as_planned)
    assert as_planned.plan.nodes["R2"][1] == as_planned.plan.nodes["C3"][0] == "wz"
    curve = about.curve_of(with_fault(as_planned, Fault("open", "C3")))
    one, other, planned = (about.cost(h, curve) for h in (Fault("open", "C3"), Fault("open", "R2"), PLANNED))
    assert one == pytest.approx(other, abs=0.01) and planned > one + 100
    blind = Information(as_planned, FROM_THE_CURVE)
    assert blind.small_fault("C1", 0.2) < about.small_fault("C1", 0.2)


def test_verdict_on_a_fault() -> None:
    wild = wild_two_way(0)
    about = Information(wild)
    fault = Fault("value", "C2", value=wild.plan.part("C2").planned * 1.8)
    verdict = about.judge(fault, with_fault(wild, fault))
    assert verdict.part_can_be_told() and verdict.over_planned > 20
    assert verdict.over_rival <= verdict.over_other_part and "C2" not in verdict.other_part.parts
    suspect, over = about.most_suspect(with_fault(wild, fault))
    assert suspect == Fault("value", "C2") and over == pytest.approx(verdict.over_planned, abs=1e-3)
    nobody, over = about.most_suspect(wild)
    assert over < 5, nobody
