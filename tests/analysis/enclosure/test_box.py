"""Boxes: Small's relations, random closed and vented boxes, leaks, losses, and humps near the tuning."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from circuit_takes import fitted_box, fitted_driver, random_speaker, shared_air, spectrum
from derivatives import assert_derivatives
from recorded import spectrum_of
from reference import demo_build
from reference.analytic import coil_ohm, impedance_ohm, mechanical_impedance
from reference.ngspice_run import logarithmic, ngspice_there, speaker_impedance
from reference.random_boxes import true_box
from reference.random_drivers import random_driver, true_driver
from reference.speaker_circuit import Cavity, Leak, Port, SpeakerCircuit, Wall
from scipy import integrate, stats

from stillbox.analysis.enclosure.box import COMMON, BoxFit, fit_box
from stillbox.analysis.enclosure.box_model import BoxModel
from stillbox.analysis.enclosure.box_numbers import USUAL_INSIDE, USUAL_PORT, InsideNumbers, LoadNumbers, PortNumbers
from stillbox.analysis.enclosure.box_priors import LEAK_STD
from stillbox.analysis.enclosure.box_quantities import LossQ, closed_quantities, vented_quantities
from stillbox.analysis.enclosure.box_textbook import small_closed, small_leakage, small_vented, vented_peaks
from stillbox.analysis.enclosure.box_verdicts import SMALLEST_LEAK, leak_probability, leak_verdict, tuning_hump
from stillbox.analysis.impedance.resonances import fit_resonances
from stillbox.analysis.lumped.coil_models import COIL_MODELS
from stillbox.analysis.lumped.cone_resonances import ConeResonances
from stillbox.analysis.lumped.driver import fit_driver
from stillbox.analysis.maths.quantity import Quantity
from stillbox.analysis.physics.alignments import closed_alignment
from stillbox.analysis.physics.shared_air import Mouth, shared_air_s2
from stillbox.capture.errors import StillboxError
from stillbox.capture.sweep.excitation import Excitation

NOTHING = ConeResonances(1.0, np.zeros(0, dtype=complex), np.zeros(0, dtype=complex))

# Relations of Small, JAES 21, 1973 [M]: fs 33, Qms 2.0, Qes 0.45, RE 6.5, alpha 1.4905, h 1.0834, no coil inductance,
# fC 52.0783; project check values, section 2 (QL = 7 row confirmed there in ngspice).
# QL: fL, fM, fH, Z(fL), Z(fH), rM, fB est., alpha est., QL est.
WORKED = (
    (None, (19.6524, 35.7522, 60.0346, 35.39, 35.39, 1.0000, 35.7522, 1.4905, None)),
    (20.0, (19.5841, 35.6666, 60.2704, 33.13, 32.38, 1.0793, 36.1097, 1.5383, 20.01)),
    (10.0, (19.5229, 35.5881, 60.4837, 31.23, 29.99, 1.1557, 36.4316, 1.5817, 10.01)),
    (7.0, (19.4762, 35.5270, 60.6465, 29.83, 28.30, 1.2191, 36.6766, 1.6150, 7.010)),
    (5.0, (19.4227, 35.4544, 60.8326, 28.23, 26.44, 1.3006, 36.9552, 1.6532, 5.010)),
)


def small_box(
    fs: float, qms: float, qes: float, re: float, alpha: float, h: float, ql: float | None
) -> tuple[BoxModel, np.ndarray]:
    """The published numbers as a box model with next to no coil inductance."""
    ws = 2 * np.pi * fs
    model = BoxModel(COIL_MODELS[0], NOTHING, True, h * ws)
    driver = [np.log(re), np.log(ws), np.log(qms), np.log(re * ws / qes), 0.0, np.log(1e-12)]
    leak = 0.0 if ql is None else 1 / ql
    load = LoadNumbers(mu=0.0, front=0.0, ln_front_s=-9.0, ln_alpha=np.log(alpha))
    inside = USUAL_INSIDE._replace(leak=leak, leak_place=0.5, ln_behind_w=6.0)
    return model, np.array([*driver, *load, *inside, *USUAL_PORT._replace(ln_wb=np.log(h * ws))])


@pytest.mark.parametrize(("ql", "row"), WORKED)
def test_worked_vented_box(ql: float | None, row: tuple[float, ...]) -> None:
    fl, fm, fh, zl, zh, rm, fb, alpha, ql_read = row
    model, x = small_box(33.0, 2.0, 0.45, 6.5, 1.4905, 1.0834, ql)
    found = vented_peaks(lambda f: np.abs(model(2j * np.pi * f, x)[0]), 10.0, 120.0)
    assert (found.fl_hz, found.fm_hz, found.fh_hz) == pytest.approx((fl, fm, fh), abs=1.1e-4)
    assert (found.zl_ohm, found.zh_ohm) == pytest.approx((zl, zh), abs=5.1e-3)
    assert found.zm_ohm / 6.5 == pytest.approx(rm, abs=5.1e-5)
    read = small_vented(found, 33.0, 0.45, 2.0, 6.5, fc_hz=52.0783)
    assert read.fb_hz == pytest.approx(fb, abs=1.1e-4)
    assert read.alpha == pytest.approx(alpha, abs=1.1e-4)
    if ql_read is not None:
        # The published estimate takes the true h and alpha.
        assert small_leakage(1.0834, 1.4905, 0.45, 2.0, found.zm_ohm / 6.5) == pytest.approx(ql_read, rel=6e-4)
    # The other relations hold exactly only without losses: fL fH = fS fB.
    if ql is None:
        assert found.fl_hz * found.fh_hz == pytest.approx(33.0 * 35.7522, rel=1e-5)
        assert small_vented(found, 33.0, 0.45, 2.0, 6.5).fb_hz == pytest.approx(35.7522, abs=2e-4)


def test_the_other_worked_vented_box() -> None:
    # fs 30, Qms 4, Qes 0.40, RE 6, alpha 1.5, h 1.1, QL 7 (project check values, section 2).
    model, x = small_box(30.0, 4.0, 0.40, 6.0, 1.5, 1.1, 7.0)
    found = vented_peaks(lambda f: np.abs(model(2j * np.pi * f, x)[0]), 10.0, 120.0)
    assert (found.fl_hz, found.fm_hz, found.fh_hz) == pytest.approx((17.9484, 32.7315, 55.2082), abs=1.1e-4)
    read = small_vented(found, 30.0, 0.40, 4.0, 6.0, fc_hz=30.0 * 2.5**0.5)
    assert read.fb_hz == pytest.approx(33.4677, abs=1.1e-4)
    assert read.alpha == pytest.approx(1.5667, abs=1.1e-4)
    assert small_leakage(1.1, 1.5, 0.40, 4.0, found.zm_ohm / 6.0) == pytest.approx(7.016, rel=6e-4)


def test_closed_relations() -> None:
    # Small, JAES 20(10), 1972 [M]: fc = fs sqrt(1 + alpha), Qtc/Qts = fc/fs.
    read = small_closed(97.211, 1.2706, 60.9, 0.796)
    assert read.alpha == pytest.approx(1.548, abs=1e-3)
    assert read.alpha_equal_mass == pytest.approx(1.548, abs=1e-3)


@pytest.mark.parametrize("vented", [True, False])
@pytest.mark.parametrize("filled", [True, False])
def test_derivatives_are_those_of_the_model(vented: bool, filled: bool) -> None:
    s = 2j * np.pi * np.geomspace(10, 20_000, 40)
    small = ConeResonances(3_000.0, np.array([-100 + 2_000j, -300 + 6_000j]), np.array([2e4 + 1e3j, 5e5 - 3e4j]))
    model = BoxModel(COIL_MODELS[2], small, vented, 250.0, of_driver=1)
    driver = [*np.log([6.0, 250.0, 5.0, 3_000.0]), 0.05, *np.log([3e-4, 5e-4, 8.0])]
    load = LoadNumbers(mu=0.05, front=0.04, ln_front_s=np.log(1e-4), ln_alpha=np.log(1.3))
    inside = InsideNumbers(
        leak=0.1,
        leak_mass=0.3,
        leak_place=0.7,
        soft=0.2 if filled else 0.0,
        ln_soft_w=np.log(500.0),
        absorption=0.05,
        behind=0.4 if filled else 0.0,
        ln_behind_w=np.log(700.0),
        ln_behind_loss=np.log(900.0),
        ln_behind_turn=np.log(70.0),
    )
    port = PortNumbers(
        ln_wb=np.log(220.0),
        port_loss=0.04,
        kappa=0.03,
        cone_loss=-0.02,
        way=0.3,
        ln_way=np.log(0.7),
        way_shared=0.3,
        way_port=1.2,
    )
    x = np.array([*driver, *load, *inside, *(port if vented else ()), *(0.1 * np.cos(np.arange(8)))])
    assert_derivatives(model, s, x)
    read = model.read(x)
    assert (read.load, read.inside, read.port) == (load, inside, port if vented else None)


# Random boxes


@pytest.mark.skipif(not ngspice_there(), reason="ngspice is not installed")
@pytest.mark.parametrize(("vented", "leak", "waves"), [(False, True, False), (True, True, True)])
def test_the_circuits_are_those_of_ngspice(vented: bool, leak: bool, waves: bool) -> None:
    _, circuit = random_speaker(77, vented, leak, waves)
    frequency_hz, computed = speaker_impedance(circuit, logarithmic(40, 10, 5_000))
    assert computed == pytest.approx(impedance_ohm(circuit, frequency_hz), rel=2e-5)


CASES = [
    (kind, leak, waves, seed)
    for kind in (False, True)
    for leak in (False, True)
    for waves in (False, True)
    for seed in range(2)
]


@pytest.mark.parametrize(("vented", "leak", "waves", "seed"), CASES)
def test_random_boxes(vented: bool, leak: bool, waves: bool, seed: int) -> None:
    driver, circuit = random_speaker(800 + seed, vented, leak, waves)
    true = true_box(circuit)
    fit = fitted_box(circuit, fitted_driver(driver, seed), vented, seed + 50)
    assert fit.alpha.value == pytest.approx(true.alpha, rel=0.05)
    assert abs(fit.alpha.value - true.alpha) < 4 * fit.alpha.std
    verdict = leak_verdict(fit)
    assert verdict.word == ("leaks" if leak else "tight")
    assert verdict.leaks is leak
    if leak:
        assert true.ql is not None
        assert verdict.ql.q is not None
        assert verdict.ql.q.value == pytest.approx(true.ql, rel=0.2)
        assert verdict.ql.at_most is not None
        assert verdict.ql.at_least < true.ql < verdict.ql.at_most
        assert verdict.probability > 0.95
    if true.fb_hz is not None:
        assert fit.fb_hz is not None
        assert fit.h is not None
        assert fit.fb_hz.value == pytest.approx(true.fb_hz, rel=0.01)
        assert abs(fit.fb_hz.value - true.fb_hz) < 4 * fit.fb_hz.std + 1e-4 * true.fb_hz
        assert fit.h.value == pytest.approx(true.fb_hz / true_driver(driver).fs_hz, rel=0.01)
    assert tuning_hump(fit) is None
    assert fit.reduced_chi_square < 2


def test_through_recordings() -> None:
    driver, circuit = random_speaker(803, True, True, True)
    true = true_box(circuit)
    free_air, in_box = spectrum_of(SpeakerCircuit(driver), Excitation()), spectrum_of(circuit, Excitation(), seed=1)
    free = fit_driver(free_air, fit_resonances(free_air, port=False))
    fit = fit_box(in_box, fit_resonances(in_box, port=True), free, None, shared_air(circuit))
    assert fit.vented
    assert fit.alpha.value == pytest.approx(true.alpha, rel=0.05)
    assert fit.fb_hz is not None
    assert fit.fb_hz.value == pytest.approx(true.fb_hz, rel=0.01)
    assert leak_verdict(fit).leaks


# What is read off


def test_closed_box_quantities() -> None:
    driver, circuit = random_speaker(805, False, False, False)
    true, box = true_driver(driver), true_box(circuit)
    seen = closed_quantities(fitted_box(circuit, fitted_driver(driver, 1), False, 2))
    ratio = (1 + box.alpha) ** 0.5  # fc/fs = Qtc/Qts (Small 1972)
    assert seen.fc_hz.value == pytest.approx(true.fs_hz * ratio, rel=1e-3)
    assert seen.qtc.value == pytest.approx(true.qts * ratio, rel=3e-3)
    assert seen.qec.value == pytest.approx(true.qes * ratio, rel=3e-3)
    assert seen.qmc.value == pytest.approx(true.qms * ratio, rel=5e-3)
    assert abs(seen.fc_hz.value - true.fs_hz * ratio) < 4 * seen.fc_hz.std + 1e-4 * true.fs_hz
    assert seen.leakage.q is None
    assert seen.textbook.alpha == pytest.approx(box.alpha, rel=0.01)
    assert closed_alignment(seen.qtc.value).f3_over_fc > 0.5


def test_vented_box_quantities() -> None:
    driver, circuit = random_speaker(806, True, False, False)
    box = true_box(circuit)
    fit = fitted_box(circuit, fitted_driver(driver, 1), True, 2)
    seen = vented_quantities(fit)
    exact = vented_peaks(lambda f: np.abs(impedance_ohm(circuit, f)), 0.5 * seen.fl_hz.value, 1.5 * seen.fh_hz.value)
    for found, expected in ((seen.fl_hz, exact.fl_hz), (seen.fm_hz, exact.fm_hz), (seen.fh_hz, exact.fh_hz)):
        assert found.value == pytest.approx(expected, rel=5e-4)
        assert abs(found.value - expected) < 5 * found.std + 2e-5 * expected
    assert seen.port.q is not None
    assert seen.port.q.value == pytest.approx(box.qp, rel=0.1)
    assert seen.leakage.q is None
    assert seen.qb.q is not None
    assert seen.qb.q.value == pytest.approx(box.qp, rel=0.05)
    # Both are Small's formulas: with little loss they are near.
    assert seen.textbook.fb_hz == pytest.approx(box.fb_hz, rel=0.03)
    with pytest.raises(ValueError, match="no fc"):
        closed_quantities(fit)


def test_losses_are_told_apart() -> None:
    driver, circuit = random_speaker(807, True, True, False)
    port, leak = circuit.branches
    assert isinstance(port, Port)
    assert isinstance(leak, Leak)
    lossy = replace(port, resistance_pa_s_per_m3=4 * port.resistance_pa_s_per_m3)
    free = fitted_driver(driver, 1)
    for branches in ((lossy, leak), (port, leak), (lossy,)):
        changed = replace(circuit, branches=branches)
        true, fit = true_box(changed), fitted_box(changed, free, True, 3)
        assert fit.numbers.port is not None
        for found, q in ((fit.numbers.inside.leak, true.ql), (fit.numbers.port.port_loss, true.qp)):
            expected = 0.0 if q is None else 1 / q
            assert found == pytest.approx(expected, rel=0.1, abs=3e-3)
        assert abs(fit.numbers.inside.absorption) < 5e-3


def test_a_pair_that_would_drive_the_cone_is_turned() -> None:
    """Beside a broad pair one can be found whose resistance at low frequency is negative: no wall and no wave is so."""
    w, q = 2 * np.pi * np.array([560.0, 2250.0]), np.array([17.0, 5.6])
    poles = w * (-0.5 / q + 1j * np.sqrt(1 - 0.25 / q**2))
    found = ConeResonances(3_000.0, poles, w * np.array([9.8, 43.0 + 63.0j]))
    at_rest = np.array([1e-3j])  # s, next to nothing
    nothing = np.zeros(found.size)
    assert found.load(at_rest, nothing)[0].real < -100
    settled = found.settled(np.full(2, 0.2))
    assert settled.residues[0] == found.residues[0]
    assert abs(settled.residues[1]) == pytest.approx(abs(found.residues[1]))
    # A mass m on a spring with its loss in series, far below: s m/(1 + s/(w Q) + ...), here 2 abs(r/p) (1/Q + s/w).
    alone = settled.only(np.array([False, True]))
    assert alone.load(at_rest, np.zeros(4))[0].real == pytest.approx(2 * abs(63j + 43.0) / 5.6, rel=1e-3)


# Does it leak?


@pytest.mark.parametrize(
    ("value", "std"), [(0.0, 0.004), (0.0, 0.05), (0.0, 0.14), (0.015, 0.02), (0.03, 0.014), (0.1, 0.01), (-0.01, 0.02)]
)
def test_probability_of_a_leak(value: float, std: float) -> None:
    """By integrating over the sizes of a leak; the fit's value and uncertainty have the prior in them already."""
    prior = stats.norm(0, LEAK_STD)
    precision = 1 / std**2 - 1 / LEAK_STD**2
    seen_std = precision**-0.5
    seen = value / std**2 / precision  # what the take alone says
    none = stats.norm.pdf(seen, 0, seen_std)

    def leak(size: float) -> float:
        return float(2 * prior.pdf(size) * stats.norm.pdf(seen, size, seen_std))

    edges = [0.0, SMALLEST_LEAK, max(SMALLEST_LEAK, value) + 8 * std]
    small, large = (integrate.quad(leak, low, high)[0] for low, high in pairwise(edges))
    assert leak_probability(value, std) == pytest.approx(large / (none + small + large), abs=2e-4)


