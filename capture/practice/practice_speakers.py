"""Loudspeakers of the practice rig: invented circuits and their impedance in closed form.

Driver, electrical to acoustical: ``Z = Re + K s^n + (Bl)^2 / (s Mms + Rms + 1/(s Cms) + Sd^2 Za)``; the lossy coil
``K s^n`` after Leach, JAES 50(6) 442-450, 2002. The air of the box is a sum over the modes of a rectangular room,
``f = (c/2) sqrt((p/L)^2 + (q/W)^2 + (r/H)^2)``, seen from places on its walls: the cone, a port, a weak wall, a leak.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError
from stillbox.capture.practice.iron_core import IronCore
from stillbox.capture.practice.practice_network import GROUND, INPUT, CoilPlace, PracticeNetwork, PracticePart
from stillbox.capture.sound.audio_device import Clips

AIR_DENSITY_KG_M3 = 1.2
SPEED_OF_SOUND_M_S = 343.7
HIGHEST_MODE_HZ = 1500.0
ADDED_MASS_KG = 0.010
TEST_BOX_M3 = 0.010
STOCK_STATES = ("", "stock")
WOOFER, TWEETER = "woofer", "tweeter"
IRON_COIL = "L1"
FIRST_PART = "C1"
"""What is on the clips for a take of a part without a name."""
LOOSE_PART = PracticePart(FIRST_PART, (INPUT, GROUND), 6.8e-6, 0.02)
"""The same on a speaker without a crossover."""


@dataclass(frozen=True)
class PracticeDriver:
    """Moving-coil driver, SI units; the coil is ``Re + coil_factor s^coil_exponent``."""

    resistance_ohm: float
    coil_factor: float
    coil_exponent: float
    force_factor_tm: float
    moving_mass_kg: float
    compliance_m_per_n: float
    loss_ns_per_m: float
    area_m2: float


@dataclass(frozen=True)
class Opening:
    """Something on a wall of the box that moves air: mass, loss, and a spring unless it is open to the outside.

    Acoustic units; ``place_m`` is (from top, from left, from front).
    """

    place_m: tuple[float, float, float]
    mass_kg_m4: float
    loss_pa_s_m3: float
    compliance_m3_pa: float | None = None
    is_port: bool = False


@dataclass(frozen=True)
class PracticeBox:
    """Rectangular box; a standing wave of angular frequency w has the Q ``w / damping_per_s``."""

    inside_m: tuple[float, float, float]
    driver_m: tuple[float, float, float]
    damping_per_s: float
    openings: tuple[Opening, ...] = ()

    @property
    def volume_m3(self) -> float:
        return math.prod(self.inside_m)


def port(place_m: tuple[float, float, float], diameter_m: float, length_m: float) -> Opening:
    """A tube with one flanged and one free end, losses of a middling port."""
    radius_m = diameter_m / 2
    area_m2 = math.pi * radius_m**2
    # End corrections 0.8216 (flange) and 0.6133 (none) radii: Dalmont, Nederveen, Joly, JSV 244, 505-534, 2001.
    mass = AIR_DENSITY_KG_M3 * (length_m + (0.8216 + 0.6133) * radius_m) / area_m2
    return Opening(place_m, mass, 2 * math.pi * 40.0 * mass / 40.0, is_port=True)


def weak_wall(place_m: tuple[float, float, float], frequency_hz: float, q: float, compliance: float) -> Opening:
    """A wall that resonates; frequency and Q without the air, compliance in m^3/Pa."""
    natural = 2 * math.pi * frequency_hz
    mass = 1 / (natural**2 * compliance)
    return Opening(place_m, mass, natural * mass / q, compliance)


def driver_impedance_ohm(driver: PracticeDriver, frequency_hz: FloatArray, box: PracticeBox | None) -> ComplexArray:
    """Impedance at frequencies above 0 Hz, shape of ``frequency_hz``."""
    s = _laplace(frequency_hz)
    coil = driver.resistance_ohm + driver.coil_factor * s**driver.coil_exponent
    return coil + driver.force_factor_tm**2 / _mechanical(driver, s, box)


def sound_pressure_pa_per_v(
    driver: PracticeDriver, frequency_hz: FloatArray, box: PracticeBox | None, distance_m: float
) -> ComplexArray:
    """Pressure in front of the cone for 1 V across the driver, as of a small source on a large wall."""
    s = _laplace(frequency_hz)
    current = 1 / driver_impedance_ohm(driver, frequency_hz, box)
    flow = driver.area_m2 * driver.force_factor_tm * current / _mechanical(driver, s, box)
    delay = np.exp(-s * distance_m / SPEED_OF_SOUND_M_S)
    pressure: ComplexArray = AIR_DENSITY_KG_M3 * s * flow / (2 * np.pi * distance_m) * delay
    return pressure


def _mechanical(driver: PracticeDriver, s: ComplexArray, box: PracticeBox | None) -> ComplexArray:
    total = driver.moving_mass_kg * s + driver.loss_ns_per_m + 1 / (driver.compliance_m_per_n * s)
    return total if box is None else total + driver.area_m2**2 * _acoustic(box, s)


def _acoustic(box: PracticeBox, s: ComplexArray) -> ComplexArray:
    """Pressure over flow at the cone, with the openings at work."""
    network = _air_matrix(box, s)
    if not box.openings:
        return network[:, 0, 0]
    branches = network[:, 1:, 1:]
    for index, opening in enumerate(box.openings):
        branches[:, index, index] += opening.loss_pa_s_m3 + opening.mass_kg_m4 * s
        if opening.compliance_m3_pa is not None:
            branches[:, index, index] += 1 / (opening.compliance_m3_pa * s)
    across = network[:, 1:, :1]
    return network[:, 0, 0] - (network[:, :1, 1:] @ np.linalg.solve(branches, across))[:, 0, 0]


def _air_matrix(box: PracticeBox, s: ComplexArray) -> ComplexArray:
    """Pressure at each place from flow into each, shape (n, places, places): the cone first, then the openings."""
    places = np.array([box.driver_m, *(opening.place_m for opening in box.openings)])
    stiffness = AIR_DENSITY_KG_M3 * SPEED_OF_SOUND_M_S**2 / box.volume_m3
    total = np.zeros((s.size, len(places), len(places)), dtype=complex)
    damped = s + box.damping_per_s
    for orders in _modes(box):
        waves = np.array(orders) * np.pi / np.array(box.inside_m)
        shape = np.prod(np.cos(places * waves), axis=1)
        weight = 2.0 ** sum(order > 0 for order in orders)
        natural = SPEED_OF_SOUND_M_S * math.hypot(*waves)
        answer = damped / (s * damped + natural**2) if natural else 1 / s
        total += (stiffness * weight * answer)[:, None, None] * np.outer(shape, shape)
    return total


def _modes(box: PracticeBox) -> list[tuple[int, ...]]:
    most = [int(2 * HIGHEST_MODE_HZ * length / SPEED_OF_SOUND_M_S) for length in box.inside_m]
    limit = 2 * HIGHEST_MODE_HZ / SPEED_OF_SOUND_M_S
    return [
        orders
        for orders in itertools.product(*(range(count + 1) for count in most))
        if math.hypot(*(order / length for order, length in zip(orders, box.inside_m, strict=True))) <= limit
    ]


@dataclass(frozen=True)
class PracticeCrossover:
    """The network before woofer and tweeter.

    Attributes
    ----------
    planned : PracticeNetwork
        What the person believes to be there.
    stock, treated : PracticeNetwork
        What is there in state ``stock`` (or none), and in any other.
    core : IronCore or None
        Of coil L1 in state ``stock``.
    """

    planned: PracticeNetwork
    stock: PracticeNetwork
    treated: PracticeNetwork
    tweeter: PracticeDriver
    core: IronCore | None = None


@dataclass(frozen=True)
class IronCoil:
    """A coil with an iron core on the clips, alone or in a speaker."""

    core: IronCore
    inductance_h: float
    place: CoilPlace


@dataclass(frozen=True)
class PracticeSpeaker:
    """A speaker of the practice rig as it stands, and after the treatment it needs.

    Attributes
    ----------
    story : str
        What is with it, in words.
    box, treated_box : PracticeBox or None
        In state ``stock`` (or none), and in any other.
    crossover : PracticeCrossover or None
        Before the terminals; without it the subject ``part`` is a capacitor of no speaker.
    """

    story: str
    driver: PracticeDriver
    box: PracticeBox | None
    treated_box: PracticeBox | None
    crossover: PracticeCrossover | None = None

    def impedance_ohm(self, clips: Clips, frequency_hz: FloatArray) -> ComplexArray:
        """What is on the clips for a subject, at frequencies above 0 Hz; infinite for open clips."""
        subject = clips.subject
        if subject in ("open", "short", "load", "check-resistor"):
            value = {"open": math.inf, "short": 0.0}.get(subject, clips.load_ohm or 10.0)
            return np.full(frequency_hz.shape, value, dtype=complex)
        if subject == "part":
            return self._part(clips).impedance_ohm(frequency_hz)
        if self._is_behind_crossover(clips):
            return self.network_of(clips).impedance_ohm(frequency_hz, self._drivers_ohm(clips, frequency_hz))
        return self._own_ohm(clips, frequency_hz)

    def iron_coil(self, clips: Clips, frequency_hz: FloatArray) -> IronCoil | None:
        """The coil with iron that current from the clips goes through; None where there is none."""
        if self.crossover is None or self.crossover.core is None or clips.state not in STOCK_STATES:
            return None
        coil = self.network_of(clips).part(IRON_COIL)
        if clips.subject == "part" and self._part(clips) == coil:
            everywhere = np.ones(frequency_hz.shape, dtype=complex)
            place = CoilPlace(coil.impedance_ohm(frequency_hz), everywhere, 0 * everywhere)
        elif clips.subject == "in-box" and self._is_behind_crossover(clips):
            drivers = self._drivers_ohm(clips, frequency_hz)
            place = self.network_of(clips).place_of(IRON_COIL, frequency_hz, drivers)
        else:
            return None
        return IronCoil(self.crossover.core, coil.value, place)

    @property
    def planned_netlist(self) -> str:
        """The crossover as it was planned; empty where there is none."""
        return "" if self.crossover is None else self.crossover.planned.netlist("practice rig, two-way, as planned")

    def network_of(self, clips: Clips) -> PracticeNetwork:
        """The crossover as it is in a state."""
        assert self.crossover is not None
        return self.crossover.stock if clips.state in STOCK_STATES else self.crossover.treated

    def _is_behind_crossover(self, clips: Clips) -> bool:
        finished = clips.subject in ("in-box", "microphone", "channel-match")
        return finished and not clips.of and self.crossover is not None

    def _part(self, clips: Clips) -> PracticePart:
        return LOOSE_PART if self.crossover is None else self.network_of(clips).part(clips.of or FIRST_PART)

    def _drivers_ohm(self, clips: Clips, frequency_hz: FloatArray) -> dict[str, ComplexArray]:
        return {name: self._own_ohm(replace(clips, of=name), frequency_hz) for name in (WOOFER, TWEETER)}

    def _own_ohm(self, clips: Clips, frequency_hz: FloatArray) -> ComplexArray:
        """On the own terminals of a driver."""
        driver = self.driver_of(clips)
        if clips.subject == "added-mass":
            driver = replace(driver, moving_mass_kg=driver.moving_mass_kg + ADDED_MASS_KG)
        return driver_impedance_ohm(driver, frequency_hz, self.box_of(clips))

    def driver_of(self, clips: Clips) -> PracticeDriver:
        """No two drivers are alike: every unit but A has a suspension 4 % softer."""
        driver = self.driver
        if self.crossover is not None and clips.of and clips.subject not in ("microphone", "part"):
            drivers = {WOOFER: self.driver, TWEETER: self.crossover.tweeter}
            if clips.of not in drivers:
                raise StillboxError(
                    f"the practice rig's speaker has no driver '{clips.of}'", f"choose one of {', '.join(drivers)}"
                )
            driver = drivers[clips.of]
        if clips.unit == "A":
            return driver
        return replace(driver, compliance_m_per_n=1.04 * driver.compliance_m_per_n)

    def box_of(self, clips: Clips) -> PracticeBox | None:
        behind_its_own = self.crossover is not None and clips.of == TWEETER
        if clips.subject in ("free-air", "added-mass") or behind_its_own:
            return None
        if clips.subject == "test-box":
            side_m = TEST_BOX_M3 ** (1 / 3)
            return PracticeBox((side_m, side_m, side_m), (side_m / 2, side_m / 2, 0.0), 300.0)
        box = self.box if clips.state in STOCK_STATES else self.treated_box
        if box is None or not clips.port_closed:
            return box
        return replace(box, openings=tuple(one for one in box.openings if not one.is_port))


def _laplace(frequency_hz: FloatArray) -> ComplexArray:
    return np.asarray(2j * np.pi * frequency_hz, dtype=np.complex128)


_WOOFER = PracticeDriver(5.7, 0.012, 0.68, 6.1, 0.0135, 0.00092, 1.05, 0.0135)
_TWEETER = PracticeDriver(5.2, 0.0011, 0.72, 2.6, 0.00033, 0.000105, 0.95, 0.00061)
INSIDE_M = (0.46, 0.30, 0.23)
"""Height, width and depth of the rig's box. Sizes, places and resonances are of our own choosing."""
DRIVER_M = (0.125, 0.16, 0.0)
PORT_M = (0.39, 0.16, 0.0)
PORT_DIAMETER_M, PORT_LENGTH_M = 0.06, 0.11
CONE_MM = 131
"""Diameter of the woofer's cone, as its area has it."""
_PORT = port(PORT_M, PORT_DIAMETER_M, PORT_LENGTH_M)
_LINED = PracticeBox(INSIDE_M, DRIVER_M, 420.0, (_PORT,))
_BARE = PracticeBox(
    INSIDE_M, DRIVER_M, 75.0, (_PORT, weak_wall((0.21, 0.13, INSIDE_M[2]), 232.0, 34.0, 3e-9))
)
_LEAK = Opening((0.02, 0.29, 0.0), 60.0, 9000.0)

