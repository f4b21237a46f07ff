"""Inductance of coils against published numbers and an independent program; windings as they are wound."""

from __future__ import annotations

import itertools
import math

import cfsem
import numpy as np
import pytest
from scipy.constants import mu_0

from stillbox.analysis.physics.coils import (
    BROOKS_H_PER_M,
    INCH_M,
    MOST_TURNS,
    Winding,
    brooks_bobbin_m,
    brooks_inductance_h,
    mutual_inductance_h,
    turn_inductance_h,
    turns_per_layer,
    wheeler_inductance_h,
    wound_to,
)
from stillbox.capture.errors import StillboxError


@pytest.mark.parametrize(
    ("a", "b", "c", "wheeler", "exact"), [(1, 1, 0.5, 0.04000, 0.04011), (1, 0.75, 0.6, 0.04267, 0.04286)]
)
def test_wheeler(a: float, b: float, c: float, wheeler: float, exact: float) -> None:
    """Inches, microhenries per square of the turns (pupman.com, 1998; values re-derived in the check values)."""
    found = 1e6 * wheeler_inductance_h(a * INCH_M, b * INCH_M, c * INCH_M, 1)
    assert found == pytest.approx(wheeler, abs=5e-6)
    # Fine turns fill the section: the sum over them is the exact value but for the room between round wires.
    pitch_m = 0.025 * INCH_M
    winding = Winding(
        round(b / 0.025) * round(c / 0.025), round(b / 0.025), (2 * a - c) * INCH_M, 0.999 * pitch_m, pitch_m
    )
    assert 1e6 * winding.inductance_h / winding.turns**2 == pytest.approx(exact, rel=1e-3)


def test_brooks() -> None:
    """L = 1.6994e-6 a N^2 (Brooks 1931; Grover 1946): c = 20 mm, N = 100 make 0.5098 mH; Wheeler has 0.7 % less."""
    assert 1e3 * brooks_inductance_h(20e-3, 100) == pytest.approx(0.5098, abs=5e-5)
    assert wheeler_inductance_h(30e-3, 20e-3, 20e-3, 1) / 30e-3 == pytest.approx(1.6873e-6, rel=1e-4)
    errors = []
    for side in (10, 20, 40):
        pitch_m = 20e-3 / side
        winding = Winding(side**2, side, 40e-3, pitch_m, pitch_m)
        errors.append(winding.inductance_h / (0.03 * winding.turns**2) / BROOKS_H_PER_M - 1)
    assert abs(errors[-1]) < 1e-4 and abs(errors[-1]) < abs(errors[0])  # converges


def test_no_other_proportions_take_less_wire() -> None:
    """Of the same turns of the same wire, those of Brooks' bobbin have nearly the most inductance for their length."""
    best = Winding(400, 20, 40e-3, 0.9e-3, 1e-3)
    for per_layer, inner_m in itertools.product((8, 14, 30, 50), (10e-3, 20e-3, 70e-3)):
        other = Winding(400, per_layer, inner_m, 0.9e-3, 1e-3)
        scaled = other.inductance_h * (best.wire_length_m / other.wire_length_m) ** (5 / 3)  # L ~ length^(5/3)
        assert scaled < 1.003 * best.inductance_h


def test_circles_against_an_independent_program() -> None:
    rng = np.random.default_rng(1)
    for _ in range(60):
        one, other = rng.uniform(5e-3, 0.1, 2)
        distance = float(np.exp(rng.uniform(np.log(1e-4), np.log(0.2))))
        truth = cfsem.mutual_inductance_of_circular_filaments(
            np.array([one, 0.0, 1.0]), np.array([other, distance, 1.0]), par=False
        )
        found = float(mutual_inductance_h(np.array(one), np.array(other), np.array(distance)))
        assert found == pytest.approx(truth, rel=1e-9)


def test_circles_far_apart_are_dipoles() -> None:
    found = float(mutual_inductance_h(np.array(0.01), np.array(0.02), np.array(2.0)))
    assert found == pytest.approx(mu_0 * math.pi * 0.01**2 * 0.02**2 / (2 * 2.0**3), rel=1e-3)


