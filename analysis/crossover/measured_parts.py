"""Parts of a crossover that were measured alone: what of that holds for the speaker as it is in a take."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from stillbox.analysis.bench import Bench
from stillbox.analysis.network.changes import with_values
from stillbox.analysis.network.network import LOSS, Network, Part
from stillbox.analysis.network.spectrum_through import NotSeenThrough
from stillbox.analysis.part.reading import PartReading, newest_parts, reading_of
from stillbox.analysis.through_crossover import network_of_netlist
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo


@dataclass(frozen=True)
class KnownParts:
    """What is known of the parts of a network before its terminals are looked at.

    Attributes
    ----------
    network : Network
        With the values that were measured, else those that are planned.
    tolerance_percent : mapping
        By the name of a part or a loss: evenly within so much the value lies. Of what was measured that has the
        standard deviation of the measurement.
    measured : mapping
        Readings of parts that were measured alone, by their names in the network.
    warnings : tuple of str
    """

    network: Network
    tolerance_percent: Mapping[str, float]
    measured: Mapping[str, PartReading]
    warnings: tuple[str, ...] = ()


def known_parts(bench: Bench, take: TakeInfo, planned: Network, tolerance_percent: Mapping[str, float]) -> KnownParts:
    """Take over what takes of parts tell, for the crossover as it is in a take.

    Parameters
    ----------
    bench : Bench
    take : TakeInfo
        Of the finished speaker.
    planned : Network
        As in its netlist.
    tolerance_percent : mapping
        Of what is planned.
    """
    measured, warnings, values, percents = {}, [], {}, dict(tolerance_percent)
    for part in planned.parts:
        reading = next(_readings(bench, take, part), None)
        if reading is None:
            continue
        if reading.kind != part.kind or reading.value is None:
            what = f"a {reading.kind}" if reading.kind else "none of the three kinds"
            warnings.append(
                f"take {reading.take.number} ({reading.take.address}) is of {what}, and {part.name} of the netlist is "
                f"a {part.kind}: it is not taken over"
            )
            continue
        measured[part.name] = reading
        values[part.name] = reading.value.value
        percents[part.name] = _percent(reading.value.std, reading.value.value)
        if reading.loss is not None and reading.loss.most is None:
            try:
                with_values(planned, {part.name + LOSS: reading.loss.value})
            except StillboxError as error:
                warnings.append(f"the loss of {part.name} that was measured alone is not taken over: {error}")
                continue
            values[part.name + LOSS] = reading.loss.value
            percents[part.name + LOSS] = _percent(reading.loss.std, reading.loss.value)
    return KnownParts(with_values(planned, values), percents, measured, tuple(warnings))


def _percent(std: float, value: float) -> float:
    """Half of the width of an even distribution with that standard deviation (JCGM 100, 4.3.7), percent."""
    return 100 * 3**0.5 * std / value


def _readings(bench: Bench, take: TakeInfo, part: Part) -> Iterator[PartReading]:
    """Of takes of that part, the one that holds first: of the same state, else the newest of what was planned alike."""
    takes = [one for one in newest_parts(bench) if one.unit == take.unit and one.of.casefold() == part.name.casefold()]
    for one in sorted(takes, key=lambda one: (one.state == take.state, one.number), reverse=True):
        if one.state == take.state or _planned_value(bench, one, part.name) == part.value:
            yield reading_of(bench, one)


def _planned_value(bench: Bench, take: TakeInfo, name: str) -> float | None:
    """What the netlist in force at a take of a part says of it."""
    netlist = bench.network_of(take.number)
    try:
        return None if netlist is None else network_of_netlist(netlist).part(name).value
    except (NotSeenThrough, KeyError):
        return None
