"""The box: tuning, losses, leak and volume, told, written, put into the report."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from stillbox.analysis.bench import Bench
from stillbox.analysis.box.box_report import BoxReport, box_of_take, box_report
from stillbox.analysis.box.box_words import box_document, box_fit_lines, box_lines, box_table
from stillbox.analysis.controls import Asked
from stillbox.analysis.driver.driver_report import driver_of_take
from stillbox.analysis.ringing.summary import summary_of_findings
from stillbox.analysis.section import ReportPart, Section
from stillbox.analysis.system.meanings import meaning_lines
from stillbox.analysis.system.spice import box_netlist
from stillbox.analysis.topic import File, Said, Topic
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.output_file import NETLIST, write_output
from stillbox.capture.recording.take import TakeInfo


@dataclass(frozen=True)
class SummedBox:
    """A box with the sentence on what rings in it."""

    summary: str
    box: BoxReport


def _box(bench: Bench, asked: Asked) -> SummedBox:
    """The newest of a ``state`` and ``unit``."""
    state, unit = asked.get("state"), asked.get("unit")
    report = box_report(bench, state, unit)
    return SummedBox(summary_of_findings(bench.findings(state, unit)), report)


def _said(summed: SummedBox, everything: bool) -> Said:
    report = summed.box
    yield summed.summary
    yield ""
    kind = "vented" if report.fit.vented else "closed"
    yield f"{report.build}, state {report.state or '-'}, unit {report.unit}: {kind} box"
    table = box_table(report)
    yield table
    yield from box_lines(report)
    if everything:
        yield from box_fit_lines(report)
    yield from meaning_lines([table])


def _netlist(summed: SummedBox, path: Path) -> None:
    report = summed.box
    title = f"{report.build}, state {report.state}, unit {report.unit}"
    write_output(path, NETLIST, box_netlist(report.fit, title))


def fitted_box(bench: Bench, take: TakeInfo) -> BoxReport | None:
    """The box of a take; None where no take of its driver is in free air, or no driver can be fitted to that."""
    free_air = bench.free_air(take.unit, take.of)
    if free_air is None:
        return None
    try:
        driver = driver_of_take(bench, free_air)
    except StillboxError:  # the driver's section says so
        return None
    return box_of_take(bench, take, driver)


def _sections(bench: Bench, takes: Sequence[TakeInfo]) -> list[Section]:
    several = len({take.unit for take in takes}) > 1
    found = []
    for take in takes:
        title = f"Box, {take.state}" if take.state else "Box"
        title = f"{title}, unit {take.unit}" if several else title
        try:
            report = fitted_box(bench, take)
        except StillboxError as error:
            found.append(Section(title, (ReportPart("", None, (f"No numbers of the box: {error}.",)),)))
            continue
        if report is not None:
            table = box_table(report)
            meanings = meaning_lines([table]) if take is takes[-1] else ()
            part = ReportPart("", table, (*box_lines(report), *meanings))
            found.append(Section(title, (part,), report.warnings))
    return found


BOX = Topic(
    name="box",
    title="Box",
    needs="takes of in-box and, of the same driver, of free-air",
    compute=_box,
    said=_said,
    warnings=lambda summed: summed.box.warnings,
    document=lambda summed: {"summary": summed.summary, **box_document(summed.box)},
    files=(File("--spice", "Fitted box as a netlist", NETLIST, _netlist),),
    sections=_sections,
)
