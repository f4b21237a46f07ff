"""Write the circuit as an ngspice netlist, run ngspice, read the node voltages back.

Mechanics in the mobility analogy (velocity = voltage, force = current), acoustics in the impedance analogy (pressure
= voltage, flow = current): then every node has a path to ground at 0 Hz, but for the air of the box, which gets a
bleeder of 1e12 Pa s/m3 (below 1e-7 of the box's own impedance in the audio band).
"""

from __future__ import annotations

import itertools
import math
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from reference.jig_circuit import Jig
from reference.speaker_circuit import (
    Branch,
    Cavity,
    Driver,
    Leak,
    Port,
    SpeakerCircuit,
    line_constants,
    port_mass_kg_per_m4,
)

BLEEDER = 1e12
SHORTEST_SEGMENT_M = 1e-6


@dataclass(frozen=True)
class NetlistDevice:
    """Anything between the nodes ``e0`` and ``0`` of a high-side jig, as lines of a netlist."""

    lines: tuple[str, ...]


def ngspice_there() -> bool:
    return shutil.which("ngspice") is not None


def logarithmic(per_decade: int, low_hz: float, high_hz: float) -> str:
    """Grid for `run_netlist`: points per decade."""
    return f"dec {per_decade} {low_hz!r} {high_hz!r}"


def bins(first: int, last: int, spacing_hz: float) -> str:
    """Grid for `run_netlist`: the multiples ``first`` to ``last`` of a spacing."""
    return f"lin {last - first + 1} {first * spacing_hz!r} {last * spacing_hz!r}"


def jig_netlist(device: SpeakerCircuit | NetlistDevice | float, jig: Jig, both_on_source: bool = False) -> str:
    """Netlist of a jig with a speaker, a network or a resistor (0 = short, inf = open) on its clips.

    Nodes ``one`` and ``two`` are the inputs. ``both_on_source`` is the channel match.
    """
    lines = ["* loudspeaker on a jig", "vdrive drive 0 ac 1", _resistor("rsource", "drive", "one", jig.source_ohm)]
    if jig.kind == "high-side":
        lines += [f"rref one clips {jig.reference_ohm!r}", _resistor("rlead", "clips", "e0", jig.lead_ohm)]
        low, second = "0", "clips"
    else:
        lines += [_resistor("rlead", "one", "e0", jig.lead_ohm), f"rref low 0 {jig.reference_ohm!r}"]
        low, second = "low", "low"
    lines += [f"vtwo two {'one' if both_on_source else second} 0"]
    if math.isfinite(jig.input_ohm):
        lines += [f"rin1 one 0 {jig.input_ohm!r}", f"rin2 two 0 {jig.input_ohm!r}"]
    if isinstance(device, SpeakerCircuit):
        lines += speaker_lines(device, "e0", low)
    elif isinstance(device, NetlistDevice):
        lines += device.lines
    elif math.isfinite(device):
        lines += [_resistor("rdevice", "e0", low, device)]
    return "\n".join(lines)


def _resistor(name: str, one: str, other: str, ohm: float) -> str:
    """A resistor, or a wire where it has no resistance."""
    return f"{name} {one} {other} {ohm!r}" if ohm else f"v{name} {one} {other} 0"


def speaker_lines(circuit: SpeakerCircuit, positive: str, negative: str) -> list[str]:
    """The speaker between two nodes."""
    lines = _coil(circuit.driver, positive, negative) + _cone(circuit.driver)
    if circuit.cavity is not None:
        lines += _cavity(circuit, circuit.cavity)
        for index, branch in enumerate(circuit.branches):
            lines += _branch(circuit, circuit.cavity, index, branch)
    return lines


