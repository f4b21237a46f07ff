"""Which faults of a crossover one impedance curve can tell apart at all: expected log likelihood ratios.

A hypothesis frees the value or the loss of one part without limit (or cuts it, bridges it, exchanges it) and lets
everything else move within what is known beforehand: parts within their tolerance, resistances of coils, both drivers
as well as they are known, reference resistor, wires. Its cost against the noiseless curve of a speaker,

    J = 1/2 sum |ln Z_model - ln Z|^2 / sigma^2 + 1/2 sum (theta / sd)^2   at its least,

less that of the true fault is the expected log likelihood ratio, in nats, of Gaussian noise. Slopes are exact by
d Zin / d Zb = (Ib / Iin)^2. Not in it: what a person does not know of the shape of losses over frequency (it is taken
as known); drivers move along their slopes only (linear).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np

from reference.wild_air import Complex, Real
from reference.wild_drivers import Coil
from reference.wild_faults import Fault, possible_faults
from reference.wild_network import SHORT_OHM, Branch, Network, Solution, solve
from reference.wild_parts import ohms
from reference.wild_two_ways import WildTwoWay, air_load

WOOFER_NAMES = ("re", "coil", "bl", "mass", "compliance", "air")
SMALL_NAMES = ("re", "coil", "fs", "qms", "qes")


@dataclass(frozen=True)
class Known:
    """Standard deviations of what is known beforehand, relative (wire: ohm).

    ``noise``: of each point, both of size and of phase in radian; ``points`` an octave from 20 Hz to 20 kHz.
    """

    noise: float = 1e-3
    points: int = 24
    reference: float = 0.0025
    wire_ohm: float = 0.03
    coil_ohm: float = 0.1
    capacitor_ohm: float = 0.3
    woofer: tuple[float, ...] = (0.001, 0.002, 0.001, 0.001, 0.006, 0.002)
    small: tuple[float, ...] = (0.001, 0.002, 0.004, 0.004, 0.004)


MEASURED = Known()
"""Both drivers measured at their own terminals."""

FROM_THE_CURVE = Known(woofer=(0.05, 0.3, 0.15, 0.15, 0.15, 0.1), small=(0.05, 0.3, 0.2, 0.3, 0.2))
"""The drivers known only by their kind: a catalogue of such drivers."""

PLANNED = Fault("as planned", "")
MOST_LOG_RATIO, MOST_OHM = 1.8, 30.0
STARTS = {"value": np.linspace(-1.6, 1.6, 17), "loss": np.array([0.1, 0.3, 1.0, 3.0, 8.0])}
MOST_STEPS = 25
COARSE, FAR = (30.0, 5.0, 1.0), 100.0
"""A descent from afar (by cost with that noise) begins with the noise that many times greater."""

ENOUGH = 60.0
"""Expected log likelihood ratios above this, nats, may be lower bounds."""


@dataclass(frozen=True)
class Verdict:
    """How well a fault can be told: expected log likelihood ratios, nats, above ``ENOUGH`` at least that.

    ``over_planned``: over a network as planned; ``rival``, ``over_rival``: over the best other hypothesis;
    ``other_part``, ``over_other_part``: over the best of those that name no part of the fault; ``over``: over each.
    """

    fault: Fault
    over_planned: float
    rival: Fault
    over_rival: float
    other_part: Fault
    over_other_part: float
    over: dict[Fault, float]

    def alike(self, nats: float = 5.0) -> list[Fault]:
        """Other hypotheses that the curve cannot part from the fault."""
        return [other for other, gain in self.over.items() if gain < nats]

    def part_can_be_told(self, nats: float = 5.0) -> bool:
        """Whether a fault is seen at all, and no other part is nearly as likely: odds of e^5 = 150."""
        return min(self.over_planned, self.over_other_part) >= nats

    def kind_can_be_told(self, nats: float = 5.0) -> bool:
        return min(self.over_planned, self.over_rival) >= nats


@dataclass(frozen=True)
class _Effect:
    """A free number: prior deviation (None: without limit) and the branches whose impedance it moves, d Z / d theta."""

    deviation: float | None
    slopes: dict[str, Complex]


class Information:
    """The hypotheses about one plan with its drivers, against curves of speakers made by it."""

    def __init__(self, wild: WildTwoWay, known: Known = MEASURED) -> None:
        self.wild, self.known = wild, known
        octaves = np.log2(1000)
        self.hz = np.geomspace(20, 20_000, int(known.points * octaves) + 1)
        self.omega = 2 * np.pi * self.hz
        self.noise = known.noise
        self.halves = {part.name: part.halves(self.omega) for part in wild.plan.parts}
        self.drivers = {name: self._driver(name) for name in wild.drivers}

    def _driver(self, name: str) -> tuple[Complex, list[_Effect]]:
        """Impedance with its wire, and its slopes over the logarithms of its parameters."""
        wild, step = self.wild, 1e-4
        if name in wild.small:
            names, deviations = SMALL_NAMES, self.known.small
            changed: Callable[[dict[str, float]], Complex] = lambda by: _small_ohm(wild, name, self.omega, by)  # noqa: E731
        else:
            names, deviations = WOOFER_NAMES, self.known.woofer
            changed = lambda by: _woofer_ohm(wild, name, self.hz, by)  # noqa: E731
        middle = changed({})
        slopes = [(changed({one: step}) - changed({one: -step})) / (2 * step) for one in names]
        wire = wild.driver_wire.ohm + 1j * self.omega * wild.driver_wire.henry
        pairs = zip(deviations, slopes, strict=True)
        return middle + wire, [_Effect(deviation, {name: slope}) for deviation, slope in pairs]

    @cached_property
    def curve(self) -> Complex:
        """Of the plan's own speaker as it was built."""
        return self.curve_of(self.wild)

    def curve_of(self, speaker: WildTwoWay) -> Complex:
        """What is measured, without noise, of a speaker made by this plan (with a fault, or other values)."""
        return speaker.impedance("in-box", self.hz)

    def cost(self, hypothesis: Fault, curve: Complex, limit: float = np.inf) -> float:
        """Least cost of a hypothesis against a noiseless curve, nats; only a lower bound of it above ``limit``."""
        return _Fit(self, hypothesis, curve).least(limit)

    def judge(self, fault: Fault, speaker: WildTwoWay) -> Verdict:
        """How well ``fault``, which ``speaker`` has, can be told from every other single one."""
        curve = self.curve_of(speaker)
        bare = replace(fault, value=None, loss_ohm=None)
        true = self.cost(bare, curve)
        rivals = [other for other in possible_faults(self.wild.plan) if other != bare]
        over = {other: self.cost(other, curve, true + ENOUGH) - true for other in rivals}
        others = {other: gain for other, gain in over.items() if not other.parts & fault.parts}
        rival, other_part = min(over, key=over.__getitem__), min(others, key=others.__getitem__)
        planned = self.cost(PLANNED, curve) - true
        return Verdict(fault, planned, rival, over[rival], other_part, others[other_part], over)

    def most_suspect(self, speaker: WildTwoWay) -> tuple[Fault, float]:
        """The fault that explains a speaker best, and its log likelihood ratio over a network as planned."""
        curve = self.curve_of(speaker)
        planned = self.cost(PLANNED, curve)
        costs = {fault: self.cost(fault, curve, planned) for fault in possible_faults(self.wild.plan)}
        suspect = min(costs, key=costs.__getitem__)
        return suspect, planned - costs[suspect]

    def small_fault(self, part: str, log_ratio: float) -> float:
        """Expected log likelihood ratio of a small change of a value over a network as planned: Fisher information.

        1/2 d^2 (F_dd - F_dn (F_nn + P)^-1 F_nd), the tolerance of that part being within n as well.
        """
        fit = _Fit(self, Fault("value", part), self.curve)
        fit.curve = fit.model(np.zeros(len(fit.effects))).impedance
        rows, _ = fit.rows(np.zeros(len(fit.effects)))
        free, rest = rows[:, :1], rows[:, 1:]
        tolerance = np.zeros(len(rows) + 1)
        tolerance[-1] = 1 / self.wild.plan.part(part).tolerance_std
        rest = np.column_stack([np.vstack([rest, np.zeros(rest.shape[1])]), np.append(free[:, 0], 0) + tolerance])
        seen = np.append(free[:, 0], 0)
        left = seen - rest @ np.linalg.lstsq(rest, seen, rcond=None)[0]
        return float(0.5 * log_ratio**2 * left @ left)


