"""The fitted model as a SPICE netlist that gives the measured impedance back, and the bass response.

Between ``in`` and ground lies the speaker. The motional part is a parallel circuit in ohms (force over Bl is current,
velocity times Bl is voltage); the air of the box is a circuit of its own, driven by that voltage as its volume flow
and answering with a current on the cone. Powers of frequency (semi-inductance, creep) become ladders of resistances
parallel to inductances. The voltage at ``pressure`` is the bass response for 1 V at ``in``.
"""

from __future__ import annotations

import numpy as np

from stillbox.analysis.enclosure.box import BoxFit
from stillbox.analysis.enclosure.box_model import HEAT, BoxModel
from stillbox.analysis.enclosure.box_numbers import LN_HELD, BoxNumbers, InsideNumbers, PortNumbers
from stillbox.analysis.lumped.coil_models import CHAIN_CORNERS_RAD_S, CoilModel
from stillbox.analysis.lumped.cone_resonances import ConeResonances
from stillbox.analysis.lumped.driver import DriverFit
from stillbox.analysis.lumped.driver_model import DIPOLE_B, ConeNumbers, FreeAirNumbers, cone_of
from stillbox.analysis.system.box_sound import BassSystem, bass_system
from stillbox.capture.arrays import FloatArray

LADDER_PER_DECADE = 4
LADDER_LOW_HZ, LADDER_HIGH_HZ = 1e-3, 1e8
CREEP_ABOVE = 400.0
"""The creep's ladder ends at this multiple of the resonance: above it a suspension is no spring any more."""
BLEEDER_OHM = 1e12
LEAST_AIR = 1e-9
"""Part of the moving mass below which the free air is left as a mass."""


def driver_netlist(fit: DriverFit, title: str) -> str:
    """Netlist of a driver in free air."""
    cone, air = cone_of(fit.parameters), fit.model.air_of(fit.parameters)
    scale = float(np.exp(cone.ln_scale))
    lines = _head(title)
    lines += _coil(fit.coil, cone, fit.coil_parameters)
    lines += [*_cone(cone, -air.air_part), *_free_air(air, scale)]
    lines += ["* small resonances on the cone", *_small(fit.small.moved(fit.changes), unit=scale)]
    return "\n".join([*lines, ".end", ""])


def box_netlist(fit: BoxFit, title: str) -> str:
    """Netlist of a box with its driver."""
    return netlist(bass_system(fit), title)


def netlist(system: BassSystem, title: str) -> str:
    """Netlist of a box with its driver; its sound is over Small's reference level."""
    model, x, box = system.model, system.parameters, system.numbers
    scale, load = float(np.exp(box.cone.ln_scale)), box.load
    lines = _head(title)
    lines += _coil(model.coil, box.cone, x[model.layout.blocks["coil"]])
    lines += _cone(box.cone, float(load.mu - load.front))
    if load.front:
        lines += [
            "* air before the front: a mass, and a resistance where it radiates",
            f"cfront emf front {_number(load.front / scale)}",
            f"rfront front 0 {_number(scale * np.exp(load.ln_front_s) / load.front)}",
        ]
    drivers = model.drivers.moved(x[model.layout.blocks["changes"].start : model.own_changes.start])
    lines += ["* small resonances on the cone", *_small(drivers, unit=scale)]
    lines += _air(model, box, model.own.moved(x[model.own_changes]))
    lines += [
        "* sound: flow into the compliance, times s Re Mms/Bl^2",
        "fsound 0 pressure vflow 1",
        f"lsound pressure 0 {_number(system.reference)}",
    ]
    return "\n".join([*lines, ".end", ""])


def as_subcircuit(netlist: str, name: str) -> str:
    """What such a netlist holds as a subcircuit with the terminals ``plus`` and ``minus``, neither of them on ground.

    Everything in it is relative to its node 0, and what flows in there comes out: so that node may lie anywhere.
    """
    lines = [line for line in netlist.splitlines() if line and line != ".end"]
    remarks = [line for line in lines if line.startswith("*")]
    elements = [_moved(line.split(), {"in": "plus", "0": "minus"}) for line in lines if not line.startswith("*")]
    return "\n".join([*remarks[:1], f".subckt {name} plus minus", *elements, f".ends {name}", ""])


def _moved(words: list[str], nodes: dict[str, str]) -> str:
    """A line of a netlist with other names of nodes; behind the name of a controlled source stand four of them."""
    count = 4 if words[0][0] in "eg" else 2
    return " ".join([words[0], *(nodes.get(node, node) for node in words[1 : 1 + count]), *words[1 + count :]])


