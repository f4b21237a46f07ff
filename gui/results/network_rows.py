"""Words of a crossover in the window: lines of the list, the sentence, what was measured of each part. No Qt here."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from stillbox.analysis.crossover.crossover import HEARD_DB, Computed, CrossoverReport
from stillbox.analysis.crossover.crossover_words import LEAST_CHANGE_DB, largest_difference, reach_words
from stillbox.analysis.crossover.suspect_told import cells_by_the_curve, mending_lines, value_with_std
from stillbox.analysis.maths.number_words import frequency_words, short_number, signed_db
from stillbox.analysis.part.part_report import against_band
from stillbox.capture.shown_text import as_sentence
from stillbox.gui.results.view import Row

HEARD = (
    f"The smallest change of level that listeners are reported to have told apart in the bass is {HEARD_DB:g} dB; for "
    "the range of crossovers no published threshold is known to us."
)
WATTS = "Heat at the frequency at which it is most, with a sine of that voltage; music has less."


def sentence_of_crossover(report: CrossoverReport) -> str:
    """What the change does, or what is planned."""
    if report.changed is not None:
        return _sentence_of_change(report)
    ohm, hz = report.lowest
    told = "" if report.wrong is None else f" {report.wrong.sentence}"
    return f"Lowest impedance {ohm:.2f} Ω at {frequency_words(hz)}.{told}"


def _sentence_of_change(report: CrossoverReport) -> str:
    largest = {name: largest_difference(report, name) for name in report.compared}
    most = max((abs(db) for db, _, _ in largest.values()), default=0.0)
    told = [
        f"{name} {signed_db(db)} at {frequency_words(hz)}"
        for name, (db, hz, _) in largest.items()
        if abs(db) >= LEAST_CHANGE_DB
    ]
    if mending := list(mending_lines(report)):
        head, *drivers = mending
        return as_sentence(f"{head} {', '.join(line.removeprefix('  - ') for line in drivers)}")
    if most < HEARD_DB:
        rest = f": {', '.join(told)}" if told else ""
        return f"No difference that anybody has been shown to hear{rest}."
    within = all(abs(db) <= spread for db, _, spread in largest.values())
    against = "less than the tolerances of the parts make" if within else "more than the tolerances of the parts make"
    return as_sentence(f"{', '.join(told)} at most: {against}")


def rows_of_crossover(report: CrossoverReport) -> list[Row]:
    """Lowest impedance, each driver, each resistor."""
    ohm, hz = report.lowest
    whence = "computed" if report.measured_ohm is None else "measured"
    shown = f"{ohm:.2f} Ω"
    values = [f"{ohm:.2f} Ω at {frequency_words(hz)}, {whence}", f"{report.planned.lowest_ohm:.2f} Ω as planned"]
    if report.changed is not None:
        shown = f"{report.built.lowest_ohm:.2f} → {report.changed.lowest_ohm:.2f} Ω"
        values.append(f"{report.changed.lowest_ohm:.2f} Ω as changed")
    rows = [Row(hz, "", "Lowest impedance", shown, tuple(values), meaning="What an amplifier has to drive.")]
    rows += [_driver_row(report, name) for name in report.shown.drivers]
    return [*rows, *_heat_rows(report)]


def _driver_row(report: CrossoverReport, name: str) -> Row:
    states = _states(report)
    levels = {state: one.drivers[name] for state, one in states if name in one.drivers}
    reach = tuple(f"{state}: {reach_words(report.frequency_hz, level)}" for state, level in levels.items())
    if name not in report.compared:
        level = list(levels.values())[-1]
        peak_hz = float(report.frequency_hz[int(np.argmax(level.level_db))])
        return Row(peak_hz, "", name, f"{signed_db(float(np.max(level.level_db)))}", reach)
    db, hz, spread = largest_difference(report, name)
    details = (f"the tolerances of the parts make ±{spread:.2f} dB there", HEARD)
    number = "no change" if abs(db) < LEAST_CHANGE_DB else signed_db(db)
    return Row(hz, "", name, number, (f"{signed_db(db)} at {frequency_words(hz)}, the most", *reach), details)


def _heat_rows(report: CrossoverReport) -> list[Row]:
    states = _states(report)
    before = report.states[-1][1] if report.changed is None else report.built
    rows = []
    for name in dict.fromkeys(name for _, one in states for name in one.power.watts):
        words = _watts(before, name)
        if report.changed is not None:
            words = f"{words} → {_watts(report.changed, name)}"
        values = tuple(f"{_watts(one, name)} at {one.power.volts:g} V {state}" for state, one in states)
        rows.append(Row(None, "", f"Heat in {name}", words, values, meaning=WATTS))
    return rows


def _states(report: CrossoverReport) -> tuple[tuple[str, Computed], ...]:
    return report.states if report.changed is None else (*report.states, ("as changed", report.changed))


def _watts(computed: Computed, name: str) -> str:
    watts = computed.power.watts.get(name)
    return "–" if watts is None else f"{short_number(watts, 2)} W"


def measured_cells(report: CrossoverReport) -> Mapping[str, tuple[str, str]]:
    """By the name of a part: what was measured of it alone, else by the curve of the speaker, and the verdict."""
    cells: dict[str, tuple[str, str]] = {}
    for part in report.planned.network.parts:
        reading = report.measured_parts.get(part.name)
        if reading is not None and reading.value is not None:
            words = value_with_std(reading.value.value, reading.value.std, part.kind)
            verdict = against_band(reading.value.interval_95, part.value, report.tolerance_percent[part.name])
            cells[part.name] = (words.replace("ohm", "Ω"), verdict)
        elif report.wrong is not None:
            words, told = cells_by_the_curve(report.wrong.part(part.name))
            cells[part.name] = (words.replace("ohm", "Ω"), told)
    return cells


def measured_notes(report: CrossoverReport) -> tuple[str, ...]:
    """Whence what was measured of each part is known."""
    alone = [f"{name} (take {reading.take.number})" for name, reading in report.measured_parts.items()]
    if not alone:
        return ()
    return (f"measured alone: {', '.join(alone)}; what is tried is computed with that. The other parts: by the curve",)
