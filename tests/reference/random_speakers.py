"""Invented but plausible speakers, drawn by seed, with everything known about them.

Woofers of 10 to 25 cm in boxes of 5 to 80 l, closed or vented. What is drawn for a resonance is its frequency, Q and
height; masses and compliances follow by the formulas of weak coupling. The truth is then computed from the
circuit without approximation, so it differs a little from what was drawn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal, get_args

import numpy as np

from reference.analytic import mechanical_impedance
from reference.speaker_circuit import (
    Branch,
    Cavity,
    Coil,
    Driver,
    HungMass,
    Leak,
    Line,
    Port,
    SpeakerCircuit,
    Wall,
    port_mass_kg_per_m4,
    semi_inductance,
)
from reference.truth import TrueResonance, true_resonances

Kind = Literal["null", "driver", "standing wave", "wall", "mixed"]
KINDS: tuple[Kind, ...] = get_args(Kind)

TEMPERATURE_C = 20.0
"""Temperature of the air in every box. Its speed of sound is drawn from dry to humid air at that temperature:
343.4 to 344.6 m/s (project check values, section 7, Cramer 1993)."""

LEAST_HEIGHT_OHM = 0.05
LEAST_Q = 3.0
"""Resonances of at least this height and Q are those that an analysis is asked to find."""

CLEAR_UP_TO_HZ = 5_000.0
"""A random speaker is looked through up to here before it is accepted; above, standing waves are too low to count."""


@dataclass(frozen=True)
class RandomSpeaker:
    """One speaker with its truth.

    Attributes
    ----------
    inside_mm
        (height, width, depth) of the box.
    driver_mm, port_mm
        (from top, from left) of the centre; ``port_mm`` None for a closed box.
    """

    seed: int
    kind: Kind
    free_air: SpeakerCircuit
    in_box: SpeakerCircuit
    inside_mm: tuple[float, float, float]
    driver_mm: tuple[float, float]
    port_mm: tuple[float, float] | None
    cone_diameter_mm: float

    @cached_property
    def truth(self) -> tuple[TrueResonance, ...]:
        """All resonances in the box, fundamentals among them."""
        return true_resonances(self.in_box)

    @cached_property
    def truth_free_air(self) -> tuple[TrueResonance, ...]:
        return true_resonances(self.free_air)

    @property
    def port(self) -> Port | None:
        return next((branch for branch in self.in_box.branches if isinstance(branch, Port)), None)


def to_be_found(truth: tuple[TrueResonance, ...]) -> list[TrueResonance]:
    """Those that an analysis is asked to find: no fundamental, high and narrow enough."""
    return [
        one
        for one in truth
        if one.cause != "fundamental" and one.height_ohm >= LEAST_HEIGHT_OHM and one.q >= LEAST_Q
    ]


def random_speaker(seed: int, kind: Kind) -> RandomSpeaker:
    """Draw a speaker; the same seed and kind give the same speaker.

    Drawn again until every resonance that is to be found below 5 kHz belongs clearly to one part (60 % of the
    energy) and lies more than its own half-power width away from its neighbours: two that melt into one have no
    single truth.
    """
    generator = np.random.default_rng([seed, KINDS.index(kind)])
    while True:
        speaker = _draw(seed, kind, generator)
        if speaker is not None and _clear(speaker):
            return speaker


def _clear(speaker: RandomSpeaker) -> bool:
    truth = true_resonances(speaker.in_box, CLEAR_UP_TO_HZ)
    found = to_be_found(truth)
    if (speaker.kind != "null") and not found:
        return False
    for one in found:
        width_hz = one.frequency_hz / one.q
        near = [
            other
            for other in truth
            if other is not one
            and other.height_ohm > 0.3 * LEAST_HEIGHT_OHM
            and abs(other.frequency_hz - one.frequency_hz) < width_hz
        ]
        if near or one.share < 0.6:
            return False
    return True


def _draw(seed: int, kind: Kind, draw: np.random.Generator) -> RandomSpeaker | None:
    driver, diameter_m = _woofer(draw)
    inside_m, volume_m3 = _box(draw, driver)
    if kind in ("driver", "mixed"):
        driver = _with_hung_masses(draw, driver)
    along_m = (float(draw.uniform(0.15, 0.42)) * inside_m[0], float(draw.uniform(0.36, 0.5)) * inside_m[1], 0.0)
    port_at_m = (float(draw.uniform(0.7, 0.9)) * inside_m[0], inside_m[1] / 2, 0.0)
    dimensions = _dimensions(draw, kind)
    lines = tuple(
        Line(name, inside_m[index], along_m[index], damping)
        for index, name, damping in _damped(draw, inside_m, dimensions)
    )
    cavity = Cavity(volume_m3, lines, speed_m_s=float(draw.uniform(343.4, 344.6)))
    closed = SpeakerCircuit(driver, cavity)
    branches: list[Branch] = []
    vented = bool(draw.random() < 0.5)
    if vented:
        port = _port(draw, closed, tuple(port_at_m[index] for index in dimensions), kind == "mixed")
        if port is None:
            return None
        branches.append(port)
    if draw.random() < (0.5 if vented else 0.8):
        branches.append(_leak(draw, closed, next(iter(branches), None)))
    if kind in ("wall", "mixed"):
        for _ in range(int(draw.integers(1, 3)) if kind == "wall" else 1):
            wall = _wall(draw, closed, inside_m, dimensions)
            if wall is None:
                return None
            branches.append(wall)
    # In free air the cone moves a little less air than on a wall: a lighter cone.
    free = replace(driver, moving_mass_kg=driver.moving_mass_kg * float(draw.uniform(0.97, 1.0)))
    millimetres = [1000 * side for side in inside_m]
    return RandomSpeaker(
        seed,
        kind,
        SpeakerCircuit(free),
        SpeakerCircuit(driver, cavity, tuple(branches)),
        (millimetres[0], millimetres[1], millimetres[2]),
        (1000 * along_m[0], 1000 * along_m[1]),
        (1000 * port_at_m[0], 1000 * port_at_m[1]) if vented else None,
        1000 * diameter_m,
    )


def _logarithmic(draw: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(draw.uniform(np.log(low), np.log(high))))


def _woofer(draw: np.random.Generator) -> tuple[Driver, float]:
    """A woofer and the diameter of its cone in m."""
    nominal_cm = draw.uniform(10, 25)
    diameter_m = 0.0079 * nominal_cm
    mass_kg = 0.014 * (nominal_cm / 16.5) ** 2.3 * draw.uniform(0.75, 1.3)
    natural = 2 * np.pi * 42 * (16.5 / nominal_cm) ** 0.8 * draw.uniform(0.8, 1.25)
    resistance_ohm, qms, qes = draw.uniform(3.2, 7.0), draw.uniform(2.0, 8.0), draw.uniform(0.3, 0.7)
    scale = resistance_ohm / 6
    style = draw.integers(0, 3)
    if style == 0:
        coil = Coil(float(resistance_ohm), scale * _logarithmic(draw, 0.1e-3, 0.8e-3))
    elif style == 1:
        section = (scale * draw.uniform(3, 15), scale * _logarithmic(draw, 0.2e-3, 1e-3))
        coil = Coil(float(resistance_ohm), scale * _logarithmic(draw, 0.1e-3, 0.4e-3), (section,))
    else:
        sections = semi_inductance(scale * draw.uniform(0.008, 0.03), draw.uniform(0.55, 0.75))
        coil = Coil(float(resistance_ohm), scale * _logarithmic(draw, 0.02e-3, 0.2e-3), sections)
    driver = Driver(
        coil=coil,
        force_factor_tm=float(np.sqrt(natural * mass_kg * resistance_ohm / qes)),
        moving_mass_kg=float(mass_kg),
        compliance_m_per_n=float(1 / (natural**2 * mass_kg)),
        resistance_ns_per_m=float(natural * mass_kg / qms),
        area_m2=float(np.pi / 4 * diameter_m**2),
    )
    return driver, float(diameter_m)


def _box(draw: np.random.Generator, driver: Driver) -> tuple[tuple[float, float, float], float]:
    """Inside height, width, depth in m, and volume in m3, to fit the driver's compliance."""
    equivalent_m3 = 1.2 * 344**2 * driver.area_m2**2 * driver.compliance_m_per_n
    volume_m3 = float(np.clip(equivalent_m3 / _logarithmic(draw, 0.7, 4.0), 0.005, 0.08))
    tall, deep = draw.uniform(1.35, 2.6), draw.uniform(0.8, 1.4)
    width_m = (volume_m3 / (tall * deep)) ** (1 / 3)
    return (float(tall * width_m), float(width_m), float(deep * width_m)), volume_m3


