"""Bass as JSON document, as table of curves, and as tables for the terminal and the report."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from stillbox.analysis.bass.bass import BassCurves, BassFigures, largest
from stillbox.analysis.bass.bass_cost import LiningCost
from stillbox.analysis.bass.bass_published import ALIGNMENT_QL, PublishedBox
from stillbox.analysis.bass.bass_report import BassReport
from stillbox.analysis.maths.quantity import Quantity, change_text
from stillbox.analysis.maths.table import Table, text_of_lines
from stillbox.analysis.physics.alignments import IN_WORDS, ClosedAlignment
from stillbox.analysis.physics.port import HEARD_AIR_M_S
from stillbox.analysis.physics.volume import LITRE
from stillbox.analysis.system.box_sound import HATCHED_DB, HEARD_FROM_HZ, is_hatched
from stillbox.capture.files.output_file import TABLE_HEADS

BASS_COLUMNS = TABLE_HEADS["bass"]
ALPHA_RATIO = "compliance ratio alpha"
LEVEL = "level"


def bass_document(report: BassReport) -> dict[str, Any]:
    """Bass for other programs."""
    return {
        "build": report.box.build,
        "state": report.box.state,
        "unit": report.box.unit,
        "of": report.box.of,
        "f3_hz": report.f3_hz.as_json(),
        "peak_db": report.peak_db.as_json(),
        "figures": _figures(report.figures),
        "changed": None if report.changed_figures is None else _figures(report.changed_figures),
        "against": report.against,
        "against_figures": None if report.against_figures is None else _figures(report.against_figures),
        "sense": None if report.cost is None else f"{report.box.state} minus {report.against}",
        "cost": None if report.cost is None else _cost(report.cost),
        "alignments": [{**vars(one.alignment), "f3_hz": one.f3_hz} for one in report.published],
        "voltage_v": report.voltage_v,
        "curves": _curves(report.curves),
        "against_curves": None if report.against_curves is None else _curves(report.against_curves),
        "changed_curves": None if report.changed_curves is None else _curves(report.changed_curves),
        "warnings": list(report.warnings),
    }


def _figures(figures: BassFigures) -> dict[str, float]:
    return {name: float(value) for name, value in vars(figures).items()}


def _cost(cost: LiningCost) -> dict[str, Any]:
    return {name: value.as_json() if isinstance(value, Quantity) else value for name, value in vars(cost).items()}


def _curves(curves: BassCurves) -> dict[str, Any]:
    return {**_columns(curves), "hatched_hz": [list(band) for band in curves.hatched_hz]}


def _columns(curves: BassCurves) -> dict[str, list[float] | None]:
    def numbers(values: np.ndarray | None, factor: float = 1.0) -> list[float] | None:
        return None if values is None else (np.asarray(values) * factor).tolist()

    return {
        "frequency_hz": numbers(curves.frequency_hz),
        "level_db": numbers(curves.level_db),
        "group_delay_ms": numbers(curves.group_delay_s, 1e3),
        "excursion_mm": numbers(curves.excursion_m, 1e3),
        "port_speed_m_s": numbers(curves.port_speed_m_s),
    }


def bass_csv(curves: BassCurves) -> str:
    """Curves as CSV; what is not known stays empty; ``hatched`` is 1 where the level is not to be trusted."""
    columns = [*_columns(curves).values(), is_hatched(curves.hatched_hz, curves.frequency_hz).astype(float).tolist()]
    rows = (
        ",".join("" if column is None else f"{column[index]:.6g}" for column in columns)
        for index in range(curves.frequency_hz.size)
    )
    return text_of_lines(BASS_COLUMNS, rows)


def _bass_named(report: BassReport) -> list[tuple[str, BassFigures, BassCurves]]:
    """Figures and curves with the names that tell them apart: the state before, this one, and this one changed."""
    state = report.box.state or "this state"
    found = [("as measured" if report.against_figures is None else state, report.figures, report.curves)]
    if report.against_figures is not None and report.against_curves is not None:
        found.insert(0, (report.against or "the other", report.against_figures, report.against_curves))
    if report.changed_figures is not None and report.changed_curves is not None:
        name = "changed" if report.against_figures is None else f"{state}, changed"
        found.append((name, report.changed_figures, report.changed_curves))
    return found


def bass_curves_named(report: BassReport) -> list[tuple[str, BassCurves]]:
    """What a picture shows over each other: the state before and this one, or this one and its change."""
    return [(name, curves) for name, _, curves in _bass_named(report)][-2:]


def bass_table(report: BassReport) -> Table:
    """Figures as measured, of the state before and after a change: a column each."""
    columns = [(name, figures) for name, figures, _ in _bass_named(report)]
    named = (
        ("3 dB point, Hz", "f3_hz", "{:.1f}"),
        ("slope there, dB an octave", "f3_slope_db", "{:.1f}"),
        ("10 dB point, Hz", "f10_hz", "{:.1f}"),
        ("highest level, dB", "peak_db", "{:+.2f}"),
        ("at, Hz", "peak_hz", "{:.0f}"),
        ("longest group delay, ms", "group_delay_s", "{:.1f}"),
    )
    rows = []
    for label, name, pattern in named:
        factor = 1e3 if name.endswith("_s") else 1.0
        rows.append((label, *(pattern.format(factor * getattr(figures, name)) for _, figures in columns)))
    return Table(("bass", *(name for name, _ in columns)), tuple(rows))


def bass_lines(report: BassReport) -> Iterator[str]:
    """Uncertainty, cost of the lining, excursion, alignments."""
    of_state = f"{report.box.state}: " if report.against_figures is not None and report.box.state else ""
    costs = cost_texts(report)
    if costs:
        yield f"{cost_sense(report)}: {', '.join(f'{name} {text}' for name, text in costs.items())}"
    slope = report.figures.f3_slope_db
    yield (
        f"{of_state}3 dB point {report.f3_hz.text()}, where the level changes by {abs(slope):.1f} dB an octave; "
        f"highest level {_signed(report.peak_db)}"
    )
    yield from hatched_lines(report)
    yield from _moved_lines(report.curves, report.voltage_v)
    if report.changed_curves is not None:
        yield from _moved_lines(report.changed_curves, report.voltage_v, "changed: ")
    yield (
        f"boxes that published tables give, for orientation (losses of QL {ALIGNMENT_QL:g}; 3 dB points with this "
        "driver's coil, as above):"
    )
    for text in alignment_texts(report):
        yield f"  - {text}"


def _moved_lines(curves: BassCurves, voltage_v: float, box: str = "") -> Iterator[str]:
    """What cone and air in the port do at most, as far as it is known."""
    if curves.excursion_m is not None:
        place_hz, most_m = largest(curves.frequency_hz, curves.excursion_m, HEARD_FROM_HZ)
        yield (
            f"{box}at {voltage_v:g} V the cone moves at most {1000 * most_m:.2f} mm one way above "
            f"{HEARD_FROM_HZ:g} Hz, at {place_hz:.0f} Hz"
        )
    if curves.port_speed_m_s is not None:
        place_hz, fastest_m_s = largest(curves.frequency_hz, curves.port_speed_m_s)
        yield (
            f"{box}the air in the port reaches {fastest_m_s:.1f} m/s at {place_hz:.0f} Hz "
            f"(above some {HEARD_AIR_M_S:g} m/s it is heard: common practice, no source)"
        )


def cost_sense(report: BassReport) -> str:
    """From which state to which."""
    return f"from {report.against or '-'} to {report.box.state or '-'}"


def cost_texts(report: BassReport) -> dict[str, str]:
    """What differs between the state before and this one, by its name; empty where none was chosen."""
    cost = report.cost
    if cost is None:
        return {}
    tuning = {} if cost.fb_shift_hz is None else {"tuning": _signed(cost.fb_shift_hz)}
    return {
        LEVEL: f"{_signed(cost.level_shift_db)} at {cost.level_hz:.0f} Hz",
        **tuning,
        "3 dB point": _signed(cost.f3_shift_hz),
        "highest level": _signed(cost.peak_shift_db),
        ALPHA_RATIO: f"{cost.alpha_ratio.text()} times what it was",
    }


def alignment_texts(report: BassReport) -> list[str]:
    """Published alignments, one a line."""
    return [_alignment(one, report) for one in report.published]


def _signed(quantity: Quantity) -> str:
    return change_text(quantity.value, quantity.std, quantity.unit)


def _alignment(published: PublishedBox, report: BassReport) -> str:
    one = published.alignment
    f3 = "no 3 dB point" if published.f3_hz is None else f"3 dB point {published.f3_hz:.1f} Hz"
    if isinstance(one, ClosedAlignment):
        return f"{one.name}: Qtc {one.qtc:.3f}, {f3}, peak without coil {one.peak_db:.2f} dB"
    fs_hz = report.box.driver.fit.fs_hz.value
    absolute = report.box.driver.absolute
    litres = "" if absolute is None else f", {absolute.vas_m3.value / one.alpha / LITRE:.1f} litres"
    ripple = f", ripple {one.ripple_db:.2f} dB" if one.ripple_db else ""
    return (
        f"{one.name} ({IN_WORDS[one.name]}) for a Qts of {one.qt:.3f}: tuned to {one.h * fs_hz:.1f} Hz, "
        f"compliance ratio alpha {one.alpha:.3f}{litres}, {f3}{ripple}"
    )


def hatched_lines(report: BassReport) -> Iterator[str]:
    """Where the level is not known, a sentence for each set of curves."""
    for name, _, curves in _bass_named(report):
        if curves.hatched_hz:
            bands = ", ".join(f"{low:.0f} to {high:.0f} Hz" for low, high in curves.hatched_hz)
            yield (
                f"level not known to {HATCHED_DB:g} dB, {name}: {bands} (hatched in pictures); there small resonances "
                "sound in a way that the terminals do not show"
            )