class _Model(NamedTuple):
    """Impedance at the terminals, the whole solution, and for each free number what of the branches it moves."""

    impedance: Complex
    found: Solution
    moves: dict[int, dict[str, Complex]]


class _Fit:
    """One hypothesis: its free numbers and their effects; the first is the one without limit, where there is one."""

    def __init__(self, about: Information, hypothesis: Fault, curve: Complex) -> None:
        self.about, self.hypothesis, self.curve = about, hypothesis, curve
        self.coarse = 1.0
        self.network = self._network()
        self.names = [branch.name for branch in self.network.branches]
        self.effects = [*self._freed(), *self._usual()]
        self.deviations = np.array([np.inf if one.deviation is None else one.deviation for one in self.effects])

    def _network(self) -> Network:
        cut = self.hypothesis.part if self.hypothesis.kind in ("open", "driver not connected") else ""
        given = self.about.wild.network("in-box", {name: ohms(1) for name in self.about.wild.drivers})
        return Network(tuple(Branch(b.name, b.plus, b.minus, ohms(1), open=b.name == cut) for b in given.branches))

    def _thing(self, name: str) -> str:
        """Which part lies at that place."""
        fault = self.hypothesis
        if fault.kind == "exchanged" and name in fault.parts:
            return fault.other if name == fault.part else fault.part
        return name

    def _freed(self) -> Iterator[_Effect]:
        if self.hypothesis.kind in ("value", "loss"):
            yield _Effect(None, {})

    def _usual(self) -> Iterator[_Effect]:
        about, known = self.about, self.about.known
        self.places: list[tuple[str, str]] = []
        for part in about.wild.plan.parts:
            thing = about.wild.plan.part(self._thing(part.name))
            freed = self.hypothesis.part == part.name and self.hypothesis.kind
            if freed != "value" and thing.tolerance_percent:
                self.places.append((part.name, "value"))
                yield _Effect(thing.tolerance_std, {})
            if freed != "loss" and part.kind != "resistor":
                self.places.append((part.name, "loss"))
                share = known.coil_ohm if part.kind == "coil" else known.capacitor_ohm
                yield _Effect(max(share * self._loss(thing.name), 0.005), {})
        for _, effects in about.drivers.values():
            yield from effects
        yield _Effect(known.wire_ohm, {"wire": np.ones(about.hz.size, complex)})
        yield _Effect(known.reference, {})

    def _loss(self, name: str) -> float:
        """What is known of a part's resistance: that on the plan; of a capacitor's that of its kind."""
        part = self.about.wild.plan.part(name)
        return part.planned_loss_ohm or part.loss_ohm

    def model(self, theta: Real) -> _Model:
        about, plan, kind = self.about, self.about.wild.plan, self.hypothesis.kind
        freed = 1 if kind in ("value", "loss") else 0
        logs, more = dict.fromkeys(about.halves, 0.0), dict.fromkeys(about.halves, 0.0)
        indices: dict[tuple[str, str], int] = {place: freed + n for n, place in enumerate(self.places)}
        if freed:
            indices[self.hypothesis.part, kind] = 0
        for (name, what), index in indices.items():
            (logs if what == "value" else more)[name] = theta[index]
        impedances, moves = {}, {index: dict(one.slopes) for index, one in enumerate(self.effects)}
        for name in about.halves:
            if kind == "short" and name == self.hypothesis.part:
                impedances[name] = np.full(about.hz.size, SHORT_OHM, complex)
                continue
            part = plan.part(self._thing(name))
            rest, core = about.halves[part.name]
            sign = -1.0 if part.kind == "capacitor" else 1.0
            own = core * (part.planned * np.exp(logs[name])) ** sign
            impedances[name] = rest + own + self._loss(part.name) + more[name]
            if (name, "value") in indices:
                moves[indices[name, "value"]][name] = sign * own
            if (name, "loss") in indices:
                moves[indices[name, "loss"]][name] = np.ones(own.size, complex)
        first = freed + len(self.places)
        for name, (middle, effects) in about.drivers.items():
            parts = (theta[first + n] * one.slopes[name] for n, one in enumerate(effects))
            impedances[name] = middle + sum(parts)
            first += len(effects)
        wire = about.wild.wire
        impedances["wire"] = wire.ohm + theta[first] + 1j * about.omega * wire.henry
        found = solve(self.network, np.array([impedances[name] for name in self.names]))
        return _Model(found.impedance * np.exp(theta[-1]), found, moves)

    def rows(self, theta: Real) -> tuple[Real, Real]:
        """Whitened slopes, shape (2 points + numbers, numbers), and residuals."""
        impedance, found, moves = self.model(theta)
        scale = 1 / (self.coarse * self.about.noise)
        slopes = np.zeros((self.about.hz.size, theta.size), complex)
        for index, branches in moves.items():
            for name, slope in branches.items():
                slopes[:, index] += found.slope(name) * slope / found.impedance
        slopes[:, -1] = 1.0
        off = np.log(impedance / self.curve)
        prior = 1 / self.deviations
        return (
            np.vstack([slopes.real * scale, slopes.imag * scale, np.diag(prior)]),
            np.concatenate([off.real * scale, off.imag * scale, theta * prior]),
        )

    def least(self, limit: float) -> float:
        """Least cost from the two best starts, or a bound of it above ``limit``: more noise never costs more."""
        places = []
        for start in STARTS.get(self.hypothesis.kind, np.zeros(1)):
            theta = np.zeros(len(self.effects))
            if self.hypothesis.kind in STARTS:
                theta[0] = start
            places.append((self._cost(theta), theta))
        places.sort(key=lambda place: place[0])
        return min(self._from(theta, limit) for _, theta in places[:2])

    def _from(self, theta: Real, limit: float) -> float:
        cost = self._cost(theta)
        for coarse in COARSE:
            if coarse == 1 or cost > FAR * coarse**2:
                self.coarse = coarse
                found, theta = self._descend(theta, 1e-5 if coarse == 1 else 0.02)
                self.coarse = 1.0
                cost = self._cost(theta)
                if found > limit:
                    return found
        return cost

    def _cost(self, theta: Real) -> float:
        off = np.log(self.model(theta).impedance / self.curve) / (self.coarse * self.about.noise)
        return float(0.5 * np.sum(np.abs(off) ** 2) + 0.5 * np.sum((theta / self.deviations) ** 2))

    def _descend(self, theta: Real, least_gain: float) -> tuple[float, Real]:
        """Damped Gauss-Newton steps until one gains less than that part of the cost."""
        damping, cost = 1e-3, self._cost(theta)
        for _ in range(MOST_STEPS):
            slopes, off = self.rows(theta)
            normal, gradient = slopes.T @ slopes, slopes.T @ off
            size = np.maximum(np.diag(normal), 1e-9)  # what changes nothing has none of its own
            for _ in range(8):
                tried = self._stepped(theta, normal + damping * np.diag(size), gradient)
                new = self._cost(tried)
                if new < cost:
                    break
                damping *= 8
            else:
                return cost, theta
            gained, theta, cost = cost - new, tried, new
            damping = max(damping / 10, 1e-9)
            if gained < 1e-6 + least_gain * cost:
                return cost, theta
        return cost, theta

    def _stepped(self, theta: Real, normal: Real, gradient: Real) -> Real:
        """One step; what meets its bound stays there and the others step as goes with it."""
        full = theta + np.linalg.solve(normal, -gradient)
        tried = self._bounded(full)
        held = tried != full
        if held.any():
            rest = -gradient[~held] - normal[np.ix_(~held, held)] @ (tried - theta)[held]
            tried[~held] = theta[~held] + np.linalg.solve(normal[np.ix_(~held, ~held)], rest)
            tried = self._bounded(tried)
        return tried

    def _bounded(self, theta: Real) -> Real:
        """Nothing beyond reason: ratios up to 6, resistances not below 0."""
        theta = theta.copy()
        if self.hypothesis.kind == "value":
            theta[0] = np.clip(theta[0], -MOST_LOG_RATIO, MOST_LOG_RATIO)
        if self.hypothesis.kind == "loss":
            theta[0] = np.clip(theta[0], 0.0, MOST_OHM)
        freed = 1 if self.hypothesis.kind in ("value", "loss") else 0
        for number, (name, what) in enumerate(self.places, start=freed):
            if what == "loss":
                theta[number] = max(theta[number], -0.95 * self._loss(self._thing(name)))
        return theta