_PLANNED = PracticeNetwork(
    (
        PracticePart("L1", ("in", "low"), 0.82e-3, 0.27),
        PracticePart("C2", ("low", "0"), 10e-6, 0.03),
        PracticePart("C1", ("in", "high"), 6.8e-6, 0.02),
        PracticePart("L2", ("high", "0"), 0.47e-3, 0.22),
        PracticePart("R1", ("high", "dome"), 2.2),
    ),
    {WOOFER: ("low", "0"), TWEETER: ("dome", "0")},
)
_BUILT = _PLANNED.with_values(
    L1=(0.807e-3, 0.275), C2=(10.2e-6, 0.03), C1=(6.87e-6, 0.02), L2=(0.475e-3, 0.225), R1=(2.23, 0.0)
)
"""No part is quite what stands on it."""
_CORE = IronCore(share=0.92, full_a=0.07, lag_per_a=0.5)
"""A rod far too small: the hundredths of an ampere that a sound card gives begin to fill it."""


def _two_way(story: str, core: IronCore | None = None, **stock: tuple[float, float]) -> PracticeSpeaker:
    """The lined box behind a crossover of which some parts are others than planned in state stock."""
    crossover = PracticeCrossover(_PLANNED, _BUILT.with_values(**stock), _BUILT, _TWEETER, core)
    return PracticeSpeaker(f"two-way with {story} in any state but stock", _WOOFER, _LINED, _LINED, crossover)