def _coil(driver: Driver, positive: str, negative: str) -> list[str]:
    coil = driver.coil
    lines = [f"rdc {positive} c0 {coil.resistance_ohm!r}"]
    last = "c0"
    if coil.inductance_h:
        lines.append(f"lcoil c0 cl {coil.inductance_h!r}")
        last = "cl"
    for index, (resistance, inductance) in enumerate(coil.sections):
        following = f"cs{index}"
        lines += [f"rsec{index} {last} {following} {resistance!r}", f"lsec{index} {last} {following} {inductance!r}"]
        last = following
    bl = driver.force_factor_tm
    return [*lines, f"vcoil {last} emf 0", f"ebl emf {negative} v 0 {bl!r}", f"fbl 0 v vcoil {bl!r}"]


def _cone(driver: Driver) -> list[str]:
    lines = [
        f"cmass v 0 {driver.moving_mass_kg!r}",
        f"lspring v 0 {driver.compliance_m_per_n!r}",
        f"rloss v 0 {1 / driver.resistance_ns_per_m!r}",
    ]
    for index, hung in enumerate(driver.hung):
        lines += [
            f"lhung{index} v h{index} {hung.compliance_m_per_n!r}",
            f"rhung{index} v h{index} {1 / hung.resistance_ns_per_m!r}",
            f"chung{index} h{index} 0 {hung.mass_kg!r}",
        ]
    return lines


def _air_nodes(circuit: SpeakerCircuit, cavity: Cavity, place: int) -> list[tuple[str, float]]:
    """Nodes whose weighted sum is the pressure at a place: one a line, the air outside, and the uniform pressure."""
    nodes = [(_line_node(circuit, index, place), 1.0) for index in range(len(cavity.lines))]
    if cavity.outside_kg_per_m4:
        nodes.append(("po", 1.0))
    uniform_weight = 1.0 - len(cavity.lines)
    return [*nodes, ("pu", uniform_weight)] if uniform_weight else nodes


def _line_node(circuit: SpeakerCircuit, index: int, place: int) -> str:
    at_m = circuit.places_m(index)
    return f"p{index}x{_distinct(at_m).index(_nearest(at_m, at_m[place]))}"


def _distinct(at_m: list[float]) -> list[float]:
    """Places in order, those nearer than the shortest segment taken as one."""
    result: list[float] = []
    for place_m in sorted(at_m):
        if not result or place_m - result[-1] > SHORTEST_SEGMENT_M:
            result.append(place_m)
    return result


def _nearest(at_m: list[float], place_m: float) -> float:
    return min(_distinct(at_m), key=lambda other: abs(other - place_m))


def _cavity(circuit: SpeakerCircuit, cavity: Cavity) -> list[str]:
    lines = []
    if len(cavity.lines) != 1:
        lines += [f"cpu pu 0 {cavity.compliance_m3_per_pa!r}", f"rpu pu 0 {BLEEDER!r}"]
    if cavity.outside_kg_per_m4:
        lines.append(f"lpo po 0 {cavity.outside_kg_per_m4!r}")
    for index, line in enumerate(cavity.lines):
        constants = line_constants(cavity, cavity.volume_m3 / line.length_m, line.damping_per_s)
        places = _distinct(circuit.places_m(index))
        nodes = [f"p{index}x{number}" for number in range(len(places))]
        lines.append(f"rbleed{index} {nodes[0]} 0 {BLEEDER!r}")
        ends = [("end0", 0.0), *zip(nodes, places, strict=True), ("end1", line.length_m)]
        for segment, ((node, at_m), (after, after_m)) in enumerate(itertools.pairwise(ends)):
            names = [f"p{index}{name}" if name.startswith("end") else name for name in (node, after)]
            if after_m - at_m > SHORTEST_SEGMENT_M:
                lines += _line_segment(f"{index}s{segment}", names[0], names[1], constants, after_m - at_m)
    area = circuit.driver.area_m2
    for number, (node, weight) in enumerate(_air_nodes(circuit, cavity, 0)):
        lines += [f"gforce{number} v 0 {node} 0 {area * weight!r}", f"gflow{number} 0 {node} v 0 {area!r}"]
    return lines


def _line_segment(
    name: str, one: str, other: str, constants: tuple[float, float, float], length_m: float
) -> list[str]:
    resistance, mass, compliance = constants
    return [
        f".model m{name} ltra rel=1 r={resistance!r} l={mass!r} g=0 c={compliance!r} len={length_m!r}",
        f"o{name} {one} 0 {other} 0 m{name}",
    ]