def _with_hung_masses(draw: np.random.Generator, driver: Driver) -> Driver:
    """One to three resonances of cone, surround or dust cap."""
    hung = []
    for _ in range(int(draw.integers(1, 4))):
        frequency_hz, q = _logarithmic(draw, 300, 4000), _logarithmic(draw, 3.2, 40)
        height_ohm = _logarithmic(draw, 0.06, 5)
        # Weak coupling: a small mass m on the mass M makes a peak of Bl^2 m Q / (w M^2).
        natural = 2 * np.pi * frequency_hz
        mass_kg = height_ohm * natural * (driver.moving_mass_kg / driver.force_factor_tm) ** 2 / q
        hung.append(HungMass(float(min(mass_kg, 0.3 * driver.moving_mass_kg)), frequency_hz, q))
    return replace(driver, hung=tuple(hung))


def _dimensions(draw: np.random.Generator, kind: Kind) -> tuple[int, ...]:
    """Which inside dimensions (0 height, 1 width, 2 depth) carry standing waves."""
    if kind not in ("standing wave", "mixed"):
        return ()
    count = int(draw.integers(1, 4))
    return tuple(sorted(int(index) for index in draw.choice(3, count, replace=False, p=(0.6, 0.15, 0.25))))


def _damped(
    draw: np.random.Generator, inside_m: tuple[float, float, float], dimensions: tuple[int, ...]
) -> list[tuple[int, str, float]]:
    """(index, name, damping in 1/s) of each dimension: Q of the first wave 3 (lined) to 45 (bare)."""
    first_q = _logarithmic(draw, 4, 35)
    result = []
    for index in dimensions:
        q = float(np.clip(first_q * _logarithmic(draw, 0.7, 1.4), 3.2, 45))
        result.append((index, ("height", "width", "depth")[index], np.pi * 344 / inside_m[index] / q))
    return result


