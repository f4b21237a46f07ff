"""Random finished two-way loudspeakers with their crossovers: what is measured of them, and what their owner states.

``wild_two_way(seed)`` draws one: woofer and box of ``wild_boxes``, tweeter of ``wild_tweeters``, crossover of
``wild_crossover``, wires. It measures itself at its terminals, at a driver's own, and each part alone (``impedance``,
``recording``, ``write_build``). What is true of it: ``wild_two_way_truth``; faults, and which of them can be told
apart at all: ``wild_faults``. Nothing of it shares code or formulas with what is under test.

Wires: 20 to 80 milliohm and 0.1 to 0.5 microhenry from the clips to the crossover, half to a fifth of that to each
driver (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import tomlkit

from reference.wild_air import Complex, Real
from reference.wild_boxes import KINDS, wild_box
from reference.wild_crossover import LAYOUTS, Plan, draw_plan
from reference.wild_drivers import Driver
from reference.wild_enclosure import Enclosure
from reference.wild_network import SHORT_OHM, Branch, Network
from reference.wild_parts import OnePort, Table, henries, in_series, ohms
from reference.wild_speaker import ABOUT_TAKES, WildBox, taken, through_jig
from reference.wild_tweeters import SmallDriver, draw_midrange, draw_tweeter
from stillbox.capture.build.build_description import BuildDescription
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import Recording, TakeInfo
from stillbox.capture.sweep.excitation import Excitation

USUAL_KINDS = ("closed-bare", "closed-lined", "vented-bare", "vented-lined")
"""Of boxes; seed 0 has the first, and so on."""

OWN_TAKES = {
    "": ("in-box", "in-box-bare", "in-box-closed", "load", "channel-match"),
    "woofer": ("in-box", "in-box-bare", "in-box-closed", "free-air", "added-mass", "test-box"),
    "woofer2": ("in-box",),
    "tweeter": ("free-air",),
    "midrange": ("in-box",),
}
"""Takes by whose terminals they are of; ``""``: the finished speaker's. A part has ``part``."""

MOST_LINES = 20_000
"""Of a spectrum solved at once."""

OF_IS_KEPT = "of" in TakeInfo.model_fields
"""Whether a build can keep whose terminals a take is of. Until then only takes of the finished speaker go into one."""

DRIVERS_ARE_STATED = "drivers" in BuildDescription.model_fields


@dataclass(frozen=True)
class Wire:
    ohm: float
    henry: float

    def before(self, port: OnePort) -> OnePort:
        return in_series(ohms(self.ohm), henries(self.henry), port)


