"""Bass: published alignments, the sound of the reference circuits, changed boxes, and what a lining costs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from circuit_takes import fitted_box, fitted_driver, random_speaker
from reference.jig_circuit import Jig
from reference.ngspice_run import jig_netlist, logarithmic, ngspice_there, run_netlist
from reference.random_boxes import true_box
from reference.random_drivers import true_driver, with_mass
from reference.speaker_circuit import Cavity, HungMass, Leak, SpeakerCircuit, port_mass_kg_per_m4
from reference.speaker_circuit import Port as Tube

from stillbox.analysis.bass.bass import Change, bass_curves, bass_figures, changed, ends_over_radius, group_delay_s
from stillbox.analysis.bass.bass_cost import figure_quantity, lining_cost
from stillbox.analysis.bass.bass_published import in_box_of_lumps, published_vented
from stillbox.analysis.bass.bass_words import bass_csv
from stillbox.analysis.bass.picture_bass import picture_of_bass
from stillbox.analysis.drawing.layout import lay_out
from stillbox.analysis.drawing.medium import paper
from stillbox.analysis.enclosure.box_model import BoxModel
from stillbox.analysis.enclosure.box_numbers import USUAL_INSIDE, USUAL_PORT, LoadNumbers
from stillbox.analysis.lumped.coil_models import COIL_MODELS
from stillbox.analysis.lumped.cone_resonances import ConeResonances
from stillbox.analysis.physics.alignments import b4, c4, closed_alignment, qb3
from stillbox.analysis.physics.port import Port
from stillbox.analysis.system.absolute import AddedMassTake, Air, Known
from stillbox.analysis.system.box_sound import (
    BassSystem,
    Origin,
    bass_system,
    hatched_octaves,
    is_hatched,
    level_db,
    response,
)
from stillbox.analysis.system.second_take import second_take
from stillbox.capture.errors import StillboxError

NOTHING = ConeResonances(1.0, np.zeros(0, dtype=complex), np.zeros(0, dtype=complex))
AIR = Air(1.2, 343.7)
NGSPICE = pytest.mark.skipif(not ngspice_there(), reason="ngspice is not installed")


def ideal(fs: float, qt: float, alpha: float, h: float | None, ql: float = 1e9) -> BassSystem:
    """A box without coil inductance whose driver has the total Q given, as alignments have it."""
    ws = 2 * np.pi * fs
    qms = 50.0 * qt
    qes = 1 / (1 / qt - 1 / qms)
    driver = [np.log(6.0), np.log(ws), np.log(qms), np.log(6.0 * ws / qes), 0.0, np.log(1e-12)]
    load = LoadNumbers(mu=0.0, front=0.0, ln_front_s=-9.0, ln_alpha=np.log(alpha))
    box = [*load, *USUAL_INSIDE._replace(leak=1 / ql, ln_behind_w=6.0)]
    if h is None:
        return BassSystem(BoxModel(COIL_MODELS[0], NOTHING, False, ws), np.array([*driver, *box]))
    model = BoxModel(COIL_MODELS[0], NOTHING, True, h * ws)
    return BassSystem(model, np.array([*driver, *box, *USUAL_PORT._replace(ln_wb=np.log(h * ws))]))


# Published alignments


@pytest.mark.parametrize(
    "box", [b4(7.0), b4(20.0), qb3(0.30, 7.0), qb3(0.37, 1e9), c4(0.5, 7.0)], ids=lambda box: f"{box.name}-{box.qt:.3f}"
)
def test_responses_have_the_published_3_db_points(box) -> None:
    ql = {0.4048: 7.0, 0.3901: 20.0, 0.37: 1e9}.get(round(box.qt, 4), 7.0)
    found = bass_figures(ideal(40.0, box.qt, box.alpha, box.h, ql), coil=False)
    assert found.f3_hz == pytest.approx(40.0 * box.f3_over_fs, rel=2e-3)
    assert found.peak_db == pytest.approx(box.ripple_db, abs=5e-3)


def test_b4_is_maximally_flat() -> None:
    box = b4(7.0)
    system = ideal(40.0, box.qt, box.alpha, box.h, 7.0)
    frequency = np.geomspace(10, 400, 200)
    level = np.abs(response(system, 2j * np.pi * frequency, coil=False))
    assert level == pytest.approx((1 + (40.0 / frequency) ** 8) ** -0.5, rel=1e-5)


@pytest.mark.parametrize("qtc", [0.5, 0.7071, 1.0, 1.5])
def test_closed_boxes(qtc: float) -> None:
    alpha, fs = 1.5, 40.0
    fc = fs * (1 + alpha) ** 0.5
    expected = closed_alignment(qtc)
    system = ideal(fs, qtc * fs / fc, alpha, None)
    found = bass_figures(system, coil=False)
    assert found.f3_hz == pytest.approx(fc * expected.f3_over_fc, rel=2e-3)
    if expected.peak_over_fc is not None and qtc > 0.8:
        assert found.peak_db == pytest.approx(expected.peak_db, abs=2e-3)
        assert found.peak_hz == pytest.approx(fc * expected.peak_over_fc, rel=5e-3)
    # Level at fc is 20 log10 Q.
    at_fc = abs(response(system, np.array([2j * np.pi * fc]), coil=False)[0])
    assert 20 * np.log10(at_fc) == pytest.approx(20 * np.log10(qtc), abs=1e-6)


def test_group_delay_of_a_second_order_high_pass() -> None:
    # -d arg/d w of s^2/(s^2 + s w0/Q + w0^2): (w0/Q)(w0^2 + w^2)/((w0^2 - w^2)^2 + (w0 w/Q)^2).
    system = ideal(40.0, 0.7 / 2.5**0.5, 1.5, None)
    w0, q = 2 * np.pi * 40.0 * 2.5**0.5, 0.7
    w = 2 * np.pi * np.array([20.0, 60.0, 150.0])
    expected = (w0 / q) * (w0**2 + w**2) / ((w0**2 - w**2) ** 2 + (w0 * w / q) ** 2)
    assert group_delay_s(system, w / (2 * np.pi)) == pytest.approx(expected, rel=1e-4)


# The sound of the reference circuits


def exact_sound(circuit: SpeakerCircuit, grid: str) -> tuple[np.ndarray, np.ndarray]:
    """Frequency and G of a lumped circuit: flow into the box's compliance for 1 V at the terminals, from ngspice."""
    frequency, terminal, pressure = run_netlist(jig_netlist(circuit, Jig(reference_ohm=1e-6)), grid, ("one", "pu"))
    assert circuit.cavity is not None
    s = 2j * np.pi * frequency.real
    flow = s * circuit.cavity.compliance_m3_per_pa * pressure / terminal
    driver = circuit.driver
    mass = true_driver(driver).mms_kg
    # A driver of constant acceleration with Re alone: Sd Bl/(Re M s).
    return frequency.real, flow * s * driver.coil.resistance_ohm * mass / (driver.force_factor_tm * driver.area_m2)


