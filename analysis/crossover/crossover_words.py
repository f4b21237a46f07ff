"""A crossover in words, as tables, and for other programs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from stillbox.analysis.crossover.crossover import HEARD_DB, LEAST_DB, Computed, CrossoverReport, DriverLevel
from stillbox.analysis.crossover.damping import DampedPeak
from stillbox.analysis.crossover.suspect_told import cells_by_the_curve, part_document, suspects_document
from stillbox.analysis.levels.level_words import level_document
from stillbox.analysis.maths.number_words import frequency_words, short_number
from stillbox.analysis.maths.quantity import MINUS
from stillbox.analysis.maths.table import Table
from stillbox.analysis.network.differences import network_differences
from stillbox.analysis.network.network import Network, Part
from stillbox.analysis.part.reading import PartReading
from stillbox.analysis.parts.kinds import Kind
from stillbox.analysis.parts.part_codes import value_words
from stillbox.capture.arrays import ComplexArray, FloatArray

LEAST_CHANGE_DB = 0.01


def planned_table(network: Network, tolerance_percent: Mapping[str, float]) -> Table:
    """Parts as planned."""
    rows = [
        (
            part.name,
            part.kind,
            value_words(part.value, part.kind),
            f"{tolerance_percent[part.name]:g} %" if part.name in tolerance_percent else "",
            _loss_words(part.loss_ohm),
        )
        for part in network.parts
    ]
    return Table(("part", "kind", "value", "tolerance", "loss"), tuple(rows))


def parts_table(report: CrossoverReport) -> Table:
    """Parts as planned, with what of them is known: what was measured, what is tried."""
    planned = planned_table(report.planned.network, report.tolerance_percent)
    heads: tuple[str, ...] = tuple(planned.heads)
    rows: list[tuple[str, ...]] = list(planned.rows)
    if report.measured_parts:
        heads = (*heads, "measured alone")
        rows = [(*row, _measured_words(report.measured_parts.get(row[0]))) for row in rows]
    if report.wrong is not None:
        heads = (*heads, "by the curve", "verdict")
        rows = [(*row, *cells_by_the_curve(report.wrong.part(row[0]))) for row in rows]
    if report.changed is not None:
        heads = (*heads, "tried")
        rows = [(*row, _tried_words(report.built.network.part(row[0]), report.changed.network)) for row in rows]
        blank = ("",) * (len(heads) - 5)
        rows += [
            (part.name, part.kind, "", "", "", *blank[1:], _value_and_loss(part.value, part.loss_ohm, part.kind))
            for part in report.changed.network.parts
            if part.name not in report.tolerance_percent
        ]
    return Table(heads, tuple(rows))


def _loss_words(ohm: float) -> str:
    return f"{short_number(ohm, 3)} ohm" if ohm else ""


def _value_and_loss(value: float, loss_ohm: float, kind: Kind) -> str:
    words = value_words(value, kind)
    return f"{words}, loss {_loss_words(loss_ohm)}" if loss_ohm else words


def _tried_words(part: Part, changed: Network) -> str:
    """What is tried instead of it; empty where nothing is."""
    new = changed.part(part.name)
    words = "" if new.value == part.value else value_words(new.value, new.kind)
    if new.loss_ohm != part.loss_ohm:
        words = f"{words}, loss {_loss_words(new.loss_ohm) or '0 ohm'}".removeprefix(", ")
    return words


def _measured_words(reading: PartReading | None) -> str:
    """Value and loss that its own take tells."""
    if reading is None or reading.value is None or reading.kind is None:
        return ""
    told = reading.loss is not None and reading.loss.most is None
    words = _value_and_loss(reading.value.value, reading.loss.value if told and reading.loss else 0.0, reading.kind)
    return f"{words} (take {reading.take.number})"


def heat_table(report: CrossoverReport) -> Table:
    """Heat in each resistor at the worst frequency."""
    columns = (*report.states, *(() if report.changed is None else (("tried", report.changed),)))
    names = dict.fromkeys(name for _, one in columns for name in one.power.watts)
    rows = tuple((name, *(_watts(one, name) for _, one in columns)) for name in names)
    return Table((f"heat at {report.built.power.volts:g} V", *(head for head, _ in columns)), rows)


def _watts(computed: Computed, name: str) -> str:
    watts = computed.power.watts.get(name)
    return "" if watts is None else f"{short_number(watts, 2)} W"


def crossover_lines(report: CrossoverReport) -> Iterator[str]:
    """What matters, in sentences."""
    if report.measured_parts:
        names = ", ".join(report.measured_parts)
        count = len(report.measured_parts)
        what = "what is tried is" if report.as_measured is not None else "what follows is"
        yield (
            f"{names} {'was' if count == 1 else 'were'} measured alone: {what} computed with that, and with its "
            "uncertainty instead of the tolerance"
        )
    ohm, hz = report.lowest
    whence = "computed" if report.measured_ohm is None else "measured"
    yield f"lowest impedance at the terminals: {ohm:.2f} ohm at {frequency_words(hz)} ({whence})"
    for state, computed in report.states:
        for name, level in computed.drivers.items():
            yield f"{name}, {state}: {reach_words(report.frequency_hz, level)}"


def reach_words(frequency_hz: FloatArray, level: DriverLevel) -> str:
    """The highest level, and the band within 3 dB of it."""
    if level.is_nothing:
        return "gets nothing"
    highest = int(np.argmax(level.level_db))
    inside = level.level_db > level.level_db[highest] - 3
    runs = np.flatnonzero(inside)
    low, high = frequency_hz[runs[0]], frequency_hz[runs[-1]]
    peak = f"{level.level_db[highest]:+.1f} dB at {frequency_words(float(frequency_hz[highest]))}".replace("-", MINUS)
    return f"gets {peak} re the terminals, within 3 dB of that from {frequency_words(low)} to {frequency_words(high)}"


def change_lines(report: CrossoverReport) -> Iterator[str]:
    """What the change does, driver by driver, against the spread that the tolerances make, and what listeners tell."""
    if report.changed is None:
        return
    if not network_differences(report.built.network, report.changed.network):
        against = " against it" if report.is_wrong else ""
        yield f"with {', '.join(report.swaps)}: that is the plan: nothing changes{against}"
        return
    against = ", against the plan" if report.is_wrong else ""
    if report.measured_parts:
        against = ", against the plan with the parts that were measured alone"
    yield f"with {', '.join(report.swaps)}{against}:"
    largest = 0.0
    for name in report.compared:
        worst_db, at_hz, spread_db = largest_difference(report, name)
        largest = max(largest, abs(worst_db))
        if abs(worst_db) < LEAST_CHANGE_DB:
            yield f"  - {name}: nothing"
            continue
        against = "less than" if abs(worst_db) < spread_db else "more than"
        signed = f"{worst_db:+.2f}".replace("-", MINUS)
        yield (
            f"  - {name}: {signed} dB at {frequency_words(at_hz)}, {against} the tolerances of the parts make there "
            f"(\u00b1{spread_db:.2f} dB)"
        )
    yield from map(damping_line, report.damping)
    before, after = report.built.lowest_ohm, report.changed.lowest_ohm
    yield f"  - lowest impedance: {before:.2f} ohm before, {after:.2f} ohm then (both computed)"
    if largest < HEARD_DB and not report.is_wrong:
        yield (
            f"  - no difference that anybody has been shown to hear: the smallest change of level that listeners are "
            f"reported to have told apart in the bass is {HEARD_DB:g} dB"
        )


def damping_line(peak: DampedPeak) -> str:
    """What a change does to the Q of the driver in the box."""
    change = f"{100 * (peak.changed / peak.built - 1):+.1f} %".replace("-", MINUS)
    return (
        f"  - {peak.q_name} of the {peak.driver} at {frequency_words(peak.hz)}: {peak.built:.3f} behind "
        f"{peak.built_ohm:.2f} ohm of the network, then {peak.changed:.3f} behind {peak.changed_ohm:.2f} ohm "
        f"({change}; {peak.own:.3f} straight on the amplifier)"
    )


def largest_difference(report: CrossoverReport, driver: str) -> tuple[float, float, float]:
    """Largest change of a driver's level, dB, where, Hz, and half the spread by tolerances there, dB."""
    assert report.changed is not None
    planned, changed = report.built.drivers[driver], report.changed.drivers[driver]
    audible = np.maximum(planned.level_db, changed.level_db) > np.max(planned.level_db) + LEAST_DB
    size = np.where(audible, np.abs(report.difference_db(driver)), 0.0)
    place = int(np.argmax(size))
    spread = 0.5 * float(planned.high_db[place] - planned.low_db[place])
    return float(report.difference_db(driver)[place]), float(report.frequency_hz[place]), spread


