"""What stands between the terminals of a speaker and its driver: the crossover, and how well its parts are known."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.maths.number_words import frequency_words
from stillbox.analysis.network.netlist import network_from_text
from stillbox.analysis.network.network import LOSS, Network
from stillbox.analysis.network.spectrum_through import spectrum_through
from stillbox.analysis.parts.kinds import Kind
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.build.build_description import Crossover
from stillbox.capture.build.kept_networks import KeptNetwork
from stillbox.capture.errors import StillboxError

USUAL_TOLERANCE_PERCENT: dict[Kind, float] = {"capacitor": 5.0, "coil": 5.0, "resistor": 5.0}
"""Of parts of which nothing is said (common practice, no source)."""
USUAL_LOSS_PERCENT = 20.0
"""Of what is told of DC resistance and ESR: they depend on temperature and leads (common practice, no source)."""

Impedance = Callable[[str, FloatArray], tuple[ComplexArray, FloatArray] | None]
"""From the name of a driver and frequencies to its impedance and its noise E|n|^2; None where it is not known."""


def through_crossover(
    spectrum: ImpedanceSpectrum,
    netlist: tuple[KeptNetwork, str],
    told: Crossover,
    names: Sequence[str],
    impedance: Impedance,
) -> tuple[str, ImpedanceSpectrum]:
    """A take at the speaker's terminals as one of a driver, with its name; itself and none where that cannot be had.

    What was done, or why not, is among the warnings.

    Parameters
    ----------
    spectrum : ImpedanceSpectrum
        At the terminals.
    netlist : (KeptNetwork, str)
        What is in force, and its text.
    told : Crossover
        Tolerances of its parts.
    names : sequence of str
        What the driver may be called, the likeliest first.
    impedance : callable
        Of the other drivers.
    """
    kept, text = netlist
    try:
        network = network_from_text(text, kept.path.name)
        driver = _driver(network, names, impedance, spectrum.frequency_hz)
        others = dict(_others(network, driver, impedance, spectrum.frequency_hz))
        seen = spectrum_through(spectrum, network, driver, others, dict(value_stds(network, told)))
    except StillboxError as error:
        doubt = f"not seen through the crossover, so these numbers are those at the speaker's terminals: {error}"
        return "", replace(spectrum, warnings=(*spectrum.warnings, doubt))
    word = f"seen through the crossover ({kept.path.name}): these numbers are those of driver '{driver}' alone"
    highest = frequency_words(float(seen.frequency_hz[-1]))
    ends = f", up to {highest}: above it hardly any current goes through it" if _is_cut(spectrum, seen) else ""
    return driver, replace(seen, warnings=(*seen.warnings, f"{word}{ends}"))


def tolerances_percent(network: Network, told: Crossover) -> dict[str, float]:
    """Tolerance of each part and each loss of a network, percent, by name: as told, else a usual size."""
    own = {name.casefold(): percent for name, percent in told.parts.items()}
    for name in own:
        if not any(part.name.casefold() == name for part in network.parts):
            raise StillboxError(
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
    raise StillboxError(
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
                raise StillboxError(
                    f"the impedance of driver '{place.name}' is not known",
                    f"sweep it on its own terminals, crossover off: --subject free-air --driver {place.name}",
                )
            yield place.name, known


def _is_cut(spectrum: ImpedanceSpectrum, seen: ImpedanceSpectrum) -> bool:
    return bool(seen.frequency_hz[-1] < spectrum.frequency_hz[-1])
