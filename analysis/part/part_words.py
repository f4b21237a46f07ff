"""Parts in tables, in sentences and as JSON."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from stillbox.analysis.cautions import PARTS_IN_BRIEF
from stillbox.analysis.levels.level_words import level_document, level_lines
from stillbox.analysis.maths.number_words import frequency_words, short_number
from stillbox.analysis.maths.quantity import MINUS, Quantity, change_text, shown_decimals, value_text
from stillbox.analysis.maths.table import Table
from stillbox.analysis.part.part_report import Pair, PartReport
from stillbox.analysis.part.reading import HIGH_HZ, Estimate, PartReading
from stillbox.analysis.part.warm_drift import WarmDrift
from stillbox.analysis.parts.part_codes import value_words
from stillbox.analysis.topic import Said
from stillbox.capture.recording.take import TakeInfo

NONE_YET = "no take of a part; record one with --subject part --part C1"
_LOSS_NAMES = {"capacitor": "ESR at 1 kHz", "coil": "DC resistance"}
_UNITS = {
    "F": ((1e-6, "µF"), (1e-9, "nF"), (1e-12, "pF")),
    "H": ((1e-3, "mH"), (1e-6, "µH"), (1e-9, "nH")),
    "ohm": ((1.0, "ohm"), (1e-3, "mohm")),
    "Hz": ((1e3, "kHz"), (1.0, "Hz")),
    "s": ((1e-9, "ns"),),
}


def _in_usual_unit(estimate: Estimate) -> Estimate:
    scales = _UNITS.get(estimate.unit)
    if scales is None:
        return estimate
    size = estimate.value if estimate.most is None else estimate.most
    factor, name = next((scale for scale in scales if size >= 0.1 * scale[0]), scales[-1])
    return estimate.scaled(1 / factor, name)


def estimate_text(estimate: Estimate) -> str:
    """Value and uncertainty, or the upper limit where no more is known."""
    shown = _in_usual_unit(estimate)
    if shown.most is not None:
        return f"at most {_rounded_up(shown.most)} {shown.unit}".rstrip()
    return value_text(shown.value, shown.std, shown.unit)


def _rounded_up(number: float) -> str:
    decimals = 1 - math.floor(math.log10(number))
    return short_number(math.ceil(number * 10.0**decimals - 1e-9) / 10.0**decimals, 3)


def interval_text(estimate: Estimate) -> str:
    """The interval of 95 %, without unit."""
    shown = _in_usual_unit(estimate)
    decimals = max(shown_decimals(shown.value, shown.std), 0) if shown.std > 0 else 2
    low, high = shown.interval_95
    return f"{max(low, 0.0) if shown.most is not None else low:.{decimals}f} to {high:.{decimals}f}"


def part_name(take: TakeInfo) -> str:
    """As it is told apart from others: name, and state where it has one."""
    return take.of or f"take {take.number}"


def said_of_parts(report: PartReport, everything: bool) -> Said:
    """One part in full, or the table of all."""
    if report.one:
        yield from _one(report)
        return
    yield report.build
    if not report.readings:
        yield NONE_YET
        return
    rows = tuple(_row(reading) for reading in report.readings)
    yield Table(("part", "state", "unit", "kind", "value", "ESR or DC resistance", "loss factor, 1 kHz", "notes"), rows)
    for pair in report.pairs:
        yield pair_sentence(pair)
    yield PARTS_IN_BRIEF


def _row(reading: PartReading) -> tuple[str, ...]:
    take = reading.take
    cells = [estimate_text(one) if one else "" for one in (reading.value, reading.loss, reading.loss_factor_1khz)]
    return (part_name(take), take.state or "-", take.unit, reading.kind or "none of these", *cells, reading.reason)


def pair_sentence(pair: Pair) -> str:
    """Two parts that go together, and by how much they differ."""
    names = [f"{part_name(take)} {take.state}".strip() + f", unit {take.unit}" for take in (pair.first, pair.second)]
    off = change_text(pair.difference.value, pair.difference.std, "%")
    return f"a pair: {names[0]} and {names[1]}; the second is {off} off the first"


def _one(report: PartReport) -> Said:
    reading = report.readings[0]
    take = reading.take
    yield f"{report.build}, {part_name(take)}" + (f", state {take.state}" if take.state else "") + f", unit {take.unit}"
    if reading.kind is None:
        yield f"neither a capacitor nor a coil nor a resistor: {reading.reason}"
        if report.levels is not None:
            yield "a coil whose core is driven too far looks so: read it from a take at a lower level (record --level)"
            yield from level_lines(report.levels, report.into, "coil")
        yield PARTS_IN_BRIEF
        return
    named = [("value at 1 kHz" if reading.kind != "resistor" else "resistance", reading.value)]
    named.append((_LOSS_NAMES.get(reading.kind, ""), reading.loss))
    named.append(("inductance", reading.inductance))
    beyond = reading.self_resonance is not None and reading.self_resonance.value > HIGH_HZ
    named.append(("self-resonance" + (", above the sweep" if beyond else ""), reading.self_resonance))
    rows = [(name, estimate_text(one), interval_text(one)) for name, one in named if one is not None]
    yield Table((reading.kind, "measured", "95 % interval"), tuple(rows))
    if reading.loss_factor:
        factors = tuple(
            (frequency_words(hz), estimate_text(one), _quality_text(one)) for hz, one in reading.loss_factor
        )
        yield Table(("frequency", "loss factor", "Q"), factors)
    if report.levels is not None:
        if reading.take.number != report.levels.loudest.take.number and report.levels.core == "iron":
            yield f"the numbers above are of take {reading.take.number}, the quietest"
        yield from level_lines(report.levels, report.into, "coil")
    yield from _lines(report, reading)


def _quality_text(factor: Estimate) -> str:
    if factor.most is not None:
        return f"at least {1 / factor.most:.2g}"
    return f"{1 / factor.value:.3g}"


def _lines(report: PartReport, reading: PartReading) -> Iterator[str]:
    if report.marked is not None:
        yield verdict_sentence(report)
    if reading.drift is not None:
        yield drift_sentence(reading.drift)
    yield load_sentence(reading)
    if reading.loss is not None or reading.kind == "resistor":
        yield contact_sentence(reading)
    yield PARTS_IN_BRIEF


def verdict_sentence(report: PartReport) -> str:
    """The marking against what was measured."""
    reading, marked = report.readings[0], report.marked
    assert marked is not None
    kind = reading.kind or marked.kind
    words = value_words(marked.value, kind) if kind else f"{marked.value:g}"
    if report.tolerance_percent is None and report.verdict == "cannot be told":
        return f"marked {words} without a tolerance: give it with --tolerance to have it judged"
    band = f"marked {words}" + ("" if report.tolerance_percent is None else f" ± {report.tolerance_percent:g} %")
    verdict = {
        "within": "the part is within its tolerance",
        "outside": "the part is outside its tolerance",
        "cannot be told": "cannot be told: the interval reaches over the edge of the tolerance",
    }[report.verdict or "cannot be told"]
    off = "" if reading.value is None else f" ({100 * (reading.value.value / marked.value - 1):+.2g} %)"
    return f"{band}: {verdict}{off.replace('-', MINUS)}"


def load_sentence(reading: PartReading) -> str:
    """What is known of the inductance of the resistor that sets the ohms, and from what."""
    assert reading.load_seconds is not None
    told = "the usual size alone (common practice, no source)" if reading.alone else "all parts in this jig"
    more = "; sweep a small capacitor, a coil and a resistor, too: together they tell it" if reading.alone else ""
    return (
        f"the resistor that sets the ohms has an inductance of its own, {estimate_text(reading.load_seconds)} times "
        f"its resistance by {told}: it is in the uncertainty{more}"
    )


def drift_sentence(drift: WarmDrift) -> str:
    """What warmth does to a resistor while it is swept."""
    if not drift.is_seen:
        return f"from the first sweep to the last it stays within {2000 * drift.std_ohm:.2g} mohm"
    change = change_text(1000 * drift.ohm, 1000 * drift.std_ohm, "mohm")
    return f"from the first sweep to the last it moves by {change}, as warmth does it (or the clips)"


def contact_sentence(reading: PartReading) -> str:
    """What wires and clips leave in a resistance."""
    if reading.without_short:
        return (
            f"there is no take of short: {1000 * reading.contact_ohm:.0f} mohm for wires and clips, a usual size, are "
            "in the uncertainty of every resistance; record --subject short"
        )
    return f"no resistance is told better than the clips repeat: {1000 * reading.contact_ohm:.2g} mohm"


def parts_document(report: PartReport) -> dict[str, Any]:
    """For other programs."""
    if report.one:
        reading = report.readings[0]
        return {
            "build": report.build,
            **_document(reading),
            "marked": report.marked_text,
            "tolerance_percent": report.tolerance_percent,
            "verdict": report.verdict,
            "levels": level_document(report.levels, report.into, "coil"),
            "warnings": list(report.warnings),
        }
    return {
        "build": report.build,
        "parts": [_document(reading) for reading in report.readings],
        "pairs": [
            {
                "first": pair.first.address,
                "second": pair.second.address,
                "difference": pair.difference.as_json(),
            }
            for pair in report.pairs
        ],
        "warnings": list(report.warnings),
    }


def _document(reading: PartReading) -> dict[str, Any]:
    take = reading.take
    return {
        "name": take.of,
        "state": take.state,
        "unit": take.unit,
        "take": take.number,
        "kind": reading.kind or "none of these",
        "reason": reading.reason,
        "value": _json(reading.value),
        "loss": _json(reading.loss),
        "loss_factor_1khz": _json(reading.loss_factor_1khz),
        "loss_factor": [{"frequency_hz": hz, **one.as_json()} for hz, one in reading.loss_factor],
        "inductance": _json(reading.inductance),
        "self_resonance": _json(reading.self_resonance),
        "drift": None if reading.drift is None else Quantity(reading.drift.ohm, reading.drift.std_ohm, "ohm").as_json(),
        "load_inductance_over_resistance": _json(reading.load_seconds),
    }


def _json(estimate: Estimate | None) -> dict[str, object] | None:
    return None if estimate is None else estimate.as_json()
