"""Parts in a row as one: between two nodes at which currents part there is one impedance, whatever it is made of.

What is in series adds up before anything is computed over draws and frequencies, so that a trap of coil, capacitor and
resistor costs no more than one of them.
"""

from __future__ import annotations

import functools
import operator
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from stillbox.analysis.network.network import LOSS, Network, Part
from stillbox.capture.arrays import ComplexArray, FloatArray


@dataclass(frozen=True)
class Branch:
    """Parts in a row between two nodes; the same current is in all of them."""

    nodes: tuple[str, str]
    parts: tuple[Part, ...]


@functools.lru_cache(maxsize=64)
def branches_of(network: Network) -> tuple[Branch, ...]:
    """All parts of a network in as few branches as there can be."""
    branches = [Branch(part.nodes, (part,)) for part in network.parts]
    at_drivers = {node for place in network.drivers for node in place.nodes}
    for node in network.inner_nodes:
        touching = [branch for branch in branches if node in branch.nodes]
        if node in at_drivers or len(touching) != 2:
            continue
        ends = [end for branch in touching for end in branch.nodes if end != node]
        if len(set(ends)) == 2:
            branches = [branch for branch in branches if branch not in touching]
            branches.append(Branch((ends[0], ends[1]), touching[0].parts + touching[1].parts))
    return tuple(branches)


@dataclass(frozen=True)
class Impedance:
    """What a branch adds up to; None where nothing of the kind is in it.

    Attributes
    ----------
    resistance_ohm : ndarray or None
        None also where all of it is 0.
    inductance_h : ndarray or None
    elastance_per_f : ndarray or None
        One over the capacitance.
    """

    resistance_ohm: FloatArray | None
    inductance_h: FloatArray | None
    elastance_per_f: FloatArray | None


def branch_impedance(branch: Branch, values: Mapping[str, FloatArray]) -> Impedance:
    """The sums over a branch, from the value of every part and loss in SI units."""
    resistances = [values[part.name + (LOSS if part.kind != "resistor" else "")] for part in branch.parts]
    inductances = [values[part.name] for part in branch.parts if part.kind == "coil"]
    with np.errstate(divide="ignore"):  # an absent capacitor
        elastances = [1 / values[part.name] for part in branch.parts if part.kind == "capacitor"]
    return Impedance(_sum([one for one in resistances if np.any(one)]), _sum(inductances), _sum(elastances))


def _sum(arrays: Sequence[FloatArray]) -> FloatArray | None:
    return functools.reduce(operator.add, arrays) if arrays else None


def admittance(impedance: Impedance, w_rad_s: FloatArray, out: ComplexArray) -> ComplexArray:
    """Admittance of a branch, S.

    Parameters
    ----------
    impedance : Impedance
    w_rad_s : ndarray
        Angular frequency.
    out : ndarray of complex
        Where it is written, unless it does not depend on the frequency: then a smaller array comes back.
    """
    resistance, inductance, elastance = impedance.resistance_ohm, impedance.inductance_h, impedance.elastance_per_f
    if inductance is None and elastance is None:
        return np.reciprocal(np.asarray(resistance) + 0j)
    with np.errstate(all="ignore"):  # what is absent, or cancels without any loss, is for whoever solves
        if resistance is None and inductance is None:
            out.real = 0.0
            np.multiply(w_rad_s, 1 / np.asarray(elastance), out=out.imag)
            return out
        if resistance is None and elastance is None:
            out.real = 0.0
            np.multiply(-1 / w_rad_s, 1 / np.asarray(inductance), out=out.imag)
            return out
        out.real = 0.0 if resistance is None else resistance
        if inductance is None:
            np.multiply(-1 / w_rad_s, np.asarray(elastance), out=out.imag)
        else:
            np.multiply(w_rad_s, inductance, out=out.imag)
            if elastance is not None:
                out.imag -= elastance / w_rad_s
        return np.reciprocal(out, out=out)
