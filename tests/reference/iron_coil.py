"""Coils with iron cores (and air coils) on a jig and in a two-way's low-pass: takes over time, and what is true.

The linear rest of the circuit is a list of R, L and C solved by the trapezoidal rule; the coil's core (``iron_core``)
hangs on two of its nodes. Steps: 48 kHz times 1 to 8, finer where the sweep is faster.

Truth comes from single frequencies in the steady state, never from a sweep: the describing function (first harmonic of
the coil's voltage over that of its current) and the harmonics of the current. A coil *saturates* from the current on at
which its inductance at that frequency is down by 10 % from the largest that it has at any level: makers give the
current at which it is down by 10 to 30 % (common practice, no source); iron first gains with level (Rayleigh), so that
the fall counts from the top.

Sizes: 0.3 to 6 mH, saturating at 0.3 to 15 A, gap from none to thirty times the core, gain by Rayleigh's law 2 to 100 %
of the core's at saturation, eddy currents from 2 to 200 kHz; air coils from 15 kHz (proximity). No source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from reference.iron_core import Cores, Magnetised, Real, step
from stillbox.capture.sweep.excitation import Excitation, sweep_samples

FINER = ((0.0, 1), (200.0, 2), (800.0, 4), (3200.0, 8))
"""Hz from which on a sample of the sweep has so many steps."""

STEPS_A_PERIOD = 1024
SATURATED = 0.9
"""Of the largest inductance."""


@dataclass(frozen=True)
class Element:
    """``R``, ``L`` or ``C`` between two nodes, with one value a coil; node ``0`` is ground, ``u`` the source."""

    kind: str
    plus: str
    minus: str
    value: Real


@dataclass(frozen=True)
class Circuit:
    """The linear rest, the nodes between which the cores lie, and those that are recorded."""

    elements: tuple[Element, ...]
    core: tuple[str, str]
    cores: Cores
    seen: tuple[str, ...] = ("source", "clips")

    def taken(self, index: Real) -> Circuit:
        return Circuit(
            tuple(Element(e.kind, e.plus, e.minus, e.value[index]) for e in self.elements),
            self.core, self.cores.taken(index), self.seen,
        )  # fmt: skip


@dataclass(frozen=True)
class Course:
    """Over time, shape (frames, coils): voltage across the core, current into it, voltages of the nodes seen."""

    core_v: Real
    current_a: Real
    seen_v: Real


class _Linear:
    """``E x' = A x + B (u, i)`` by the trapezoidal rule, rows without E taken at the end of the step."""

    def __init__(self, circuit: Circuit, step_s: Real) -> None:
        names = sorted({n for e in circuit.elements for n in (e.plus, e.minus)} | set(circuit.core))
        at = {name: number for number, name in enumerate(n for n in names if n not in ("0", "u"))}
        coils = [e for e in circuit.elements if e.kind == "L"]
        count, size = circuit.cores.count, len(at) + len(coils)
        held, flow = np.zeros((count, size, size)), np.zeros((count, size, size))
        drive = np.zeros((count, size, 2))
        for element in circuit.elements:
            ends = [(at.get(element.plus), element.plus, 1.0), (at.get(element.minus), element.minus, -1.0)]
            if element.kind == "L":
                row = len(at) + coils.index(element)
                held[:, row, row] = element.value
                for node, name, sign in ends:
                    if node is not None:
                        flow[:, row, node] += sign
                        flow[:, node, row] -= sign
                    elif name == "u":
                        drive[:, row, 0] += sign
                continue
            for node, _, sign in ends:
                if node is None:
                    continue
                for other, name, turned in ends:
                    conductance = sign * turned * (1 / element.value if element.kind == "R" else element.value)
                    if element.kind == "C":
                        assert name != "u", "no capacitor on the source"
                        if other is not None:
                            held[:, node, other] += conductance
                    elif other is not None:
                        flow[:, node, other] -= conductance
                    elif name == "u":
                        drive[:, node, 0] -= conductance
        for name, sign in zip(circuit.core, (-1.0, 1.0), strict=True):
            if name in at:
                drive[:, at[name], 1] += sign
        # The old end of a step counts only where something is held over it.
        keeps = (held != 0).any(axis=2)[:, :, None] * 0.5
        scale = np.broadcast_to(np.asarray(step_s, float), (count,))[:, None, None]
        inverse = np.linalg.inv(held / scale - (1 - keeps) * flow)
        self._old = inverse @ (held / scale + keeps * flow)
        self._old_drive, self._new_drive = inverse @ (keeps * drive), inverse @ ((1 - keeps) * drive)
        self._across = np.zeros(size)
        for name, sign in zip(circuit.core, (1.0, -1.0), strict=True):
            if name in at:
                self._across[at[name]] = sign
        self._seen = [at[name] for name in circuit.seen]
        self.source_ohm = -(self._new_drive[:, :, 1] @ self._across)

    def start(self) -> Real:
        return np.zeros(self._old.shape[:2])

    def open(self, state: Real, before: tuple[Real, Real], drive_v: Real) -> Real:
        """The state at the end of the step, but for the core's current there."""
        new = np.einsum("bij,bj->bi", self._old, state)
        new += self._old_drive[:, :, 0] * before[0][:, None] + self._old_drive[:, :, 1] * before[1][:, None]
        return new + self._new_drive[:, :, 0] * drive_v[:, None]

    def across(self, state: Real) -> Real:
        return state @ self._across

    def with_current(self, state: Real, current: Real) -> Real:
        return state + self._new_drive[:, :, 1] * current[:, None]

    def seen(self, state: Real) -> Real:
        return state[:, self._seen]


