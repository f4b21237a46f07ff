"""Pairs of finished two-ways of which the second has just been put together, with one thing wrong, or nothing.

``wild_check(seed, fault)`` draws one: unit A of ``wild_two_ways``, and a twin of it whose drivers scatter by 2 % in
each of their numbers, whose parts scatter by their tolerance, whose port is cut to 0.5 mm and whose panels are others
by 1 %
(common practice, no source). What may be wrong, and its sizes:

- ``open``, ``short`` at the clips: 1 Mohm, 0.02 to 0.2 ohm. ``intermittent``: 2 to 8 times in the take the contact has
  2 ohm to 1 kohm more for 5 to 200 ms.
- ``wrong part``, ``driver not connected``: `wild_faults`.
- ``other driver``: woofer or tweeter of another model: each number off by 20 % (one standard deviation), DC resistance
  or resonance by 10 % at least.
- ``leak``: a slit whose QL at the tuning is 3 to 12. ``port blocked``: closed at its mouth. ``no stuffing``: the box
  bare.
- ``rub``: the coil touches beyond a part of the largest excursion of the sweep (``contact_mm``, for 1 V at full scale).
  ``loose part``: something that is driven by a panel rattles near its resonance.

What rubs or rattles is noise while it touches, the same in each sweep or another one: a voltage that the woofer
generates, at the clips through the crossover and the jig. ``product_db``: its power above 1 kHz while it touches, over
that of the noise there in the mean of all sweeps.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import signal

from reference.wild_air import Complex, Real
from reference.wild_boxes import wild_box
from reference.wild_drivers import Coil, Driver
from reference.wild_enclosure import Slit
from reference.wild_faults import Fault, draw_fault, with_fault
from reference.wild_inside import Opening
from reference.wild_parts import built
from reference.wild_speaker import mechanical_in, through_jig
from reference.wild_tweeters import SmallDriver, draw_tweeter
from reference.wild_two_ways import WildTwoWay, Wire, wild_two_way
from stillbox.capture.errors import StillboxError
from stillbox.capture.sweep.excitation import Excitation, excitation_samples, sweep_starts

FAULTS = (
    "open", "short", "intermittent", "wrong part", "driver not connected", "other driver", "leak", "port blocked",
    "no stuffing", "rub", "loose part",
)  # fmt: skip

SCATTER = 0.02
KINDS = ("closed-lined", "vented-lined", "closed-stuffed", "vented-stuffed", "vented-bare", "closed-bare")
"""Of boxes; seed 0 has the first, and so on."""
CONTACT_OHM, CONTACT_S, CONTACTS = (2.0, 1000.0), (0.005, 0.2), (2, 8)
QL = (3.0, 12.0)
PRODUCT_DB = (15.0, 35.0)
TOUCHING = (0.6, 0.9)
"""Part of the largest excursion beyond which the coil touches."""


@dataclass(frozen=True)
class WildCheck:
    """``second`` is the unit that is checked, with its fault where that is of the speaker itself."""

    seed: int
    fault: str
    first: WildTwoWay
    second: WildTwoWay
    number: int = 0
    part: Fault | None = None
    take: str = "in-box"
    product_db: float | None = None
    contact_mm: float | None = None

    @property
    def is_stop(self) -> bool:
        """Whether no amplifier may be connected: shorted clips, a tweeter without its series capacitor, |Z| far low."""
        return self.fault == "short" or self._without_capacitor()

    def _without_capacitor(self) -> bool:
        if self.part is None or self.part.kind not in ("short", "open", "exchanged"):
            return False
        return bool(self.part.parts & series_capacitors(self.first))

    def samples(self, excitation: Excitation) -> np.ndarray:
        """The take of the finished second unit, shape (frames, 2)."""
        rng = np.random.default_rng([self.seed, 91, self.number])
        jig = self.second.box.jig
        if self.fault in ("open", "short"):
            ohm = 1e6 if self.fault == "open" else rng.uniform(0.02, 0.2)
            return through_jig(jig, lambda hz: np.full(hz.size, ohm, complex), excitation, rng)
        samples = through_jig(jig, lambda hz: self.second.dense_impedance(self.take, hz), excitation, rng)
        if self.fault == "intermittent":
            return _interrupted(self, samples, excitation, rng)
        if self.product_db is not None:
            return samples + _product(self, excitation, rng)
        return samples


def fitting_faults(seed: int) -> tuple[str, ...]:
    """What can be wrong with the pair of a seed: no port is blocked where there is none."""
    kind = KINDS[seed % len(KINDS)]
    impossible = {"port blocked"} if kind.startswith("closed") else set()
    impossible |= {"no stuffing"} if kind.endswith("bare") else set()
    return tuple(fault for fault in FAULTS if fault not in impossible)


def wild_check(seed: int, fault: str = "", number: int = 0) -> WildCheck:
    """The pair of a seed, the second one of that ``number``; without ``fault`` nothing is wrong."""
    if fault and fault not in fitting_faults(seed):
        raise StillboxError(f"the box of seed {seed} cannot have '{fault}'", "take another seed")
    rng = np.random.default_rng([seed, 90, (*FAULTS, "").index(fault), number])
    first = wild_two_way(seed, KINDS[seed % len(KINDS)])
    second = twin(first, rng)
    case = WildCheck(seed, fault, first, second, number)
    if fault in ("wrong part", "driver not connected"):
        kind = "driver not connected"
        while fault == "wrong part" and kind == "driver not connected":
            part = draw_fault(first, rng)
            kind = part.kind
        if fault != "wrong part":
            part = draw_fault(first, rng, kind)
        return replace(case, second=with_fault(second, part), part=part)
    if fault == "other driver":
        return replace(case, second=_with_other_driver(second, rng))
    if fault == "leak":
        return replace(case, second=_leaking(second, rng))
    if fault == "port blocked":
        return replace(case, take="in-box-closed")
    if fault == "no stuffing":
        return replace(case, take="in-box-bare")
    if fault in ("rub", "loose part"):
        return replace(case, product_db=float(rng.uniform(*PRODUCT_DB)))
    return case


def twin(wild: WildTwoWay, rng: np.random.Generator) -> WildTwoWay:
    """Another one of the same plan."""
    box = wild.box.enclosure
    port = box.port and replace(box.port, length_m=box.port.length_m + rng.normal(0, 0.5e-3))
    walls = replace(box.walls, hz=box.walls.hz * (1 + rng.normal(0, 0.01)), q=box.walls.q * (1 + rng.normal(0, 0.1)))
    parts = [
        replace(
            part,
            value=built(rng, part.planned, part.tolerance_percent),
            loss_ohm=part.loss_ohm * (1 + rng.normal(0, 0.03)),
        )
        for part in wild.plan.parts
    ]
    enclosure = replace(box, port=port, walls=walls)
    return replace(
        wild,
        seed=wild.seed + 500_000,
        box=replace(wild.box, driver=scattered(wild.box.driver, rng), enclosure=enclosure, seed=wild.seed + 500_000),
        small={name: scattered_small(driver, rng) for name, driver in wild.small.items()},
        plan=wild.plan.with_parts(*parts),
        wire=Wire(rng.uniform(0.02, 0.08), rng.uniform(0.1e-6, 0.5e-6)),
    )


def scattered(driver: Driver, rng: np.random.Generator, std: float = SCATTER) -> Driver:
    """Another one of the same model."""

    def off() -> float:
        return float(np.exp(rng.normal(0, std)))

    edges = tuple(replace(edge, kg=edge.kg * off(), hz=edge.hz * off(), q=edge.q * off()) for edge in driver.edges)
    first, *others = driver.coil.values
    if driver.coil.kind == "power":  # the second is no size but an exponent
        values = (first * off(), *others)
    else:
        values = tuple(value * off() for value in driver.coil.values)
    return replace(
        driver,
        re_ohm=driver.re_ohm * off(),
        coil=Coil(driver.coil.kind, values),
        bl=driver.bl * off(),
        dry_kg=driver.dry_kg * off(),
        compliance=driver.compliance * off(),
        rms=driver.rms * off(),
        edges=edges,
    )


def scattered_small(driver: SmallDriver, rng: np.random.Generator, std: float = SCATTER) -> SmallDriver:
    """The same of a tweeter."""

    def off() -> float:
        return float(np.exp(rng.normal(0, std)))

    henry, factor, exponent = driver.coil
    hung = tuple(replace(one, share=one.share * off(), hz=one.hz * off(), q=one.q * off()) for one in driver.hung)
    return replace(
        driver,
        re_ohm=driver.re_ohm * off(),
        fs_hz=driver.fs_hz * off(),
        qms=driver.qms * off(),
        qes=driver.qes * off(),
        coil=(henry * off(), factor * off(), exponent),
        hung=hung,
    )


def series_capacitors(wild: WildTwoWay) -> set[str]:
    """Capacitors without which direct current would reach the tweeter."""

    def reached(without: set[str]) -> bool:
        """Whether direct current reaches the tweeter when these are pieces of wire."""
        nodes = {"in"}
        passing = [
            wild.plan.nodes[part.name]
            for part in wild.plan.parts
            if part.kind != "capacitor" or part.name in without
        ]
        while True:
            more = {node for ends in passing if nodes & set(ends) for node in ends} - nodes - {"0"}
            if not more:
                return any(node in nodes for node in wild.plan.nodes["tweeter"])
            nodes |= more

    return {part.name for part in wild.plan.parts if part.kind == "capacitor" and reached({part.name})}


def _with_other_driver(wild: WildTwoWay, rng: np.random.Generator) -> WildTwoWay:
    if rng.random() < 1 / 3:
        own = wild.small["tweeter"]
        while True:
            other = draw_tweeter(rng)
            if abs(np.log(other.re_ohm / own.re_ohm)) > 0.1 or abs(np.log(other.fs_hz / own.fs_hz)) > 0.1:
                return replace(wild, small={**wild.small, "tweeter": other})
    own_driver = wild.box.driver
    while True:
        kind = wild_box(int(rng.integers(10_000)), wild.box.kind).driver
        new = scattered(replace(own_driver, coil=kind.coil, edges=kind.edges), rng, 0.2)
        lightest = 8 / 3 * wild.box.enclosure.air.density * new.radius_m**3
        fs_off = abs(0.5 * np.log(new.compliance * new.dry_kg / own_driver.compliance / own_driver.dry_kg))
        re_off = abs(np.log(new.re_ohm / own_driver.re_ohm))
        possible = new.dry_kg > 0.5 * lightest and sum(edge.kg for edge in new.edges) < 0.4 * new.dry_kg
        if possible and max(fs_off, re_off) > 0.1:
            return replace(wild, box=replace(wild.box, driver=new))


def _leaking(wild: WildTwoWay, rng: np.random.Generator) -> WildTwoWay:
    box = wild.box.enclosure
    omega = 2 * np.pi * wild.box.driver_truth.fs_hz
    quality = float(np.exp(rng.uniform(*np.log(QL))))
    resistance = quality / (omega * box.compliance(np.array([omega]))[0].real)
    gap, through = rng.uniform(0.15e-3, 0.5e-3), rng.uniform(0.004, 0.02)
    width = 12 * box.air.viscosity * through / (resistance * gap**3)
    cone = box.inside.openings[0]
    where = Opening(0.0, cone.across + 0.7 * cone.radius, cone.down + 0.7 * cone.radius, 0.014)
    inside = replace(box.inside, openings=(*box.inside.openings, where))
    leaking = replace(box, inside=inside, leak=Slit(gap, width, through, "cone"))
    return replace(wild, box=replace(wild.box, enclosure=leaking))


def _interrupted(case: WildCheck, good: np.ndarray, excitation: Excitation, rng: np.random.Generator) -> np.ndarray:
    """The take with the contact bad for some moments: what is recorded then is that of a speaker behind a resistor."""
    ohm = float(np.exp(rng.uniform(*np.log(CONTACT_OHM))))
    bad = through_jig(
        case.second.box.jig, lambda hz: case.second.dense_impedance(case.take, hz) + ohm, excitation,
        np.random.default_rng([case.seed, 92, case.number]),
    )  # fmt: skip
    samples = good.copy()
    rate = excitation.sample_rate_hz
    for _ in range(int(rng.integers(*CONTACTS))):
        start = rng.choice(sweep_starts(excitation)) + int(rng.uniform(0, excitation.sweep_frames))
        moment = slice(start, start + int(rate * np.exp(rng.uniform(*np.log(CONTACT_S)))))
        samples[moment] = bad[moment]
    return samples


def _product(case: WildCheck, excitation: Excitation, rng: np.random.Generator) -> np.ndarray:
    """What rubs or rattles, at both channels, shape (frames, 2)."""
    second, jig = case.second, case.second.box.jig
    played = excitation_samples(excitation)
    rate = excitation.sample_rate_hz
    hz = np.maximum(np.fft.rfftfreq(played.size, 1 / rate), 0.5)
    share, inside = _share_of_woofer(second, hz)
    loop = inside + jig.reference_ohm + jig.source_ohm
    current = np.fft.rfft(played) / loop * share
    if case.fault == "rub":
        driver = second.woofer_in("in-box", "").driver
        coarse = np.geomspace(2.0, 3000.0, 500)
        force_to_m = driver.bl / mechanical_in(second.box.enclosure, driver, coarse, False) / (2j * np.pi * coarse)
        moved = np.fft.irfft(current * np.interp(hz, coarse, force_to_m, right=0.0), played.size)
        touching = np.abs(moved) > rng.uniform(*TOUCHING) * np.max(np.abs(moved))
    else:
        own = float(np.exp(rng.uniform(np.log(70), np.log(350))))
        quality = rng.uniform(6, 20)
        swing = np.fft.irfft(current / (1 + 1j * quality * (hz / own - own / hz)), played.size)
        touching = np.abs(swing) > rng.uniform(0.5, 0.8) * np.max(np.abs(swing))
    noise = rng.normal(0, 1, played.size)
    starts = sweep_starts(excitation)
    if rng.random() < 0.5:  # the same in each sweep
        for start in starts[1:]:
            noise[start : start + excitation.sweep_frames] = noise[starts[0] : starts[0] + excitation.sweep_frames]
    high = signal.butter(2, 300, "high", fs=rate, output="sos")
    source = np.fft.rfft(signal.sosfilt(high, noise * touching))
    # A voltage in the woofer's branch drives a current through the clips as large as the share of its own.
    clips = np.fft.irfft(-source * share / loop, played.size)
    both = np.stack([-jig.source_ohm * clips, -(jig.source_ohm + jig.reference_ohm) * clips], axis=1)
    above = signal.butter(4, 1000, "high", fs=rate, output="sos")
    power = np.mean(signal.sosfilt(above, both[:, 1])[_while(touching, rate)] ** 2)
    floor = 10 ** (jig.noise_dbfs / 10) / excitation.repeats * (1 - 1000 / (rate / 2))
    assert case.product_db is not None
    return both * np.sqrt(floor / power * 10 ** (case.product_db / 10))


def _while(touching: np.ndarray, rate: int) -> np.ndarray:
    """While it touches in each half swing: from the first to the last touch, gaps of 20 ms closed."""
    width = int(0.02 * rate)
    return np.convolve(touching, np.ones(width), "same") > 0.5


def _share_of_woofer(wild: WildTwoWay, hz: Real) -> tuple[Complex, Complex]:
    """Current of the woofer over that at the clips, and the impedance there."""
    grid = np.geomspace(0.5, hz[-1], 1500)
    found = wild.network("in-box").solve(2 * np.pi * grid)
    share, impedance = found.share("woofer"), found.impedance
    log = np.log(hz)
    return np.interp(log, np.log(grid), share), np.interp(log, np.log(grid), impedance)
