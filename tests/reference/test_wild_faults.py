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


@pytest.mark.parametrize("kind", FAULTS)
def test_drawn_faults_are_faults(kind: str) -> None:
    rng = np.random.default_rng(4)
    for seed in range(8):
        wild = wild_two_way(seed)
        if not any(fault.kind == kind for fault in possible_faults(wild.plan)):
            continue
        fault = draw_fault(wild, rng, kind)
        wrong = TwoWayTruth(with_fault(wild, fault))
        if kind == "value":
            part = wrong.parts[fault.part]
            ratio = max(part.value / part.planned, part.planned / part.value)
            assert ratio >= least_ratio(wild.plan.part(fault.part)) - 1e-9 and not part.within
        if kind == "loss":
            assert wrong.parts[fault.part].loss_ohm >= wild.plan.part(fault.part).loss_ohm + 1
        if kind in ("open", "short"):
            assert wrong.parts[fault.part].state == kind and not wrong.parts[fault.part].within
        assert np.max(np.abs(wrong.impedance(HZ) / wild.impedance("in-box", HZ) - 1)) > 1e-6


def test_every_kind_is_drawn() -> None:
    rng, wild = np.random.default_rng(4), wild_two_way(2)
    assert {draw_fault(wild, rng).kind for _ in range(60)} == set(FAULTS)


@pytest.fixture(scope="module")
def as_planned() -> WildTwoWay:
    wild = next(wild for wild in map(wild_two_way, range(99)) if wild.plan.ways[0].zobel and len(wild.plan.parts) > 6)
    exact = [replace(p, value=p.planned, loss_ohm=p.planned_loss_ohm or p.loss_ohm) for p in wild.plan.parts]
    return replace(wild, plan=wild.plan.with_parts(*exact))


def test_twice_the_fault_is_four_times_the_evidence(as_planned: WildTwoWay) -> None:
    """By the whole fit with everything else free; and Fisher's information foretells it."""
    about = Information(as_planned)
    assert about.cost(PLANNED, about.curve) < 1e-9
    for part in as_planned.plan.parts[::2]:
        ratios = []
        for size in (0.004, 0.008):
            changed = replace(part, value=part.planned * np.exp(size))
            curve = about.curve_of(replace(as_planned, plan=as_planned.plan.with_parts(changed)))
            ratio = about.cost(PLANNED, curve) - about.cost(Fault("value", part.name), curve)
            assert ratio == pytest.approx(about.small_fault(part.name, size), rel=0.03), part.name
            ratios.append(ratio)
        assert ratios[1] / ratios[0] == pytest.approx(4, rel=0.02), part.name


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
    curve = about.curve_of(with_fault(about.wild, Fault("loss", "L1", loss_ohm=0.9)))
    some = possible_faults(about.wild.plan)[::3]
    assert len(some) > 6
    wholes = {fault: about.cost(fault, curve) for fault in some}
    assert min(wholes.values()) < 60 < max(wholes.values())
    for fault, whole in wholes.items():
        given_up = about.cost(fault, curve, 60.0)
        assert given_up == pytest.approx(whole, abs=0.05) if whole < 60 else 60 < given_up <= whole + 0.01, fault


def test_what_cannot_be_told_is_known(as_planned: WildTwoWay) -> None:
    """Either part of a zobel open is the same thing; less known of the drivers is less told."""
    about = Information(as_planned)
    resistor, capacitor = (name for name, ends in as_planned.plan.nodes.items() if "wz" in ends)
    curve = about.curve_of(with_fault(as_planned, Fault("open", capacitor)))
    one, other, planned = (about.cost(h, curve) for h in (Fault("open", capacitor), Fault("open", resistor), PLANNED))
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
    assert not verdict.alike() and len(verdict.over) == len(possible_faults(wild.plan)) - 1
    suspect, over = about.most_suspect(with_fault(wild, fault))
    assert suspect == Fault("value", "C2") and over == pytest.approx(verdict.over_planned, abs=1e-3)
    nobody, over = about.most_suspect(wild)
    assert over < 5, nobody


def test_what_lies_in_one_row_is_alike() -> None:
    """A tweeter behind one capacitor alone: either cut off is the same."""
    wild = next(wild for wild in map(wild_two_way, range(99))
                if wild.plan.ways[-1].high_pass == 1 and len(wild.plan.parts) < 5
                and wild.plan.nodes["tweeter"] in (("t1", "0"), ("0", "t1")))  # fmt: skip
    capacitor = next(name for name, ends in wild.plan.nodes.items() if ends == ("in", "t1"))
    fault = Fault("open", capacitor)
    verdict = Information(wild).judge(fault, with_fault(wild, fault))
    assert Fault("driver not connected", "tweeter") in verdict.alike() and not verdict.part_can_be_told()
