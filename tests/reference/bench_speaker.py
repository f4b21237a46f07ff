"""A speaker from its physics alone: coil, moving part, box, and small resonances as what hangs on the cone.

Written without a look at the code under test. In the mechanical plane ``Zm(s) = F / v`` at the cone, N s/m:

    Zm = s M + R + K(s)/s + box + sum of small loads,        Z = coil + Bl^2 / Zm

so a small resonance acts on the current through everything else that the cone carries; its residue in Z is complex,
as in a real speaker. K(s) is a spring, or one that creeps: ``C(s) = C (1 - creep log10(s / w0))`` (Knudsen and
Jensen, JAES 41, 3-18, 1993). The coil is ``Re + s Le + (s L2 || R2) + k s^n`` (the last: semi-inductance).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

AIR_DENSITY = 1.2
SOUND_M_S = 343.0

Cause = Literal["standing wave", "wall", "driver", "room", "motional"]


@dataclass(frozen=True)
class SmallLoad:
    """One small resonator on the cone.

    A ``wave`` is air or wall that the cone pushes: ``a s / (s^2 + s w/Q + w^2)``. An ``absorber`` is a mass on a
    lossy spring (cone edge): ``m s (s w/Q + w^2) / (s^2 + s w/Q + w^2)`` with ``m = a / w^2``.
    Both reach ``a Q / w`` at w. ``stiffness_n_m`` is a.
    """

    cause: Cause
    form: Literal["wave", "absorber"]
    frequency_hz: float
    q: float
    stiffness_n_m: float

    def mechanical_ohm(self, s: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Load on the cone, N s/m."""
        w = 2 * np.pi * self.frequency_hz
        loss = s * (w / self.q)
        top = s * self.stiffness_n_m if self.form == "wave" else s * (loss + w**2) * (self.stiffness_n_m / w**2)
        return top / (s * s + loss + w**2)


    def pull_off(self, s: complex) -> complex:
        """Logarithmic derivative of the denominator, s."""
        w = 2 * np.pi * self.frequency_hz
        return (2 * s + w / self.q) / (s * s + s * w / self.q + w**2)


@dataclass(frozen=True)
class Bends:
    """What is not linear, x in m: ``Bl (1 + b1 x + b2 x^2)``, ``Le (1 + l1 x)``, suspension
    ``K (1 + k1 x + k2 x^2 - soft y/(1+y))``.

    ``y = (x / soft_at_m)^2``: a suspension that softens with level.
    """

    b1: float = 0.0
    b2: float = 0.0
    k1: float = 0.0
    k2: float = 0.0
    soft: float = 0.0
    soft_at_m: float = 1.0
    l1: float = 0.0

    def with_unit(self, unit_m: float) -> Bends:
        """The same bends where x was counted in units of ``unit_m``."""
        return Bends(
            self.b1 / unit_m,
            self.b2 / unit_m**2,
            self.k1 / unit_m,
            self.k2 / unit_m**2,
            self.soft,
            self.soft_at_m * unit_m,
            self.l1 / unit_m,
        )