def _natural_in_box(closed: SpeakerCircuit) -> float:
    """Angular frequency of the closed box."""
    driver, cavity = closed.driver, closed.cavity
    assert cavity is not None
    stiffness = 1 / driver.compliance_m_per_n + driver.area_m2**2 / cavity.compliance_m3_per_pa
    return math.sqrt(stiffness / driver.moving_mass_kg)


def _port(
    draw: np.random.Generator, closed: SpeakerCircuit, along_m: tuple[float, ...], may_pipe: bool
) -> Port | None:
    """A round port tuned near the driver's own resonance; None when no tube of sensible length does it."""
    driver, cavity = closed.driver, closed.cavity
    assert cavity is not None
    area_m2 = driver.area_m2 * draw.uniform(0.1, 0.3)
    free = 1 / math.sqrt(driver.moving_mass_kg * driver.compliance_m_per_n)
    tuning = free * draw.uniform(0.75, 1.2)
    mass = 1 / (tuning**2 * cavity.compliance_m3_per_pa)
    end_m = 1.46 * math.sqrt(area_m2 / np.pi)
    length_m = mass * area_m2 / cavity.density_kg_m3 - end_m
    if not 0.04 < length_m < 0.35:
        return None
    return Port(
        area_m2=float(area_m2),
        length_m=float(length_m),
        end_correction_m=float(end_m),
        resistance_pa_s_per_m3=float(tuning * mass / draw.uniform(25, 80)),
        along_m=along_m,
        pipe=bool(may_pipe and draw.random() < 0.5),
        pipe_damping_per_s=_logarithmic(draw, 60, 400),
    )


def _leak(draw: np.random.Generator, closed: SpeakerCircuit, port: Branch | None) -> Leak:
    """QL of 7 to 100 at the tuning, or at the closed box's resonance."""
    cavity = closed.cavity
    assert cavity is not None
    natural = _natural_in_box(closed)
    if isinstance(port, Port):
        tube = replace(port, pipe=False)
        natural = 1 / math.sqrt(port_mass_kg_per_m4(tube, cavity) * cavity.compliance_m3_per_pa)
    return Leak(_logarithmic(draw, 7, 100) / (natural * cavity.compliance_m3_per_pa))


def _wall(
    draw: np.random.Generator,
    closed: SpeakerCircuit,
    inside_m: tuple[float, float, float],
    dimensions: tuple[int, ...],
) -> Wall | None:
    """A wall between 80 and 800 Hz above the fundamental; None when it would be softer than a wall can be."""
    driver, cavity = closed.driver, closed.cavity
    assert cavity is not None
    lowest_hz = max(80.0, 1.7 * _natural_in_box(closed) / (2 * np.pi))
    frequency_hz, q = _logarithmic(draw, lowest_hz, 800), _logarithmic(draw, 5, 40)
    height_ohm = _logarithmic(draw, 0.06, 2.5)
    natural = 2 * np.pi * frequency_hz
    lumped = replace(closed, cavity=replace(cavity, lines=()))
    load = abs(mechanical_impedance(lumped, np.array([1j * natural]))[0])
    # Weak coupling: the wall's resistance in parallel to the air's compliance, carried to the terminals.
    stiffness = driver.force_factor_tm * driver.area_m2 / (load * natural * cavity.compliance_m3_per_pa)
    resistance = stiffness**2 / height_ohm
    compliance = 1 / (natural * q * resistance)
    if compliance > 0.25 * cavity.compliance_m3_per_pa:
        return None
    along_m = tuple(float(draw.uniform(0.2, 0.8)) * inside_m[index] for index in dimensions)
    return Wall(frequency_hz, q, float(compliance), along_m)