@dataclass(frozen=True)
class WildTwoWay:
    """A loudspeaker with its crossover.

    Attributes
    ----------
    box : WildBox
        Woofer and box, with the jig and what is stated of them.
    small : dict of SmallDriver
        ``tweeter``, and ``midrange`` in three ways.
    second : Driver or None
        ``woofer2``, in a chamber like the first one's.
    plan : Plan
        Parts as planned and as built.
    wire, driver_wire : Wire
    opened, shorted : frozenset of str
        Parts and drivers that are not connected; parts that are bridged.
    """

    seed: int
    layout: str
    box: WildBox
    small: dict[str, SmallDriver]
    second: Driver | None
    plan: Plan
    wire: Wire
    driver_wire: Wire
    opened: frozenset[str] = field(default=frozenset())
    shorted: frozenset[str] = field(default=frozenset())

    @property
    def drivers(self) -> tuple[str, ...]:
        return self.plan.drivers

    def woofer_in(self, take: str, of: str, name: str = "woofer") -> WildBox:
        """Woofer and box as they were in a take: each has its own small change of suspension and temperature."""
        driver = self.box.driver if name == "woofer" else self.second
        assert driver is not None
        rng = np.random.default_rng([self.seed, 78, *f"{take}/{of}/{name}".encode()])
        driver = driver.after_play(*rng.normal(0, (self.box.play_spread, self.box.warm_spread)))
        return replace(self.box, driver=driver, play_spread=0.0, warm_spread=0.0)

    def small_in(self, take: str, of: str, name: str) -> SmallDriver:
        """The same of a tweeter or midrange."""
        rng = np.random.default_rng([self.seed, 79, *f"{take}/{of}/{name}".encode()])
        return self.small[name].after_play(*rng.normal(0, (self.box.play_spread, self.box.warm_spread)))

    def driver_ohm(self, name: str, take: str, of: str, hz: Real) -> Complex:
        """Impedance of a driver at its own terminals, as it was in a take."""
        if name in self.small:
            return self.small_in(take, of, name).impedance(2 * np.pi * hz)
        return woofer_ohm(self.woofer_in(take, of, name), take, hz)

    def network(self, take: str = "in-box", known: dict[str, OnePort] | None = None) -> Network:
        """Everything between the terminals as it is in a take of the finished speaker.

        ``known`` puts other one-ports in the place of drivers (frozen ones, or what was computed already).
        """
        branches = [Branch("wire", "in", "inside", in_series(ohms(self.wire.ohm), henries(self.wire.henry)))]
        for branch in self.plan.branches():
            shorted = branch.name in self.shorted
            port = ohms(SHORT_OHM) if shorted else branch.port
            branches.append(replace(branch, port=port, open=branch.name in self.opened))
        for name in self.drivers:
            port = (known or {}).get(name) or self._driver_port(name, take)
            port = self.driver_wire.before(port)
            branches.append(Branch(name, *self.plan.nodes[name], port, open=name in self.opened))
        inside = {"in": "inside"}
        return Network(
            (branches[0], *(replace(b, plus=inside.get(b.plus, b.plus), minus=inside.get(b.minus, b.minus))
                            for b in branches[1:]))
        )  # fmt: skip

    def _driver_port(self, name: str, take: str) -> OnePort:
        if name in self.small:
            return self.small_in(take, "", name).one_port()
        box = self.woofer_in(take, "", name)
        return Table(lambda omega: woofer_ohm(box, take, omega / (2 * np.pi)))

    def impedance(self, take: str, hz: Real, of: str = "") -> Complex:
        """Impedance at the clips, ohm, for each frequency above 0 Hz.

        ``of``: empty for the speaker's terminals, else whose terminals: a driver's with the crossover off, a part's.
        """
        hz = np.asarray(hz, float)
        self._check(take, of)
        if take == "channel-match":
            raise StillboxError("nothing is on the clips for channel-match", "choose another take")
        if take == "load":
            return self.box.impedance(take, hz)
        if take == "part":
            return self._part_port(of).impedance(2 * np.pi * hz)
        if of:
            return self.driver_ohm(of, take, of, hz)
        return self.network(take).solve(2 * np.pi * hz).impedance

    def _part_port(self, name: str) -> OnePort:
        return ohms(SHORT_OHM) if name in self.shorted else self.plan.part(name).one_port()

    def _check(self, take: str, of: str) -> None:
        names = [part.name for part in self.plan.parts]
        fitting = ("part",) if of in names else OWN_TAKES.get(of, ())
        if take not in fitting or (of and of not in (*self.drivers, *names)):
            raise StillboxError(f"no take '{take}' of '{of}'", f"there are {', '.join((*self.drivers, *names))}")

    def dense_impedance(self, take: str, hz: Real, of: str = "") -> Complex:
        """The same at all lines of a spectrum from 0 Hz on: the woofer between computed points by a spline."""
        hz = np.maximum(hz, 0.5)
        self._check(take, of)
        if take == "part" or of in self.small:
            return self.impedance(take, hz, of)
        if take == "load" or of:
            return self.woofer_in(take, of, of or "woofer").dense_impedance(take, hz)
        woofers = [name for name in self.drivers if name not in self.small]
        known = {name: self.woofer_in(take, of, name).dense_impedance(take, hz) for name in woofers}
        found = []
        for start in range(0, hz.size, MOST_LINES):
            some = slice(start, start + MOST_LINES)
            ports: dict[str, OnePort] = {name: _given(values[some]) for name, values in known.items()}
            found.append(self.network(take, ports).solve(2 * np.pi * hz[some]).impedance)
        return np.concatenate(found)

    def samples(self, take: str, excitation: Excitation, seed: int, of: str = "") -> np.ndarray:
        """The two channels through the jig with its noise, shape (frames, 2)."""
        self._check(take, of)
        rng = np.random.default_rng([self.seed, seed, *f"{take}/{of}".encode()])
        clips = None if take == "channel-match" else lambda hz: self.dense_impedance(take, hz, of)
        return through_jig(self.box.jig, clips, excitation, rng)

    def recording(self, take: str, excitation: Excitation, seed: int, of: str = "") -> Recording:
        """A take as the project keeps it; ``seed`` is that of the noise. Whose it is stands in it once it can."""
        subject, state = about_take(take)
        recording = taken(self.samples(take, excitation, seed, of), excitation, self.box.jig, 1, subject, state)
        if of and OF_IS_KEPT:
            return replace(recording, info=recording.info.model_copy(update={"of": of}))
        return recording

    # What the owner states

    def netlist(self) -> str:
        return self.plan.netlist()

    def tolerances_percent(self) -> dict[str, float]:
        return {part.name: part.tolerance_percent for part in self.plan.parts}

    def markings(self) -> dict[str, str]:
        """What is printed on the parts, IEC 60062; of exchanged ones as planned."""
        return {part.name: part.marking() for part in self.plan.parts}

    def lowest_hz(self, name: str) -> float:
        """Below this a person would not sweep that driver alone: its fs, a round number."""
        return float(round(self.small[name].fs_hz / 50) * 50)

    def drivers_toml(self) -> str:
        """Sections ``[drivers.NAME]`` and ``[limits.drivers.NAME]`` for all but the woofer."""
        rng = np.random.default_rng([self.seed, 80])
        names = {name: driver.re_ohm for name, driver in self.small.items()}
        document = {
            "drivers": {
                name: {"re_ohm": float(round(ohm * (1 + rng.uniform(-0.005, 0.005)), 3)), "re_tolerance_percent": 0.5}
                for name, ohm in names.items()
            },
            "limits": {"drivers": {name: {"lowest_hz": self.lowest_hz(name)} for name in self.small}},
        }
        return tomlkit.dumps(document)

    def build_toml(self) -> str:
        """What is stated of the box, and of the drivers once a build can hold it."""
        return self.box.build_toml() + ("\n" + self.drivers_toml() if DRIVERS_ARE_STATED else "")


