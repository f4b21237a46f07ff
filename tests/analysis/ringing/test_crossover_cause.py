"""The crossover as a cause: where something lies before the driver, and nowhere else."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from stillbox.analysis.impedance.findings import Finding, ResonanceFit
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.impedance.resonances import fit_resonances
from stillbox.analysis.ringing.causes import assign_causes
from stillbox.analysis.ringing.crossover_cause import between
from stillbox.capture.build.build_description import BuildDescription, InsideSize

HZ = np.arange(12.0, 20_000.0, 4.0)
TOLD = BuildDescription(inside_mm=InsideSize(398, 184, 230))
"""First modes between top and bottom, and between the side walls, at 432 and 934 Hz: the bump of the network at 937 Hz
lies on the one, a standing wave on the other."""

Impedance = Callable[[np.ndarray], np.ndarray]


def peak(hz: np.ndarray, f0: float, q: float, ohm: float) -> np.ndarray:
    s = 1j * hz / f0
    return ohm * (s / q) / (s**2 + s / q + 1)


def woofer(hz: np.ndarray, fs_hz: float = 71.0, waves: bool = True) -> np.ndarray:
    own = 5.6 + 0.02 * (2j * np.pi * hz) ** 0.65 + peak(hz, fs_hz, 4 * fs_hz / 42, 20) + peak(hz, 1210, 9, 0.4)
    return own + (peak(hz, 437, 22, 0.8) if waves else 0)


def tweeter(hz: np.ndarray) -> np.ndarray:
    return 4.8 + 2j * np.pi * hz * 4e-5 + peak(hz, 820, 5, 12) + peak(hz, 11_300, 8, 0.5)


def finished(hz: np.ndarray) -> np.ndarray:
    """First order to the woofer, second to the tweeter, which begins too low."""
    s = 2j * np.pi * hz
    up = 1 / (s * 10e-6) + 0.1 + 1 / (1 / (0.05 + s * 0.6e-3) + 1 / tweeter(hz))
    return 1 / (1 / (0.5e-3 * s + 0.2 + woofer(hz)) + 1 / up)


@cache
def fit(impedance: Impedance) -> ResonanceFit:
    rng = np.random.default_rng(3)
    noise = 1e-3 * (rng.standard_normal(HZ.size) + 1j * rng.standard_normal(HZ.size)) / 2**0.5
    variance = np.full(HZ.size, 1e-6)
    return fit_resonances(ImpedanceSpectrum(HZ, impedance(HZ) + noise, variance, 0 * variance, 0.0), False)


def free_air(hz: np.ndarray) -> np.ndarray:
    return woofer(hz, 42.0, waves=False)


def near(findings: tuple[Finding, ...], hz: float) -> Finding:
    return min(findings, key=lambda one: abs(np.log(one.resonance.frequency_hz / hz)))


@pytest.fixture(scope="module")
def judged() -> tuple[Finding, ...]:
    return assign_causes(fit(finished), fit(free_air), TOLD, {"tweeter": fit(tweeter)})[0]


def test_the_bump_of_the_network_is_told_from_wave_and_driver(judged: tuple[Finding, ...]) -> None:
    assert near(judged, 437).cause == "standing wave"
    assert near(judged, 1210).cause == "driver"
    bump = near(judged, 937)
    assert bump.resonance.q < 3 and bump.cause == "crossover" and bump.confidence > 0.8
    (said,) = [text for text in bump.evidence if "a crossover lies between" in text]
    assert said.startswith("above 300 Hz the terminals show ") and "alone" in said
    assert any(text.startswith("broad (Q ") for text in bump.evidence)
    assert "netlist" in bump.advice and "Nothing to be done in the box" in bump.advice


def test_a_resonance_of_the_tweeter_is_seen_through_the_crossover(judged: tuple[Finding, ...]) -> None:
    found = near(judged, 11_300)
    assert found.resonance.frequency_hz == pytest.approx(11_300, rel=0.01)
    assert found.cause == "crossover"
    (said,) = [text for text in found.evidence if text.startswith("resonance of the tweeter at 11")]
    assert "on its own terminals, Q 8" in said


def test_without_the_drivers_own_take_the_fall_of_the_impedance_tells() -> None:
    found = between(fit(finished), None)
    assert found.probability == 1.0
    assert found.sign.startswith("from ") and "as that of no single driver does" in found.sign
    findings, _ = assign_causes(fit(finished), None, TOLD)
    assert near(findings, 937).cause == "crossover"
    assert near(findings, 437).cause == "standing wave"


@pytest.mark.parametrize("alone", [True, False])
def test_a_speaker_without_a_crossover_is_judged_as_ever(alone: bool) -> None:
    own = fit(free_air) if alone else None
    assert between(fit(woofer), own).probability == 0.0
    findings, _ = assign_causes(fit(woofer), own, TOLD, {"tweeter": fit(tweeter)})
    assert findings
    assert not any(one.cause == "crossover" for one in findings)
    assert not any("crossover" in text for one in findings for text in one.evidence)


def test_another_gasket_and_a_warmer_coil_are_no_crossover() -> None:
    known = fit(free_air)
    warmer = replace(known, real_coefficients=1.04 * known.real_coefficients)
    assert between(fit(woofer), warmer).probability == 0.0


def other_driver(hz: np.ndarray) -> np.ndarray:
    return 3.6 + 0.045 * (2j * np.pi * hz) ** 0.62 + peak(hz, 60, 3, 15) + peak(hz, 437, 22, 0.8)


def test_another_driver_in_the_box_is_no_crossover_where_nobody_told_of_one() -> None:
    assert between(fit(other_driver), fit(free_air)).probability == 0.0
    assert between(fit(other_driver), fit(free_air), several=True).probability == 1.0
    assert between(fit(finished), fit(free_air)).probability == 1.0


def left(hz: np.ndarray) -> np.ndarray:
    """The driver as it is seen through a crossover of which a part is off within its tolerance."""
    return woofer(hz) + peak(hz, 2_150, 2.8, 0.25)


def test_what_a_crossover_within_its_tolerances_leaves_is_no_resonance_of_the_cabinet() -> None:
    seen = fit(left)
    (bump,) = [one for one in seen.resonances if abs(one.frequency_hz / 2_150 - 1) < 0.1]
    unsure = replace(bump, height_std_ohm=0.5 * bump.height_ohm)
    doubted = replace(seen, resonances=tuple(unsure if one is bump else one for one in seen.resonances))
    for what, through, cause in ((doubted, True, True), (seen, True, False), (doubted, False, False)):
        found = near(assign_causes(what, fit(free_air), TOLD, seen_through=through)[0], 2_150)
        assert (found.cause == "crossover") is cause, (through, found.cause)
        assert any("tolerances of the crossover's parts" in text for text in found.evidence) is cause