@pytest.mark.parametrize("seed", [0, 4, 6])
def test_a_tight_lined_box_is_not_said_to_leak(seed: int) -> None:
    """Very clean takes of a vented box whose air has a loss of its own, and two weak standing waves.

    Small 1973: box as compliance with series resistance (QA), port as mass with resistance (QP 60), no leak.
    """
    generator = np.random.default_rng(4000 + seed)
    driver = random_driver(generator)
    true, noise = true_driver(driver), 2e-6
    free = fitted_driver(driver, seed, noise)
    absorption_q = float(generator.uniform(6, 20))
    waves = [(generator.uniform(8, 16), generator.uniform(5, 15), generator.uniform(0.01, 0.1)) for _ in range(2)]
    take = spectrum(SpeakerCircuit(driver), seed, noise)
    s = 2j * np.pi * take.frequency_hz
    compliance = driver.area_m2**2 * true.cms_m_per_n / generator.uniform(0.5, 2)
    omega = 2 * np.pi * true.fs_hz * generator.uniform(0.8, 1.3)
    stiff = 1 / (omega * compliance)
    air, port = 1 / (s * compliance) + stiff / absorption_q, s * stiff / omega + stiff / 60
    box = air * port / (air + port)
    for place, q, height in waves:
        box += height * stiff / (1 + q * (s / (2 * np.pi * true.fs_hz * place) + 2 * np.pi * true.fs_hz * place / s))
    cone = mechanical_impedance(SpeakerCircuit(driver), s) + driver.area_m2**2 * box
    rng = np.random.default_rng(seed + 9)
    drawn = rng.standard_normal(s.size) + 1j * rng.standard_normal(s.size)
    exact = coil_ohm(driver.coil, s) + driver.force_factor_tm**2 / cone
    take = replace(take, impedance_ohm=exact + np.sqrt(take.noise_variance_ohm2 / 2) * drawn)
    fit = fit_box(take, fit_resonances(take, port=True), free, True)
    assert leak_verdict(fit).leaks is not True
    assert fit.leak_std > 0.01
    assert fit.fb_hz is not None
    assert fit.fb_hz.value == pytest.approx(omega / (2 * np.pi), rel=0.01)