@dataclass(frozen=True)
class WildSpeaker:
    """All constants of one speaker in its box, SI units. ``port_mass`` 0 is a closed box.

    ``port_mass``, ``port_loss`` are acoustic (Pa s^2/m^3, Pa s/m^3), ``leak_loss`` too; ``box_compliance`` in m^3/Pa.
    """

    re_ohm: float
    le_h: float
    l2_h: float
    r2_ohm: float
    semi_k: float
    semi_n: float
    bl: float
    mass_kg: float
    loss_kg_s: float
    stiffness_n_m: float
    creep: float
    creep_hz: float
    area_m2: float
    box_compliance: float
    leak_loss: float
    port_mass: float
    port_loss: float
    loads: tuple[SmallLoad, ...] = ()
    bends: Bends = Bends()

    def coil_ohm(self, s: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Impedance of the blocked coil, ohm."""
        coil = self.re_ohm + s * self.le_h
        if self.l2_h:
            coil = coil + s * (self.l2_h * self.r2_ohm) / (s * self.l2_h + self.r2_ohm)
        return coil + self.semi_k * s**self.semi_n if self.semi_k else coil

    def mechanical_ohm(
        self, s: NDArray[np.complex128], more_stiffness_n_m: float | NDArray[np.float64] = 0.0
    ) -> NDArray[np.complex128]:
        """Zm(s), N s/m, s not 0; ``more_stiffness_n_m`` for a suspension that changes with time."""
        spring = self.stiffness_n_m
        if self.creep:
            spring = spring / (1 - self.creep * np.log10(s / (2 * np.pi * self.creep_hz)))
        box = s * self.box_compliance + 1 / self.leak_loss
        if self.port_mass:
            box = box + 1 / (s * self.port_mass + self.port_loss)
        zm = s * self.mass_kg + self.loss_kg_s + (spring + more_stiffness_n_m) / s + self.area_m2**2 / box
        for load in self.loads:
            zm = zm + load.mechanical_ohm(s)
        return zm

    def impedance_ohm(
        self, frequency_hz: NDArray[np.float64], more_stiffness_n_m: float | NDArray[np.float64] = 0.0
    ) -> NDArray[np.complex128]:
        """Z at the terminals, small signals, ohm."""
        s = 2j * np.pi * np.asarray(frequency_hz)
        return self.coil_ohm(s) + self.bl**2 / self.mechanical_ohm(s, more_stiffness_n_m)


@dataclass(frozen=True)
class TrueResonance:
    """A pole pair of Z: ``r/(s-p)`` with its conjugate.

    ``frequency_hz`` = |p|/2pi, ``q`` = |p|/(2|Re p|), ``height_ohm`` = |r|/|Re p|. ``cause`` says which part of the
    physics holds most of its energy (for the small ones: the load that it came from).
    """

    frequency_hz: float
    q: float
    height_ohm: float
    cause: Cause


def state_matrix(speaker: WildSpeaker) -> NDArray[np.float64]:
    """x' = A x of the open-circuit cone without creep; order x, v, [p, [q]] of the box, then two for each load.

    Waves: ``y'' + w/Q y' + w^2 y = v`` with force ``a y'``. Absorbers: place and speed of the hung mass.
    """
    vented = speaker.port_mass > 0
    size = 3 + vented + 2 * len(speaker.loads)
    a = np.zeros((size, size))
    mass = speaker.mass_kg
    a[0, 1] = 1
    a[1, 0], a[1, 1], a[1, 2] = -speaker.stiffness_n_m / mass, -speaker.loss_kg_s / mass, -speaker.area_m2 / mass
    a[2, 1] = speaker.area_m2 / speaker.box_compliance
    a[2, 2] = -1 / (speaker.leak_loss * speaker.box_compliance)
    if vented:
        a[2, 3] = -1 / speaker.box_compliance
        a[3, 2], a[3, 3] = 1 / speaker.port_mass, -speaker.port_loss / speaker.port_mass
    for index, load in enumerate(speaker.loads):
        at = 3 + vented + 2 * index
        w, stiff = 2 * np.pi * load.frequency_hz, load.stiffness_n_m
        a[at, at + 1] = 1
        if load.form == "wave":
            a[at + 1, at], a[at + 1, at + 1], a[at + 1, 1] = -(w**2), -w / load.q, 1
            a[1, at + 1] = -stiff / mass
        else:
            loss = stiff / (w * load.q)
            a[at + 1] = 0
            a[at + 1, 0], a[at + 1, 1], a[at + 1, at], a[at + 1, at + 1] = w**2, w / load.q, -(w**2), -w / load.q
            a[1, 0] -= stiff / mass
            a[1, 1] -= loss / mass
            a[1, at] += stiff / mass
            a[1, at + 1] += loss / mass
    return a


def true_resonances(speaker: WildSpeaker) -> tuple[TrueResonance, ...]:
    """All oscillating pole pairs of Z by frequency: eigenvalues as starts, Newton on Zm(s) to about 1e-12.

    With creep there is a branch cut beside the poles; the pairs are still poles of the continued function.
    """
    starts = np.linalg.eigvals(state_matrix(speaker))
    starts = starts[starts.imag > 1e-3 * np.abs(starts)]
    found = []
    for start in starts:
        pole = complex(start)
        for _ in range(60):
            value, slope = _value_and_slope(speaker, pole)
            # Newton on Zm times the loads' denominators, which has no poles beside its zeros.
            step = 1 / (slope / value + sum(load.pull_off(pole) for load in speaker.loads)) if value else 0.0
            pole -= step
            if abs(step) < 1e-12 * abs(pole):
                break
        _, slope = _value_and_slope(speaker, pole)
        found.append((pole, speaker.bl**2 / slope))
    causes = _name_poles(speaker, np.array([pole for pole, _ in found]))
    pairs = [
        TrueResonance(abs(p) / (2 * np.pi), abs(p) / (2 * abs(p.real)), abs(r) / abs(p.real), cause)
        for (p, r), cause in zip(found, causes, strict=True)
    ]
    return tuple(sorted(pairs, key=lambda pair: pair.frequency_hz))


def _value_and_slope(speaker: WildSpeaker, pole: complex) -> tuple[complex, complex]:
    step = 3e-8 * abs(pole)  # a weak load has its own pole very near
    low, mid, high = speaker.mechanical_ohm(np.array([pole - step, pole, pole + step]))
    return complex(mid), complex((high - low) / (2 * step))


def _name_poles(speaker: WildSpeaker, poles: NDArray[np.complex128]) -> list[Cause]:
    """Each load takes the nearest pole that is left, the smallest distance first; the others are motional."""
    causes: list[Cause] = ["motional"] * len(poles)
    own = np.array(
        [
            2 * np.pi * load.frequency_hz * (-0.5 / load.q + 1j * np.sqrt(1 - 0.25 / load.q**2))
            for load in speaker.loads
        ]
    )
    if not len(own):
        return causes
    distance = np.abs(poles[None, :] - own[:, None]) / np.abs(own)[:, None]
    for _ in speaker.loads:
        load, pole = np.unravel_index(np.argmin(distance), distance.shape)
        causes[pole] = speaker.loads[load].cause
        distance[load, :] = np.inf
        distance[:, pole] = np.inf
    return causes


def with_load(speaker: WildSpeaker, load: SmallLoad, height_ohm: float) -> WildSpeaker:
    """The speaker with one load more, of such strength that it stands about ``height_ohm`` high in Z."""
    w = 2 * np.pi * load.frequency_hz
    zm = abs(complex(speaker.mechanical_ohm(np.array([1j * w]))[0]))
    stiff = height_ohm * zm**2 * w / (load.q * speaker.bl**2)
    return replace(speaker, loads=(*speaker.loads, replace(load, stiffness_n_m=stiff)))


def draw_speaker(
    rng: np.random.Generator, *, vented: bool | None = None, small_resonances: bool = True
) -> WildSpeaker:
    """A woofer of 13 to 17 cm in a box of 8 to 25 l, with 3 to 6 small resonances (80 Hz to 4 kHz, Q 5 to 60) or none.

    Heights are drawn from 0.05 to 2 ohm but stay below half of the motional impedance there, which no load can pass;
    neighbours are at least a fifth of an octave apart.
    """
    area, mass, fs = rng.uniform(0.0085, 0.0140), rng.uniform(0.008, 0.016), rng.uniform(36, 60)
    w = 2 * np.pi * fs
    compliance = rng.uniform(0.008, 0.025) / (AIR_DENSITY * SOUND_M_S**2)
    vented = bool(rng.random() < 0.5) if vented is None else vented
    tuning = 2 * np.pi * rng.uniform(36, 58)
    port_mass = 1 / (tuning**2 * compliance)
    speaker = WildSpeaker(
        re_ohm=rng.uniform(3.1, 6.6),
        le_h=rng.uniform(0.1e-3, 0.4e-3),
        l2_h=rng.uniform(0.2e-3, 0.8e-3),
        r2_ohm=rng.uniform(1.5, 8.0),
        semi_k=0.0,
        semi_n=0.6,
        bl=rng.uniform(4.8, 8.0),
        mass_kg=mass,
        loss_kg_s=w * mass / rng.uniform(3.0, 8.0),
        stiffness_n_m=w**2 * mass,
        creep=0.0,
        creep_hz=fs,
        area_m2=area,
        box_compliance=compliance,
        leak_loss=rng.uniform(8, 40) / (tuning * compliance),
        port_mass=port_mass if vented else 0.0,
        port_loss=tuning * port_mass / rng.uniform(25, 80),
    )
    count = int(rng.integers(3, 7)) if small_resonances else 0
    return _draw_loads(rng, speaker, count)


_RANGES: tuple[tuple[Cause, Literal["wave", "absorber"], float, float, float, float], ...] = (
    ("standing wave", "wave", 220.0, 1800.0, 10.0, 60.0),
    ("wall", "wave", 80.0, 900.0, 12.0, 60.0),
    ("driver", "absorber", 500.0, 4000.0, 5.0, 20.0),
)
"""Cause, form, frequency from, to (Hz), Q from, to."""


def _draw_loads(rng: np.random.Generator, speaker: WildSpeaker, count: int) -> WildSpeaker:
    while len(speaker.loads) < count:
        cause, form, low_hz, high_hz, low_q, high_q = _RANGES[int(rng.integers(len(_RANGES)))]
        frequency_hz = float(np.exp(rng.uniform(np.log(low_hz), np.log(high_hz))))
        q = float(np.exp(rng.uniform(np.log(low_q), np.log(high_q))))
        share = float(rng.uniform(0, 1))
        if any(abs(np.log2(frequency_hz / load.frequency_hz)) < 0.2 for load in speaker.loads):
            continue
        zm = abs(complex(speaker.mechanical_ohm(np.array([2j * np.pi * frequency_hz]))[0]))
        most_ohm = min(2.0, 0.5 * speaker.bl**2 / zm)
        if most_ohm < 0.06:
            continue
        height_ohm = 0.055 * (most_ohm / 0.055) ** share
        speaker = with_load(speaker, SmallLoad(cause, form, frequency_hz, q, 0.0), height_ohm)
    return speaker
