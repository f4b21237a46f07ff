"""Words of driver, box and bass in the window: lines of the list, the sentence. No Qt here.

Names and numbers of the lines are those of the tables that the command line prints.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from stillbox.analysis.bass.bass import changed_closed, largest
from stillbox.analysis.bass.bass_words import (
    ALPHA_RATIO,
    alignment_texts,
    bass_table,
    cost_sense,
    cost_texts,
    hatched_lines,
)
from stillbox.analysis.box.box_words import box_table
from stillbox.analysis.driver.driver_words import coil_text, driver_table
from stillbox.analysis.physics.volume import LITRE
from stillbox.analysis.system.box_sound import HEARD_FROM_HZ
from stillbox.analysis.system.meanings import AT_HZ, MEANINGS
from stillbox.gui.parts.words import frequency_words
from stillbox.gui.results.view import Row

if TYPE_CHECKING:
    from stillbox.analysis.bass.bass_report import BassReport
    from stillbox.analysis.box.box_report import BoxReport
    from stillbox.analysis.driver.driver_report import DriverReport
    from stillbox.analysis.maths.quantity import Quantity
    from stillbox.analysis.system.box_sound import BassSystem

_LEAK_WORDS = {"leaks": "it leaks", "tight": "tight", "cannot be told": "whether it leaks cannot be told"}


def driver_rows(report: DriverReport) -> list[Row]:
    """A line for each parameter."""
    places = {"fs": report.fit.fs_hz.value}
    rows = []
    for name, fit, interval, book in driver_table(report).rows:
        values = [fit, f"95 %: {interval}", *([f"three-point method: {book}"] if book else [])]
        details = (coil_text(report),) if name.startswith("L ") else ()
        rows.append(Row(places.get(name), "", name, fit, tuple(values), details, meaning=MEANINGS.get(name, "")))
    return rows


def sentence_of_driver(report: DriverReport) -> str:
    """Resonance, Q and Vas, or what Vas needs."""
    fit, absolute = report.fit, report.absolute
    head = f"fs {frequency_words(fit.fs_hz.value)}, Qts {fit.qts.value:.3f}"
    if absolute is not None:
        return (
            f"Driver of unit {report.unit}: {head}, Vas {absolute.vas_m3.value / LITRE:.3g} litres, "
            f"{absolute.sensitivity_2v83_db.value:.1f} dB at 2.83 V."
        )
    if report.lacking:
        return f"Driver in free air: {head}; no Vas yet: {report.lacking[0]}."
    return (
        f"Driver in free air: {head}; Vas needs a second take: stick a known mass to the cone, or close it into a box "
        "of known volume."
    )


def sentence_without_free_air(unit: str) -> str:
    """Driver and box need it."""
    return (
        f"There is no free-air take of unit {unit}, and what driver and box are is told from it. Next: take the driver "
        "out, hold it so that its cone moves freely, and sweep it in free air."
    )


def box_rows(report: BassReport) -> list[Row]:
    """Tuning, losses, volume, bass and alignments, a line each."""
    box = report.box
    rows = _cost_rows(report)
    rows += [_box_row(box, *row) for row in box_table(box).rows]
    rows += _bass_rows(report)
    rows += _moved_rows(report)
    rows += _hatched_rows(report)
    if box.hump is not None:
        rows.append(_plain("hump near the tuning", box.hump.kind, box.hump.evidence, box.hump.resonance.frequency_hz))
    if box.budget is not None:
        budget = box.budget
        lines = [f"{budget.gross_m3 / LITRE:.2f} litres inside"]
        lines += [f"{item.name}: {item.taken_m3 / LITRE:.2f} litres" for item in budget.items]
        lines += [
            f"{1000 * part.mass_kg:.0f} g of {part.material}: {part.taken_m3 / LITRE:.2f} litres"
            for part in budget.stuffing
        ]
        rows.append(_plain("air in the box", f"{budget.air_m3 / LITRE:.2f} litres", lines))
    names = ", ".join(one.name for one in (published.alignment for published in report.published))
    rows.append(_plain("published alignments", names, alignment_texts(report)))
    return rows


def _plain(head: str, numbers: str, details: Sequence[str], frequency_hz: float | None = None) -> Row:
    return Row(frequency_hz, "", head, numbers, (numbers,), tuple(details), meaning=MEANINGS[head])


def _box_row(box: BoxReport, name: str, fit: str, interval: str, book: str) -> Row:
    values = [fit]
    values += [f"95 %: {interval}"] if interval else []
    values += [f"textbook: {book}"] if book else []
    details: tuple[str, ...] = ()
    if name.startswith("QL"):
        details = (box.leak.sentence,)
    elif name == "effective volume" and box.volumes is not None:
        details = (box.volumes.sentence,)
    place = _places(box).get(name)
    return Row(
        None if place is None else place.value, "", name, fit, tuple(values), details, meaning=MEANINGS.get(name, "")
    )


def _places(box: BoxReport) -> dict[str, Quantity]:
    if box.closed is not None:
        return {"fc": box.closed.fc_hz}
    vented = box.vented
    assert vented is not None
    return {
        "lower peak of |Z|": vented.fl_hz,
        "saddle of |Z|": vented.fm_hz,
        "upper peak of |Z|": vented.fh_hz,
        "tuning fB": vented.fb_hz,
    }


def _bass_rows(report: BassReport) -> list[Row]:
    """Figures of what is shown, earlier to later."""
    table = bass_table(report)
    names = table.heads[1:]
    figures = report.figures if report.changed_figures is None else report.changed_figures
    places = {
        "3 dB point, Hz": figures.f3_hz,
        "10 dB point, Hz": figures.f10_hz,
        "highest level at, Hz": figures.peak_hz,
    }
    uncertain = {"3 dB point, Hz": report.f3_hz, "highest level, dB": report.peak_db}
    rows = []
    for head, *cells in table.rows:
        head = AT_HZ.get(head, head)
        cells = [_minus(cell) for cell in cells]
        values = [f"{name}: {cell}" for name, cell in zip(names, cells, strict=True)]
        if head in uncertain:
            values.append(f"this state, as measured: {uncertain[head].text()}")
        rows.append(Row(places.get(head), "", head, " → ".join(cells), tuple(values), meaning=MEANINGS.get(head, "")))
    return rows


def _hatched_rows(report: BassReport) -> list[Row]:
    """Where the level is not known."""
    curves = report.curves if report.changed_curves is None else report.changed_curves
    if not curves.hatched_hz:
        return []
    bands = ", ".join(f"{low:.0f} to {high:.0f} Hz" for low, high in curves.hatched_hz)
    return [_plain("level not known", bands, tuple(hatched_lines(report)), curves.hatched_hz[0][0])]


def _minus(number: str) -> str:
    return number.replace("-", "\N{MINUS SIGN}")


def _costs(report: BassReport) -> dict[str, str]:
    """What the change from the other state to this one costs, by its name, if one was chosen."""
    return {name: f"{name} {_minus(text)}" for name, text in cost_texts(report).items()}


def _cost_rows(report: BassReport) -> list[Row]:
    costs, head = _costs(report), "difference of states"
    if not costs:
        return []
    return [Row(None, "", head, cost_sense(report), tuple(costs.values()), meaning=MEANINGS[head])]


def _moved_rows(report: BassReport) -> list[Row]:
    """Excursion and air in the port at the voltage, where they are known."""
    curves = report.curves if report.changed_curves is None else report.changed_curves
    rows = []
    for head, values, from_hz, factor, unit in (
        ("most excursion", curves.excursion_m, HEARD_FROM_HZ, 1e3, "mm"),
        ("fastest air in the port", curves.port_speed_m_s, 0.0, 1.0, "m/s"),
    ):
        if values is not None:
            place_hz, most = largest(curves.frequency_hz, values, from_hz)
            numbers = f"{factor * most:.2g} {unit} at {frequency_words(place_hz)}"
            rows.append(_plain(head, numbers, (f"at {report.voltage_v:.4g} V",), place_hz))
    return rows


def _tuned_words(system: BassSystem) -> str:
    closed = changed_closed(system)
    if closed is not None:
        return f"fc {frequency_words(closed[0])}, Qtc {closed[1]:.3g}, "
    return "" if system.tuning_hz is None else f"tuned to {frequency_words(system.tuning_hz)}, "


def sentence_of_box(report: BassReport) -> str:
    """Tuning, leak and 3 dB point; what a lining costs and what a change does, if asked."""
    box = report.box
    if box.doubts:
        return box.doubts[0][:1].upper() + box.doubts[0][1:]
    state = f", {box.state}" if box.state else ""
    leak = _LEAK_WORDS[box.leak.word]
    f3 = f"3 dB point at {report.f3_hz.text()}"
    if box.closed is not None:
        fc, qtc = box.closed.fc_hz.value, box.closed.qtc.value
        said = f"Closed box{state}: fc {frequency_words(fc)}, Qtc {qtc:.3g}, {leak}, {f3}."
    else:
        assert box.vented is not None
        said = f"Vented box{state}: tuned to {frequency_words(box.vented.fb_hz.value)}, {leak}, {f3}."
    costs = _costs(report)
    costs.pop(ALPHA_RATIO, None)
    if costs:
        said += f" F{cost_sense(report)[1:]}: {', '.join(costs.values())}."
    if report.changed_figures is not None and report.changed_system is not None:
        tuned = _tuned_words(report.changed_system)
        figures = report.changed_figures
        peak = _minus(f"{figures.peak_db:+.2f} dB")
        said += f" Changed: {tuned}3 dB point at {figures.f3_hz:.1f} Hz, highest level {peak}."
    return said
