"""What is true of a wild two-way in a take of the finished speaker.

Poles: the woofer's motional impedance, without noise, as a rational function (AAA, Nakatsukasa, Sete, Trefethen 2018);
those pairs that stand out are the resonances of cone and box. Heights are of a pair at its own resonance: residue over
damping, at the woofer's own terminals and, times |Iw/I|^2, as the speaker's terminals show it (Tellegen).
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from scipy.interpolate import AAA

from reference.wild_air import Complex, Real
from reference.wild_drivers import DriverTruth
from reference.wild_network import Network, Solution
from reference.wild_parts import OnePort, Table
from reference.wild_speaker import BoxTruth
from reference.wild_two_ways import WildTwoWay, woofer_ohm

LEAST_HEIGHT = 0.002
"""Of a resonance, as a part of the DC resistance."""

LEAST_Q, MOST_Q = 0.6, 300.0
POLES_HZ = (12.0, 3000.0)
BAND, MARGIN, POINTS, MOST_TERMS = 1.7, 1.5, 220, 40
"""Poles are sought in bands of that ratio, each fitted with a margin to both sides."""

LEAST_EXTREMUM = 0.004
"""Of |Z| between an extremum and the nearer of its neighbours."""

SAME_PLACE = 0.04
"""Extrema nearer than this, by ratio, are the same one; and those that lie where |Z| is as flat as ``FLAT``."""

FLAT = 0.01


@dataclass(frozen=True)
class PartTruth:
    """A part as built: value at 1 kHz, resistance at 0 Hz (coil) or contact (capacitor), what it shows at 1 kHz."""

    kind: str
    planned: float
    tolerance_percent: float
    value: float
    loss_ohm: float
    series_ohm_1khz: float
    loss_factor_1khz: float | None
    state: str
    """``as built``, ``open`` or ``short``."""

    @property
    def within(self) -> bool:
        off = abs(self.value / self.planned - 1)
        return self.state == "as built" and off <= 1.0000001 * self.tolerance_percent / 100


@dataclass(frozen=True)
class TruePole:
    """A resonance of cone and box: natural frequency, Q, height at the woofer's own terminals and at the speaker's."""

    hz: float
    q: float
    height_ohm: float
    terminal_height_ohm: float


@dataclass(frozen=True)
class Extremum:
    """Of |Z| at the terminals.

    ``owner``: ``network`` where it stays while all cones are held; else the driver without whose motion it is gone;
    ``together`` where more than one has to move for it.
    """

    kind: str
    hz: float
    ohm: float
    owner: str


@dataclass(frozen=True)
class TwoWayTruth:
    """See the head of the module; everything is of one take of the finished speaker."""

    wild: WildTwoWay
    take: str = "in-box"

    @cached_property
    def parts(self) -> dict[str, PartTruth]:
        return {part.name: self._part(part.name) for part in self.wild.plan.parts}

    def _part(self, name: str) -> PartTruth:
        part, wild = self.wild.plan.part(name), self.wild
        state = "open" if name in wild.opened else "short" if name in wild.shorted else "as built"
        return PartTruth(
            kind=part.kind,
            planned=part.planned,
            tolerance_percent=part.tolerance_percent,
            value=part.value,
            loss_ohm=part.loss_ohm,
            series_ohm_1khz=part.series_ohm(),
            loss_factor_1khz=None if part.kind == "resistor" else part.loss_factor(),
            state=state,
        )

    @cached_property
    def network(self) -> Network:
        return self.wild.network(self.take)

    @property
    def woofer(self) -> DriverTruth:
        """In free air, as on the day of the take."""
        return self.wild.woofer_in(self.take, "").driver_truth

    @cached_property
    def box(self) -> BoxTruth:
        return self.wild.woofer_in(self.take, "").truth

    def solve(self, hz: Real) -> Solution:
        return self.network.solve(2 * np.pi * np.asarray(hz, float))

    def impedance(self, hz: Real) -> Complex:
        return self.solve(hz).impedance

    def woofer_ohm(self, hz: Real, name: str = "woofer") -> Complex:
        """The woofer's own impedance, without wires."""
        return woofer_ohm(self.wild.woofer_in(self.take, "", name), self.take, np.asarray(hz, float))

    def current_share(self, hz: Real, name: str = "woofer") -> Real:
        """|Iw / I|."""
        return np.abs(self.solve(hz).share(name))

    def transfer(self, name: str, hz: Real) -> Complex:
        """Voltage of a driver's marked terminal against its other one, over that at the speaker's terminals."""
        omega = 2 * np.pi * np.asarray(hz, float)
        found, wire = self.solve(hz), self.wild.driver_wire
        return found.across[name] - (wire.ohm + 1j * omega * wire.henry) * found.currents[name]

    def watts(self, volts: float, hz: float | None = None) -> dict[str, float]:
        """Power in each part, driver and the wire, W, for ``volts`` rms at the terminals.

        ``hz``: of a tone; None: pink noise from 20 Hz to 20 kHz, equal power in equal ratios of frequency.
        """
        grid = np.geomspace(20, 20_000, 1200) if hz is None else np.array([hz])
        found = self.solve(grid)
        return {branch.name: float(volts**2 * np.mean(found.watts(branch.name))) for branch in self.network.branches}

    def lowest(self) -> tuple[float, float]:
        """Least |Z| from 20 Hz to 20 kHz, ohm, and where, Hz."""
        hz = np.geomspace(20, 20_000, 2000)
        size = np.abs(self.impedance(hz))
        return float(size.min()), float(hz[np.argmin(size)])

    @cached_property
    def poles(self) -> tuple[TruePole, ...]:
        """Resonances of cone and box in the woofer's own impedance, by frequency."""
        driver = self.wild.woofer_in(self.take, "").driver

        def motional(hz: Real) -> Complex:
            return self.woofer_ohm(hz) - driver.re_ohm - driver.coil.impedance(2 * np.pi * hz)

        pairs = poles_of(motional, *POLES_HZ, least_ohm=LEAST_HEIGHT * driver.re_ohm)
        hz = np.array([pair[0] for pair in pairs])
        shares = self.current_share(hz) ** 2
        return tuple(TruePole(*pair, float(pair[2] * share)) for pair, share in zip(pairs, shares, strict=True))

    @cached_property
    def extrema(self) -> tuple[Extremum, ...]:
        """Highs and lows of |Z| from 15 Hz to 20 kHz, with whose they are."""
        hz = np.geomspace(15, 20_000, 2500)
        frozen = {name: self._frozen_port(name) for name in self.wild.drivers}
        held = _places(hz, self._size_with(hz, frozen))
        without = {name: _places(hz, self._size_with(hz, {name: port})) for name, port in frozen.items()}
        found = []
        for place in _places(hz, np.abs(self.impedance(hz))):
            owners = [name for name, places in without.items() if not _is_among(place, places)]
            if _is_among(place, held):
                owners = ["network"]
            owner = owners[0] if len(owners) == 1 else "together"
            found.append(Extremum(place.kind, place.hz, place.ohm, owner))
        return tuple(found)

    def _size_with(self, hz: Real, ports: dict[str, OnePort]) -> Real:
        return np.abs(self.wild.network(self.take, ports).solve(2 * np.pi * hz).impedance)

    def _frozen_port(self, name: str) -> OnePort:
        if name in self.wild.small:
            return self.wild.small_in(self.take, "", name).one_port(frozen=True)
        driver = self.wild.woofer_in(self.take, "", name).driver
        return Table(lambda omega: driver.re_ohm + driver.coil.impedance(omega))