BARE_BOX = "bare box"
FORMER_NAMES: Mapping[str, str] = {"boxy": BARE_BOX}
"""Names that speakers of the rig had earlier, and those that they have now."""

SPEAKERS: Mapping[str, PracticeSpeaker] = {
    "good box": PracticeSpeaker("lined, braced and tight", _WOOFER, _LINED, _LINED),
    BARE_BOX: PracticeSpeaker(
        "nothing in the box, whose walls ring; lined and braced in any state but stock", _WOOFER, _BARE, _LINED
    ),
    "leaky": PracticeSpeaker(
        "a gap at the driver; tight in any state but stock", _WOOFER, replace(_LINED, openings=(_PORT, _LEAK)), _LINED
    ),
    "wrong capacitor": _two_way("4.7 uF where 6.8 uF belong; right", C1=(4.7e-6, 0.02)),
    "exchanged coils": _two_way("its coils L1 and L2 exchanged; right", L1=(0.475e-3, 0.225), L2=(0.807e-3, 0.275)),
    "iron coil": _two_way("an iron core far too small in coil L1; air", _CORE, L1=(0.807e-3, 0.22)),
    "tweeter": PracticeSpeaker("a dome tweeter, nothing for low frequencies", _TWEETER, None, None),
}


def speaker_named(name: str) -> PracticeSpeaker:
    """The speaker of that name; StillboxError lists what there is."""
    if name in FORMER_NAMES:
        raise StillboxError(
            f"the practice rig's speaker '{name}' is called '{FORMER_NAMES[name]}' now, and its box is another one",
            f"write 'practice rig: {FORMER_NAMES[name]}', in a build of its own",
        )
    if name not in SPEAKERS:
        raise StillboxError(f"the practice rig has no speaker '{name}'", f"choose one of {', '.join(SPEAKERS)}")
    return SPEAKERS[name]