def _given(values: Complex) -> Table:
    return Table(lambda omega: values)


def about_take(take: str) -> tuple[str, str]:
    """Subject and state."""
    return ABOUT_TAKES.get(take, (take, ""))


@lru_cache(maxsize=64)
def _load(enclosure: Enclosure, port_closed: bool, hz: bytes) -> Complex:
    load = enclosure.flows(2 * np.pi * np.frombuffer(hz), port_closed).load
    load.setflags(write=False)
    return load


def woofer_ohm(box: WildBox, take: str, hz: Real) -> Complex:
    """Impedance of a woofer alone; in its box the load of the air is kept for the next one with the same box."""
    if not take.startswith("in-box"):
        return box.impedance(take, hz)
    omega, driver = 2 * np.pi * hz, box.driver
    load = air_load(box, take, hz)
    return driver.electrical(omega, driver.mechanical(omega) + driver.sd_m2**2 * load)


def air_load(box: WildBox, take: str, hz: Real) -> Complex:
    """Acoustic load of the cone in a take in the box."""
    enclosure = box.enclosure.emptied() if take == "in-box-bare" else box.enclosure
    return _load(enclosure, take == "in-box-closed", np.ascontiguousarray(hz, float).tobytes())


def wild_two_way(seed: int, kind: str | None = None, layout: str = "two-way") -> WildTwoWay:
    """The loudspeaker of a seed.

    Parameters
    ----------
    seed : int
        0 or more.
    kind : one of ``wild_boxes.KINDS`` or None
        None: the usual four, one after the other.
    layout : one of ``wild_crossover.LAYOUTS``
    """
    if layout not in LAYOUTS or kind not in (None, *KINDS):
        raise StillboxError(f"no layout '{layout}' or box '{kind}'", f"layouts: {', '.join(LAYOUTS)}")
    box = wild_box(seed, kind or USUAL_KINDS[seed % len(USUAL_KINDS)])
    rng = np.random.default_rng([seed, 21, LAYOUTS.index(layout)])
    small = {"tweeter": draw_tweeter(rng)}
    if layout == "three-way":
        small["midrange"] = draw_midrange(rng)
    second = None
    if layout in ("two equal", "two-and-a-half-way"):
        driver, off = box.driver, 1 + rng.normal(0, (0.015, 0.015, 0.01, 0.06))
        second = replace(driver, re_ohm=driver.re_ohm * off[0], bl=driver.bl * off[1], dry_kg=driver.dry_kg * off[2],
                         compliance=driver.compliance * off[3])  # fmt: skip
    at_3_khz = np.array([2 * np.pi * 3000.0])
    woofer_h = float((box.driver.coil.impedance(at_3_khz) / at_3_khz)[0].imag)
    plan = draw_plan(rng, layout, box.driver.re_ohm, woofer_h, small["tweeter"])
    wire = Wire(rng.uniform(0.02, 0.08), rng.uniform(0.1e-6, 0.5e-6))
    short = rng.uniform(0.2, 0.5)
    return WildTwoWay(seed, layout, box, small, second, plan, wire, Wire(short * wire.ohm, short * wire.henry))


