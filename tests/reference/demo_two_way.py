"""The demonstration's speaker finished: its lined box with a tweeter and a crossover, as a circuit for ngspice.

Somebody read R33 for 3R3: 0.33 ohm stand before the tweeter where 3.3 ohm belong. All other parts are within their
tolerances, the woofer is the one that was swept in free air.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from reference import demo_build
from reference.ngspice_run import NetlistDevice, speaker_lines
from reference.speaker_circuit import SpeakerCircuit
from stillbox.capture.sweep.excitation import make_excitation


@dataclass(frozen=True)
class DemoPart:
    """A part of the crossover: nodes, planned value as the netlist has it, and what it really is with its loss."""

    name: str
    nodes: tuple[str, str]
    planned: str
    value: float
    loss_ohm: float = 0.0


PARTS = (
    DemoPart("L1", ("in", "low"), "1.2m", 1.187e-3, 0.41),
    DemoPart("C2", ("low", "0"), "12u", 12.21e-6, 0.04),
    DemoPart("C1", ("in", "high"), "5.6u", 5.683e-6, 0.025),
    DemoPart("L2", ("high", "0"), "0.33m", 0.334e-3, 0.26),
    DemoPart("R1", ("high", "dome"), "3.3", 3.27),
)
TOLD_LOSSES = {"L1": 0.4, "L2": 0.25}
"""DC resistance of the coils by the multimeter, ohm."""
WRONG = DemoPart("R1", ("high", "dome"), "3.3", 0.332)

TWEETER = (5.3, 0.045e-3, 24.0, 1.05e-3, 26e-6)
"""DC resistance, coil, and the resonance as a parallel circuit: ohm, H, ohm, H, F (963 Hz)."""
TWEETER_LOWEST_HZ = 800.0

SPEAKER_EXCITATION = make_excitation(seconds=2.0, silence_before_s=0.4, silence_after_s=0.4, repeats=1)
TWEETER_EXCITATION = make_excitation(
    low_hz=TWEETER_LOWEST_HZ, seconds=1.0, silence_before_s=0.3, silence_after_s=0.3, repeats=1
)
PART_EXCITATION = make_excitation(seconds=1.0, silence_before_s=0.3, silence_after_s=0.3, repeats=1)


def netlist() -> str:
    """As its builder wrote it down."""
    lines = ["* two-way, second order at 2.6 kHz, tweeter in the same sense"]
    for part in PARTS:
        first = part.nodes[0]
        if part.name in TOLD_LOSSES:
            lines.append(f"R{part.name} {first} {part.name.lower()} {TOLD_LOSSES[part.name]:g}")
            first = part.name.lower()
        lines.append(f"{part.name} {first} {part.nodes[1]} {part.planned}")
    return "\n".join([*lines, "Xwoofer low 0 woofer", "Xtweeter dome 0 tweeter", ".end", ""])


def part_lines(part: DemoPart, ends: dict[str, str]) -> Iterator[str]:
    """A part with its loss in series; ``ends`` gives nodes other names."""
    first, second = (ends.get(node, f"x{node}") for node in part.nodes)
    if part.loss_ohm:
        yield f"rl{part.name} {first} m{part.name} {part.loss_ohm!r}"
        first = f"m{part.name}"
    yield f"{part.name} {first} {second} {part.value!r}"


def tweeter_lines(positive: str, negative: str) -> list[str]:
    """The tweeter between two nodes."""
    dc_ohm, coil_h, loss_ohm, spring_h, mass_f = TWEETER
    return [
        f"rtdc {positive} t0 {dc_ohm!r}", f"ltcoil t0 t1 {coil_h!r}", f"rtloss t1 {negative} {loss_ohm!r}",
        f"ltspring t1 {negative} {spring_h!r}", f"ctmass t1 {negative} {mass_f!r}",
    ]  # fmt: skip


def tweeter() -> NetlistDevice:
    return NetlistDevice(tuple(tweeter_lines("e0", "0")))


def part_alone(name: str) -> NetlistDevice:
    part = next(one for one in PARTS if one.name == name)
    return NetlistDevice(tuple(part_lines(part, {part.nodes[0]: "e0", part.nodes[1]: "0"})))


def finished(parts: tuple[DemoPart, ...], woofer: SpeakerCircuit = demo_build.LINED) -> NetlistDevice:
    """Crossover, woofer in its box and tweeter on the clips."""
    ends = {"in": "e0", "0": "0"}
    lines = [line for part in parts for line in part_lines(part, ends)]
    return NetlistDevice((*lines, *speaker_lines(woofer, "xlow", "0"), *tweeter_lines("xdome", "0")))


MENDED = finished(PARTS)
AS_BOUGHT = finished(tuple(WRONG if part.name == WRONG.name else part for part in PARTS))