def _small_ohm(wild: WildTwoWay, name: str, omega: Real, by: dict[str, float]) -> Complex:
    driver = wild.small_in("in-box", "", name)
    ratio = {key: np.exp(by.get(key, 0.0)) for key in SMALL_NAMES}
    series, factor, exponent = driver.coil
    changed = replace(
        driver,
        re_ohm=driver.re_ohm * ratio["re"],
        coil=(series * ratio["coil"], factor * ratio["coil"], exponent),
        fs_hz=driver.fs_hz * ratio["fs"],
        qms=driver.qms * ratio["qms"],
        qes=driver.qes * ratio["qes"],
    )
    return changed.impedance(omega)


def _woofer_ohm(wild: WildTwoWay, name: str, hz: Real, by: dict[str, float]) -> Complex:
    box = wild.woofer_in("in-box", "", name)
    driver, omega = box.driver, 2 * np.pi * hz
    ratio = {key: np.exp(by.get(key, 0.0)) for key in WOOFER_NAMES}
    changed = replace(
        driver,
        re_ohm=driver.re_ohm * ratio["re"],
        bl=driver.bl * ratio["bl"],
        dry_kg=driver.dry_kg * ratio["mass"],
        compliance=driver.compliance * ratio["compliance"],
    )
    mechanical = changed.mechanical(omega) + driver.sd_m2**2 * ratio["air"] * air_load(box, "in-box", hz)
    coil: Coil = driver.coil
    return changed.re_ohm + ratio["coil"] * coil.impedance(omega) + changed.bl**2 / mechanical
