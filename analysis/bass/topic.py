"""The bass of a box: as measured, changed, against another state; told, drawn, written, put into the report."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from stillbox.analysis.bass.bass import Change
from stillbox.analysis.bass.bass_controls import CHANGES, USUAL_V, VOLTAGE
from stillbox.analysis.bass.bass_report import BassReport, bass_as_measured, bass_report
from stillbox.analysis.bass.bass_words import bass_csv, bass_curves_named, bass_document, bass_lines, bass_table
from stillbox.analysis.bass.picture_bass import picture_of_bass
from stillbox.analysis.bench import Bench
from stillbox.analysis.box.box_report import BoxReport
from stillbox.analysis.box.topic import fitted_box
from stillbox.analysis.controls import Asked
from stillbox.analysis.drawing.layout import picture_bytes
from stillbox.analysis.drawing.panels import PictureDescription
from stillbox.analysis.section import ReportPart, ReportPicture, Section
from stillbox.analysis.system.meanings import meaning_lines
from stillbox.analysis.system.spice import box_netlist, netlist
from stillbox.analysis.topic import File, Said, Topic, TopicPicture
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.output_file import NETLIST, TABLE, write_output
from stillbox.capture.recording.take import TakeInfo

CHANGED_BOX = "Changed box as a netlist"


def _bass(bench: Bench, asked: Asked) -> BassReport:
    """Of a ``state`` and ``unit``, ``against`` a state before, with what the controls change."""
    change = Change.of(**{control.key: control.checked(asked.get(control.key)) for control in CHANGES})
    voltage_v = VOLTAGE.checked(asked.get(VOLTAGE.key))
    state, unit, against = asked.get("state"), asked.get("unit"), asked.get("against")
    return bass_report(bench, state, unit, change, against, USUAL_V if voltage_v is None else voltage_v)


def _said(report: BassReport, everything: bool) -> Said:
    yield f"{report.box.build}, state {report.box.state or '-'}, unit {report.box.unit}"
    table = bass_table(report)
    yield table
    yield from bass_lines(report)
    yield from meaning_lines([table])


def _table(report: BassReport, path: Path) -> None:
    write_output(path, TABLE, bass_csv(report.curves if report.changed_curves is None else report.changed_curves))


def _tables(report: BassReport) -> list[tuple[str, BassReport]]:
    """One of each set of curves that is shown."""
    return [
        (f"Bass {name} as a table", replace(report, curves=curves, changed_curves=None))
        for name, curves in bass_curves_named(report)
    ]


def _netlist(report: BassReport, path: Path) -> None:
    """Of the changed box; where nothing was changed, of the box as measured."""
    title = f"{report.box.build}, state {report.box.state}, unit {report.box.unit}"
    if report.changed_system is None:
        write_output(path, NETLIST, box_netlist(report.box.fit, title))
    else:
        write_output(path, NETLIST, netlist(report.changed_system, f"{title}, changed"))


def _changed_box(report: BassReport) -> list[tuple[str, BassReport]]:
    return [] if report.changed_system is None else [(CHANGED_BOX, report)]


def _drawn(report: BassReport) -> PictureDescription:
    return picture_of_bass(f"{report.box.build}, state {report.box.state}: bass", bass_curves_named(report))


def _sections(bench: Bench, takes: Sequence[TakeInfo]) -> list[Section]:
    """The bass of the last box that can be fitted, against one before it of another state of the same unit."""
    boxes = [box for take in takes if (box := _box(bench, take)) is not None]
    if not boxes:
        return []
    first, last = boxes[0], boxes[-1]
    before = first if first.unit == last.unit and first.state != last.state else None
    try:
        bass = bass_as_measured(bench, last, before)
    except StillboxError as error:
        return [Section("Bass", (ReportPart("", None, (f"No numbers of the bass: {error}.",)),))]
    table = bass_table(bass)
    part = ReportPart("", table, (*bass_lines(bass), *meaning_lines([table])), _picture(bass))
    return [Section("Bass", (part,), bass.warnings)]


def _box(bench: Bench, take: TakeInfo) -> BoxReport | None:
    """The box of a take; where it cannot be had the section of the box says why."""
    try:
        return fitted_box(bench, take)
    except StillboxError:
        return None


def _picture(bass: BassReport) -> ReportPicture:
    named = bass_curves_named(bass)
    names = " and ".join(name for name, _ in named)
    picture = picture_of_bass(f"{bass.box.build}, unit {bass.box.unit}: bass of {names}", named)
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
    return ReportPicture(caption, picture_bytes(picture, "svg"))


BASS = Topic(
    name="bass",
    title="Bass",
    needs="takes of in-box and, of the same driver, of free-air; a second take of the driver for excursion",
    compute=_bass,
    said=_said,
    warnings=lambda report: report.warnings,
    document=bass_document,
    files=(
        File("--spice", CHANGED_BOX, NETLIST, _netlist, _changed_box),
        File("--csv", "Bass as a table", TABLE, _table, _tables),
    ),
    pictures=(TopicPicture("--plot", "Picture of the bass", _drawn),),
    controls=(*CHANGES, VOLTAGE),
    sections=_sections,
)
