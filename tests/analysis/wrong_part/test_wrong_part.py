"""One wrong part of a finished speaker is found, good ones are not accused: against speakers that others have written.

The speakers (`reference.wild_two_ways`) have parts with losses, ladders, leads and wires of which the netlist says
nothing. Their drivers are given as takes would give them; takes themselves are tried in `tests.analysis.crossover`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reference.wild_faults import Fault as TrueFault
from reference.wild_faults import with_fault
from reference.wild_two_ways import WildTwoWay, wild_two_way

from stillbox.analysis.network.netlist import network_from_text
from stillbox.analysis.network.nodal import circuit_at
from stillbox.analysis.wrong_part.guessed_driver import guessed_driver
from stillbox.analysis.wrong_part.hypotheses import possible_faults
from stillbox.analysis.wrong_part.judging import wrong_part
from stillbox.analysis.wrong_part.known_driver import KnownDriver
from stillbox.analysis.wrong_part.many_speakers import Curve, Model
from stillbox.analysis.wrong_part.result import Fault, WrongPart
from stillbox.analysis.wrong_part.weighing import weigh

HZ = np.geomspace(20, 19_000, 80)


def driver(wild: WildTwoWay, name: str) -> KnownDriver:
    """From its own terminals on another day, its coil and its wire not sure."""
    take = "in-box" if name == "woofer" else "free-air"
    ohm = wild.driver_ohm(name, take, name, HZ)
    slopes = (np.full(HZ.size, 0.02 + 0j), 2j * np.pi * HZ * 0.15e-6, 0.004 * HZ * np.gradient(ohm, HZ))
    return KnownDriver(name, ohm, slopes, 0.004 * np.abs(ohm))


def curve(wild: WildTwoWay) -> Curve:
    return Curve(HZ, wild.impedance("in-box", HZ), np.zeros(HZ.size), 0.0015)


def told(wild: WildTwoWay, fault: TrueFault | None = None, plan: WildTwoWay | None = None) -> WrongPart:
    """What is said of a speaker with a fault, known by the plan of the one without."""
    known = plan or wild
    network = network_from_text(known.netlist())
    drivers = [driver(known, name) for name in known.drivers]
    return wrong_part(network, known.tolerances_percent(), drivers, curve(with_fault(wild, fault) if fault else wild))


@pytest.mark.parametrize(
    ("seed", "fault"),
    [
        (3, TrueFault("value", "L1", value=0.23e-3)),
        (18, TrueFault("value", "C1", value=4.55e-6)),
        (4, TrueFault("value", "C1", value=6.3e-6)),
        (6, TrueFault("short", "C1")),
        (15, TrueFault("open", "L1")),
        (18, TrueFault("loss", "L1", loss_ohm=2.2)),
        (18, TrueFault("loss", "C1", loss_ohm=4.0)),
        (0, TrueFault("exchanged", "C1", "C2")),
        (3, TrueFault("driver not connected", "tweeter")),
    ],
)
def test_the_wrong_part_is_named(seed: int, fault: TrueFault) -> None:
    wild = wild_two_way(seed)
    found = told(wild, fault)
    assert found.suspect is not None and found.explained
    named = [found.suspect, *found.alternatives]
    assert found.suspect.fault.parts[0] in fault.parts or any(set(one.fault.parts) == fault.parts for one in named)
    right = next(one for one in named if set(one.fault.parts) == fault.parts)
    assert right.fault.kind == fault.kind and right.probability > 0.3
    if fault.value is not None:
        assert right.value == pytest.approx(fault.value, rel=0.1)
        assert abs(right.value - fault.value) < 4 * right.value_std
    if fault.loss_ohm is not None:
        assert right.loss_ohm == pytest.approx(fault.loss_ohm, rel=0.1)
        lossy = found.as_measured.part(found.suspect.fault.part).loss_ohm
        assert lossy == pytest.approx(found.suspect.loss_ohm) if found.suspect.fault.kind == "loss" else lossy == 0
    assert found.planned_probability < 1e-3
    assert found.misfit_percent < 0.5 < found.planned_misfit_percent
    assert [part.name for part in found.parts if part.verdict == "outside"] == sorted(
        {part.name for part in found.parts} & set(found.suspect.fault.parts)
    )


@pytest.mark.parametrize("seed", [0, 1, 3, 6, 15])
def test_good_networks_are_not_accused_though_a_fault_would_fit_better(seed: int) -> None:
    """Parts are off within tolerance: freed of it, one of them always fits better. That is no evidence."""
    wild = wild_two_way(seed)
    network = network_from_text(wild.netlist())
    drivers = [driver(wild, name) for name in wild.drivers]
    found = wrong_part(network, wild.tolerances_percent(), drivers, curve(wild))
    assert found.suspect is None and found.planned_probability > 0.8
    assert all(part.verdict != "outside" for part in found.parts)
    off = [(part.value - wild.plan.part(part.name).value) / part.value_std for part in found.parts]
    assert np.sqrt(np.mean(np.square(off))) < 2
    assert sum(part.told for part in found.parts) >= len(found.parts) / 2


@pytest.mark.parametrize(
    ("seed", "name", "times"), [(4, "C2", 1.28), (3, "C1", 1.14), (4, "C1", 1.14), (3, "L2", 1.07)]
)
def test_a_part_between_one_tolerance_and_a_fault_is_not_within(seed: int, name: str, times: float) -> None:
    """1.4 tolerances off, no fault is named: outside where the curve tells it, and then said; else not told."""
    wild = wild_two_way(seed)
    planned = network_from_text(wild.netlist()).part(name).value
    found = told(wild, TrueFault("value", name, value=times * planned))
    part = found.part(name)
    assert found.suspect is None and part.verdict != "within"
    off, std = 100 * abs(part.value / planned - 1), 100 * part.value_std / planned
    surely = off - 2 * std > part.tolerance_percent
    assert (part.verdict == "outside") == surely == (f"{name} is {off:.0f} % more than planned" in found.sentence)
    assert ("as planned, within the tolerances" in found.sentence) == (not surely)
    for other in found.parts:
        reach = abs(other.value / other.planned - 1) + 1.9 * other.value_std / other.planned
        assert other.verdict != "within" or 100 * reach < other.tolerance_percent


def bent(one: KnownDriver, seed: int, size: float) -> KnownDriver:
    """A driver whose take is off by something smooth: neighbouring points share it."""
    rng, octaves = np.random.default_rng(seed), np.log2(HZ / HZ[0])
    shares = rng.standard_normal((2, 8)) / np.sqrt(16)
    waves = sum((re + 1j * im) * np.cos(np.pi * k * octaves / 4) for k, (re, im) in enumerate(shares.T, 1))
    return replace(one, impedance_ohm=one.impedance_ohm * (1 + size * waves))


def test_what_neighbouring_points_share_counts_once() -> None:
    """What drivers are off is met as far as parts can follow it: the rest widens what is told of each part."""
    off = []
    for seed in (3, 7):
        wild = wild_two_way(seed)
        network = network_from_text(wild.netlist())
        drivers = [bent(driver(wild, name), seed + number, 0.03) for number, name in enumerate(wild.drivers)]
        found = wrong_part(network, wild.tolerances_percent(), drivers, curve(wild))
        assert found.explained and found.misfit_percent > 0.6
        off += [(part.value - wild.plan.part(part.name).value) / part.value_std for part in found.parts]
    assert np.sqrt(np.mean(np.square(off))) < 1.6


def test_one_part_is_not_said_where_another_is_bent_far_beyond_its_tolerance() -> None:
    """Two parts are wrong: the sentence names both, and does not call one of them the only one."""
    wild = wild_two_way(3)
    planned = network_from_text(wild.netlist())
    two = with_fault(wild, TrueFault("value", "L1", value=0.5 * planned.part("L1").value))
    found = told(two, TrueFault("value", "C2", value=1.35 * planned.part("C2").value), wild)
    assert found.sentence.startswith("More than one thing seems to be wrong: L1 seems to be ")
    assert "C2 is 3" in found.sentence and found.part("C2").verdict == "outside"


def test_least_cost_alone_would_accuse() -> None:
    """Of parts at the edge of their tolerances a fault is nearer to the curve; it is weighed, and found too light."""
    wild = wild_two_way(3)
    edge = [replace(part, value=part.planned * (1 + sign * part.tolerance_percent / 100))
            for part, sign in zip(wild.plan.parts, (1, -1, 1, -1, 1), strict=True)]  # fmt: skip
    wild = replace(wild, plan=wild.plan.with_parts(*edge))
    model = Model(
        network_from_text(wild.netlist()),
        {name: 0.75 * percent for name, percent in wild.tolerances_percent().items()},
        [driver(wild, name) for name in wild.drivers],
        curve(wild),
    )
    weighed = weigh(model)
    planned = weighed.faults.index(None)
    assert weighed.found.cost.min() < weighed.found.cost[planned] - 0.5
    assert weighed.probability[planned] > 0.5


def test_what_no_curve_tells_apart_is_not_told_apart() -> None:
    """A capacitor and a resistor in a row: open is open."""
    wild = wild_two_way(12)
    found = told(wild, TrueFault("open", "R1"))
    assert found.suspect is not None
    both = {found.suspect.fault.part: found.suspect, **{one.fault.part: one for one in found.alternatives}}
    assert set(both) == {"C2", "R1"}
    assert both["C2"].probability == pytest.approx(both["R1"].probability, rel=1e-3)
    assert "sweep it alone (--subject part --part" in found.tell_apart_by
    assert found.part("L1").verdict == "within"


def test_a_netlist_of_another_speaker_accuses_nobody() -> None:
    wild, other = wild_two_way(4), wild_two_way(11)
    network = network_from_text(wild.netlist())
    found = wrong_part(network, wild.tolerances_percent(), [driver(wild, name) for name in wild.drivers], curve(other))
    assert not found.explained and found.suspect is None and found.alternatives == ()
    assert found.sentence.startswith("No single wrong part explains this curve")


def test_a_netlist_of_wires_alone_has_nothing_to_judge() -> None:
    wild = wild_two_way(3)
    woofer = driver(wild, "woofer")
    network = network_from_text("* wires alone\nXwoofer in 0 w\n.end\n")
    found = wrong_part(network, {}, [woofer], Curve(HZ, woofer.impedance_ohm + 0.05, np.zeros(HZ.size), 0.0015))
    assert found.sentence == "The netlist has no parts: there is nothing of them to judge."
    assert found.suspect is None and found.parts == () and found.misfit_percent < 0.3


def test_without_takes_of_drivers_they_are_fitted_along() -> None:
    """Only the finished speaker was swept: a coil of a third is found, and it is said on what that rests."""
    wild = wild_two_way(3)
    network = network_from_text(wild.netlist())
    drivers = [guessed_driver(name, network, HZ, None, name == "woofer") for name in wild.drivers]
    faulty = with_fault(wild, TrueFault("value", "L1", value=0.23e-3))
    found = wrong_part(network, wild.tolerances_percent(), drivers, curve(faulty))
    assert found.suspect is not None and found.suspect.fault == Fault("value", "L1")
    assert found.suspect.value == pytest.approx(0.23e-3, rel=0.1)
    assert len(found.warnings) == 2 and "was not swept on its own terminals" in found.warnings[0]
    high = HZ > 2000
    true_ohm = wild.driver_ohm("tweeter", "in-box", "", HZ)
    assert np.median(np.abs(found.drivers_ohm["tweeter"] / true_ohm - 1)[high]) < 0.15
    good = wrong_part(network, wild.tolerances_percent(), drivers, curve(wild))
    assert good.suspect is None


def test_slopes_are_those_of_the_curve() -> None:
    wild = wild_two_way(1)
    network = network_from_text(wild.netlist())
    model = Model(network, wild.tolerances_percent(), [driver(wild, name) for name in wild.drivers], curve(wild))
    faults = [None, Fault("value", "C1"), Fault("open", "L1"), Fault("exchanged", "C2", "C3")]
    speakers = model.speakers(faults)
    speakers = speakers.at(np.random.default_rng(3).normal(0, 0.3, speakers.theta.shape))
    slopes, step = model.answer(speakers).slopes, 1e-5
    for number in range(model.size):
        moved = [speakers.theta.copy() for _ in range(2)]
        moved[0][:, number] -= step
        moved[1][:, number] += step
        low, high = (model.answer(speakers.at(theta)).off for theta in moved)
        assert np.max(np.abs((high - low) / (2 * step) - slopes[:, number])) < 1e-6, number


def test_the_curve_is_that_of_the_nodes() -> None:
    """Ideal parts by the nodal analysis, which leaves out what is usual: next to nothing at 200 Hz."""
    wild = wild_two_way(12)
    network = network_from_text(wild.netlist())
    drivers = [driver(wild, name) for name in wild.drivers]
    model = Model(network, wild.tolerances_percent(), drivers, curve(wild))
    found = model.curve_of(model.speakers([None]), 0)
    ideal = circuit_at(network, HZ, {one.name: one.impedance_ohm for one in drivers}).input_impedance_ohm
    low = HZ < 1500
    assert np.max(np.abs(found - 0.05 - ideal)[low] / np.abs(ideal)[low]) < 0.02


def test_every_single_fault_is_a_hypothesis() -> None:
    lines = ("* t", "L1 in a 1m", "C1 a 0 10u", "C2 in b 4.7u", "R1 in 0 47", "Xwoofer a 0 w", "Xtweeter b 0 t")
    network = network_from_text("\n".join(lines))
    faults = list(possible_faults(network))
    assert len(faults) == len(set(faults)) == 4 + 4 + 3 + 3 + 1 + 2
    assert Fault("short", "R1") not in faults  # nothing would be left to measure
    assert Fault("exchanged", "C1", "C2") in faults and Fault("driver not connected", "tweeter") in faults