def _branch(circuit: SpeakerCircuit, cavity: Cavity, index: int, branch: Branch) -> list[str]:
    """Sum of the pressures at its place, through a flow sensor, into its elements; the flow leaves the air."""
    name = f"b{index}"
    nodes = _air_nodes(circuit, cavity, index + 1)
    lines = []
    for number, (node, weight) in enumerate(nodes):
        low = "0" if number == len(nodes) - 1 else f"{name}e{number + 1}"
        lines += [f"e{name}{number} {name}e{number} {low} {node} 0 {weight!r}", f"f{name}{number} {node} 0 v{name} 1"]
    lines.append(f"v{name} {name}e0 {name}i 0")
    if isinstance(branch, Port):
        return lines + _port(name, branch, cavity)
    if isinstance(branch, Leak):
        return [*lines, *_mass(name, f"{name}i", f"{name}r", branch.mass_kg_per_m4),
                f"r{name} {name}r 0 {branch.resistance_pa_s_per_m3!r}"]
    return [
        *lines,
        f"c{name} {name}i {name}c {branch.compliance_m3_per_pa!r}",
        f"l{name} {name}c {name}r {branch.mass_kg_per_m4!r}",
        f"r{name} {name}r 0 {branch.resistance_pa_s_per_m3!r}",
    ]


def _mass(name: str, one: str, other: str, mass: float) -> list[str]:
    return [f"l{name} {one} {other} {mass!r}" if mass else f"vm{name} {one} {other} 0"]


def _port(name: str, port: Port, cavity: Cavity) -> list[str]:
    outer = f"{name}p" if port.pipe else "0"
    lines = [
        *_mass(name, f"{name}i", f"{name}r", port_mass_kg_per_m4(port, cavity)),
        f"r{name} {name}r {outer} {port.resistance_pa_s_per_m3!r}",
    ]
    if port.pipe:
        constants = line_constants(cavity, port.area_m2, port.pipe_damping_per_s)
        lines += [*_line_segment(name, outer, f"{name}o", constants, port.length_m), f"vo{name} {name}o 0 0"]
    return lines


def run_netlist(netlist: str, grid: str, nodes: tuple[str, ...] = ("one", "two")) -> NDArray[np.complex128]:
    """Run an ``.ac`` analysis; returns shape (1 + nodes, points), frequency in Hz first.

    Raises
    ------
    RuntimeError
        If ngspice fails; with what it printed.
    """
    with tempfile.TemporaryDirectory() as folder:
        wanted = " ".join(f"v({node})" for node in nodes)
        control = f".control\nset filetype=binary\nac {grid}\nwrite out.raw {wanted}\nquit\n.endc\n.end\n"
        (Path(folder) / "circuit.cir").write_text(netlist + "\n" + control, encoding="ascii")
        done = subprocess.run(
            ["ngspice", "-b", "circuit.cir"], cwd=folder, capture_output=True, text=True, timeout=300, check=False
        )
        output = Path(folder) / "out.raw"
        if not output.exists():
            raise RuntimeError(f"ngspice gave no result:\n{done.stdout}\n{done.stderr}\n{netlist}")
        return _read_raw(output.read_bytes(), 1 + len(nodes))


def _read_raw(content: bytes, columns: int) -> NDArray[np.complex128]:
    """Binary raw file of a complex analysis with ``columns`` vectors."""
    marker = b"Binary:\n"
    values = np.frombuffer(content[content.index(marker) + len(marker) :], dtype=np.complex128)
    return values.reshape(-1, columns).T.copy()


def speaker_impedance(circuit: SpeakerCircuit, grid: str) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Frequency in Hz and impedance in ohm, from the two node voltages of an ideal jig."""
    jig = Jig(reference_ohm=10.0)
    frequency, first, second = run_netlist(jig_netlist(circuit, jig), grid)
    return frequency.real, jig.reference_ohm * second / (first - second)