class Running:
    """A circuit in time: ``to`` goes on to the next voltage of the source."""

    def __init__(self, circuit: Circuit) -> None:
        self._circuit = circuit
        self._iron = Magnetised(circuit.cores)
        zeros = np.zeros(circuit.cores.count)
        self.flux, self.core_v, self.current, self._drive = zeros, zeros, zeros, zeros
        self._linear: dict[object, _Linear] = {}
        self._state: Real | None = None

    def to(self, drive_v: Real, step_s: Real | float) -> None:
        key = step_s if isinstance(step_s, float) else id(step_s)
        if key not in self._linear:
            self._linear[key] = _Linear(self._circuit, np.asarray(step_s))
        self._now = self._linear[key]
        state = self._now.start() if self._state is None else self._state
        opened = self._now.open(state, (self._drive, self.current), drive_v)
        self.flux, self.core_v, self.current = step(
            self._iron, self.flux, self.core_v, self._now.across(opened), self._now.source_ohm, step_s
        )
        self._state, self._drive = self._now.with_current(opened, self.current), drive_v

    def seen(self) -> Real:
        assert self._state is not None
        return self._now.seen(self._state)


def swept(circuit: Circuit, sweep: Excitation, peak_v: Real, rest_s: float = 0.1) -> Real:
    """Voltages of the nodes seen while swept with these peaks, shape (sweep and rest at 48 kHz, coils, nodes)."""
    rate_hz = sweep.sample_rate_hz
    sound = np.append(sweep_samples(sweep) / 10 ** (sweep.level_dbfs / 20), np.zeros(round(rest_s * rate_hz)))
    time_s = np.arange(len(sound)) / rate_hz
    hz = np.where(time_s < sweep.seconds, sweep.low_hz * np.exp(time_s / sweep.rate_constant_s), 0.0)
    constant_s, starts = sweep.rate_constant_s, np.array([hz_from for hz_from, _ in FINER])
    running, out = Running(circuit), np.zeros((len(sound), circuit.cores.count, len(circuit.seen)))
    for frame in range(1, len(sound)):
        finer = FINER[int(np.searchsorted(starts, hz[frame], side="right")) - 1][1]
        for part in range(1, finer + 1):
            back = (finer - part) / finer
            at_s = (frame - back) / rate_hz
            # Between samples the sweep itself, its fade as between them.
            now = sound[frame] if part == finer else _between(sound, frame, back, at_s, sweep, constant_s)
            running.to(peak_v * now, 1 / (rate_hz * finer))
        out[frame] = running.seen()
    return out


