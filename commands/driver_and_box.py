"""Commands about driver and box: driver, box, bass."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stillbox.capture.errors import StillboxError
from stillbox.capture.files.output_file import NETLIST, TABLE, write_output
from stillbox.commands.opening import open_bench
from stillbox.commands.options import (
    AnyUnitOption,
    BuildArgument,
    GateOption,
    JsonOption,
    PlotOption,
    StateOption,
    check_netlist,
    check_table,
)
from stillbox.commands.printing import print_json, say, show, warn_of

if TYPE_CHECKING:
    from stillbox.analysis.bass.bass import Change
    from stillbox.analysis.bass.bass_report import BassReport

SpiceOption = Annotated[
    Path | None,
    typer.Option("--spice", metavar="F", callback=check_netlist, help="Netlist of the fitted model (SPICE, .cir)."),
]

GONE = (
    "--absorption-q is gone: what a lining does follows from what it is and where it lies, not from one Q",
    "line it, sweep it again under another state and set both against each other with --against"
)


def driver(
    build: BuildArgument,
    unit: AnyUnitOption = None,
    re_ohms: Annotated[
        float | None,
        typer.Option("--re-ohms", metavar="R", help="DC resistance by multimeter; overrides build.toml."),
    ] = None,
    re_tolerance: Annotated[
        float | None, typer.Option("--re-tolerance", metavar="PERCENT", help="Tolerance of the multimeter.")
    ] = None,
    spice: SpiceOption = None,
    as_json: JsonOption = False,
    gate: GateOption = None,
) -> None:
    """Driver parameters from a free-air take.

    With a take of added-mass or test-box (and the mass or volume in build.toml) also Vas, Mms, Cms, Bl and level.
    """
    bench = open_bench(build, gate)
    from stillbox.analysis.bass.meanings import meaning_lines
    from stillbox.analysis.driver.driver_report import driver_report
    from stillbox.analysis.driver.driver_words import driver_document, driver_lines, driver_table
    from stillbox.analysis.enclosure.spice import driver_netlist
    from stillbox.analysis.lumped.driver import MeterReading

    if re_tolerance is not None and re_ohms is None:
        raise StillboxError("--re-tolerance belongs to a reading of the multimeter", "give that too, as --re-ohms")
    meter = None if re_ohms is None else MeterReading(re_ohms, re_tolerance)
    report = driver_report(bench, unit, meter)
    if spice is not None:
        title = f"{report.build}, driver of unit {report.unit} in free air"
        write_output(spice, NETLIST, driver_netlist(report.fit, title))
    if as_json:
        print_json(driver_document(report))
        return
    say(f"{report.build}, unit {report.unit}")
    table = driver_table(report)
    show(table)
    _say_rest(chain(driver_lines(report), meaning_lines([table])), [spice], report.warnings)


def box(
    build: BuildArgument,
    state: StateOption = None,
    unit: AnyUnitOption = None,
    spice: SpiceOption = None,
    as_json: JsonOption = False,
    gate: GateOption = None,
) -> None:
    """Tuning, losses, leak and volume of the box.

    Needs a free-air take of the same driver: the box is what it adds to the driver.
    """
    bench = open_bench(build, gate)
    from stillbox.analysis.bass.meanings import meaning_lines
    from stillbox.analysis.box.box_report import box_report
    from stillbox.analysis.box.box_words import box_document, box_lines, box_table
    from stillbox.analysis.enclosure.spice import box_netlist
    from stillbox.analysis.page.opening import opening_of

    report = box_report(bench, state, unit)
    opening = opening_of(bench, [bench.in_box(state, unit)])
    if spice is not None:
        title = f"{report.build}, state {report.state}, unit {report.unit}"
        write_output(spice, NETLIST, box_netlist(report.fit, title))
    if as_json:
        print_json({"summary": opening, **box_document(report)})
        return
    kind = "vented" if report.fit.vented else "closed"
    say(opening)
    say("")
    say(f"{report.build}, state {report.state or '-'}, unit {report.unit}: {kind} box")
    table = box_table(report)
    show(table)
    _say_rest(chain(box_lines(report), meaning_lines([table])), [spice], report.warnings)


def bass(
    build: BuildArgument,
    state: StateOption = None,
    unit: AnyUnitOption = None,
    against: Annotated[
        str | None, typer.Option(metavar="STATE", help="The state before: differences are this state minus that.")
    ] = None,
    volume_percent: Annotated[
        float | None,
        typer.Option("--volume-percent", metavar="P", help="Foretell: effective volume, percent of the present one."),
    ] = None,
    port_diameter: Annotated[
        float | None, typer.Option("--port-diameter", metavar="MM", help="Foretell: another inner diameter.")
    ] = None,
    port_length: Annotated[
        float | None, typer.Option("--port-length", metavar="MM", help="Foretell: another length of the port.")
    ] = None,
    absorption_q: Annotated[
        float | None, typer.Option("--absorption-q", metavar="QA", help=GONE[0], hidden=True)
    ] = None,
    volts: Annotated[
        float, typer.Option("--volts", metavar="V", help="Rms voltage for excursion and air speed in the port.")
    ] = 2.83,
    csv: Annotated[
        Path | None, typer.Option(metavar="F", callback=check_table, help="Curves as a table: .csv.")
    ] = None,
    plot: PlotOption = None,
    as_json: JsonOption = False,
    gate: GateOption = None,
) -> None:
    """Bass of the box as measured and as changed.

    Response, 3 dB point, group delay, peak; with a second take of the driver also excursion and air speed.
    """
    from stillbox.analysis.bass.bass import VOLTAGE_LIMITS_V
    from stillbox.analysis.bass.bass_words import bass_csv, bass_document, bass_lines, bass_table
    bench = open_bench(build, gate)
    from stillbox.analysis.bass.bass_report import bass_report
    from stillbox.analysis.bass.meanings import meaning_lines

    if absorption_q is not None:
        raise StillboxError(*GONE)
    _within("volts", volts, VOLTAGE_LIMITS_V)
    change = _change(
        {
            "volume_percent": volume_percent,
            "port_diameter_mm": port_diameter,
            "port_length_mm": port_length,
        }
    )
    report = bass_report(bench, state, unit, change, against, volts)
    if csv is not None:
        write_output(csv, TABLE, bass_csv(report.curves if report.changed_curves is None else report.changed_curves))
    if plot is not None:
        _plot(report, plot)
    if as_json:
        print_json(bass_document(report))
        return
    say(f"{report.box.build}, state {report.box.state or '-'}, unit {report.box.unit}")
    table = bass_table(report)
    show(table)
    _say_rest(chain(bass_lines(report), meaning_lines([table])), [csv, plot], report.warnings)


def _change(given: dict[str, float | None]) -> Change | None:
    """What is to be foretold; None if nothing is to be changed."""
    from stillbox.analysis.bass.bass import CHANGE_LIMITS, Change

    for name, value in given.items():
        _within(name.removesuffix("_mm"), value, CHANGE_LIMITS[name])
    return Change.of(**given)


def _within(name: str, value: float | None, limits: tuple[float, float]) -> None:
    low, high = limits
    if value is not None and not low <= value <= high:
        raise StillboxError(f"--{name.replace('_', '-')} {value:g} must be {low:g} to {high:g}", "correct it")


def _plot(report: BassReport, path: Path) -> None:
    from stillbox.analysis.bass.bass_words import bass_curves_named
    from stillbox.analysis.bass.picture_bass import picture_of_bass
    from stillbox.analysis.drawing.picture_style import save_picture

    title = f"{report.box.build}, state {report.box.state}: bass"
    save_picture(picture_of_bass(title, bass_curves_named(report)), path)


def _say_rest(lines: Iterable[str], written: Iterable[Path | None], warnings: Iterable[str]) -> None:
    """What stands below a table: sentences, files that were written, warnings."""
    for line in lines:
        say(line)
    for path in written:
        if path is not None:
            say(f"wrote {path}")
    warn_of(warnings)