def crossover_document(report: CrossoverReport) -> dict[str, Any]:
    """A crossover for other programs; levels in dB re the voltage at the terminals."""
    ohm, hz = report.lowest
    return {
        "build": report.build,
        "state": report.state,
        "unit": report.unit,
        "netlist": report.netlist,
        "parts": [
            {
                **part_document(report, part),
                "measured": _measured_document(report.measured_parts.get(part.name)),
            }
            for part in report.planned.network.parts
        ],
        **suspects_document(report),
        "input": _impedance_document(report.frequency_hz, report.input_ohm),
        "lowest_ohm": ohm,
        "lowest_hz": hz,
        **_computed_document(report.frequency_hz, report.built),
        "by_the_curve": None
        if report.as_measured is None
        else _computed_document(report.frequency_hz, report.as_measured),
        "levels": None
        if report.levels is None
        else level_document(report.levels.series, report.levels.into, "speaker"),
        "change": None
        if report.changed is None
        else {
            "swaps": list(report.swaps),
            "input": _impedance_document(report.frequency_hz, report.changed.input_ohm),
            "lowest_ohm": report.changed.lowest_ohm,
            **_computed_document(report.frequency_hz, report.changed),
            "damping": [asdict(peak) for peak in report.damping],
            "difference_db": {name: _finite(report.difference_db(name)) for name in report.compared},
        },
        "warnings": list(report.warnings),
    }