@pytest.mark.parametrize("radius_m", [5e-3, 20e-3, 0.1])
@pytest.mark.parametrize("wire_mm", [0.3, 1.0, 2.0])
def test_one_turn(radius_m: float, wire_mm: float) -> None:
    """The ring of thin wire, mu0 a (ln(8 a/r) - 7/4), and Wien's formula for a thicker one as `cfsem` has it."""
    wire_radius_m = 0.5e-3 * wire_mm
    found = float(turn_inductance_h(np.array(radius_m), wire_radius_m))
    thin = mu_0 * radius_m * (math.log(8 * radius_m / wire_radius_m) - 1.75)
    thickness = (wire_radius_m / radius_m) ** 2
    assert found == pytest.approx(thin, rel=1e-9 + thickness)
    truth = cfsem.self_inductance_circular_ring_wien(np.array([radius_m]), np.array([wire_radius_m]))[0]
    assert found == pytest.approx(truth, rel=1e-9 + thickness)


@pytest.mark.parametrize(
    ("turns", "per_layer", "inner_mm", "wire_mm", "pitch_mm"),
    [(1, 10, 30, 1, 1.06), (7, 10, 30, 1, 1.06), (23, 10, 30, 1, 1.06), (100, 10, 40, 1.9, 2.0),
     (181, 13, 27, 1.4, 1.47), (240, 40, 15, 0.5, 0.55), (64, 1, 20, 0.8, 0.86)],
)  # fmt: skip
def test_windings_against_an_independent_program(
    turns: int, per_layer: int, inner_mm: float, wire_mm: float, pitch_mm: float
) -> None:
    """Turn by turn, places written down here: a layer that is begun lies above the end of the one below."""
    winding = Winding(turns, per_layer, 1e-3 * inner_mm, 1e-3 * wire_mm, 1e-3 * pitch_mm)
    places = []
    for turn in range(turns):
        layer, along = divmod(turn, per_layer)
        along = along if layer % 2 == 0 else per_layer - 1 - along
        places.append((1e-3 * (inner_mm / 2 + pitch_mm * (layer + 0.5)), 1e-3 * pitch_mm * along, 1.0))
    filaments = np.array(places).T.copy()
    truth = cfsem.self_inductance_axisymmetric_coil(filaments, "circular", 0.5e-3 * wire_mm, par=False)
    assert winding.inductance_h == pytest.approx(truth, rel=1e-3 if turns < 5 else 1e-4)
    assert winding.wire_length_m == pytest.approx(2 * math.pi * filaments[0].sum(), rel=1e-12)
    layers = math.ceil(turns / per_layer)
    assert winding.outer_diameter_m == pytest.approx(1e-3 * (inner_mm + 2 * layers * pitch_mm), rel=1e-12)
    assert winding.resistance_ohm() == pytest.approx(
        winding.wire_length_m / 58e6 / (math.pi / 4 * (1e-3 * wire_mm) ** 2), rel=1e-12
    )


@pytest.mark.parametrize("wanted_mh", [0.05, 0.33, 1.2, 6.8, 20.0])
def test_a_coil_is_wound_to_the_nearest_turn(wanted_mh: float) -> None:
    winding = wound_to(1e-3 * wanted_mh, 30e-3, 25e-3, 1e-3, 1.06e-3)
    fewer, more = (
        Winding(winding.turns + step, winding.per_layer, 30e-3, 1e-3, 1.06e-3).inductance_h for step in (-1, 1)
    )
    assert fewer < 1e-3 * wanted_mh < more
    assert abs(winding.inductance_h - 1e-3 * wanted_mh) <= min(
        abs(fewer - 1e-3 * wanted_mh), abs(more - 1e-3 * wanted_mh)
    )


def test_a_bobbin_of_brooks_proportions() -> None:
    inner_m, width_m = brooks_bobbin_m(1.06e-3, inductance_h=3.3e-3)
    winding = wound_to(3.3e-3, inner_m, width_m, 1e-3, 1.06e-3)
    assert inner_m == pytest.approx(2 * width_m)
    assert len(winding.layers) == pytest.approx(winding.per_layer, abs=2)
    for other in ((0.6 * inner_m, 1.2 * width_m), (1.5 * inner_m, width_m), (inner_m, 0.5 * width_m)):
        assert winding.resistance_ohm() < 1.002 * wound_to(3.3e-3, *other, 1e-3, 1.06e-3).resistance_ohm()
    assert brooks_bobbin_m(1e-3, turns=225) == (pytest.approx(30e-3), pytest.approx(15e-3))


def test_what_cannot_be_wound_is_told() -> None:
    with pytest.raises(StillboxError, match=r"the bobbin, 0\.9 mm wide, is narrower than the wire, 1\.06 mm"):
        turns_per_layer(0.9e-3, 1.06e-3)
    with pytest.raises(StillboxError, match=f"take more than {MOST_TURNS} turns"):
        wound_to(0.2, 2e-3, 20e-3, 0.05e-3, 0.06e-3)