def _number(value: float) -> str:
    return f"{float(value):.9e}"


def _head(title: str) -> list[str]:
    return [
        f"* {' '.join(title.split())}",
        "* fitted by Stillbox; drive it at node in, for instance with: vdrive in 0 ac 1",
    ]


def _coil(coil: CoilModel, cone: ConeNumbers[float], x: FloatArray) -> list[str]:
    """DC resistance and inductance between ``in`` and ``emf``."""
    values = coil.values(x)
    lines = ["* coil", f"rdc in c0 {_number(np.exp(cone.ln_re))}"]
    name = coil.name
    if name == "semi-inductance K s^n":
        factor, exponent = values
        return lines + _semi_inductance("coil", "c0", "emf", factor, exponent)
    if name == "inductance with parallel resistance":
        inductance, resistance = values
        return lines + _section("coil", "c0", "emf", inductance, resistance)
    first, rest = values[0], values[1:]
    if name == "inductance":
        return [*lines, f"lcoil c0 emf {_number(first)}"]
    if coil.smoothness is not None:
        return lines + _ladder("coil", "c0", "emf", rest, rest / CHAIN_CORNERS_RAD_S, first)
    lines.append(f"lcoil c0 c1 {_number(first)}")
    if name.startswith("inductance and"):
        sections = rest.reshape(-1, 2)
        ends = [f"c{index + 2}" for index in range(len(sections) - 1)] + ["emf"]
        start = "c1"
        for number, ((inductance, resistance), end) in enumerate(zip(sections, ends, strict=True)):
            lines += _section(f"coil{number}", start, end, inductance, resistance)
            start = end
        return lines
    second, factor, *parallel = rest
    lines.append(f"lcoil2 c1 emf {_number(second)}")
    lines += _semi_inductance("coil", "c1", "emf", factor, 0.5)
    return [*lines, *(f"rcoil2 c1 emf {_number(resistance)}" for resistance in parallel)]


def _section(name: str, one: str, other: str, inductance_h: float, resistance_ohm: float) -> list[str]:
    return [
        f"l{name} {one} {other} {_number(inductance_h)}",
        f"r{name} {one} {other} {_number(resistance_ohm)}",
    ]


def _semi_inductance(name: str, one: str, other: str, factor: float, exponent: float) -> list[str]:
    """``factor s^n`` as a sum over steps of x of ``sin(n pi)/pi factor x^n dx/x s/(s + x)``; the tail an inductance."""
    corners, step = _corners(LADDER_LOW_HZ, LADDER_HIGH_HZ)
    weight = factor * np.sin(exponent * np.pi) / np.pi
    resistances = weight * corners**exponent * step
    above = corners[-1] * np.exp(0.5 * step)
    tail = weight * above ** (exponent - 1) / (1 - exponent)
    return _ladder(name, one, other, resistances, resistances / corners, tail)


def _corners(low_hz: float, high_hz: float) -> tuple[FloatArray, float]:
    """Corner frequencies in rad/s, even on the logarithmic axis, and their step in nepers."""
    count = round(LADDER_PER_DECADE * np.log10(high_hz / low_hz)) + 1
    corners = 2 * np.pi * np.geomspace(low_hz, high_hz, count)
    return corners, float(np.log(corners[1] / corners[0]))


def _ladder(
    name: str, one: str, other: str, resistances: FloatArray, inductances: FloatArray, rest_h: float
) -> list[str]:
    lines, start = [], one
    for number, (resistance, inductance) in enumerate(zip(resistances, inductances, strict=True)):
        end = f"{name}n{number}"
        lines += _section(f"{name}s{number}", start, end, inductance, resistance)
        start = end
    return [*lines, f"l{name}rest {start} {other} {_number(rest_h)}"]


def _cone(cone: ConeNumbers[float], air_load: float) -> list[str]:
    """Mass, loss and spring between ``emf`` and ground: D/scale is their admittance."""
    scale, ws = float(np.exp(cone.ln_scale)), float(np.exp(cone.ln_ws))
    spring_h = scale / ws**2
    lines = [
        "* cone: mass, loss, suspension",
        f"cmass emf 0 {_number((1 + air_load) / scale)}",
        f"rloss emf 0 {_number(scale * np.exp(cone.ln_qms - cone.ln_ws))}",
    ]
    if cone.creep == 0:
        return [*lines, f"lspring emf 0 {_number(spring_h)}"]
    # s (1 - lambda log10(s/ws)) with ln((s + x2)/s) = sum over x below x2 of dx/(s + x).
    corners, step = _corners(LADDER_LOW_HZ, CREEP_ABOVE * ws / (2 * np.pi))
    slope = float(cone.creep) / float(np.log(10))
    resistances = spring_h * slope * corners * step
    above = corners[-1] * np.exp(0.5 * step)
    rest = spring_h * (1 - slope * np.log(above / ws))
    return lines + _ladder("spring", "emf", "0", resistances, resistances / corners, rest)