def _measured_document(reading: PartReading | None) -> dict[str, Any] | None:
    """What a part's own take tells of it."""
    if reading is None or reading.value is None:
        return None
    loss = None if reading.loss is None else reading.loss.as_json()
    return {"take": reading.take.number, "value": reading.value.as_json(), "loss": loss}


def _impedance_document(frequency_hz: FloatArray, impedance_ohm: ComplexArray) -> dict[str, list[float]]:
    known = np.isfinite(impedance_ohm)
    frequency_hz, impedance_ohm = frequency_hz[known], impedance_ohm[known]
    return {
        "frequency_hz": frequency_hz.tolist(),
        "magnitude_ohm": np.abs(impedance_ohm).tolist(),
        "phase_deg": np.degrees(np.angle(impedance_ohm)).tolist(),
    }


def _computed_document(frequency_hz: FloatArray, computed: Computed) -> dict[str, Any]:
    return {
        "resistor_watts": dict(computed.power.watts),
        "drivers": {
            name: {
                "frequency_hz": frequency_hz.tolist(),
                "level_db": _finite(level.level_db),
                "phase_deg": _finite(level.phase_deg),
                "band_low_db": _finite(level.low_db),
                "band_high_db": _finite(level.high_db),
            }
            for name, level in computed.drivers.items()
        },
    }


def _finite(values: FloatArray) -> list[float | None]:
    """Values for other programs: None for the level of a driver that gets nothing."""
    return [float(value) if np.isfinite(value) else None for value in values]
