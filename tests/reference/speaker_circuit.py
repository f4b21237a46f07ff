"""A loudspeaker in its box as an electrical, mechanical and acoustic circuit: plain data.

The same data are turned into an ngspice netlist (`reference.ngspice_run`), into the closed form of the impedance over
complex frequency (`reference.analytic`) and into the poles of that form (`reference.truth`).

Physics
-------
Coil: resistance, inductance, and any number of sections of a resistance parallel to an inductance (a ladder of
them makes a semi-inductance). Cone: moving mass, suspension, and masses on springs hung on the cone (surround,
dust cap), which are there in free air too. Box: a compliance; or up to three lines with both ends closed, one for
each inside dimension, with the cone somewhere along each. Several dimensions add as the axial modes of a
rectangular room do: the pressure at a place is the sum of the pressures of the lines, each with the volume of
the whole box, less the uniform pressure that would otherwise be counted more than once. Line loss is a
flow resistance in series with the moving air (lining, stuffing). Port, leak and walls branch off the box.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Coil:
    """Voice coil; ``sections`` are (resistance in ohm, inductance in H) parallel to each other, all in series."""

    resistance_ohm: float
    inductance_h: float = 0.0
    sections: tuple[tuple[float, float], ...] = ()


def semi_inductance(
    factor: float, exponent: float, from_hz: float = 20.0, to_hz: float = 200e3, per_decade: int = 2
) -> tuple[tuple[float, float], ...]:
    """Sections that follow ``factor * s**exponent`` between two frequencies, for ``Coil.sections``.

    The integral ``s^n = sin(n pi)/pi * int s/(s+x) x^(n-1) dx`` as a sum over logarithmic steps of x.
    """
    steps = round(per_decade * math.log10(to_hz / from_hz)) + 1
    ratio = (to_hz / from_hz) ** (1 / (steps - 1))
    sections = []
    for step in range(steps):
        corner = 2 * math.pi * from_hz * ratio**step
        resistance = factor * math.sin(exponent * math.pi) / math.pi * corner**exponent * math.log(ratio)
        sections.append((resistance, resistance / corner))
    return tuple(sections)


def lossy_semi_inductance(
    inductance_h: float,
    factor: float,
    resistance_ohm: float,
    from_hz: float = 0.05,
    to_hz: float = 200e6,
    per_decade: int = 3,
) -> tuple[tuple[float, float], ...]:
    """Sections that follow ``inductance s``, ``factor sqrt(s)`` and a resistance in parallel (Thorborg, Futtrup 2011).

    With a = R/K and b = R/L that is ``R s/(s + a sqrt s + b)``, and by the jump of ``1/(s + a sqrt s + b)`` across the
    negative axis ``s (R/pi) int a sqrt(x)/((b - x)^2 + a^2 x) dx/(s + x)``, here as a sum over logarithmic steps of x.
    Good to 3e-5 from 5 Hz to 24 kHz for coils of loudspeakers.
    """
    steps = round(per_decade * math.log10(to_hz / from_hz)) + 1
    ratio = (to_hz / from_hz) ** (1 / (steps - 1))
    a, b = resistance_ohm / factor, resistance_ohm / inductance_h
    sections = []
    for step in range(steps):
        corner = 2 * math.pi * from_hz * ratio**step
        density = resistance_ohm / math.pi * a * math.sqrt(corner) / ((b - corner) ** 2 + a**2 * corner)
        resistance = density * corner * math.log(ratio)
        sections.append((resistance, resistance / corner))
    return tuple(sections)


@dataclass(frozen=True)
class HungMass:
    """A mass on a damped spring hung on the cone; frequency and Q with the cone held."""

    mass_kg: float
    frequency_hz: float
    q: float

    @property
    def compliance_m_per_n(self) -> float:
        return 1 / ((2 * math.pi * self.frequency_hz) ** 2 * self.mass_kg)

    @property
    def resistance_ns_per_m(self) -> float:
        return 2 * math.pi * self.frequency_hz * self.mass_kg / self.q


@dataclass(frozen=True)
class Driver:
    """Moving-coil driver; ``moving_mass_kg`` is without the hung masses."""

    coil: Coil
    force_factor_tm: float
    moving_mass_kg: float
    compliance_m_per_n: float
    resistance_ns_per_m: float
    area_m2: float
    hung: tuple[HungMass, ...] = ()


@dataclass(frozen=True)
class Line:
    """One inside dimension. A standing wave of angular frequency w has Q = w / ``damping_per_s``."""

    dimension: str
    length_m: float
    driver_m: float
    damping_per_s: float


@dataclass(frozen=True)
class Cavity:
    """Air of the box: lumped when there are no lines.

    ``outside_kg_per_m4`` is the air before the front that cone and port move in common: what either pushes out, the
    other feels, so all flow that the box's air takes up has passed it.
    """

    volume_m3: float
    lines: tuple[Line, ...] = ()
    density_kg_m3: float = 1.2
    speed_m_s: float = 343.7
    outside_kg_per_m4: float = 0.0

    @property
    def compliance_m3_per_pa(self) -> float:
        return self.volume_m3 / (self.density_kg_m3 * self.speed_m_s**2)


@dataclass(frozen=True)
class Port:
    """Mass and loss of a tube; with ``pipe`` the tube is a line of its own behind its end corrections.

    ``along_m`` is the place along each line of the cavity (empty: where the driver is).
    """

    area_m2: float
    length_m: float
    end_correction_m: float
    resistance_pa_s_per_m3: float
    along_m: tuple[float, ...] = ()
    pipe: bool = False
    pipe_damping_per_s: float = 60.0


@dataclass(frozen=True)
class Leak:
    """A gap: resistance, with the mass of its air."""

    resistance_pa_s_per_m3: float
    mass_kg_per_m4: float = 0.0
    along_m: tuple[float, ...] = ()


@dataclass(frozen=True)
class Wall:
    """A wall that gives way: resonator in series, from the box to ground; frequency and Q without the air."""

    frequency_hz: float
    q: float
    compliance_m3_per_pa: float
    along_m: tuple[float, ...] = ()

    @property
    def mass_kg_per_m4(self) -> float:
        return 1 / ((2 * math.pi * self.frequency_hz) ** 2 * self.compliance_m3_per_pa)

    @property
    def resistance_pa_s_per_m3(self) -> float:
        return 2 * math.pi * self.frequency_hz * self.mass_kg_per_m4 / self.q


Branch = Port | Leak | Wall


@dataclass(frozen=True)
class SpeakerCircuit:
    """Driver with its box; ``cavity`` None is free air."""

    driver: Driver
    cavity: Cavity | None = None
    branches: tuple[Branch, ...] = field(default=())

    def places_m(self, line_index: int) -> list[float]:
        """Place of the driver, then of each branch, along one line, m."""
        if self.cavity is None:
            return []
        driver_m = self.cavity.lines[line_index].driver_m
        return [driver_m, *(branch.along_m[line_index] if branch.along_m else driver_m for branch in self.branches)]


def free_air(circuit: SpeakerCircuit) -> SpeakerCircuit:
    """The same driver without box."""
    return SpeakerCircuit(circuit.driver)


def port_mass_kg_per_m4(port: Port, cavity: Cavity) -> float:
    """Acoustic mass outside the pipe line: end corrections, and the tube itself when it is no line."""
    length_m = port.end_correction_m + (0.0 if port.pipe else port.length_m)
    return cavity.density_kg_m3 * length_m / port.area_m2


def line_constants(cavity: Cavity, area_m2: float, damping_per_s: float) -> tuple[float, float, float]:
    """Series resistance, series mass and shunt compliance of a line per metre."""
    mass = cavity.density_kg_m3 / area_m2
    compliance = area_m2 / (cavity.density_kg_m3 * cavity.speed_m_s**2)
    return damping_per_s * mass, mass, compliance