@NGSPICE
@pytest.mark.parametrize(("vented", "leak"), [(True, False), (True, True), (False, False), (False, True)])
def test_response_from_the_terminals_is_that_of_the_circuit(vented: bool, leak: bool) -> None:
    """What hangs on the cone belongs to Mms, to the level and to its slope."""
    driver, circuit = random_speaker(900, vented, leak, False)
    driver = replace(driver, hung=(HungMass(0.04 * driver.moving_mass_kg, 800.0, 12.0),))
    circuit = replace(circuit, driver=driver)
    frequency_hz, exact = exact_sound(circuit, logarithmic(40, 10, 500))
    fit = fitted_box(circuit, fitted_driver(driver, 1), vented, 2)
    found = response(bass_system(fit), 2j * np.pi * frequency_hz)
    deviation_db = 20 * np.log10(np.abs(found / exact))
    # Where a leak sits and how far a driver repeats are free: they pass a little of the level to each other.
    assert np.max(np.abs(deviation_db)) < (0.1 if leak else 0.05)
    assert np.max(np.abs(np.degrees(np.angle(found / exact)))) < 0.5


@NGSPICE
def test_excursion_and_air_speed_are_those_of_the_circuit() -> None:
    driver, circuit = random_speaker(901, True, False, False)
    driver = replace(driver, hung=())
    circuit = replace(circuit, driver=driver)
    tube = circuit.branches[0]
    assert isinstance(tube, Tube)
    nodes = ("one", "v", "b0r")
    frequency, terminal, velocity, behind_mass = run_netlist(
        jig_netlist(circuit, Jig(reference_ohm=1e-6)), logarithmic(30, 15, 200), nodes
    )
    free = fitted_driver(driver, 1)
    mass = 0.7 * true_driver(driver).mms_kg
    diameter = float(2 * np.sqrt(driver.area_m2 / np.pi))
    absolute = second_take(
        free, Known(diameter, 1e-3), AIR, AddedMassTake(fitted_driver(with_mass(driver, mass), 3), Known(mass, 1e-3))
    ).combined
    curves = bass_curves(bass_system(fitted_box(circuit, free, True, 2)), 2.83, absolute, tube.area_m2, frequency.real)
    s = 2j * np.pi * frequency.real
    peak = 2.83 * np.sqrt(2)
    assert curves.excursion_m is not None
    assert curves.port_speed_m_s is not None
    assert curves.excursion_m == pytest.approx(np.abs(peak * velocity / terminal / s), rel=0.01)
    flow = behind_mass / tube.resistance_pa_s_per_m3
    assert curves.port_speed_m_s == pytest.approx(np.abs(peak * flow / terminal) / tube.area_m2, rel=0.02)


