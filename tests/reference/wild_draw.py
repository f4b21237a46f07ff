"""What each kind of wildness does: to the speaker (in both takes of a pair, or between them), and to a take."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from reference import wild_disturbances as sounds
from reference.bench_speaker import Bends, SmallLoad, WildSpeaker, with_load
from stillbox.capture.sweep.excitation import Excitation

Floats = NDArray[np.float64]
Strength = Literal["mild", "strong"]
Occasion = Literal["first", "second", "third"]
OCCASIONS: tuple[Occasion, ...] = ("first", "second", "third")
"""There is a third one for the driver that is taken out once more."""
Random = np.random.Generator


@dataclass
class Happening:
    """What goes on during one take; kinds add to it. Noise and gain are of full scale, shape (frames, 2) or 0."""

    frames: int
    rate: int
    starts: list[int]
    excitation: Excitation
    speaker: WildSpeaker
    occasion: Occasion
    series_ohm: Floats | None = None
    stiffness_n_m: Floats | None = None
    force_n: Floats | None = None
    noise: Floats | float = 0.0
    gain: Floats | float = 0.0
    warming_share: float = 0.0
    warming_time_s: float = 5.0
    clock: float = 1.0
    subtype: str = "PCM_24"
    dither: bool = False
    steps: list[int] = field(default_factory=list)

    def add_ohm(self, ohm: Floats) -> None:
        self.series_ohm = ohm if self.series_ohm is None else self.series_ohm + ohm

    def push(self, force_n: Floats) -> None:
        self.force_n = force_n if self.force_n is None else self.force_n + force_n

    def in_a_sweep(self, rng: Random) -> int:
        """A frame in the middle four fifths of one of the sweeps."""
        return int(rng.choice(self.starts) + rng.uniform(0.1, 0.9) * self.excitation.sweep_frames)


def _same(speaker: WildSpeaker, rng: Random, strength: Strength, occasion: Occasion) -> WildSpeaker:
    return speaker


def _nothing(happening: Happening, rng: Random, strength: Strength) -> None:
    return


def _no_air(rng: Random, strength: Strength) -> float:
    return 1.0


@dataclass(frozen=True)
class Kind:
    """One kind: what it is in words, what it does to the speaker, to a take, and to the air between two takes."""

    mild: str
    strong: str
    happen: Callable[[Happening, Random, Strength], None] = _nothing
    change_speaker: Callable[[WildSpeaker, Random, Strength, Occasion], WildSpeaker] = _same
    between: str = ""
    air_factor: Callable[[Random, Strength], float] = _no_air


def _between(rng: Random, strength: Strength, mild: tuple[float, float], strong: tuple[float, float]) -> float:
    low, high = mild if strength == "mild" else strong
    return float(rng.uniform(low, high))


def _both_signs(rng: Random) -> float:
    return float(rng.choice([-1.0, 1.0]))


# In the room: pressure on the cone is force = Sd p; the circuit makes the voltage Bl F / Zm of it.


def _speech(happening: Happening, rng: Random, strength: Strength) -> None:
    level_db = 50.0 if strength == "mild" else 65.0
    happening.push(happening.speaker.area_m2 * sounds.speech_pa(rng, happening.frames, happening.rate, level_db))


def _footsteps(happening: Happening, rng: Random, strength: Strength) -> None:
    peak = _between(rng, strength, (0.005, 0.02), (0.05, 0.2))
    shake = sounds.footsteps(rng, happening.frames, happening.rate, peak)
    happening.push(happening.speaker.mass_kg * shake)


def _door(happening: Happening, rng: Random, strength: Strength) -> None:
    peak = _between(rng, strength, (0.5, 1.5), (4.0, 12.0))
    happening.push(happening.speaker.area_m2 * sounds.door_pa(rng, happening.frames, happening.rate, peak))


# At the inputs.


def _pink(happening: Happening, rng: Random, strength: Strength) -> None:
    rms = 10 ** ((-98.0 if strength == "mild" else -80.0) / 20)
    noise = [sounds.pink(rng, happening.frames, happening.rate, rms) for _ in range(2)]
    happening.noise = happening.noise + np.stack(noise, axis=1)


def _white(happening: Happening, rng: Random, strength: Strength) -> None:
    rms = 10 ** ((-98.0 if strength == "mild" else -82.0) / 20)
    happening.noise = happening.noise + rms * rng.normal(size=(happening.frames, 2))


def _mains(happening: Happening, rng: Random, strength: Strength) -> None:
    rms = 10 ** (_between(rng, strength, (-90, -80), (-72, -62)) / 20)
    hum = sounds.mains(rng, happening.frames, happening.rate, rms)
    happening.noise = happening.noise + np.stack(hum, axis=1)


def _in_one_channel(rng: Random, gain: Floats) -> Floats:
    channels = [np.zeros_like(gain), np.zeros_like(gain)]
    channels[int(rng.integers(2))] = gain
    return np.stack(channels, axis=1)


def _gain_drift(happening: Happening, rng: Random, strength: Strength) -> None:
    span = _both_signs(rng) * (1e-4 if strength == "mild" else 1e-3)
    happening.gain = happening.gain + _in_one_channel(rng, span * np.linspace(0, 1, happening.frames))


def _gain_step(happening: Happening, rng: Random, strength: Strength) -> None:
    height = _both_signs(rng) * _between(rng, strength, (0.5e-3, 1e-3), (3e-3, 1e-2))
    step = sounds.step_at(happening.frames, happening.in_a_sweep(rng), height)
    happening.gain = happening.gain + _in_one_channel(rng, step)


def _clock(happening: Happening, rng: Random, strength: Strength) -> None:
    happening.clock = 1 + _both_signs(rng) * _between(rng, strength, (1e-6, 3e-6), (1e-5, 3e-5))


def _sixteen_bit(happening: Happening, rng: Random, strength: Strength) -> None:
    happening.subtype, happening.dither = "PCM_16", strength == "mild"


# On the clips and in the coil.


def _contact_drift(happening: Happening, rng: Random, strength: Strength) -> None:
    span = _both_signs(rng) * _between(rng, strength, (0.001, 0.003), (0.01, 0.03))
    happening.add_ohm(max(-span, 0) * 1.5 + 0.01 + sounds.wander(rng, happening.frames, happening.rate, span))


def _contact_step(happening: Happening, rng: Random, strength: Strength) -> None:
    frame = happening.in_a_sweep(rng)
    height = _between(rng, strength, (0.005, 0.015), (0.03, 0.1))
    up = sounds.step_at(happening.frames, frame, height)
    happening.add_ohm(up if rng.random() < 0.5 else height - up)
    happening.steps.append(frame)


def _contact_flutter(happening: Happening, rng: Random, strength: Strength) -> None:
    frame, end = happening.in_a_sweep(rng), happening.in_a_sweep(rng)
    frame, end = min(frame, end), max(frame, end)
    total = np.zeros(happening.frames)
    height = _between(rng, strength, (0.003, 0.008), (0.02, 0.06))
    while True:
        width = int(rng.exponential(0.06) * happening.rate) + 24
        total[frame : frame + width] += height * rng.uniform(0.5, 1.0)
        happening.steps += [frame, frame + width]
        frame += width + int(rng.exponential(0.15) * happening.rate) + 24
        if frame >= min(end, happening.frames - 1):
            break
    happening.add_ohm(total)


def _warming(happening: Happening, rng: Random, strength: Strength) -> None:
    happening.warming_share = 0.002 if strength == "mild" else 0.01
    happening.warming_time_s = float(rng.uniform(3, 8))


# The speaker itself.


def _playing_in(happening: Happening, rng: Random, strength: Strength) -> None:
    share = _between(rng, strength, (0.003, 0.006), (0.02, 0.04))
    t = np.arange(happening.frames) / happening.rate + (0.0 if happening.occasion == "first" else 30.0)
    happening.stiffness_n_m = happening.speaker.stiffness_n_m * share * np.exp(-t / rng.uniform(8, 30))


def _room(speaker: WildSpeaker, rng: Random, strength: Strength, occasion: Occasion) -> WildSpeaker:
    """Modes of one room; how much the cone feels of each goes with cos^2 of its place, drawn for each take."""
    for _ in range(int(rng.integers(4, 9))):
        hz, q = rng.uniform(30, 200), rng.uniform(15, 40)
        most_ohm = _between(rng, strength, (0.001, 0.005), (0.005, 0.02))
        felt = {name: np.cos(rng.uniform(0, np.pi)) ** 2 for name in ("first", "second")}
        speaker = with_load(speaker, SmallLoad("room", "wave", hz, q, 0.0), most_ohm * felt[occasion])
    return speaker


def _air_factor(rng: Random, strength: Strength) -> float:
    kelvin = _between(rng, strength, (1.0, 3.0), (5.0, 12.0))
    return float(np.sqrt((293.15 + kelvin) / 293.15))


def _warm_air(speaker: WildSpeaker, rng: Random, strength: Strength, occasion: Occasion) -> WildSpeaker:
    """The box's compliance is that of the pressure and stays; air gets lighter, copper 0.39 % per K dearer."""
    factor = _air_factor(rng, strength)
    if occasion == "first":
        return speaker
    kelvin = 293.15 * (factor**2 - 1)
    loads = tuple(
        replace(load, frequency_hz=load.frequency_hz * factor, stiffness_n_m=load.stiffness_n_m)
        if load.cause == "standing wave"
        else load
        for load in speaker.loads
    )
    return replace(
        speaker,
        loads=loads,
        port_mass=speaker.port_mass / factor**2,
        re_ohm=speaker.re_ohm * (1 + 0.0039 * kelvin),
    )