def _free_air(air: FreeAirNumbers[float], scale: float) -> list[str]:
    """Mass of the free air, and behind it what it becomes at high frequency: a resistance and a mass in parallel.

    The reciprocal of air s (1 + b u)/(1 + b u + u^2), u = s t, is 1/(air s) + t^2 s/(air (1 + b u)).
    """
    part, time_s = float(air.air_part), float(np.exp(air.ln_air_s))
    if abs(part) < LEAST_AIR:
        return [f"cfree emf 0 {_number(part / scale)}"]
    return [
        "* free air",
        f"cfree emf free {_number(part / scale)}",
        f"lfree free 0 {_number(time_s**2 * scale / part)}",
        f"rfree free 0 {_number(time_s * scale / (DIPOLE_B * part))}",
    ]


def _small(
    small: ConeResonances, name: str = "t", drive: str = "emf", back: tuple[str, str] = ("emf", "0"), unit: float = 1.0
) -> list[str]:
    """Each pair of D as a tank driven by a velocity: (a s + b)/(s^2 + g s + w^2) in ``unit`` as current ``back``."""
    lines = []
    one, other = back
    for number, (pole, residue) in enumerate(zip(small.poles_rad_s, small.residues, strict=True)):
        a, b = 2 * residue.real, -2 * (residue * np.conj(pole)).real
        w2 = abs(pole) ** 2
        tank, spring = f"{name}{number}", f"{name}s{number}"
        lines += [
            f"g{tank}drive 0 {tank} {drive} 0 1",
            f"c{tank} {tank} 0 1",
            f"g{tank} {tank} 0 {tank} 0 {_number(-2 * pole.real)}",
            f"l{tank} {tank} {spring} {_number(1 / w2)}",
            f"v{tank} {spring} 0 0",
            f"g{tank}back {one} {other} {tank} 0 {_number(a / unit)}",
            f"f{tank}back {one} {other} v{tank} {_number(b / w2 / unit)}",
        ]
    return lines


def _air(model: BoxModel, box: BoxNumbers, waves: ConeResonances) -> list[str]:
    """The air as a circuit: flow of the cone in, pressure times compliance as voltage; B is its impedance.

    Node ``air`` is the pressure that cone and port share, ``own`` what the cone meets beyond it; a leak sees the first
    and a part of the second, and what flows through it the same parts of both lack.
    """
    wb, inside, port = model.tuning_rad_s(box), box.inside, box.port
    way = 0.0 if port is None else float(port.way)
    stiffness = float(np.exp(box.load.ln_alpha + 2 * box.cone.ln_ws))
    leaks = bool(inside.leak)
    flow = "flow" if leaks else "emf"
    on_cone = _number(stiffness / np.exp(box.cone.ln_scale))
    lines = [
        "* air of the box: compliance with absorption, leak, port; what only the cone meets",
        "gair 0 air emf 0 1",
        f"gbox emf 0 air 0 {on_cone}",
        f"gown emf 0 own 0 {on_cone}",
        "rown own 0 1",
        *_small(waves, "w", flow, ("0", "own"), stiffness),
        f"rair air 0 {_number(BLEEDER_OHM)}",
        "vflow air a0 0",
        *_compliance(model, inside),
        *_absorption(model, box, "way0" if way else "0"),
    ]
    lines += _behind(inside, flow)
    if port is not None:
        lines.append(f"gcone 0 own {flow} 0 {_number(port.cone_loss / wb)}")
        late = float(np.exp(port.ln_way))
        mass = (1 - port.kappa - way * (port.way_port - port.way_shared) * late / (1 + late**2)) / wb**2
        lines += _series("air", "way1" if way else "0", "port", port.port_loss / wb, mass)
        if way:
            lines += _way(port, flow)
    return lines + (_leak(inside, wb) if leaks else [])


