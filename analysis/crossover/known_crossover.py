"""What is known of a crossover before anything is tried: its network, its drivers, its parts, its terminals."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.crossover.measured_parts import KnownParts, against_the_curve, known_parts
from stillbox.analysis.crossover.suspects import wrong_part_of
from stillbox.analysis.impedance.impedance import curve_of_spectrum
from stillbox.analysis.network.network import Network
from stillbox.analysis.through_crossover import network_of_netlist, tolerances_percent
from stillbox.analysis.wrong_part.result import WrongPart
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo

LOWEST_HZ, HIGHEST_HZ, PER_OCTAVE = 20.0, 20_000.0, 24
JOINED_OCTAVES = 1.5
"""Over so much what is seen through the crossover gives way to the driver's own take."""


@dataclass(frozen=True)
class KnownCrossover:
    """A crossover as it is in a take.

    Attributes
    ----------
    take : TakeInfo
    netlist : str
        Name of the file that is kept, and what it is for.
    planned : Network
        With the values of the netlist.
    parts : KnownParts
        With what of them was measured alone.
    tolerance_percent : mapping
        Of each part and loss as planned.
    frequency_hz : ndarray, shape (n,)
    drivers_ohm : mapping of str to complex ndarray, shape (n,)
        Impedance of each driver on its own terminals.
    measured_ohm : complex ndarray, shape (n,), or None
        At the speaker's terminals; None for a take of a driver alone, NaN beyond the band of the take.
    """

    take: TakeInfo
    netlist: str
    planned: Network
    parts: KnownParts
    tolerance_percent: dict[str, float]
    frequency_hz: FloatArray
    drivers_ohm: dict[str, ComplexArray]
    measured_ohm: ComplexArray | None


def known_crossover(bench: Bench, take: TakeInfo) -> KnownCrossover:
    """The crossover in force at a take in the box.

    Raises
    ------
    StillboxError
        If there is no netlist, it has a fault, or the impedance of a driver is not known.
    """
    netlist, network = planned_network(bench, take)
    hz = np.geomspace(LOWEST_HZ, HIGHEST_HZ, round(PER_OCTAVE * np.log2(HIGHEST_HZ / LOWEST_HZ)) + 1)
    drivers = drivers_ohm(bench, take, network, hz, _fitted(bench, take, network))
    tolerance = tolerances_percent(network, bench.description.crossover)
    parts = known_parts(bench, take, network, tolerance)
    return KnownCrossover(take, netlist, network, parts, tolerance, hz, drivers, measured_ohm(bench, take, hz))


def with_the_curve(bench: Bench, known: KnownCrossover) -> KnownCrossover:
    """The same without measured parts that its curve contradicts, which takes a moment where it was not read yet."""
    wrong = wrong_part_of(bench, known.take)
    if wrong is None or not wrong.explained:
        return known
    parts = against_the_curve(known.parts, known.take, known.planned, known.tolerance_percent, wrong)
    return replace(known, parts=parts)


def planned_network(bench: Bench, take: TakeInfo) -> tuple[str, Network]:
    """The network in force at a take, with the name of its netlist and what that is for.

    Raises
    ------
    StillboxError
        If there is none, or it has a fault.
    """
    netlist = bench.network_of(take.number)
    if netlist is None:
        raise StillboxError(
            f"{bench.build.path} keeps no netlist for take {take.number} ({take.address})",
            f"give one: 'stillbox crossover {bench.build.path} --netlist FILE'",
        )
    return f"{netlist.name}, {netlist.words}", network_of_netlist(netlist)


def built_network(bench: Bench, take: TakeInfo) -> tuple[str, Network]:
    """`planned_network` with what the bench knows to be built otherwise."""
    name, planned = planned_network(bench, take)
    built = bench.as_built(take)
    return name, planned if built is None else built.network


def _fitted(bench: Bench, take: TakeInfo, network: Network) -> WrongPart | None:
    """What the curve at the terminals says of drivers that were not swept alone; None where nothing, or all were."""
    hz = np.array([LOWEST_HZ])
    if all(bench.impedance_of(take.unit, place.name, hz) is not None for place in network.drivers):
        return None
    told = wrong_part_of(bench, take)
    return told if told is not None and told.explained else None


def drivers_ohm(
    bench: Bench, take: TakeInfo, network: Network, hz: FloatArray, fitted: WrongPart | None = None
) -> dict[str, ComplexArray]:
    """Impedance of each driver of a network on its own terminals, shape (n,) each.

    Of those that were not swept there it is as ``fitted`` along with the parts, where that is given.

    Raises
    ------
    StillboxError
        If that of one is not known.
    """
    name, seen = bench.seen(take)
    found = {}
    for place in network.drivers:
        own = bench.impedance_of(take.unit, place.name, hz)
        if name == place.name:
            curve = curve_of_spectrum(seen)
            inside = (hz >= curve.frequency_hz[0]) & (hz <= curve.frequency_hz[-1])
            through = np.interp(hz, curve.frequency_hz, curve.impedance_ohm)
            if own is None:
                found[place.name] = np.where(inside, through, bench.fit(take).impedance_ohm(hz))
                continue
            # What is seen is the less sure the nearer its end; the driver alone is the same there, box or not.
            share = np.clip(np.log2(curve.frequency_hz[-1] / hz) / JOINED_OCTAVES, 0.0, 1.0) * inside
            found[place.name] = share * through + (1 - share) * own[0]
        elif own is not None:
            found[place.name] = own[0]
        elif fitted is not None and place.name in fitted.drivers_ohm:
            found[place.name] = np.interp(hz, fitted.frequency_hz, fitted.drivers_ohm[place.name])
        else:
            raise StillboxError(
                f"the impedance of driver '{place.name}' is not known",
                "sweep it on its own terminals, crossover off: "
                f"--subject free-air --driver {place.name} --unit {take.unit}",
            )
    return found


def measured_ohm(bench: Bench, take: TakeInfo, hz: FloatArray) -> ComplexArray | None:
    """At the speaker's terminals, NaN beyond the band of the take; None for a take of a driver alone."""
    if take.of:
        return None
    curve = curve_of_spectrum(bench.at_clips(take))
    inside = (hz >= curve.frequency_hz[0]) & (hz <= curve.frequency_hz[-1])
    return np.where(inside, np.interp(hz, curve.frequency_hz, curve.impedance_ohm), np.nan)