class _Place(NamedTuple):
    """An extremum; ``width`` is the logarithm of the ratio over which |Z| stays within ``FLAT`` of it."""

    kind: str
    hz: float
    ohm: float
    width: float


def _places(hz: Real, size: Real) -> list[_Place]:
    """Extrema that stand out from the extrema beside them (or the ends)."""
    turns = 1 + np.flatnonzero((size[1:-1] - size[:-2]) * (size[2:] - size[1:-1]) < 0)
    found = []
    for index, turn in enumerate(turns):
        before = turns[index - 1] if index else 0
        after = turns[index + 1] if index + 1 < turns.size else size.size - 1
        if min(abs(size[turn] - size[before]), abs(size[turn] - size[after])) < LEAST_EXTREMUM * size[turn]:
            continue
        kind = "high" if size[turn] > size[turn - 1] else "low"
        a, b, c = size[turn - 1 : turn + 2]
        off = 0.5 * (a - c) / (a - 2 * b + c)
        away = np.abs(size / size[turn] - 1) > FLAT
        far = [turn - np.flatnonzero(away[:turn])[-1:], np.flatnonzero(away[turn:])[:1]]
        width = max((int(steps[0]) for steps in far if steps.size), default=0) * np.log(hz[1] / hz[0])
        found.append(_Place(kind, float(hz[turn] * (hz[1] / hz[0]) ** off), float(b - 0.25 * (a - c) * off), width))
    return found


def _is_among(place: _Place, others: list[_Place]) -> bool:
    near = max(SAME_PLACE, place.width)
    return any(place.kind == other.kind and abs(np.log(place.hz / other.hz)) < near for other in others)


def poles_of(function, low_hz: float, high_hz: float, least_ohm: float) -> list[tuple[float, float, float]]:  # type: ignore[no-untyped-def]
    """Pairs of poles of an impedance between two frequencies as (Hz, Q, height in ohm): band by band."""
    found = []
    edges = np.geomspace(low_hz, high_hz, 1 + int(np.ceil(np.log(high_hz / low_hz) / np.log(BAND))))
    for low, high in pairwise(edges):
        hz = np.geomspace(low / MARGIN, high * MARGIN, POINTS)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # digits that are not there are not missed
            fit = AAA(1j * hz / low, function(hz), rtol=1e-8, max_terms=MOST_TERMS)
        for pole, residue in zip(fit.poles() * low, fit.residues() * low, strict=True):
            natural, q = abs(pole), abs(pole) / (2 * max(-pole.real, 1e-12))
            height = abs(residue) / abs(pole.real)
            fits = pole.imag > 0 and low <= natural < high and LEAST_Q <= q <= MOST_Q
            if fits and height >= least_ohm:
                found.append((float(natural), float(q), float(height)))
    return sorted(found)