# Changes


@pytest.mark.parametrize("leak", [False, True])
def test_another_volume_is_foretold(leak: bool) -> None:
    driver, circuit = random_speaker(902, True, leak, False)
    free = fitted_driver(driver, 1)
    assert circuit.cavity is not None
    small = replace(circuit, cavity=replace(circuit.cavity, volume_m3=0.8 * circuit.cavity.volume_m3))
    now, then = (bass_system(fitted_box(one, free, True, 2)) for one in (circuit, small))
    foretold = changed(now, Change(volume_ratio=0.8), None, None, AIR)
    s = 2j * np.pi * np.geomspace(15, 500, 60)
    assert np.abs(response(foretold, s)) == pytest.approx(np.abs(response(then, s)), rel=5e-3)
    assert foretold.tuning_hz == pytest.approx(then.tuning_hz, rel=1e-3)


def _with_longer_port(
    seed: int, waves: bool, longer_by: float
) -> tuple[BassSystem, BassSystem, BassSystem, tuple[Tube, Tube, Cavity, Port]]:
    """A box as it is, as foretold, and as it becomes with a longer port; both ports, and the cavity."""
    driver, circuit = random_speaker(seed, True, False, waves)
    free = fitted_driver(driver, 1)
    tube, cavity = circuit.branches[0], circuit.cavity
    assert isinstance(tube, Tube)
    assert cavity is not None
    longer = replace(tube, length_m=longer_by * tube.length_m)
    now, then = (bass_system(fitted_box(replace(circuit, branches=(one,)), free, True, 2)) for one in (tube, longer))
    port = Port(float(2 * np.sqrt(tube.area_m2 / np.pi)), tube.length_m)
    foretold = changed(now, Change(port_length_m=longer.length_m), cavity.volume_m3, port, AIR)
    return now, foretold, then, (tube, longer, cavity, port)


def test_another_port_is_foretold() -> None:
    now, foretold, then, (tube, longer, cavity, port) = _with_longer_port(903, False, 1.4)
    ratio = port_mass_kg_per_m4(longer, cavity) / port_mass_kg_per_m4(tube, cavity)
    assert now.tuning_hz is not None
    assert foretold.tuning_hz == pytest.approx(now.tuning_hz / np.sqrt(ratio), rel=2e-3)
    assert foretold.tuning_hz == pytest.approx(then.tuning_hz, rel=3e-3)
    ends = ends_over_radius(port, now.tuning_hz, cavity.volume_m3, AIR)
    assert ends == pytest.approx(tube.end_correction_m / (port.diameter_m / 2), rel=0.02)


def test_another_port_leaves_the_air_that_it_shares_with_the_cone() -> None:
    """In a box with standing waves: the air that moves for both keeps its mass, whatever that of the port becomes."""
    _, foretold, then, _ = _with_longer_port(913, True, 2.5)
    s = 2j * np.pi * np.geomspace(15, 120, 60)
    assert np.abs(response(foretold, s)) == pytest.approx(np.abs(response(then, s)), rel=8e-3)


def test_helmholtz_numbers() -> None:
    # Project check values, section 7: V 50 L, a 50 mm, L 150 mm, c 343; 1.4349 a 45.946 Hz; 1.7 a 44.631 Hz.
    port, air = Port(0.1, 0.15), Air(1.2, 343.0)
    for ends, hertz in ((1.4349, 45.946), (1.463, 45.801), (1.6432, 44.904), (1.7, 44.631)):
        assert ends_over_radius(port, hertz, 0.05, air) == pytest.approx(ends, abs=2e-4)
        mass = port.mass_kg_per_m4(1.2, ends)
        assert 1 / (2 * np.pi * np.sqrt(mass * 0.05 / air.stiffness_pa)) == pytest.approx(hertz, abs=5.1e-4)


