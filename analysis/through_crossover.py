"""What stands between the terminals of a speaker and its driver: the crossover, and how well its parts are known."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stillbox.analysis.impedance.findings import DOUBTED
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.maths.number_words import frequency_words
from stillbox.analysis.network.netlist import network_from_text
from stillbox.analysis.network.network import LOSS, Network
from stillbox.analysis.network.spectrum_through import NotSeenThrough, spectrum_through
from stillbox.analysis.parts.kinds import Kind
from stillbox.analysis.watched_build import Netlist
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.build.build_description import Crossover
from stillbox.capture.errors import StillboxError

USUAL_TOLERANCE_PERCENT: dict[Kind, float] = {"capacitor": 5.0, "coil": 5.0, "resistor": 5.0}
"""Of parts of which nothing is said (common practice, no source)."""
USUAL_LOSS_PERCENT = 20.0
"""Of what is told of DC resistance and ESR: they depend on temperature and leads (common practice, no source)."""

BOX_IS_OVER_HZ = 300.0
"""Above it a driver is much the same in its box and without, but for small resonances (common practice, no source)."""
ALIKE = 0.03
"""So far apart these may be, relative to the impedance."""
UNLIKE = 4.0
"""Times that by which they lie apart at half of all frequencies: where the netlist fits it is 0.5 to 2."""


@dataclass(frozen=True)
class BuiltCrossover:
    """A crossover as it is in a speaker, where its parts tell of something else than the plan.

    Attributes
    ----------
    network : Network
        With the values that are in it.
    stds : tuple of (str, float)
        Standard uncertainty of those that are not as planned, F, H or ohm, by their names.
    words : str
        What is not as planned: ``C1 seems to be 4.71 µF instead of 6.8 µF``.
    """

    network: Network
    stds: tuple[tuple[str, float], ...]
    words: str


Impedance = Callable[[str, FloatArray], tuple[ComplexArray, FloatArray] | None]
"""From the name of a driver and frequencies to its impedance and its noise E|n|^2; None where it is not known."""


def through_crossover(
    spectrum: ImpedanceSpectrum,
    netlist: Netlist,
    told: Crossover,
    names: Sequence[str],
    impedance: Impedance,
    built: BuiltCrossover | None = None,
) -> tuple[str, ImpedanceSpectrum]:
    """A take at the speaker's terminals as one of a driver, with its name; itself and none where that cannot be had.

    What was done, or why not, is among the warnings.

    Parameters
    ----------
    spectrum : ImpedanceSpectrum
        At the terminals.
    netlist : Netlist
        What is in force.
    told : Crossover
        Tolerances of its parts.
    names : sequence of str
        What the driver may be called, the likeliest first.
    impedance : callable
        Of the other drivers.
    built : BuiltCrossover, optional
        What stands for the netlist, where that is not what was built.
    """
    try:
        network = network_of_netlist(netlist) if built is None else built.network
        driver = _driver(network, names, impedance, spectrum.frequency_hz)
        others = dict(_others(network, driver, impedance, spectrum.frequency_hz))
        own = impedance(driver, spectrum.frequency_hz)
        stds = {**dict(value_stds(network, told)), **dict(() if built is None else built.stds)}
        seen = spectrum_through(spectrum, network, driver, others, stds, None if own is None else own[0])
    except NotSeenThrough as error:
        doubt = f"not seen through the crossover, so these numbers are those at the speaker's terminals: {error}"
        return "", replace(spectrum, warnings=(*spectrum.warnings, doubt))
    but = "" if built is None else f", but {built.words}"
    word = f"seen through the crossover ({netlist.name}{but}): these numbers are those of driver '{driver}' alone"
    highest = frequency_words(float(seen.frequency_hz[-1]))
    ends = f", up to {highest}: above it hardly any current goes through it" if _is_cut(spectrum, seen) else ""
    alone = None if own is None else np.interp(seen.frequency_hz, spectrum.frequency_hz, own[0])
    doubts = () if alone is None else unlike_own(seen, alone, driver)
    return driver, replace(seen, warnings=(*seen.warnings, f"{word}{ends}", *doubts))


def network_of_netlist(netlist: Netlist) -> Network:
    """The network of a netlist that a build keeps; NotSeenThrough where it is none."""
    if netlist.fault:
        raise NotSeenThrough(netlist.fault, "")
    try:
        network = network_from_text(netlist.text, netlist.name)
    except StillboxError as error:
        raise NotSeenThrough(error.fault, error.remedy) from error
    if not network.drivers:
        raise NotSeenThrough(f"{netlist.name} has no driver", "write one as Xwoofer NODE NODE ANYNAME")
    return network


def unlike_own(seen: ImpedanceSpectrum, own_ohm: ComplexArray, driver: str) -> tuple[str, ...]:
    """A word where what is seen is not the driver that was swept alone: then the netlist is hardly of this speaker.

    Parameters
    ----------
    seen : ImpedanceSpectrum
    own_ohm : complex ndarray, shape (n,)
        Of the driver alone, at the bins of ``seen``: below some hundred hertz the box makes another impedance of it.
    """
    common = sum((np.abs(one) ** 2 for one in seen.common_ohm), start=np.zeros(own_ohm.size))
    likely = np.sqrt(common + seen.noise_variance_ohm2 + (ALIKE * np.abs(own_ohm)) ** 2)
    looked_at = seen.frequency_hz > BOX_IS_OVER_HZ
    if not np.any(looked_at):
        return ()
    apart = float(np.median((np.abs(seen.impedance_ohm - own_ohm) / likely)[looked_at]))
    if apart < UNLIKE:
        return ()
    return (
        f"what is seen does not fit the own take of driver '{driver}' (it is {apart:.0f} times as far "
        f"off as the tolerances allow), so {DOUBTED}: 'stillbox crossover' looks for a wrong part; "
        "else look whether the netlist is that of this speaker, with the losses of its parts",
    )


def tolerances_percent(network: Network, told: Crossover) -> dict[str, float]:
    """Tolerance of each part and each loss of a network, percent, by name: as told, else a usual size."""
    own = {name.casefold(): percent for name, percent in told.parts.items()}
    for name in own:
        if not any(part.name.casefold() == name for part in network.parts):
            raise NotSeenThrough(
                f"[crossover] parts in build.toml names '{name}', which is no part of the netlist",
                f"its parts are {', '.join(part.name for part in network.parts)}",
            )
    found = {}
    for part in network.parts:
        usual = USUAL_TOLERANCE_PERCENT[part.kind] if told.tolerance_percent is None else told.tolerance_percent
        found[part.name] = own.get(part.name.casefold(), usual)
        if part.loss_ohm:
            found[part.name + LOSS] = USUAL_LOSS_PERCENT
    return found


def value_stds(network: Network, told: Crossover) -> Iterator[tuple[str, float]]:
    """Standard uncertainty of each value of a network, F, H or ohm: even within the tolerance (JCGM 100, 4.3.7)."""
    values = dict(network.values())
    for name, percent in tolerances_percent(network, told).items():
        yield name, percent / 100 * values[name] / 3**0.5


def _driver(network: Network, names: Sequence[str], impedance: Impedance, frequency_hz: FloatArray) -> str:
    """Which of the network's drivers is the one looked at."""
    there = [place.name for place in network.drivers]
    for name in names:
        if name in there:
            return name
    unknown = [name for name in there if impedance(name, frequency_hz[:1]) is None]
    if len(unknown) == 1:
        return unknown[0]
    raise NotSeenThrough(
        f"it is not known which of the drivers {', '.join(there)} is the one in the box",
        'say it in build.toml: [driver] name = "..."',
    )


def _others(
    network: Network, driver: str, impedance: Impedance, frequency_hz: FloatArray
) -> Iterator[tuple[str, tuple[ComplexArray, FloatArray]]]:
    for place in network.drivers:
        if place.name != driver:
            known = impedance(place.name, frequency_hz)
            if known is None:
                raise NotSeenThrough(
                    f"the impedance of driver '{place.name}' is not known",
                    f"sweep it on its own terminals, crossover off: --subject free-air --driver {place.name}",
                )
            yield place.name, known


def _is_cut(spectrum: ImpedanceSpectrum, seen: ImpedanceSpectrum) -> bool:
    return bool(seen.frequency_hz[-1] < spectrum.frequency_hz[-1])