def _between(sound: Real, frame: int, back: float, at_s: float, sweep: Excitation, constant_s: float) -> float:
    fade_in_s, fade_out_s = constant_s * np.log(1.4), sweep.seconds - constant_s * np.log(1.045)
    if fade_in_s < at_s < fade_out_s:
        return float(np.sin(2 * np.pi * sweep.low_hz * constant_s * np.exp(at_s / constant_s)))
    return float(back * sound[frame - 1] + (1 - back) * sound[frame])


@dataclass(frozen=True)
class Steady:
    """At one frequency each, in the steady state, shape (coils, orders + 1): complex peaks of the harmonics 0 to 7."""

    hz: Real
    core_v: Real
    current_a: Real
    seen_v: Real

    @property
    def inductance_h(self) -> Real:
        """Imaginary part of the describing function over omega, of the core without its winding's resistance."""
        return (self.core_v[:, 1] / self.current_a[:, 1]).imag / (2 * np.pi * self.hz)

    @property
    def loss_ohm(self) -> Real:
        """Its real part: hysteresis and eddy currents."""
        return (self.core_v[:, 1] / self.current_a[:, 1]).real

    def harmonic_db(self, order: int) -> Real:
        """Of the current, dB re its first."""
        return 20 * np.log10(np.abs(self.current_a[:, order] / self.current_a[:, 1]))


def steady(circuit: Circuit, hz: Real, peak_v: Real, periods: int = 6, steps: int = STEPS_A_PERIOD) -> Steady:
    """Each coil driven at its own frequency and voltage; the level rises over a third of the periods."""
    step_s, running = 1 / (hz * steps), Running(circuit)
    last: list[tuple[Real, Real, Real]] = []
    for number in range(1, periods * steps + 1):
        rise = min(1.0, 3 * number / (periods * steps))
        running.to(rise * peak_v * np.sin(2 * np.pi * number / steps), step_s)
        if number > (periods - 1) * steps:
            last.append((running.core_v, running.current, running.seen()))
    core, current, seen = (_harmonics(np.array(course)) for course in zip(*last, strict=True))
    return Steady(hz, core, current, seen)


def _harmonics(course: Real) -> Real:
    """Complex peaks re a sine of the source, harmonics first axis last for plain courses."""
    turned = np.roll(course, 1, axis=0)  # the last sample of a period is the first of the next
    return np.moveaxis(2j * np.fft.rfft(turned, axis=0)[:8] / len(course), 0, 1)


# Circuits


def on_jig(cores: Cores, winding_ohm: Real, reference_ohm: Real, source_ohm: Real) -> Circuit:
    """The coil alone on the clips of a high-side jig."""
    return Circuit(
        (Element("R", "u", "source", source_ohm), Element("R", "source", "clips", reference_ohm),
         Element("R", "clips", "core", winding_ohm)),
        ("core", "0"), cores,
    )  # fmt: skip