def test_what_cannot_be_foretold() -> None:
    driver, circuit = random_speaker(905, False, False, False)
    closed = bass_system(fitted_box(circuit, fitted_driver(driver, 1), False, 2))
    with pytest.raises(StillboxError, match="another port can be foretold"):
        changed(closed, Change(port_length_m=0.2), 0.03, None, AIR)
    with pytest.raises(StillboxError, match=r"factor of 0\.05 to 20"):
        changed(closed, Change(volume_ratio=100.0), None, None, AIR)


# What a lining costs


def test_cost_of_a_lining_with_its_uncertainty() -> None:
    driver, circuit = random_speaker(906, True, False, True)
    free = fitted_driver(driver, 1)
    assert circuit.cavity is not None
    lines = tuple(replace(line, damping_per_s=2 * line.damping_per_s) for line in circuit.cavity.lines)
    lined = replace(circuit, cavity=replace(circuit.cavity, volume_m3=0.94 * circuit.cavity.volume_m3, lines=lines))
    before, after = (fitted_box(one, free, True, seed) for one, seed in ((circuit, 2), (lined, 3)))
    cost = lining_cost(before, after)
    true_before, true_after = true_box(circuit), true_box(lined)
    assert true_before.fb_hz is not None
    assert true_after.fb_hz is not None
    assert cost.fb_shift_hz is not None
    shift = true_after.fb_hz - true_before.fb_hz
    assert cost.fb_shift_hz.value == pytest.approx(shift, abs=0.05 * abs(shift))
    assert cost.alpha_ratio.value == pytest.approx(1 / 0.94, rel=0.01)
    # The difference is known better than its parts: what is uncertain in both alike cancels.
    apart = np.hypot(before.alpha.std / before.alpha.value, after.alpha.std / after.alpha.value)
    assert cost.alpha_ratio.std < 0.7 * apart
    f3 = [bass_figures(bass_system(fit)).f3_hz for fit in (before, after)]
    assert cost.f3_shift_hz.value == pytest.approx(f3[1] - f3[0], rel=1e-6)
    assert 0 < cost.f3_shift_hz.std < abs(f3[0]) * 0.02
    same = lining_cost(before, before)
    assert same.f3_shift_hz.value == 0.0
    assert same.peak_shift_db.value == 0.0
    other = fitted_box(circuit, fitted_driver(driver, 5), True, 2)
    with pytest.raises(ValueError, match="same driver"):
        lining_cost(before, other)


def test_f3_has_an_uncertainty_that_holds() -> None:
    driver, circuit = random_speaker(907, True, False, False)
    figures = [
        figure_quantity(fitted_box(circuit, fitted_driver(driver, seed), True, 100 + seed), "f3_hz", "Hz")
        for seed in range(5)
    ]
    exact = bass_figures(bass_system(fitted_box(circuit, fitted_driver(driver, 9, 1e-6), True, 8, 1e-6))).f3_hz
    for figure in figures:
        assert abs(figure.value - exact) < 4 * figure.std
        assert figure.std < 0.02 * exact


def test_a_leak_keeps_its_resistance_in_another_volume() -> None:
    driver, circuit = random_speaker(908, False, True, False)
    assert any(isinstance(branch, Leak) for branch in circuit.branches)
    free = fitted_driver(driver, 1)
    assert circuit.cavity is not None
    small = replace(circuit, cavity=replace(circuit.cavity, volume_m3=0.7 * circuit.cavity.volume_m3))
    now, then = (bass_system(fitted_box(one, free, False, 2)) for one in (circuit, small))
    s = 2j * np.pi * np.geomspace(15, 300, 40)
    foretold = changed(now, Change(volume_ratio=0.7), None, None, AIR)
    assert np.abs(response(foretold, s)) == pytest.approx(np.abs(response(then, s)), rel=5e-3)


# The same basis, and what is not known


def test_published_alignments_stand_on_the_same_basis() -> None:
    """Without the coil the published 3 dB point; what is printed has the coil, as the measured box beside it has."""
    driver, circuit = random_speaker(909, True, False, False)
    fit = fitted_driver(replace(driver, hung=()), 1)
    system = bass_system(fitted_box(replace(circuit, driver=replace(driver, hung=())), fit, True, 2))
    for published in published_vented(system, fit):
        one, fs_hz = published.alignment, fit.fs_hz.value
        lumps = in_box_of_lumps(system, fit, one.alpha, one.h * fs_hz)
        if one.name == "BL4":  # for another Qts than this driver's
            continue
        assert published.f3_hz == bass_figures(lumps).f3_hz
        assert bass_figures(lumps, coil=False).f3_hz != published.f3_hz
        if one.qt == pytest.approx(fit.qts.value, rel=1e-3):
            assert bass_figures(lumps, coil=False).f3_hz == pytest.approx(one.f3_over_fs * fs_hz, rel=0.01)


