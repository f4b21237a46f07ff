"""Parts of a build as a person asks for them: one with its marking, or all with the pairs that match."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal

from stillbox.analysis.bench import Bench
from stillbox.analysis.controls import Asked
from stillbox.analysis.levels.level_series import LevelSeries
from stillbox.analysis.levels.level_words import Into
from stillbox.analysis.part.coil_levels import coil_levels, counted_take, that_counts
from stillbox.analysis.part.part_controls import AT_HZ, LOUDEST, TOLERANCE, USUAL_HZ
from stillbox.analysis.part.reading import Estimate, PartReading, group_of, newest_parts, reading_of
from stillbox.analysis.parts.kinds import Kind
from stillbox.analysis.parts.part_codes import Marking, read_marking
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo, fitting_takes, words_of_choice

Verdict = Literal["within", "outside", "cannot be told"]
USUAL_RATED_OHM = 8.0
"""What a coil is taken to stand before, where build.toml does not say."""
ASSUMED = Into(USUAL_RATED_OHM, "assumed")
MATCHED = 0.05
"""Parts that differ by more are no pair."""


@dataclass(frozen=True)
class Pair:
    """Two parts of one kind that are near each other.

    Attributes
    ----------
    first, second : TakeInfo
    difference : Estimate
        Of the second from the first, percent; what is common to both is not in its uncertainty.
    """

    first: TakeInfo
    second: TakeInfo
    difference: Estimate


@dataclass(frozen=True)
class PartReport:
    """One part (``asked_for`` by name) or all of a build.

    Attributes
    ----------
    marked : Marking or None
        What stands on the one part.
    marked_text : str or None
    verdict : str or None
        None where nothing stands on it.
    levels : LevelSeries or None
        Of a coil: over the levels at which it was swept.
    into : Into
        What its current is told for in volts and watts.
    """

    build: str
    readings: tuple[PartReading, ...]
    one: bool
    pairs: tuple[Pair, ...] = ()
    marked: Marking | None = None
    marked_text: str | None = None
    tolerance_percent: float | None = None
    verdict: Verdict | None = None
    warnings: tuple[str, ...] = ()
    levels: LevelSeries | None = None
    into: Into = ASSUMED


def part_report(bench: Bench, asked: Asked) -> PartReport:
    """Of the part ``name`` (None: of all) in a ``state`` and ``unit``; ``marked`` and ``tolerance_percent`` as told."""
    name, state, unit = asked.get("name"), asked.get("state"), asked.get("unit")
    marked, tolerance = asked.get("marked"), TOLERANCE.checked(asked.get(TOLERANCE.key))
    if name is None:
        if marked is not None or tolerance is not None:
            raise StillboxError("--marked and --tolerance belong to one part", "name it behind the build")
        return _all_parts(bench, state, unit)
    if tolerance is not None and marked is None:
        raise StillboxError(f"a tolerance of {tolerance:g} % of what", "give what stands on the part with --marked")
    fitting = fitting_takes(bench.takes_of("part"), "part", state, unit, of=name)
    if not fitting:
        there = ", ".join(dict.fromkeys(take.address for take in newest_parts(bench)))
        raise StillboxError(
            f"{bench.build.path} has no take of a part {name}{words_of_choice(state, unit)}",
            f"there are: {there}" if there else f"record one with --subject part --part {name}",
        )
    take = fitting[-1]
    at_hz, loudest_volts = AT_HZ.checked(asked.get(AT_HZ.key)) or USUAL_HZ, LOUDEST.checked(asked.get(LOUDEST.key))
    series = coil_levels(bench, take, at_hz, loudest_volts)
    report = _one_part(bench, reading_of(bench, that_counts(take, series)), marked, tolerance)
    kind = report.readings[0].kind
    # A core that is driven too far makes of a coil none of the three.
    if series is None or not (kind == "coil" or (kind is None and series.core == "iron")):
        return report
    rated = bench.description.rated_ohm
    into = ASSUMED if rated is None else Into(rated, "rated impedance")
    return replace(report, levels=series, into=into)


def _one_part(bench: Bench, reading: PartReading, text: str | None, tolerance: float | None) -> PartReport:
    if text is None:
        return PartReport(bench.name, (reading,), True, warnings=reading.warnings)
    marked, other = _marking(text, reading.kind)
    if tolerance is not None and marked.tolerance_percent is not None and tolerance != marked.tolerance_percent:
        raise StillboxError(
            f"'{text}' has a tolerance of {marked.tolerance_percent:g} %, and --tolerance says {tolerance:g} %",
            "give one of them",
        )
    told = marked.tolerance_percent if tolerance is None else tolerance
    verdict: Verdict = "cannot be told"
    warnings = reading.warnings
    if other:
        verdict = "outside"
        warnings = (f"'{text}' stands on a {marked.kind}, and a {reading.kind} was measured", *warnings)
    elif reading.value is not None and told is not None:
        verdict = against_band(reading.value.interval_95, marked.value, told)
    return PartReport(bench.name, (reading,), True, (), marked, text, told, verdict, warnings)


def _marking(text: str, kind: Kind | None) -> tuple[Marking, bool]:
    """What it means, and whether it is that of another kind than was measured."""
    try:
        return read_marking(text, kind), False
    except StillboxError:
        marked = read_marking(text)
        if marked.kind in (None, kind):
            raise
        return marked, True


def against_band(interval: tuple[float, float], marked: float, tolerance_percent: float) -> Verdict:
    """Where an interval lies against the values that a tolerance allows."""
    low, high = marked * (1 - tolerance_percent / 100), marked * (1 + tolerance_percent / 100)
    if interval[0] >= low and interval[1] <= high:
        return "within"
    return "outside" if interval[1] < low or interval[0] > high else "cannot be told"


def _all_parts(bench: Bench, state: str | None, unit: str | None) -> PartReport:
    chosen = {take.number for take in fitting_takes(bench.takes_of("part"), "part", state, unit, of="-")}
    for take in newest_parts(bench):
        chosen |= {one.number for one in fitting_takes([take], "part", state, unit, of=take.of or "-")}
    takes = [take for take in newest_parts(bench) if take.number in chosen]
    readings = tuple(reading_of(bench, counted_take(bench, take)) for take in takes)
    warnings = tuple(dict.fromkeys(warning for reading in readings for warning in reading.warnings))
    return PartReport(bench.name, readings, False, _pairs(bench, readings), warnings=warnings)


def _pairs(bench: Bench, readings: Sequence[PartReading]) -> tuple[Pair, ...]:
    """The nearest of one kind first, each part once."""
    near = []
    for one, two in combinations(readings, 2):
        if one.kind is None or one.kind != two.kind or one.value is None or two.value is None:
            continue
        if abs(two.value.value / one.value.value - 1) <= MATCHED:
            near.append(Pair(one.take, two.take, _difference(bench, one, two)))
    taken: set[int] = set()
    pairs = []
    for pair in sorted(near, key=lambda pair: abs(pair.difference.value)):
        numbers = {pair.first.number, pair.second.number}
        if not numbers & taken:
            taken |= numbers
            pairs.append(pair)
    return tuple(pairs)


def _difference(bench: Bench, one: PartReading, two: PartReading) -> Estimate:
    """In percent; of parts of one jig draw by draw, so that the load and its inductance cancel."""
    group = group_of(bench, one.take)
    first, second = (group.values.get(reading.take.number) for reading in (one, two))
    if first is not None and second is not None and group.draws is not None:
        percent = 100 * (second / first - 1)
        low, middle, high = group.draws.quantiles(percent, 0.025, 0.5, 0.975)
        return Estimate(middle, group.draws.std(percent), (low, high), "%")
    assert one.value is not None and two.value is not None
    ratio = two.value.value / one.value.value
    std = 100 * ratio * ((one.value.std / one.value.value) ** 2 + (two.value.std / two.value.value) ** 2) ** 0.5
    middle = 100 * (ratio - 1)
    return Estimate(middle, std, (middle - 1.96 * std, middle + 1.96 * std), "%")
