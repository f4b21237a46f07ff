"""What a network does to the damping of the driver behind it, and what a change of its parts does.

An amplifier counts as a short across the terminals. What the driver then sees at its resonance, real part, is added to
its Re: Qes grows by (Re + R)/Re (Small, JAES 20(5), 1972 [M]), and with it Qts, or Qtc in a closed box.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.crossover.known_crossover import KnownCrossover, known_crossover
from stillbox.analysis.impedance.findings import ResonanceFit
from stillbox.analysis.network.network import Network
from stillbox.analysis.network.nodal import circuit_at
from stillbox.capture.arrays import ComplexArray
from stillbox.capture.recording.take import TakeInfo

_SEEN_WITH = (1.0, 1e3)
"""Ohms by which the impedance before a driver is found from the voltages that it gets."""


@dataclass(frozen=True)
class DampedPeak:
    """The fundamental of a driver behind a network.

    Attributes
    ----------
    driver : str
    q_name : str
        ``Qts`` in free air, ``Qtc`` in a closed box.
    hz : float
    own : float
        Straight on the amplifier.
    built, changed : float
        Behind the network as it is, and with what is tried.
    built_ohm, changed_ohm : float
        What lies before the driver there.
    """

    driver: str
    q_name: str
    hz: float
    own: float
    built: float
    changed: float
    built_ohm: float
    changed_ohm: float


def damped_peaks(bench: Bench, take: TakeInfo, built: Network, changed: Network) -> tuple[DampedPeak, ...]:
    """Of the driver in the box: in free air where it was swept so, and in the box where that is closed."""
    name = bench.seen(take)[0]
    known = known_crossover(bench, take)
    if not all(name in {place.name for place in network.drivers} for network in (built, changed)):
        return ()
    found = []
    free_air = bench.free_air(take.unit, name)
    if free_air is not None and free_air.of in ("", name):
        found.append(("Qts", bench.fit(free_air)))
    in_box = bench.fit(take)
    if len(in_box.motional) == 1:
        found.append(("Qtc", in_box))
    return tuple(_peak(name, q_name, fit, known, built, changed) for q_name, fit in found if fit.motional)


def _peak(
    driver: str, q_name: str, fit: ResonanceFit, known: KnownCrossover, built: Network, changed: Network
) -> DampedPeak:
    peak = max(fit.motional, key=lambda pair: pair.height_ohm)
    re_ohm = float(fit.coil_ohm(np.array([peak.frequency_hz]))[0].real)
    others = {
        name: np.interp([peak.frequency_hz], known.frequency_hz, ohm) for name, ohm in known.drivers_ohm.items()
    }
    ohms = [source_ohm(network, driver, peak.frequency_hz, others).real for network in (built, changed)]

    def total_q(before_ohm: float) -> float:
        # A peak of height h on Re has Qms/Qes = h/Re.
        return float(peak.q / (1 + peak.height_ohm / (re_ohm + before_ohm)))

    return DampedPeak(driver, q_name, peak.frequency_hz, total_q(0.0), total_q(ohms[0]), total_q(ohms[1]), *ohms)


def source_ohm(network: Network, driver: str, hz: float, drivers_ohm: Mapping[str, ComplexArray]) -> complex:
    """Impedance that a driver sees with the terminals shorted, from the voltage that two loads get instead of it."""
    transfers = []
    for load in _SEEN_WITH:
        loads = {**drivers_ohm, driver: np.array([load + 0j])}
        transfers.append(complex(circuit_at(network, np.array([hz]), loads).transfer(driver)[0]))
    low, high = _SEEN_WITH
    # V = E R / (R + Z) of both.
    return (high * low * (transfers[1] - transfers[0])) / (high * transfers[0] - low * transfers[1])
