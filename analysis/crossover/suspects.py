"""What the newest take of a finished speaker says of the parts of its crossover: from a build to `wrong_part`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.crossover.measured_parts import (
    MEASURED_PERCENT,
    KnownParts,
    contradicted,
    known_parts,
    without_other_states,
)
from stillbox.analysis.impedance.impedance import curve_of_spectrum
from stillbox.analysis.network.changes import with_values
from stillbox.analysis.network.network import Network
from stillbox.analysis.through_crossover import network_of_netlist, tolerances_percent
from stillbox.analysis.wrong_part.guessed_driver import guessed_driver
from stillbox.analysis.wrong_part.judging import wrong_part
from stillbox.analysis.wrong_part.known_driver import known_driver
from stillbox.analysis.wrong_part.many_speakers import Curve, Driver
from stillbox.analysis.wrong_part.result import WrongPart
from stillbox.capture.arrays import FloatArray
from stillbox.capture.recording.take import TakeInfo

LOWEST_HZ, HIGHEST_HZ, PER_OCTAVE = 20.0, 20_000.0, 8
"""What of a curve is looked at: parts of a crossover make nothing that is narrower than a third of an octave."""


def wrong_part_of(bench: Bench, take: TakeInfo) -> WrongPart | None:
    """What is wrong in the crossover of a finished speaker, computed once.

    None where there is no netlist, or the take is of a driver alone.

    Parameters
    ----------
    take : TakeInfo
        At the speaker's terminals.

    Raises
    ------
    StillboxError
        If the netlist has a fault.
    """
    return bench.kept("wrong part", take, lambda: _wrong_part(bench, take))


def _wrong_part(bench: Bench, take: TakeInfo) -> WrongPart | None:
    given = measured_speaker(bench, take)
    if given is None:
        return None
    told = wrong_part(*given)
    parts = _known(bench, take)[2]
    others = {name for name, reading in parts.measured.items() if reading.take.state != take.state}
    if not others or (told.explained and told.suspect is None and not others & contradicted(parts, told)):
        return told
    # A part that was changed since it was measured must not throw suspicion on another.
    alone = wrong_part(*measured_speaker(bench, take, of_other_states=False) or given)
    return alone if others & contradicted(parts, alone) or (alone.explained and alone.suspect is None) else told


Given = tuple[Network, Mapping[str, float], Sequence[Driver], Curve]
"""What `wrong_part` takes."""


def _known(bench: Bench, take: TakeInfo) -> tuple[Network, dict[str, float], KnownParts]:
    """The network as planned, with its tolerances, and what takes of parts tell."""
    netlist = bench.network_of(take.number)
    assert netlist is not None
    planned = network_of_netlist(netlist)
    tolerance = tolerances_percent(planned, bench.description.crossover)
    return planned, tolerance, known_parts(bench, take, planned, tolerance)


def measured_speaker(bench: Bench, take: TakeInfo, of_other_states: bool = True) -> Given | None:
    """All that is known of a finished speaker: its network as planned, tolerances, drivers, and its curve.

    Parameters
    ----------
    of_other_states : bool
        Whether takes of parts in other states count.
    """
    if take.of or bench.network_of(take.number) is None:
        return None
    planned, tolerance, parts = _known(bench, take)
    if not of_other_states:
        parts = without_other_states(parts, take, planned, tolerance)
    network, tolerance = taken_over(planned, tolerance, parts)
    spectrum = bench.at_clips(take)
    low, high = max(LOWEST_HZ, spectrum.frequency_hz[0] * 1.05), min(HIGHEST_HZ, spectrum.frequency_hz[-1] / 1.05)
    measured = curve_of_spectrum(spectrum, points_per_octave=PER_OCTAVE)
    inside = (measured.frequency_hz >= low) & (measured.frequency_hz <= high)
    hz = measured.frequency_hz[inside]
    drivers = [_driver(bench, take, network, place.name, hz) for place in network.drivers]
    common = tuple(np.interp(hz, spectrum.frequency_hz, one) for one in spectrum.common_ohm)
    curve = Curve(hz, measured.impedance_ohm[inside], measured.noise_variance_ohm2[inside], measured.scale_std, common)
    return network, tolerance, drivers, curve


def taken_over(
    planned: Network, tolerance_percent: dict[str, float], parts: KnownParts
) -> tuple[Network, dict[str, float]]:
    """The network with what takes of parts alone tell, and how far that may be off, percent.

    A part that is outside of its tolerance stays as planned: the curve is to say so by itself.
    """
    values, percents = {}, dict(tolerance_percent)
    for name in parts.measured:
        value, plan = parts.network.part(name).value, planned.part(name).value
        if abs(value / plan - 1) <= tolerance_percent[name] / 100:
            values[name] = value
            percents[name] = min(max(parts.tolerance_percent[name], MEASURED_PERCENT), tolerance_percent[name])
    return with_values(planned, values), percents


def _driver(bench: Bench, take: TakeInfo, network: Network, name: str, hz: FloatArray) -> Driver:
    """A driver of the speaker: from its newest own take, best in this very box; else as its kind is."""
    boxed = bench.newest("in-box", take.state, take.unit, name) or bench.newest("in-box", unit=take.unit, of=name)
    own = boxed or bench.newest("free-air", unit=take.unit, of=name)
    free = bench.free_air(take.unit)
    in_box = bench.description.driver.name or (free.of if free is not None else name)
    if own is None:
        places = bench.description.drivers
        told = places[name].re_ohm if name in places else bench.description.driver.re_ohm if name == in_box else None
        return guessed_driver(name, network, hz, told, name == in_box)
    changed = name == in_box and (own.subject == "free-air" or own.state != take.state)
    curve, fit = bench.curve(own), bench.fit(own)
    band_hz = (float(curve.frequency_hz[0]), float(curve.frequency_hz[-1]))
    swept = np.interp(hz, curve.frequency_hz, curve.impedance_ohm)
    ohm = np.where((hz >= band_hz[0]) & (hz <= band_hz[1]), swept, fit.impedance_ohm(hz))
    return known_driver(name, hz, ohm, fit, changed, band_hz)
