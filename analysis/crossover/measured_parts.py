"""Parts of a crossover that were measured alone: what of that holds for the speaker as it is in a take."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from stillbox.analysis.bench import Bench
from stillbox.analysis.network.changes import with_values
from stillbox.analysis.network.network import LOSS, Network, Part
from stillbox.analysis.network.spectrum_through import NotSeenThrough
from stillbox.analysis.part.coil_levels import counted_take
from stillbox.analysis.part.reading import Estimate, PartReading, newest_parts, reading_of
from stillbox.analysis.parts.part_codes import value_words
from stillbox.analysis.through_crossover import USUAL_TOLERANCE_PERCENT, network_of_netlist
from stillbox.analysis.wrong_part.result import PartAsMeasured, WrongPart
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo

MEASURED_PERCENT = 1.5
"""A part alone and in its speaker: leads, temperature, level (no source)."""
MOST_STD = 3.0
"""Of a part alone and of the curve together: further apart they are not of one part."""


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

    Those of the same state count always; those of others within the tolerance, as a part may have been changed since.

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
    measured, warnings = {}, []
    for part in planned.parts:
        reading = next(_readings(bench, take, part), None)
        if reading is None:
            continue
        whence = f"take {reading.take.number} ({reading.take.address})"
        if reading.kind != part.kind or reading.value is None:
            what = f"a {reading.kind}" if reading.kind else "none of the three kinds"
            warnings.append(f"{whence} is of {what}, and {part.name} of the netlist is a {part.kind}: not taken over")
            continue
        off_percent = 100 * abs(reading.value.value / part.value - 1)
        if reading.take.state != take.state and off_percent > _tolerance(tolerance_percent, part):
            alone = value_words(reading.value.value, part.kind)
            warnings.append(
                f"{part.name} was {alone} in {whence}, outside of its tolerance: for {_state(take)} it is not "
                "taken over"
            )
            continue
        measured[part.name] = reading
    return _with_readings(planned, tolerance_percent, measured, tuple(warnings))


def _with_readings(
    planned: Network,
    tolerance_percent: Mapping[str, float],
    measured: Mapping[str, PartReading],
    warnings: tuple[str, ...],
) -> KnownParts:
    values, percents, told = {}, dict(tolerance_percent), list(warnings)
    for name, reading in measured.items():
        assert reading.value is not None
        values[name] = reading.value.value
        percents[name] = _percent(reading.value.std, reading.value.value)
        if reading.loss is not None and reading.loss.most is None:
            try:
                with_values(planned, {name + LOSS: reading.loss.value})
            except StillboxError as error:
                told.append(f"the loss of {name} that was measured alone is not taken over: {error}")
                continue
            values[name + LOSS] = reading.loss.value
            percents[name + LOSS] = _percent(reading.loss.std, reading.loss.value)
    return KnownParts(with_values(planned, values), percents, measured, tuple(dict.fromkeys(told)))


def without_other_states(
    parts: KnownParts, take: TakeInfo, planned: Network, tolerance_percent: Mapping[str, float]
) -> KnownParts:
    """What takes of the same state alone tell."""
    here = {name: reading for name, reading in parts.measured.items() if reading.take.state == take.state}
    return _with_readings(planned, tolerance_percent, here, parts.warnings)


def against_the_curve(
    parts: KnownParts, take: TakeInfo, planned: Network, tolerance_percent: Mapping[str, float], wrong: WrongPart
) -> KnownParts:
    """Without parts of other states that the curve of the speaker contradicts; of the same state it is only said."""
    off = contradicted(parts, wrong)
    if not off:
        return parts
    kept, warnings = {}, list(parts.warnings)
    for name, reading in parts.measured.items():
        same = reading.take.state == take.state
        if same or name not in off:
            kept[name] = reading
        if name in off and reading.value is not None:
            part = wrong.part(name)
            alone, told = (value_words(value, part.kind) for value in (reading.value.value, part.value))
            then = (
                "if it was changed in between, give the later takes a state of their own"
                if same
                else f"for {_state(take)} it is not taken over"
            )
            warnings.append(
                f"{name} was {alone} in take {reading.take.number} ({reading.take.address}), and by the curve of take "
                f"{take.number} it is {told}: {then}"
            )
    return _with_readings(planned, tolerance_percent, kept, tuple(warnings))


def contradicted(parts: KnownParts, wrong: WrongPart) -> frozenset[str]:
    """Names of parts whose own takes and the curve lie further apart than both are unsure."""
    return frozenset(
        name
        for name, reading in parts.measured.items()
        if reading.value is not None and _is_apart(reading.value, wrong.part(name))
    )


def _is_apart(alone: Estimate, told: PartAsMeasured) -> bool:
    std = math.hypot(alone.std, MEASURED_PERCENT / 100 / 3**0.5 * alone.value, told.value_std)
    return abs(told.value - alone.value) > MOST_STD * std  # not where the part is open: it has no value then


def _tolerance(tolerance_percent: Mapping[str, float], part: Part) -> float:
    return tolerance_percent.get(part.name, USUAL_TOLERANCE_PERCENT[part.kind])


def _state(take: TakeInfo) -> str:
    return f"state {take.state}" if take.state else "this speaker, which has no state"


def _percent(std: float, value: float) -> float:
    """Half of the width of an even distribution with that standard deviation (JCGM 100, 4.3.7), percent."""
    return 100 * 3**0.5 * std / value


def _readings(bench: Bench, take: TakeInfo, part: Part) -> Iterator[PartReading]:
    """Of takes of that part, the one that holds first: of the same state, else the newest of what was planned alike."""
    takes = [one for one in newest_parts(bench) if one.unit == take.unit and one.of.casefold() == part.name.casefold()]
    for one in sorted(takes, key=lambda one: (one.state == take.state, one.number), reverse=True):
        if one.state == take.state or _planned_value(bench, one, part.name) == part.value:
            yield reading_of(bench, counted_take(bench, one))


def _planned_value(bench: Bench, take: TakeInfo, name: str) -> float | None:
    """What the netlist in force at a take of a part says of it."""
    netlist = bench.network_of(take.number)
    try:
        return None if netlist is None else network_of_netlist(netlist).part(name).value
    except (NotSeenThrough, KeyError):
        return None
