"""Propagation of uncertainty against JCGM 100:2008 (GUM), example H.2, and the check resistor."""

from __future__ import annotations

import numpy as np
import pytest
from reference.published import GUM_H2

from stillbox.analysis.maths.uncertainty import check_resistor, covariance_of_impedance, propagate, rectangular_std
from stillbox.capture.errors import StillboxError

READINGS = np.array(GUM_H2) * [1.0, 1e-3, 1.0]
"""V in volt, I in ampere, phi in radian."""


def outputs(voltage: float, current: float, phase: float) -> np.ndarray:
    """R, X, Z."""
    modulus = voltage / current
    return np.array([modulus * np.cos(phase), modulus * np.sin(phase), modulus])


def sensitivities(voltage: float, current: float, phase: float) -> np.ndarray:
    resistance, reactance, modulus = outputs(voltage, current, phase)
    return np.array(
        [
            [resistance / voltage, -resistance / current, -reactance],
            [reactance / voltage, -reactance / current, resistance],
            [modulus / voltage, -modulus / current, 0.0],
        ]
    )


def correlations(covariance: np.ndarray) -> np.ndarray:
    std = np.sqrt(np.diag(covariance))
    return covariance / np.outer(std, std)


def test_gum_h2_inputs() -> None:
    mean = READINGS.mean(axis=0)
    covariance = np.cov(READINGS.T) / len(READINGS)
    assert mean == pytest.approx([4.9990, 19.6610e-3, 1.04446], rel=1e-7)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([0.003209, 0.009471e-3, 0.000752], rel=3e-4)
    matrix = correlations(covariance)
    assert [matrix[0, 1], matrix[0, 2], matrix[1, 2]] == pytest.approx([-0.3553, 0.8576, -0.6451], abs=5e-5)


def test_gum_h2_results() -> None:
    """JCGM 100 Table H.4 (printed values [M], full precision re-derived)."""
    mean = READINGS.mean(axis=0)
    covariance = propagate(sensitivities(*mean), np.cov(READINGS.T) / len(READINGS))
    assert outputs(*mean) == pytest.approx([127.73217, 219.84651, 254.25970], abs=6e-6)
    assert np.round(outputs(*mean), 3) == pytest.approx([127.732, 219.847, 254.260], abs=1e-9)
    std = np.sqrt(np.diag(covariance))
    assert std == pytest.approx([0.07107, 0.29558, 0.23634], abs=6e-6)
    assert std == pytest.approx([0.071, 0.295, 0.236], abs=7e-4)
    matrix = correlations(covariance)
    found = [matrix[0, 1], matrix[0, 2], matrix[1, 2]]
    assert found == pytest.approx([-0.5884298, -0.4852592, 0.9925116], abs=2e-7)


def test_gum_h2_second_approach_agrees() -> None:
    """Averaging the five sets of results: close to, but not the same as, the propagated ones."""
    per_set = np.array([outputs(*reading) for reading in READINGS])
    printed = [
        [127.67, 220.32, 254.64],
        [127.89, 219.79, 254.29],
        [127.51, 220.64, 254.84],
        [127.71, 218.97, 253.49],
        [127.88, 219.51, 254.04],
    ]
    assert per_set == pytest.approx(np.array(printed), abs=6e-3)
    assert per_set.mean(axis=0) == pytest.approx([127.73163, 219.84689, 254.26005], abs=6e-6)
    mean = READINGS.mean(axis=0)
    propagated = propagate(sensitivities(*mean), np.cov(READINGS.T) / 5)
    direct = np.cov(per_set.T) / 5
    assert np.sqrt(np.diag(direct)) == pytest.approx([0.07127, 0.29549, 0.23625], abs=6e-6)
    matrix = correlations(direct)
    assert [matrix[0, 1], matrix[0, 2], matrix[1, 2]] == pytest.approx([-0.58828, -0.48506, 0.99251], abs=6e-6)
    assert np.sqrt(np.diag(propagated)) == pytest.approx(np.sqrt(np.diag(direct)), rel=4e-3)


def test_gum_h2_without_correlations_is_wrong() -> None:
    mean = READINGS.mean(axis=0)
    uncorrelated = np.diag(np.var(READINGS, axis=0, ddof=1) / 5)
    std = np.sqrt(np.diag(propagate(sensitivities(*mean), uncorrelated)))
    assert std == pytest.approx([0.1945, 0.2009, 0.2041], abs=6e-5)


def test_gum_h2_from_rounded_inputs() -> None:
    """The values that follow from the rounded table, as the GTC documentation prints them."""
    std = np.array([0.0032, 0.0095e-3, 0.00075])
    matrix = np.array([[1, -0.36, 0.86], [-0.36, 1, -0.65], [0.86, -0.65, 1]])
    covariance = propagate(sensitivities(*READINGS.mean(axis=0)), matrix * np.outer(std, std))
    assert np.sqrt(np.diag(covariance)) == pytest.approx([0.0700, 0.2957, 0.2366], abs=6e-5)
    found = correlations(covariance)
    assert [found[0, 1], found[0, 2], found[1, 2]] == pytest.approx([-0.591, -0.491, 0.993], abs=6e-4)