def _compliance(model: BoxModel, inside: InsideNumbers[float]) -> list[str]:
    """s g(s) between ``a0`` and ``a1``: filling that gives its heat back late is compliances behind resistances."""
    bleeder = f"rbleed a0 a1 {_number(BLEEDER_OHM)}"
    soft, w = float(inside.soft), float(np.exp(inside.ln_soft_w))
    if not soft:
        return ["cair a0 a1 1", bleeder]
    at_reference = sum(part / (1 + (model.reference_rad_s / (w * turn)) ** 2) for part, turn in HEAT)
    lines = [f"cair a0 a1 {_number(1 - soft * at_reference)}", bleeder]
    for number, (part, turn) in enumerate(HEAT):
        lines.append(f"rsoft{number} a0 s{number} {_number(1 / (soft * part * w * turn))}")
        lines.append(f"csoft{number} s{number} a1 {_number(soft * part)}")
    return lines


def _absorption(model: BoxModel, box: BoxNumbers, end: str) -> list[str]:
    """Loss and mass of the shared air from ``a1`` on; fibre that gives way has its mass beside the loss."""
    wb, inside = model.tuning_rad_s(box), box.inside
    loss, turn = float(inside.absorption) / wb, float(np.exp(inside.ln_behind_turn))
    if box.port is not None:
        return _series("a1", end, "air", loss, box.port.kappa / wb**2)
    if not loss or inside.ln_behind_turn <= LN_HELD:
        return _series("a1", end, "air", loss, 0.0)
    loss *= 1 + (turn / wb) ** 2
    return [f"rair1 a1 {end} {_number(loss)}", f"lair1 a1 {end} {_number(loss / turn)}"]


def _behind(inside: InsideNumbers[float], flow: str) -> list[str]:
    """Air in filling: what the free air before it and a line of three cells are more than the whole air is."""
    part, turn = float(inside.behind), float(np.exp(inside.ln_behind_turn))
    if not part:
        return []
    mass = 1 / (part * float(np.exp(2 * inside.ln_behind_w)))
    drag = mass * float(np.exp(inside.ln_behind_loss))
    lines = [
        f"gbehind 0 back {flow} 0 1",
        f"cbehind back 0 {_number(1 - part)}",
        f"rbehind back 0 {_number(BLEEDER_OHM)}",
        f"cback back b0 {_number(part)}",
        f"rback back b0 {_number(BLEEDER_OHM)}",
        f"cback1 b0 b1 {_number(part / 5)}",
        f"rback1 b0 b1 {_number(BLEEDER_OHM)}",
        "gback 0 own back 0 1",
        f"gwhole 0 whole {flow} 0 1",
        "cwhole whole 0 1",
        f"rwhole whole 0 {_number(BLEEDER_OHM)}",
        "gless own 0 whole 0 1",
    ]
    for node, order in (("b0", 3), ("b1", 7)):
        resistance = drag / order
        lines.append(f"l{node}m {node} {node}d {_number(mass / order)}")
        lines.append(f"r{node}d {node}d 0 {_number(resistance)}")
        lines.append(f"l{node}d {node}d 0 {_number(resistance / turn)}")
    return lines


def _way(port: PortNumbers[float], flow: str) -> list[str]:
    """Filling on the way to the port, a mass beside a resistance: before cone and port, and in what is shared."""
    wb, late = float(np.exp(port.ln_wb)), float(np.exp(port.ln_way))
    lines = [f"gway 0 way {flow} 0 1", "gwayown 0 own way 0 1"]
    for node, part in (("way", 1.0), ("way0", -port.way_shared), ("way1", port.way_port)):
        resistance = float(part * port.way) / wb
        lines.append(f"r{node}x {node} 0 {_number(resistance)}")
        lines.append(f"l{node}x {node} 0 {_number(resistance / (late * wb))}")
    return lines


def _leak(inside: InsideNumbers[float], wb: float) -> list[str]:
    place, conductance = _number(inside.leak_place), float(inside.leak) * wb
    return [
        "egap gap0 gap1 air 0 1",
        f"egap1 gap1 0 own 0 {place}",
        *_series("gap0", "gap2", "leak", 1 / conductance, float(inside.leak_mass) / (conductance * wb)),
        "vgap gap2 0 0",
        "fgap air 0 vgap 1",
        "eflow flow flow1 emf 0 1",
        f"hflow flow1 0 vgap {_number(-inside.leak_place)}",
    ]


def _series(one: str, other: str, name: str, resistance: float, inductance: float) -> list[str]:
    """Resistance and inductance in series; what is zero is a wire."""
    middle = f"{name}m"
    return [
        f"r{name}x {one} {middle} {_number(resistance)}" if resistance else f"v{name}x {one} {middle} 0",
        f"l{name}x {middle} {other} {_number(inductance)}" if inductance else f"v{name}y {middle} {other} 0",
    ]