def _remount(speaker: WildSpeaker, rng: Random, strength: Strength, occasion: Occasion) -> WildSpeaker:
    """Stress of the basket: suspension and cone edge a little other, the seal's leak too; walls by a fifth of it."""
    size = 0.004 if strength == "mild" else 0.015
    mounted = speaker
    for _ in range(OCCASIONS.index(occasion)):  # each time anew
        stiff, leak = 1 + 2 * size * rng.normal(), np.exp(10 * size * rng.normal())
        loads = []
        for load in speaker.loads:
            part = {"driver": 1.0, "wall": 0.2}.get(load.cause, 0.0)
            moved, grown = 1 + part * size * rng.normal(), np.exp(10 * part * size * rng.normal())
            hz, stiffness = load.frequency_hz * moved, load.stiffness_n_m * grown
            loads.append(replace(load, frequency_hz=hz, stiffness_n_m=stiffness))
        mounted = replace(
            speaker,
            loads=tuple(loads),
            stiffness_n_m=speaker.stiffness_n_m * stiff,
            leak_loss=speaker.leak_loss * leak,
        )
    return mounted


def _bent(speaker: WildSpeaker, rng: Random, strength: Strength, occasion: Occasion) -> WildSpeaker:
    """Shares at the highest excursion of the sweep, as a drive of some volts has them."""
    size = 0.01 if strength == "mild" else 0.05
    signs = [_both_signs(rng) * rng.uniform(0.5, 1.0) for _ in range(3)]
    bends = Bends(
        b1=0.4 * size * signs[0],
        b2=-0.4 * size * rng.uniform(0.5, 1.0),
        k1=size * signs[1],
        k2=size * rng.uniform(0.5, 1.0),
        l1=size * signs[2],
    )
    return replace(speaker, bends=bends)