def test_covariance_of_impedance_is_the_propagated_one() -> None:
    impedance = np.array([8 + 3j, 6 - 20j, 0.1 + 0j])
    noise = np.array([1e-4, 4e-6, 1e-2])
    found = covariance_of_impedance(noise, impedance, 0.01)
    for index, value in enumerate(impedance):
        jacobian = np.array([[1, 0, value.real], [0, 1, value.imag]])
        inputs = np.diag([noise[index] / 2, noise[index] / 2, 0.01**2])
        assert found[index] == pytest.approx(propagate(jacobian, inputs), rel=1e-12)


def test_covariance_of_impedance_covers_simulated_readings() -> None:
    rng = np.random.default_rng(4)
    impedance, noise, scale_std, draws = 7 + 5j, 2e-3, 0.004, 200_000
    circular = np.sqrt(noise / 2) * (rng.standard_normal(draws) + 1j * rng.standard_normal(draws))
    readings = impedance * (1 + scale_std * rng.standard_normal(draws)) + circular
    simulated = np.cov(readings.real, readings.imag)
    assert covariance_of_impedance(np.array([noise]), np.array([impedance]), scale_std)[0] == pytest.approx(
        simulated, rel=0.02
    )


def resistor(ohm: float, noise_ohm: float = 1e-3, seed: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    frequency_hz = np.arange(20.0, 20_000.0, 5.0)
    noise = rng.standard_normal(frequency_hz.size) + 1j * rng.standard_normal(frequency_hz.size)
    impedance = ohm + 2j * np.pi * frequency_hz * 1e-7 + noise_ohm / np.sqrt(2) * noise
    return frequency_hz, impedance, np.full(frequency_hz.size, noise_ohm**2)


def test_check_resistor_agrees_within_the_tolerances() -> None:
    check = check_resistor(*resistor(8.25), scale_std=rectangular_std(1.0), marked_ohm=8.2, tolerance_percent=1.0)
    assert check.verdict == "agrees"
    assert check.measured_ohm == pytest.approx(8.25, abs=3e-4)
    # 1 % rectangular on both: 8.25 * 0.01 / sqrt 3 and 8.2 * 0.01 / sqrt 3, in quadrature.
    assert check.combined_std_ohm == pytest.approx(0.01 * np.hypot(8.25, 8.2) / np.sqrt(3), rel=1e-3)
    assert check.deviation == pytest.approx(0.05 / check.combined_std_ohm, rel=0.02)
    assert check.warnings == ()
    assert "8.25 ohm, marked 8.2 ohm" in check.sentence


def test_check_resistor_differs() -> None:
    check = check_resistor(*resistor(8.5), scale_std=rectangular_std(1.0), marked_ohm=8.2, tolerance_percent=1.0)
    assert check.verdict == "differs"
    assert check.deviation > 4
    assert "more than the expanded uncertainty" in check.sentence


def test_check_resistor_says_what_it_does_not_know() -> None:
    check = check_resistor(*resistor(8.2), scale_std=0.0, marked_ohm=8.2, tolerance_percent=None)
    assert check.warnings == ("tolerance of the check resistor was not given: not part of the uncertainty",)
    # The noise is left, its mean over 981 independent points from 100 to 5,000 Hz, and 1e-5 for the chain itself.
    assert check.combined_std_ohm == pytest.approx(np.hypot(1e-3 / np.sqrt(2 * 981), 8.2e-5), rel=1e-3)


def test_check_resistor_noise_is_covered() -> None:
    deviations = [check_resistor(*resistor(8.2, 0.05, seed), 0.0, 8.2, None).deviation for seed in range(300)]
    assert np.std(deviations) == pytest.approx(1.0, abs=0.13)


def test_check_resistor_sees_a_slope() -> None:
    frequency_hz, impedance, variance = resistor(8.2)
    check = check_resistor(frequency_hz, impedance * (1 + frequency_hz / 2e5), variance, 0.0, 8.2, 1.0)
    assert check.slope_ohm > 0.04
    assert "changes by" in check.warnings[0]


@pytest.mark.parametrize("marked", [0.0, -3.0, float("nan")])
def test_check_resistor_refuses_impossible_values(marked: float) -> None:
    with pytest.raises(StillboxError, match="must be greater than 0"):
        check_resistor(*resistor(8.2), 0.0, marked, None)


def test_check_resistor_needs_its_band() -> None:
    frequency_hz, impedance, variance = resistor(8.2)
    high = frequency_hz > 6_000
    with pytest.raises(StillboxError, match="not measured between"):
        check_resistor(frequency_hz[high], impedance[high], variance[high], 0.0, 8.2, None)