def test_a_leak_hidden_by_lining_cannot_be_told() -> None:
    """A leak of QL 16 in a box whose air is damped so much that its standing waves have Q 2."""
    fit = fitted_box(demo_build.LINED, fitted_driver(demo_build.FREE_AIR.driver, 1), True, 2)
    true = true_box(demo_build.LINED)
    verdict = leak_verdict(fit)
    assert true.ql is not None
    assert verdict.word == "cannot be told"
    assert verdict.leaks is None
    assert 0.1 < verdict.probability < 0.9
    assert verdict.ql.at_least < true.ql
    # The side wall gives way below its resonance and makes the box softer: part of what the port is tuned to.
    cavity, wall = demo_build.LINED.cavity, demo_build.LINED.branches[2]
    assert cavity is not None and isinstance(wall, Wall) and true.fb_hz is not None
    softer = 1 + wall.compliance_m3_per_pa / cavity.compliance_m3_per_pa / (1 - (true.fb_hz / wall.frequency_hz) ** 2)
    assert fit.fb_hz is not None
    assert abs(fit.fb_hz.value - true.fb_hz / softer**0.5) < 2 * fit.fb_hz.std


@pytest.mark.parametrize(
    ("value", "std", "text", "limits"),
    [
        # 1/Q 0.0625 ± 0.005: Q 16, 1/(0.0625 ± 0.0098).
        (0.0625, 0.005, "16.0 ± 1.3", "13.8 to 19.0"),
        (0.04, 0.018, "25", "13 to 212"),
        (0.04, 0.036, "25", "9.0 or more"),
        (-0.01, 0.02, "none seen", "34 or more"),
        (None, 0.02, "none seen", "26 or more"),
        (0.0001, 0.0001, "none seen", "1000 or more"),
    ],
)
def test_quality_factors_by_their_reciprocals(value: float | None, std: float, text: str, limits: str) -> None:
    loss = LossQ(None if value is None else Quantity(value, std), std)
    assert (loss.text(), loss.interval_text()) == (text, limits)
    assert loss.at_least > 0
    assert loss.at_most is None or loss.at_most > loss.at_least


