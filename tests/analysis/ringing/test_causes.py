"""Causes of resonances on circuits whose poles, and the owner of each, are known without the code under test."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from fits_from_truth import description_of, fit_from_truth
from reference.random_speakers import Kind, RandomSpeaker, random_speaker
from reference.speaker_circuit import Cavity, Coil, Driver, Leak, Line, Port, SpeakerCircuit
from reference.truth import true_resonances

from stillbox.analysis.impedance.findings import Finding, Resonance, ResonanceFit
from stillbox.analysis.impedance.held_cone import held_motional_hz, held_resonances
from stillbox.analysis.physics.cavity import room_modes
from stillbox.analysis.ringing.advice import first_advice
from stillbox.analysis.ringing.causes import CAUSES, assign_causes, one_to_one
from stillbox.capture.build.build_description import BuildDescription, DriverPlace, InsideSize, PortPlace, Wall

SEEDS = range(500, 507)


@cache
def drawn(seed: int, kind: Kind) -> RandomSpeaker:
    return random_speaker(seed, kind)


def exact_fit(circuit: SpeakerCircuit, least_height_ohm: float = 0.005) -> ResonanceFit:
    return fit_from_truth(true_resonances(circuit, 5_000.0), 0, least_height_ohm, noise=0.0)[0]


# --- with the cone held ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_held_frequencies_are_those_of_the_hung_masses(seed: int) -> None:
    """A mass on a spring hung on the coil: held frequency and Q are what the circuit was built with."""
    speaker = drawn(seed, "driver")
    for circuit in (speaker.free_air, speaker.in_box):
        for held in held_resonances(exact_fit(circuit)):
            hung = min(circuit.driver.hung, key=lambda one: abs(one.frequency_hz - held.frequency_hz))
            assert held.frequency_hz == pytest.approx(hung.frequency_hz, rel=0.004)
            assert held.q == pytest.approx(hung.q, rel=0.05)


def test_uncertainty_of_held_frequencies_covers_the_noise() -> None:
    deviations = []
    for seed in range(60):
        fit, _ = fit_from_truth(true_resonances(tall_box(), 2_000.0), seed)
        held = held_resonances(fit)[0]
        deviations.append((held.frequency_hz - 343.99 / 1.2) / held.frequency_std_hz)
    assert np.std(deviations) < 1.3
    assert np.mean(np.abs(deviations) < 2) > 0.9


@pytest.mark.parametrize("seed", SEEDS)
def test_held_frequencies_are_those_of_the_empty_box(seed: int) -> None:
    """In a closed box without walls the zeros lie at n c / 2L, though the poles are pulled away from it."""
    speaker = drawn(seed, "standing wave")
    cavity = speaker.in_box.cavity
    assert cavity is not None
    closed = SpeakerCircuit(speaker.in_box.driver, cavity)
    fit = exact_fit(closed, 0.02)
    for resonance, held in zip(fit.resonances, held_resonances(fit), strict=True):
        ladder = [n * cavity.speed_m_s / (2 * line.length_m) for line in cavity.lines for n in range(1, 60)]
        nearest = min(ladder, key=lambda hz: abs(hz - held.frequency_hz))
        assert held.frequency_hz == pytest.approx(nearest, rel=0.002)
        if held.coupling > 0.02:
            assert abs(resonance.frequency_hz / nearest - 1) > 0.008


@pytest.mark.parametrize("leak_q", [7.0, 20.0, None])
def test_tuning_of_the_published_vented_case(leak_q: float | None) -> None:
    """fs 33, Qms 2.0, Qes 0.45, RE 6.5, alpha 1.4905, h 1.0834: true fB 35.7522 Hz.

    The formula of the magnitude peaks (Small, JAES 21, 1973) gives 36.6766 at QL 7, 2.6 % too much.
    """
    natural, mass, area, re = 2 * np.pi * 33.0, 0.03, 0.03, 6.5
    compliance = 1 / (natural**2 * mass)
    driver = Driver(Coil(re), math.sqrt(natural * mass * re / 0.45), mass, compliance, natural * mass / 2.0, area)
    volume = 1.2 * 343.7**2 * area**2 * compliance / 1.4905
    cavity = Cavity(volume)
    tuning = 1.0834 * natural
    port_mass = 1 / (tuning**2 * cavity.compliance_m3_per_pa)
    port = Port(0.003, port_mass * 0.003 / 1.2, 0.0, 1e-3)
    branches: list[Port | Leak] = [port]
    if leak_q is not None:
        branches.append(Leak(leak_q / (tuning * cavity.compliance_m3_per_pa)))
    fit = exact_fit(SpeakerCircuit(driver, cavity, tuple(branches)))
    assert len(fit.motional) == 2
    assert held_motional_hz(fit) == pytest.approx(35.7522, rel=0.002)


# --- the one-to-one problem -----------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(8))
def test_one_to_one_agrees_with_enumeration(seed: int) -> None:
    """All assignments of 3 resonances to 4 candidates, counted one by one."""
    rng = np.random.default_rng(seed)
    likelihood = np.exp(rng.normal(0, 2, (3, 4)))
    seen, background = rng.uniform(0.1, 0.9, 4), np.exp(rng.normal(0, 0.5, 3))
    exact = np.zeros((3, 4))
    total = 0.0
    for choice in itertools.product(range(-1, 4), repeat=3):
        used = [one for one in choice if one >= 0]
        if len(set(used)) < len(used):
            continue
        weight = math.prod(
            background[row] if column < 0 else seen[column] * likelihood[row, column]
            for row, column in enumerate(choice)
        ) * math.prod(1 - seen[column] for column in range(4) if column not in used)
        total += weight
        for row, column in enumerate(choice):
            if column >= 0:
                exact[row, column] += weight
    found = one_to_one(likelihood, seen, background)
    assert found == pytest.approx(exact / total, abs=0.06)
    assert np.all(found.sum(axis=1) <= 1)
    assert np.all(found.sum(axis=0) <= 1 + 1e-6)


# --- random speakers ------------------------------------------------------------------------------------------


def judged(
    speaker: RandomSpeaker, placed: bool = True, with_free_air: bool = True
) -> tuple[list[tuple[Finding, str]], tuple[str, ...]]:
    in_box, truth = fit_from_truth(speaker.truth, speaker.seed, 0.05)
    free_air, _ = fit_from_truth(speaker.truth_free_air, speaker.seed + 1, 0.02)
    description = description_of(speaker, placed)
    findings, warnings = assign_causes(in_box, free_air if with_free_air else None, description)
    assert [finding.resonance for finding in findings] == list(in_box.resonances)
    return list(zip(findings, [one.cause for one in truth], strict=True)), warnings


ALL_KINDS: tuple[Kind, ...] = ("driver", "standing wave", "wall", "mixed")


@pytest.mark.parametrize("placed", [True, False])
def test_causes_of_random_speakers(placed: bool) -> None:
    """28 speakers: at least 90 % right in each kind of cause, and confidence means what it says."""
    right: Counter[str] = Counter()
    count: Counter[str] = Counter()
    sure = []
    for kind in ALL_KINDS:
        for seed in SEEDS:
            pairs, warnings = judged(drawn(seed, kind), placed)
            assert warnings == ()
            for finding, cause in pairs:
                count[cause] += 1
                right[cause] += finding.cause == cause
                sure.append((finding.confidence, finding.cause == cause))
    for cause in ("driver", "standing wave", "wall"):
        assert count[cause] >= 10
        assert right[cause] >= 0.9 * count[cause], (cause, right, count)
    confidence, hit = np.array(sure, dtype=float).T
    assert np.mean(hit[confidence > 0.9]) > 0.97
    assert np.mean(hit) > np.mean(confidence) - 0.03


def test_a_speaker_without_resonances_has_no_findings() -> None:
    for seed in SEEDS:
        assert judged(drawn(seed, "null"))[0] == []


def test_without_free_air_the_driver_is_never_named() -> None:
    standing_right = standing = 0
    for seed, kind in itertools.product(SEEDS, ("mixed", "standing wave")):
        pairs, warnings = judged(drawn(seed, kind), with_free_air=False)
        if pairs:
            assert "no free-air take" in warnings[0]
        for finding, cause in pairs:
            assert finding.cause in ("standing wave", "port", "undecided")
            assert any("no free-air take" in sentence for sentence in finding.evidence)
            standing += cause == "standing wave"
            standing_right += cause == finding.cause == "standing wave"
    assert standing_right >= 0.9 * standing > 9


def test_without_dimensions_only_the_driver_is_named() -> None:
    for seed in SEEDS:
        speaker = drawn(seed, "mixed")
        in_box, truth = fit_from_truth(speaker.truth, seed, 0.05)
        free_air, _ = fit_from_truth(speaker.truth_free_air, seed, 0.02)
        findings, warnings = assign_causes(in_box, free_air, BuildDescription())
        assert any("inside dimensions are not known" in warning for warning in warnings)
        for finding, one in zip(findings, truth, strict=True):
            assert finding.cause == ("driver" if one.cause == "driver" else "undecided")


# --- one box, changed step by step ----------------------------------------------------------------------------

INSIDE_MM = InsideSize(600.0, 350.0, 280.0)


def tall_box(driver_m: float = 0.15, speed_m_s: float = 343.99, damping_per_s: float = 100.0) -> SpeakerCircuit:
    """A closed box with standing waves along its height only; no port, no walls that give way."""
    natural, mass = 2 * np.pi * 35, 0.018
    driver = Driver(Coil(6.0, 0.4e-3), 8.0, mass, 1 / (natural**2 * mass), natural * mass / 4, math.pi / 4 * 0.13**2)
    line = Line("height", 0.6, driver_m, damping_per_s)
    return SpeakerCircuit(driver, Cavity(0.6 * 0.35 * 0.28, (line,), speed_m_s=speed_m_s))


def describe(**changes: object) -> BuildDescription:
    base = {"inside_mm": INSIDE_MM, "driver": DriverPlace(from_top_mm=150.0, from_left_mm=175.0)}
    return BuildDescription(**{**base, **changes})  # type: ignore[arg-type]


def findings_of(circuit: SpeakerCircuit, description: BuildDescription) -> tuple[Finding, ...]:
    free_air = exact_fit(SpeakerCircuit(circuit.driver))
    return assign_causes(exact_fit(circuit), free_air, description)[0]


def test_the_dimension_is_named_with_numbers() -> None:
    first = findings_of(tall_box(), describe())[0]
    assert first.cause == "standing wave"
    assert first.confidence > 0.95
    text = "; ".join(first.evidence)
    assert "first mode between top and bottom (height 600 mm): 286.66 Hz" in text
    assert "the driver shows no resonance of its own in free air" in text
    assert "probability: standing wave" in text


def test_temperature_is_used_and_five_degrees_of_doubt_are_allowed() -> None:
    """At 30 degrees, 50 %, c is 349.4 m/s (Cramer 1993): +1.6 %."""
    hot = tall_box(speed_m_s=349.4)
    told = findings_of(hot, describe(temperature_c=30.0))[0]
    assert told.cause == "standing wave"
    assert any("291.92 Hz, found -0.26 % from it" in sentence for sentence in told.evidence)
    slightly_warm = findings_of(tall_box(speed_m_s=347.1), describe())[0]  # 25 degrees, not told
    assert slightly_warm.cause == "standing wave"
    assert slightly_warm.confidence > 0.9


def with_resonance(fit: ResonanceFit, frequency_hz: float, q: float, height_ohm: float) -> ResonanceFit:
    natural = 2 * np.pi * frequency_hz
    pole = natural * complex(-1 / (2 * q), math.sqrt(1 - 1 / (4 * q * q)))
    extra = Resonance(pole, height_ohm * abs(pole.real) + 0j, 0.05, 0.02 * q, 0.003, 900.0)
    return replace(fit, resonances=tuple(sorted((*fit.resonances, extra), key=lambda r: r.frequency_hz)))


def probability(finding: Finding, cause: str) -> float:
    listed = finding.evidence[-1].removeprefix("probability: ").split(", ")
    return sum(float(entry.split()[-2]) / 100 for entry in listed if entry.startswith(cause))


def test_lined_box_is_allowed_slower_sound() -> None:
    """3.5 % below the first mode: likelier the mode at Q 5 (filled) than at Q 40 (bare)."""
    free_air = exact_fit(SpeakerCircuit(tall_box().driver))
    none = replace(exact_fit(tall_box()), resonances=())
    filled, bare = (
        assign_causes(with_resonance(none, 0.965 * 286.66, q, 0.1), free_air, describe(driver=DriverPlace()))[0][0]
        for q in (5.0, 40.0)
    )
    assert probability(filled, "standing wave") > probability(bare, "standing wave") + 0.02
    slow = findings_of(tall_box(speed_m_s=330.0, damping_per_s=350.0), describe())[0]  # 4 % slower, Q 5
    assert slow.cause == "standing wave"


def test_a_cone_at_the_node_cannot_show_the_mode() -> None:
    """At half height the first mode has its node: a peak at 286.7 Hz is hardly it."""
    plain = exact_fit(tall_box(driver_m=0.3))
    free_air = exact_fit(SpeakerCircuit(tall_box().driver))
    for height in (0.02, 0.6):
        fit = with_resonance(plain, 287.0, 20.0, height)
        middle = describe(driver=DriverPlace(from_top_mm=300.0, from_left_mm=175.0))
        at_node = next(f for f in assign_causes(fit, free_air, middle)[0] if abs(f.resonance.frequency_hz - 287) < 1)
        away = next(f for f in assign_causes(fit, free_air, describe())[0] if abs(f.resonance.frequency_hz - 287) < 1)
        if height > 0.1:
            assert probability(at_node, "standing wave") < probability(away, "standing wave")
            assert at_node.confidence < 0.9 or at_node.cause != "standing wave"


def test_a_family_strengthens() -> None:
    """The third mode 2.2 % away from its place: likelier when the first is 2.2 % away too."""
    free_air = exact_fit(SpeakerCircuit(tall_box().driver))
    none = replace(exact_fit(tall_box()), resonances=())
    unplaced = describe(driver=DriverPlace())
    alone = with_resonance(none, 3 * 286.66 * 1.022, 30.0, 0.05)
    both = with_resonance(alone, 286.66 * 1.024, 15.0, 0.6)
    p_alone = probability(assign_causes(alone, free_air, unplaced)[0][0], "standing wave")
    p_both = probability(assign_causes(both, free_air, unplaced)[0][-1], "standing wave")
    assert p_both > p_alone + 0.1


def test_a_match_among_dense_modes_is_worth_less() -> None:
    """The same peak and the same offset: sure at the lone first mode, unsure where modes crowd."""
    free_air = exact_fit(SpeakerCircuit(tall_box().driver))
    none = replace(exact_fit(tall_box()), resonances=())
    lone = with_resonance(none, 287.5, 20.0, 0.5)
    finding = assign_causes(lone, free_air, describe(driver=DriverPlace()))[0][0]
    assert finding.cause == "standing wave"
    # Far up, with a height that one mode could hardly have there.
    crowded = with_resonance(none, 1_960.0, 20.0, 0.02)
    finding_up = assign_causes(crowded, free_air, describe(driver=DriverPlace()))[0][0]
    assert probability(finding_up, "standing wave") < 0.9 * probability(finding, "standing wave")


def test_two_claims_on_one_driver_resonance_share_it() -> None:
    speaker = drawn(501, "driver")
    free_air, _ = fit_from_truth(speaker.truth_free_air, 1, 0.02)
    in_box = fit_from_truth(speaker.truth, 1, 0.05)[0]
    strongest = max(in_box.resonances, key=lambda r: r.height_ohm)
    twice = with_resonance(in_box, strongest.frequency_hz * 1.002, strongest.q, strongest.height_ohm)
    findings, _ = assign_causes(twice, free_air, description_of(speaker))
    claims = [f for f in findings if abs(f.resonance.frequency_hz / strongest.frequency_hz - 1) < 0.003]
    assert len(claims) == 2
    assert sum(probability(finding, "driver") for finding in claims) <= 1.02


def test_port_as_a_pipe() -> None:
    """A peak at the first pipe mode, as tall as a pipe on that port can be, and no other candidate there."""
    driver = tall_box().driver
    tuning = 2 * np.pi * 38
    radius, length = 0.03, 0.25
    cavity = Cavity(0.6 * 0.35 * 0.28)
    port = Port(math.pi * radius**2, length, 1.4349 * radius, 30.0, pipe=True, pipe_damping_per_s=60.0)
    circuit = SpeakerCircuit(driver, cavity, (port,))
    truth = true_resonances(circuit, 3_000.0)
    pipes = [one for one in truth if one.cause == "port"]
    assert pipes
    assert pipes[0].frequency_hz == pytest.approx(343.7 / 2 / (length + 1.4349 * radius), rel=0.02)
    fit = replace(exact_fit(circuit, 1e-4))
    fit = replace(
        fit,
        detection_limit=replace(fit.detection_limit, height_ohm=np.full(60, 1e-4)),
        resonances=tuple(r for r in fit.resonances if abs(r.frequency_hz / pipes[0].frequency_hz - 1) < 0.01),
    )
    description = describe(
        port=PortPlace(diameter_mm=2000 * radius, length_mm=1000 * length),
        inside_mm=InsideSize(600.0, 350.0, 310.0),
    )
    (finding,), _ = assign_causes(fit, exact_fit(SpeakerCircuit(driver)), description)
    assert tuning > 0
    assert finding.cause == "port"
    assert any("pipe mode 1 of the port (250 mm, 293 mm with its ends)" in text for text in finding.evidence)


def test_walls_too_stiff_to_ring_are_not_blamed() -> None:
    """100 Hz: below what panels of 25 mm MDF can do, but possible for 6 mm."""
    free_air = exact_fit(SpeakerCircuit(tall_box().driver))
    fit = with_resonance(replace(exact_fit(tall_box()), resonances=()), 100.0, 20.0, 0.1)
    thick, _ = assign_causes(fit, free_air, describe(wall=Wall(material="MDF", thickness_mm=25.0)))
    thin, _ = assign_causes(fit, free_air, describe(wall=Wall(material="MDF", thickness_mm=6.0)))
    assert thin[0].cause == "wall"
    assert any("first bending modes" in sentence for sentence in thin[0].evidence)
    # What is only left over is never surer than 70 %: the distance is what is left of 0.2 below that.
    assert probability(thick[0], "wall") < probability(thin[0], "wall") - 0.1
    assert any("below all of them" in sentence for sentence in thick[0].evidence)


def test_probabilities_are_complete() -> None:
    for seed in SEEDS:
        for finding, _ in judged(drawn(seed, "mixed"))[0]:
            assert finding.cause in CAUSES
            assert 0.3 < finding.confidence <= 1
            assert sum(probability(finding, cause) for cause in CAUSES) == pytest.approx(1, abs=0.03)
            assert finding.advice


@pytest.mark.parametrize("seed", range(60))
def test_any_fit_and_any_description_give_probabilities(seed: int) -> None:
    """Nonsense from a hand-written build.toml or a bad take: no crash, no warning of numpy, a sum of 1."""
    rng = np.random.default_rng(seed)

    def peaks(count: int, low_hz: float, high_hz: float) -> tuple[Resonance, ...]:
        none = replace(exact_fit(tall_box()), resonances=())
        for frequency_hz in np.exp(rng.uniform(np.log(low_hz), np.log(high_hz), count)):
            height = float(np.exp(rng.uniform(-5, 3)))
            none = with_resonance(none, float(frequency_hz), float(np.exp(rng.uniform(0, 5))), height)
        return none.resonances

    def fit() -> ResonanceFit:
        plain = exact_fit(tall_box())
        motional = peaks(int(rng.integers(0, 3)), 15, 200)
        return replace(
            plain, motional=motional, broad=peaks(1, 30, 9e3), resonances=peaks(int(rng.integers(0, 7)), 30, 2e4)
        )

    description = BuildDescription(
        inside_mm=InsideSize(*np.exp(rng.uniform(np.log(20), np.log(5000), 3)).tolist()),
        temperature_c=float(rng.uniform(-30, 60)),
        driver=DriverPlace(diameter_mm=float(rng.uniform(5, 1000)), from_top_mm=float(rng.uniform(0, 5000))),
        port=PortPlace(length_mm=float(rng.uniform(1, 5000))),
        wall=Wall(material="oak?", thickness_mm=float(rng.uniform(0.5, 200))),
    )
    in_box = fit()
    findings, _ = assign_causes(in_box, fit(), description)
    assert len(findings) == len(in_box.resonances)
    for finding in findings:
        assert 0 < finding.confidence <= 1
        assert sum(probability(finding, cause) for cause in CAUSES) == pytest.approx(1, abs=0.03)


def test_no_motional_peak_is_said() -> None:
    fit = replace(exact_fit(tall_box()), motional=())
    findings, warnings = assign_causes(fit, exact_fit(SpeakerCircuit(tall_box().driver)), describe())
    assert any("no motional peak" in warning for warning in warnings)
    assert all(finding.cause in ("undecided", "wall") for finding in findings)


# --- advice ---------------------------------------------------------------------------------------------------


def test_advice_for_a_standing_wave_says_what_cannot_help() -> None:
    first, second = (mode for mode in room_modes((600.0, 350.0, 280.0), 344.0, 600.0) if mode.orders[1:] == (0, 0))
    text = first_advice("standing wave", 286.7, 16.0, first).text
    assert "across the middle of the height" in text
    assert "thin foam on a wall does next to nothing at 287 Hz" in text
    assert "a quarter of the wavelength is 300 mm" in text
    assert "fibre dust" in text
    # cos(2 pi x / L): the air moves most where it is 0, at L/4 and 3L/4.
    assert "across the height at 150, 450 mm from one end" in first_advice("standing wave", 573.0, 16.0, second).text
    assert "does next to nothing" not in first_advice("standing wave", 2_000.0, 16.0).text


def test_advice_for_the_other_causes() -> None:
    assert "brace" in first_advice("wall", 180.0, 25.0).text
    assert "constrained-layer damping" in first_advice("wall", 180.0, 25.0).text
    assert "constrained-layer" not in first_advice("wall", 180.0, 5.0).text
    assert "data sheet" in first_advice("wall", 180.0, 25.0).text
    assert first_advice("driver", 900.0, 9.0).text.startswith("Nothing to be done in the box")
    assert "notch in the crossover" in first_advice("driver", 900.0, 9.0).text
    assert "shorter" in first_advice("port", 700.0, 20.0).text
    assert "sweep after" in first_advice("undecided", 700.0, 20.0).text
