"""The report's section "Driver and box": what the commands driver, box and bass say, put together for one unit."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from stillbox.analysis.bass.bass_report import BassReport, bass_of_box
from stillbox.analysis.bass.bass_words import bass_curves_named, bass_lines, bass_table
from stillbox.analysis.bass.meanings import meaning_lines
from stillbox.analysis.bass.picture_bass import picture_of_bass
from stillbox.analysis.bench import Bench
from stillbox.analysis.box.box_report import BoxReport
from stillbox.analysis.box.box_words import box_lines, box_table
from stillbox.analysis.box.lumped_fits import lumped_fits
from stillbox.analysis.drawing.picture_style import picture_bytes
from stillbox.analysis.driver.driver_report import DriverReport
from stillbox.analysis.driver.driver_words import driver_lines, driver_table
from stillbox.analysis.page.report import DriverAndBox, ReportPart, ReportPicture
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo


def driver_and_box_section(bench: Bench, takes: Sequence[TakeInfo]) -> DriverAndBox:
    """All parts that the takes allow; what cannot be had becomes a sentence.

    Parameters
    ----------
    bench : Bench
    takes : sequence of TakeInfo
        One or two in-box takes, the earlier first.
    """
    parts: list[ReportPart] = []
    warnings: list[str] = []
    drivers = {unit: _driver(bench, unit, parts) for unit in dict.fromkeys(take.unit for take in takes)}
    for unit, driver in drivers.items():
        if driver is not None:
            parts.append(
                ReportPart(_titled("Driver", unit, drivers), driver_table(driver), tuple(driver_lines(driver)))
            )
            warnings += driver.warnings
    boxes: list[BoxReport] = []
    for take in takes:
        driver = drivers[take.unit]
        if driver is None:
            continue
        title = _titled(f"Box, {take.state}" if take.state else "Box", take.unit, drivers)
        try:
            box = _box(bench, take)
        except StillboxError as error:
            parts.append(ReportPart(title, None, (_failed("the box", error),)))
            continue
        boxes.append(box)
        parts.append(ReportPart(title, box_table(box), tuple(box_lines(box))))
        warnings += box.warnings
    if boxes:
        bass, said = _bass(bench, boxes)
        parts.append(bass)
        warnings += said
    meanings = tuple(meaning_lines(part.table for part in parts if part.table is not None))
    if meanings:
        parts.append(ReportPart("", None, meanings))
    return DriverAndBox(tuple(parts), tuple(dict.fromkeys(warnings)))


def _titled(title: str, unit: str, units: Collection[str]) -> str:
    return title if len(units) == 1 else f"{title}, unit {unit}"


def _driver(bench: Bench, unit: str, parts: list[ReportPart]) -> DriverReport | None:
    """The driver of a unit; where there is none, ``parts`` gets a sentence that says why."""
    free_air = bench.newest("free-air", unit=unit)
    if free_air is None:
        sentence = f"There is no free-air take of unit {unit}: driver, box and bass need one (--subject free-air)."
        parts.append(ReportPart("", None, (sentence,)))
        return None
    try:
        return lumped_fits(bench).driver(free_air)
    except StillboxError as error:
        parts.append(ReportPart("", None, (_failed("the driver", error),)))
        return None


def _box(bench: Bench, take: TakeInfo) -> BoxReport:
    free_air = bench.newest("free-air", unit=take.unit)
    assert free_air is not None  # else there is no driver, and nobody asks
    return lumped_fits(bench).box(take, free_air)


def _failed(what: str, error: Exception) -> str:
    return f"No numbers of {what}: {error}."


def _bass(bench: Bench, boxes: Sequence[BoxReport]) -> tuple[ReportPart, tuple[str, ...]]:
    """The bass of the last box, against the one before where that is another state of the same unit."""
    last, first = boxes[-1], boxes[0]
    before = first if first.unit == last.unit and first.state != last.state else None
    try:
        bass = bass_of_box(last, bench.build.description, before=before)
    except StillboxError as error:
        return ReportPart("Bass", None, (_failed("the bass", error),)), ()
    return ReportPart("Bass", bass_table(bass), tuple(bass_lines(bass)), _bass_picture(bass)), bass.warnings


def _bass_picture(bass: BassReport) -> ReportPicture:
    named = bass_curves_named(bass)
    names = " and ".join(name for name, _ in named)
    figure = picture_of_bass(f"{bass.box.build}, unit {bass.box.unit}: bass of {names}", named)
    curves = [one for _, one in named]
    shown = ["group delay"]
    if all(one.excursion_m is not None for one in curves):
        shown.append(f"excursion of the cone at {bass.voltage_v:g} V")
    if all(one.port_speed_m_s is not None for one in curves):
        shown.append("speed of the air in the port")
    caption = (
        f"Bass of {names}, computed from the impedance, without a room: level over the driver's reference level; "
        f"{', '.join(shown)}."
    )
    return ReportPicture(caption, picture_bytes(figure, "svg"))