def with_resonance(hertz: float, compliance: float, q: float = 20.0) -> BassSystem:
    """A closed box with one small resonance of a compliance over that of the air."""
    plain = ideal(50.0, 0.5, 1.0, None)
    omega = 2 * np.pi * hertz
    pole = omega * (-0.5 / q + 1j)
    residue = 0.5 * compliance * plain.stiffness_rad2_s2 * (1 + 0j)
    small = ConeResonances(1.0, np.array([pole]), np.array([residue]))
    model = replace(plain.model, small=small)
    return BassSystem(model, np.concatenate([plain.parameters, np.zeros(4)]), may_be_wall=np.array([True]))


def test_the_sound_of_a_wall_is_hatched_and_that_of_a_standing_wave_in_a_closed_box_is_not() -> None:
    wall = bass_curves(with_resonance(200.0, 0.02))
    air = bass_curves(replace(with_resonance(200.0, 0.02), may_be_wall=np.array([False])))
    assert air.hatched_hz == ()
    ((low, high),) = wall.hatched_hz
    assert low < 200.0 < high
    assert 0.05 < hatched_octaves(wall.hatched_hz) < 0.85
    lines = bass_csv(wall).splitlines()
    at = [line.split(",") for line in lines[1:]]
    inside = is_hatched(wall.hatched_hz, wall.frequency_hz)
    assert [cells[-1] == "1" for cells in at] == inside.tolist()
    picture = lay_out(picture_of_bass("", [("", wall)]), paper(9.0)).figure
    level = picture.axes[0]
    (word,) = [text for text in level.texts if "not known" in text.get_text()]
    picture.draw_without_rendering()
    curve = level.transData.transform(np.column_stack([wall.frequency_hz, wall.level_db]))
    assert not any(word.get_window_extent().contains(*point) for point in curve)
    hatches = [patch.get_hatch() for patch in level.patches]
    assert len([hatch for hatch in hatches if hatch]) == 1
    clear = lay_out(picture_of_bass("", [("", air)]), paper(9.0)).figure
    assert not any(patch.get_hatch() for patch in clear.axes[0].patches)


def test_a_resonance_far_too_strong_for_a_wall_is_the_air_whatever_its_cause_seems() -> None:
    assert bass_curves(with_resonance(300.0, 0.5)).hatched_hz == ()


def test_origins_go_to_the_nearest_resonance() -> None:
    driver, circuit = random_speaker(913, True, False, True)
    fit = fitted_box(circuit, fitted_driver(driver, 1), True, 2)
    small = bass_system(fit).small
    own = np.abs(small.poles_rad_s[fit.driver.small.poles_rad_s.size :]) / (2 * np.pi)
    assert own.size
    known = bass_system(fit, [Origin(1.002 * own[0], "wall", 0.9), Origin(1.3 * own[-1], "wall", 0.9)])
    assert known.may_be_wall is not None
    assert np.flatnonzero(known.may_be_wall).tolist() == [fit.driver.small.poles_rad_s.size]


def test_small_resonances_are_in_the_level() -> None:
    """A standing wave presses on the cone: the level moves with it, and far below it by nothing."""
    system = with_resonance(300.0, 0.3)
    without = ideal(50.0, 0.5, 1.0, None)
    hertz = np.array([10.0, 290.0])
    change = level_db(system, hertz) - level_db(without, hertz)
    assert abs(change[0]) < 0.01
    assert abs(change[1]) > 0.3


def test_level_differences_come_with_place_and_uncertainty() -> None:
    driver, circuit = random_speaker(906, True, False, True)
    free = fitted_driver(driver, 1)
    assert circuit.cavity is not None
    smaller = replace(circuit, cavity=replace(circuit.cavity, volume_m3=0.9 * circuit.cavity.volume_m3))
    before, after = (fitted_box(one, free, True, seed) for one, seed in ((circuit, 2), (smaller, 3)))
    cost = lining_cost(before, after)
    levels = [level_db(bass_system(fit), np.array([cost.level_hz]))[0] for fit in (before, after)]
    assert cost.level_shift_db.value == pytest.approx(levels[1] - levels[0], abs=1e-9)
    assert abs(cost.level_shift_db.value) > 0.3
    assert 0.1 <= cost.level_shift_db.std < 0.3
    peak = abs(bass_figures(bass_system(after)).f3_hz - bass_figures(bass_system(before)).f3_hz)
    assert cost.f3_shift_hz.std > 0.1 * 0.01 * peak