# Hump near the tuning


def boxy(seed: int, wall: Wall | None) -> tuple[BoxFit, float]:
    driver, circuit = random_speaker(seed, True, False, False)
    if wall is not None:
        circuit = replace(circuit, branches=(*circuit.branches, wall))
    true = true_box(circuit)
    assert true.fb_hz is not None
    return fitted_box(circuit, fitted_driver(driver, 1), True, 2), true.fb_hz


def test_hump_near_the_tuning() -> None:
    _, circuit = random_speaker(808, True, False, False)
    true = true_box(circuit)
    assert true.fb_hz is not None
    assert circuit.cavity is not None
    wall = Wall(1.25 * true.fb_hz, 12.0, 0.02 * circuit.cavity.compliance_m3_per_pa)
    fit, fb_hz = boxy(808, wall)
    hump = tuning_hump(fit)
    assert hump is not None
    assert hump.kind == "undecided"
    assert hump.resonance.frequency_hz == pytest.approx(1.25 * fb_hz, rel=0.05)
    assert any("times the tuning" in sentence for sentence in hump.evidence)
    wave = tuning_hump(fit, modes_hz=np.array([1.01 * hump.resonance.frequency_hz, 300.0]))
    assert wave is not None
    assert wave.kind == "standing wave"
    stuffed = tuning_hump(fit, stuffed=True)
    assert stuffed is not None
    assert stuffed.kind == "over-stuffing"
    assert tuning_hump(boxy(808, None)[0]) is None