def _softening(speaker: WildSpeaker, rng: Random, strength: Strength, occasion: Occasion) -> WildSpeaker:
    soft = _between(rng, strength, (0.01, 0.02), (0.05, 0.10))
    return replace(speaker, bends=replace(speaker.bends, soft=soft, soft_at_m=rng.uniform(0.2, 0.6)))


def _semi_inductive(speaker: WildSpeaker, rng: Random, strength: Strength, occasion: Occasion) -> WildSpeaker:
    """The lossy pair of the coil gives way to ``k s^n`` with about its impedance at 2 kHz."""
    n = _between(rng, strength, (0.70, 0.80), (0.50, 0.65))
    ohm = rng.uniform(1.5, 4.0)
    return replace(speaker, l2_h=0.0, semi_k=ohm / (2 * np.pi * 2000) ** n, semi_n=n, le_h=0.3 * speaker.le_h)


def _creep(speaker: WildSpeaker, rng: Random, strength: Strength, occasion: Occasion) -> WildSpeaker:
    return replace(speaker, creep=_between(rng, strength, (0.02, 0.05), (0.10, 0.20)))


KINDS: dict[str, Kind] = {
    "speech": Kind("speech at 50 dB", "speech at 65 dB", _speech),
    "footsteps": Kind("steps, floor 5 to 20 mm/s2", "steps, floor 50 to 200 mm/s2", _footsteps),
    "door": Kind("door, 0.5 to 1.5 Pa", "door, 4 to 12 Pa", _door),
    "pink_noise": Kind("1/f of inputs -98 dBFS", "1/f of inputs -80 dBFS", _pink),
    "white_noise": Kind("white of inputs -98 dBFS", "white of inputs -82 dBFS", _white),
    "gain_drift": Kind("0.01 % over the take", "0.1 % over the take", _gain_drift),
    "gain_step": Kind("0.05 to 0.1 % in a sweep", "0.3 to 1 % in a sweep", _gain_step),
    "clock": Kind("1 to 3 ppm", "10 to 30 ppm", _clock),
    "contact_drift": Kind("1 to 3 mohm", "10 to 30 mohm", _contact_drift),
    "contact_step": Kind("5 to 15 mohm in a sweep", "30 to 100 mohm in a sweep", _contact_step),
    "contact_flutter": Kind("jumps of 3 to 8 mohm", "jumps of 20 to 60 mohm", _contact_flutter),
    "coil_warming": Kind("0.2 % of Re", "1 % of Re", _warming),
    "mains": Kind("-90 to -80 dBFS, 12 harmonics", "-72 to -62 dBFS, 12 harmonics", _mains),
    "room": Kind("modes of 1 to 5 mohm", "modes of 5 to 20 mohm", change_speaker=_room, between="moved in the room"),
    "warm_air": Kind(
        "1 to 3 K", "5 to 12 K", change_speaker=_warm_air, between="warmer air and coil", air_factor=_air_factor
    ),
    "remount": Kind(
        "0.4 % (standard deviation)", "1.5 %", change_speaker=_remount, between="driver taken out and put in again"
    ),
    "sixteen_bit": Kind("16 bits with dither", "16 bits without dither", _sixteen_bit),
    "nonlinear": Kind("suspension 1 % at the peak", "suspension 5 % at the peak", change_speaker=_bent),
    "level_dependence": Kind("1 to 2 % softer", "5 to 10 % softer", change_speaker=_softening),
    "playing_in": Kind("0.3 to 0.6 % stiffer at first", "2 to 4 % stiffer at first", _playing_in, between="played in"),
    "semi_inductive": Kind("n 0.7 to 0.8", "n 0.5 to 0.65", change_speaker=_semi_inductive),
    "creep": Kind("2 to 5 % a decade", "10 to 20 % a decade", change_speaker=_creep),
}
"""Every kind by its name."""