USUAL_TAKES = (("channel-match", ""), ("load", ""), ("in-box", ""))
"""What every owner of a finished speaker has."""

DRIVER_TAKES = (("in-box", "woofer"), ("free-air", "woofer"), ("added-mass", "woofer"), ("free-air", "tweeter"))


def write_build(
    wild: WildTwoWay,
    path: Path,
    excitation: Excitation,
    seed: int = 0,
    takes: Iterable[tuple[str, str]] = USUAL_TAKES,
    unit: str = "A",
    state: str | None = None,
) -> BuildFolder:
    """Make the build (or go on with the one that is there) and record ``takes``: pairs of take and whose it is.

    ``state`` stands for ``stock`` in takes in the box. The netlist lies beside the build as ``PATH.cir``.
    """
    if (path / "build.toml").exists():
        folder = BuildFolder.open(path)
    else:
        folder = BuildFolder.create(path)
        (path / "build.toml").write_text(wild.build_toml(), encoding="utf-8")
        folder.set_calibration(wild.box.jig.marked_ohm, wild.box.jig.tolerance_percent)
        path.with_suffix(".cir").write_text(wild.netlist(), encoding="ascii")
    for take, of in takes:
        if of and not OF_IS_KEPT:
            raise StillboxError(f"a build cannot keep yet that '{take}' is of '{of}'", "take the samples themselves")
        recording = wild.recording(take, excitation, seed, of)
        info = recording.info
        named = {"of": of} if of else {}
        folder.add_take(
            recording.samples,
            "PCM_24",
            subject=info.subject,
            state=state if state and info.state == "stock" else info.state,
            unit=unit,
            excitation=excitation,
            sweep_starts=info.sweep_starts,
            origin=info.origin,
            jig=info.jig,
            load_ohm=info.load_ohm,
            load_tolerance_percent=info.load_tolerance_percent,
            **named,  # type: ignore[typeddict-item]
        )
    return folder