# Air that moves for cone and port alike


def test_shared_air_is_the_sum_of_the_standing_waves() -> None:
    # C m = 2 sum cos(n pi x/L) cos(n pi y/L)/(n pi c/L)^2, the modes of a line with rigid ends.
    length, x, y, speed = 0.6, 0.15, 0.48, 343.0
    orders = np.arange(1, 20_001)
    modes = 2 * np.cos(orders * np.pi * x / length) * np.cos(orders * np.pi * y / length)
    expected = float(np.sum(modes / (orders * np.pi * speed / length) ** 2))
    cone, port = Mouth(150.0, 0.5, 0.0, 0.1), Mouth(480.0, 0.5, 0.0, 0.1)
    found = shared_air_s2((600.0, 1.0, 1.0), cone, port, speed)
    assert found.value == pytest.approx(expected, rel=0.02)
    assert found.std > 0.1 * abs(expected)


def test_shared_air_without_places_says_little() -> None:
    inside, nothing = (600.0, 300.0, 250.0), Mouth(None, None, None)
    known = shared_air_s2(inside, Mouth(150.0, 150.0, 0.0), Mouth(480.0, 150.0, 0.0), 343.0)
    unknown = shared_air_s2(inside, Mouth(None, None, 0.0), nothing, 343.0)
    assert unknown.std > 1.8 * known.std
    assert abs(unknown.value - known.value) < 3 * unknown.std


