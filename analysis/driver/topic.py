"""The driver: its parameters from a take in free air, told, written, put into the report."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from stillbox.analysis.bench import Bench
from stillbox.analysis.controls import Asked
from stillbox.analysis.drawing.panels import PictureDescription
from stillbox.analysis.driver.driver_report import DriverReport, driver_of_take, driver_report
from stillbox.analysis.driver.driver_words import (
    driver_document,
    driver_fit_lines,
    driver_lines,
    driver_table,
    fitted_csv,
)
from stillbox.analysis.driver.picture_fitted import picture_of_driver
from stillbox.analysis.lumped.driver import MeterReading
from stillbox.analysis.section import ReportPart, Section
from stillbox.analysis.system.meanings import meaning_lines
from stillbox.analysis.system.spice import driver_netlist
from stillbox.analysis.topic import File, Said, Topic, TopicPicture
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.output_file import NETLIST, TABLE, write_output
from stillbox.capture.recording.take import TakeInfo


def _driver(bench: Bench, asked: Asked) -> DriverReport:
    """Of a ``unit``; ``re_ohms`` and ``re_tolerance`` are a reading of the multimeter, which overrides build.toml."""
    re_ohms, tolerance = asked.get("re_ohms"), asked.get("re_tolerance")
    if tolerance is not None and re_ohms is None:
        raise StillboxError("--re-tolerance belongs to a reading of the multimeter", "give that too, as --re-ohms")
    meter = None if re_ohms is None else MeterReading(re_ohms, tolerance)
    return driver_report(bench, asked.get("unit"), meter)


def _said(report: DriverReport, everything: bool) -> Said:
    yield f"{report.build}, unit {report.unit}" + (f", driver {report.of}" if report.of else "")
    table = driver_table(report)
    yield table
    yield from driver_lines(report)
    if everything:
        yield from driver_fit_lines(report)
    yield from meaning_lines([table])


def _netlist(report: DriverReport, path: Path) -> None:
    title = f"{report.build}, driver of unit {report.unit} in free air"
    write_output(path, NETLIST, driver_netlist(report.fit, title))


def _table(report: DriverReport, path: Path) -> None:
    write_output(path, TABLE, fitted_csv(report))


def _picture(report: DriverReport) -> PictureDescription:
    return picture_of_driver(f"{report.build}, unit {report.unit}: driver", report)


def driver_of_unit(bench: Bench, unit: str) -> DriverReport | None:
    """The driver of a unit; None where no take of it is in free air."""
    free_air = bench.free_air(unit)
    return None if free_air is None else driver_of_take(bench, free_air)


def _sections(bench: Bench, takes: Sequence[TakeInfo]) -> list[Section]:
    """One of each unit that the takes are of."""
    units = list(dict.fromkeys(take.unit for take in takes))
    return [_section(bench, unit, "Driver" if len(units) == 1 else f"Driver, unit {unit}") for unit in units]


def _section(bench: Bench, unit: str, title: str) -> Section:
    try:
        report = driver_of_unit(bench, unit)
    except StillboxError as error:
        return Section(title, (ReportPart("", None, (f"No numbers of the driver: {error}.",)),))
    if report is None:
        sentence = f"There is no free-air take of unit {unit}: driver, box and bass need one (--subject free-air)."
        return Section(title, (ReportPart("", None, (sentence,)),))
    table = driver_table(report)
    part = ReportPart("", table, (*driver_lines(report), *meaning_lines([table])))
    return Section(title, (part,), report.warnings)


DRIVER = Topic(
    name="driver",
    title="Driver",
    needs="a take of free-air; one of added-mass or test-box beside it for Vas, Mms, Bl and level",
    compute=_driver,
    said=_said,
    warnings=lambda report: report.warnings,
    document=driver_document,
    files=(
        File("--spice", "Fitted model as a netlist", NETLIST, _netlist),
        File("--csv", "Impedance, measured and fitted, as a table", TABLE, _table),
    ),
    pictures=(TopicPicture("--plot", "Picture of the driver", _picture),),
    sections=_sections,
)