@dataclass(frozen=True)
class LowPass:
    """What goes with the coil in a finished speaker; arrays with one entry a speaker, the tweeter's way as it is.

    ``capacitor_f`` with ``capacitor_ohm`` across the woofer: ``re_ohm``, ``le_h`` with ``eddy_ohm`` beside it, and the
    cone's resonance ``fs_hz``, ``qms``, ``motional_ohm``. Tweeter: ``tweeter_f`` in series, ``shunt_h`` across it.
    """

    capacitor_f: Real
    capacitor_ohm: Real
    re_ohm: Real
    le_h: Real
    eddy_ohm: Real
    fs_hz: Real
    qms: Real
    motional_ohm: Real
    tweeter_f: Real
    shunt_h: Real
    tweeter_ohm: Real
    tweeter_fs_hz: Real

    def taken(self, index: Real) -> LowPass:
        return LowPass(**{field.name: getattr(self, field.name)[index] for field in fields(self)})

    def elements(self, after_coil: str, terminals: str) -> tuple[Element, ...]:
        def cone(plus: str, fs_hz: Real, q: Real, ohm: Real) -> tuple[Element, ...]:
            omega = 2 * np.pi * fs_hz
            return (Element("R", plus, "0", ohm), Element("C", plus, "0", q / (omega * ohm)),
                    Element("L", plus, "0", ohm / (omega * q)))  # fmt: skip

        return (
            Element("C", after_coil, "esr", self.capacitor_f), Element("R", "esr", "0", self.capacitor_ohm),
            Element("R", after_coil, "voice", self.re_ohm), Element("L", "voice", "cone", self.le_h),
            Element("R", "voice", "cone", self.eddy_ohm), *cone("cone", self.fs_hz, self.qms, self.motional_ohm),
            Element("R", terminals, "lead", np.full(self.re_ohm.size, 0.02)),
            Element("C", "lead", "high", self.tweeter_f), Element("L", "high", "0", self.shunt_h),
            Element("R", "high", "dome", self.tweeter_ohm),
            *cone("dome", self.tweeter_fs_hz, np.full(self.re_ohm.size, 2.0), 0.7 * self.tweeter_ohm),
        )  # fmt: skip


def in_speaker(cores: Cores, winding_ohm: Real, rest: LowPass, reference_ohm: Real, source_ohm: Real) -> Circuit:
    """The coil in series before the woofer of a finished two-way, its terminals on the clips."""
    return Circuit(
        (Element("R", "u", "source", source_ohm), Element("R", "source", "clips", reference_ohm),
         Element("R", "clips", "core", winding_ohm), *rest.elements("woofer", "clips")),
        ("core", "woofer"), cores,
    )  # fmt: skip


# Draws


@dataclass(frozen=True)
class Drawn:
    """Random coils: cores and resistance of the windings, and the current (peak) about which they saturate."""

    cores: Cores
    winding_ohm: Real
    about_a: Real


def draw_coils(seed: int, count: int, iron: bool, about_a: Sequence[float] = (0.3, 15.0)) -> Drawn:
    """So many coils; see the head of the module for the sizes."""
    rng = np.random.default_rng([seed, 31, int(iron)])

    def between(low: float, high: float) -> Real:
        return np.exp(rng.uniform(np.log(low), np.log(high), count))

    whole, saturates, forever = between(0.3e-3, 6e-3), between(*about_a), np.full(count, np.inf)
    if not iron:
        eddy = 2 * np.pi * between(15e3, 100e3) * whole
        air = Cores(whole, forever, 0 * whole, forever, 1 + 0 * whole, 0 * whole, 1 + 0 * whole, eddy)
        return Drawn(air, np.sqrt(whole / 1e-3) * rng.uniform(0.25, 0.55, count), forever)
    leak = whole * rng.uniform(0.005, 0.06, count)
    # Core over gap: without one, and from a third of it to thirty times it.
    over_gap = np.where(rng.random(count) < 0.3, 0.0, between(0.3, 30.0))
    core = (whole - leak) * (1 + over_gap)
    gap = np.where(over_gap > 0, core / np.maximum(over_gap, 1e-9), np.inf)
    linkage = (whole - leak) * saturates
    at_core_a = linkage / core
    cores = Cores(
        core, gap, leak, linkage, rng.uniform(1.3, 4.0, count), between(0.02, 1.0) * core / at_core_a,
        at_core_a * rng.uniform(0.1, 0.5, count), 2 * np.pi * between(2e3, 200e3) * whole,
    )  # fmt: skip
    return Drawn(cores, np.sqrt(whole / 1e-3) * rng.uniform(0.06, 0.15, count), saturates)