@pytest.mark.parametrize("length", [0.02, 0.12, 0.2])
def test_the_port_breathes_at_its_inner_mouth(length: float) -> None:
    """The sum over all modes of a box, written out: point sources, 40 orders along each dimension."""
    inside, speed = np.array([0.36, 0.25, 0.28]), 343.7
    cone, mouth = np.array([0.1, 0.125, 0.0]), np.array([0.3, 0.125, length])
    orders = np.stack(np.meshgrid(*[np.arange(41)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)[1:]
    shapes = [np.prod(np.cos(orders * np.pi * place / inside), axis=1) for place in (cone, mouth)]
    omega2 = (np.pi * speed) ** 2 * np.sum((orders / inside) ** 2, axis=1)
    inner = float(np.sum(2.0 ** np.sum(orders > 0, axis=1) * shapes[0] * shapes[1] / omega2))
    # Outside both move air before the same front: rho/(2 pi d) in half space, half of it in free space.
    outer = float(np.prod(inside)) / (2 * np.pi * 0.2 * speed**2)
    told = Mouth(100.0, 125.0, 0.0, 1.0), Mouth(300.0, 125.0, 1000 * length, 1.0)
    found = shared_air_s2((360.0, 250.0, 280.0), *told, speed)
    assert found.value == pytest.approx(inner + 0.85 * outer, abs=0.5 * found.std)


# Errors


def test_a_port_that_does_not_show() -> None:
    driver = random_driver(np.random.default_rng(1))
    free = fitted_driver(driver, 1)
    take = spectrum(SpeakerCircuit(driver, Cavity(0.03)), 2)
    with pytest.raises(StillboxError, match="one motional peak only"):
        fit_box(take, fit_resonances(take, port=False), free, True)


def test_states_of_a_closed_box_share_nothing_of_a_port() -> None:
    driver, circuit = random_speaker(901, False, True, True)
    fit = fitted_box(circuit, fitted_driver(driver, 1), False, 51)
    assert fit.model.own.size and COMMON[-1] == "kappa"
    assert np.all(np.diag(fit.shared_covariance)[:-1] > 0)
    assert not fit.shared_covariance[-1].any() and not fit.shared_gain[:, -1].any()


def test_a_driver_that_has_changed_is_owned_up_to() -> None:
    driver, circuit = random_speaker(809, True, False, False)
    warm = replace(circuit, driver=replace(driver, compliance_m_per_n=1.05 * driver.compliance_m_per_n))
    free = fitted_driver(driver, 1)
    fit = fitted_box(warm, free, True, 2)
    assert fit.driver_changed
    assert not fitted_box(circuit, free, True, 2).driver_changed
    assert fit.fb_hz is not None
    assert fit.fb_hz.value == pytest.approx(true_box(warm).fb_hz, rel=0.01)
    assert abs(fit.alpha.value - true_box(warm).alpha) < 4 * fit.alpha.std
