"""Losses of parts, a driver in another box, and which measurement would tell: by formulas of other hands."""

from __future__ import annotations

import numpy as np
import pytest
from invented_findings import report
from reference.wild_parts import Part

from stillbox.analysis.network.netlist import network_from_text
from stillbox.analysis.wrong_part.guessed_driver import MIDRANGE, TWEETER, WOOFER, guessed_driver
from stillbox.analysis.wrong_part.known_driver import known_driver
from stillbox.analysis.wrong_part.part_impedance import part_impedance
from stillbox.analysis.wrong_part.result import Fault, Suspect
from stillbox.analysis.wrong_part.telling_apart import what_would_tell

HZ = np.geomspace(20, 20_000, 41)


def ladder(kind: str, value: float, loss_ohm: float, factor: float) -> np.ndarray:
    """A part with a flat loss factor as a row of relaxations, two a decade."""
    share = factor * 2 / np.pi * np.log(10) / 2
    pairs = tuple((share, float(hz)) for hz in 10 ** np.arange(-1.0, 9.0, 0.5))
    part = Part("X1", kind, "any", value, 5.0, 0.0, value, loss_ohm, 0.0, pairs, 1e12)
    return part.impedance(2 * np.pi * HZ)


@pytest.mark.parametrize(("kind", "value"), [("capacitor", 6.8e-6), ("coil", 1.2e-3)])
def test_flat_losses_are_those_of_a_ladder(kind: str, value: float) -> None:
    rest = [0.004] if kind == "capacitor" else [0.004, 1e-9, 25e3]
    found, _ = part_impedance(kind, np.array([[value], [0.3], *([one] for one in rest)]), HZ)
    other = ladder(kind, value, 0.3, 0.004)
    assert np.max(np.abs(found[0] - other) / np.abs(other)) < 4e-4


@pytest.mark.parametrize(
    ("kind", "numbers"),
    [
        ("capacitor", (6.8e-6, 0.3, 0.04)),
        ("coil", (1.2e-3, 0.4, 0.006, 0.03, 2e4)),
        ("resistor", (4.7, 1e-6)),
    ],
)
def test_derivatives_of_parts(kind: str, numbers: tuple[float, ...]) -> None:
    middle = np.array(numbers)[:, None]
    _, slopes = part_impedance(kind, middle, HZ)
    assert len(slopes) == len(numbers)
    for place, slope in enumerate(slopes):
        step = np.zeros(middle.shape)
        step[place] = 1e-5
        low, high = (part_impedance(kind, middle * np.exp(sign * step), HZ)[0] for sign in (-1, 1))
        assert np.max(np.abs((high - low) / 2e-5 - slope)) < 1e-7 * np.max(np.abs(high))


def test_what_a_box_does_falls_with_the_square_of_the_mass_line() -> None:
    """A resonator of 60 Hz, 30 ohm, Q 4 in free air: Bl^2/M = 2 pi 60 30/4; a box may put its peaks anywhere below."""
    fit = report().fit
    ohm = fit.impedance_ohm(HZ)
    same = known_driver("woofer", HZ, ohm, fit, boxed_since=False, band_hz=(15.0, 20e3))
    boxed = known_driver("woofer", HZ, ohm, fit, boxed_since=True, band_hz=(15.0, 20e3))
    assert not same.spread_ohm.any() and np.array_equal(same.impedance_ohm, ohm)
    line = 60 * 30 / 4 / HZ
    high = HZ > 1000
    assert boxed.spread_ohm[high] == pytest.approx(line[high] ** 2 / 6.0, rel=0.05)
    assert np.all(boxed.spread_ohm[HZ < 80] > np.abs(boxed.impedance_ohm[HZ < 80]))
    assert np.max(np.abs(boxed.impedance_ohm / ohm - 1)[high]) < 0.02
    cut = known_driver("woofer", HZ, ohm, fit, boxed_since=False, band_hz=(500.0, 20e3))
    assert cut.spread_ohm[HZ < 250] == pytest.approx(0.3 * np.abs(ohm[HZ < 250]))


PLAN = network_from_text(
    "* three ways\nL1 in a 3m\nC1 a 0 47u\nXwoofer a 0 w\nC2 in b 47u\nL2 b c 0.4m\nXmidrange c 0 m\n"
    "C3 in d 4.7u\nL3 d 0 0.3m\nXtweeter 0 d t\n"
)


def test_a_driver_is_guessed_by_its_place() -> None:
    middles = {name: guessed_driver(name, PLAN, HZ, None, False).middle for name in ("woofer", "midrange", "tweeter")}
    assert middles == {"woofer": WOOFER[0], "midrange": MIDRANGE[0], "tweeter": TWEETER[0]}
    told = guessed_driver("tweeter", PLAN, HZ, 3.3, False)
    assert told.middle[0] == 3.3 and told.std[0] < 0.05
    boxed = guessed_driver("woofer", PLAN, HZ, None, True)
    assert boxed.spread_ohm[0] > 10 * boxed.spread_ohm[-1] > 0


def test_derivatives_of_a_guessed_driver() -> None:
    driver = guessed_driver("tweeter", PLAN, HZ, None, False)
    theta = np.array([[0.3, -0.5, 0.2, 0.7, -0.4, 0.1]])
    ohm, slopes = driver.at(theta)
    f0, q, height = (driver.middle[k] * np.exp(driver.std[k] * theta[0, k]) for k in (3, 4, 5))
    peak = height / (1 + 1j * q * (HZ / f0 - f0 / HZ))
    assert np.max(np.abs(slopes[5] / driver.std[5] - peak)) < 1e-12
    for number, slope in enumerate(slopes):
        step = 1e-5 * np.eye(6)[number]
        low, high = driver.at(theta - step)[0], driver.at(theta + step)[0]
        assert np.max(np.abs((high - low) / 2e-5 - slope)) < 1e-7 * np.max(np.abs(ohm))


def test_the_part_to_lift_is_the_one_that_parts_the_explanations() -> None:
    network = network_from_text("* t\nC1 in a 10u\nR1 a b 4.7\nL1 b 0 1m\nXtweeter b 0 t\n")

    def one(kind: str, part: str, probability: float, value: float | None = None) -> Suspect:
        return Suspect(Fault(kind, part), value, None, None, None, probability)  # type: ignore[arg-type]

    sure = [one("value", "C1", 0.999, 5e-6)]
    assert what_would_tell(sure, 1e-6, network) == ""
    rows = [one("value", "C1", 0.45, 5e-6), one("open", "C1", 0.3), one("loss", "R1", 0.2)]
    assert "lift one leg of C1 and sweep it alone" in what_would_tell(rows, 0.05, network)
    assert what_would_tell(rows, 0.05, network).endswith("if it is right, go on with R1")
    assert "sweep driver tweeter" in what_would_tell([one("driver not connected", "tweeter", 0.6)], 0.4, network)
