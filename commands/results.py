"""Commands about results: calibrate, curve, findings, decay, compare, demo."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from stillbox.commands.opening import open_bench, open_build
from stillbox.commands.options import (
    AnyUnitOption,
    BuildArgument,
    DifferenceOption,
    GateOption,
    JsonOption,
    PlotOption,
    StateOption,
    TakeArgument,
    TouchstoneOption,
    check_page,
    check_table,
)
from stillbox.commands.printing import print_json, progress, say, show, warn_of


def calibrate(
    build: BuildArgument,
    reference_ohms: Annotated[
        float | None,
        typer.Option(metavar="R", help="Reference resistor of the jig, ohm; left out: as it is, shown only."),
    ] = None,
    reference_tolerance: Annotated[
        float | None,
        typer.Option(metavar="PERCENT", help="Its tolerance; also that of a load that was given none."),
    ] = None,
) -> None:
    """Set the reference resistor, or see what is corrected.

    Uses whichever calibration takes the build has: channel-match, open, short, load; check-resistor verifies.
    """
    folder = open_build(build)
    from stillbox.analysis.bench import Bench
    from stillbox.analysis.calibration_report import calibration_report

    if reference_ohms is not None:
        folder.set_calibration(reference_ohms, reference_tolerance)
    elif reference_tolerance is not None:
        folder.set_calibration(Bench(folder).settings.reference_ohm, reference_tolerance)
    bench = Bench(folder)
    known = bench.settings.reference_tolerance_percent
    tolerance = "tolerance not given" if known is None else f"+-{known:g} %"
    say(f"reference resistor {bench.settings.reference_ohm:g} ohm, {tolerance}")
    for line in calibration_report(bench):
        say(line)


def curve(
    build: BuildArgument,
    take: TakeArgument,
    csv: Annotated[
        Path | None, typer.Option(metavar="F", callback=check_table, help="Table of the logarithmic grid: .csv.")
    ] = None,
    touchstone: TouchstoneOption = None,
    plot: PlotOption = None,
    points: Annotated[
        int, typer.Option(metavar="N", help="Points an octave in the CSV; 0: every bin of the record.")
    ] = 96,
    gate: GateOption = None,
) -> None:
    """Impedance of a take: show or write it."""
    bench = open_bench(build, gate)
    from stillbox.analysis.page.export import write_curve_csv, write_touchstone
    from stillbox.analysis.page.tables import curve_text

    info = bench.build.find_take(take)
    measured = bench.curve(info, points)
    say(curve_text(info, measured))
    if csv is not None:
        write_curve_csv(csv, measured)
        say(f"wrote {csv}")
    if touchstone is not None:
        write_touchstone(touchstone, measured, f"{bench.name}: {info.address}")
        say(f"wrote {touchstone}")
    if plot is not None:
        from stillbox.analysis.page.write_up import plot_curve

        plot_curve(bench, info, plot)
        say(f"wrote {plot}")
    warn_of(measured.warnings)


def findings(
    build: BuildArgument,
    state: StateOption = None,
    unit: AnyUnitOption = None,
    as_json: JsonOption = False,
    everything: Annotated[
        bool, typer.Option("--all", help="All resonances with evidence and advice, not the first three.")
    ] = False,
    gate: GateOption = None,
) -> None:
    """What rings in the box, and why.

    Resonances with cause, evidence and advice, and the smallest that this measurement could have seen.
    """
    bench = open_bench(build, gate)
    from stillbox.analysis.page.export import findings_document
    from stillbox.analysis.page.tables import finding_text, findings_table, motional_text
    from stillbox.analysis.ringing.result_words import RINGING_MEANING
    from stillbox.analysis.ringing.ringing import FIRST, in_order
    from stillbox.analysis.ringing.summary import summary_of_findings

    report = bench.findings(state, unit)
    if as_json:
        print_json(findings_document(report))
        return
    say(summary_of_findings(report))
    say("")
    say(f"{report.build}, state {report.state or '-'}, unit {report.unit}: {motional_text(report)}")
    if report.findings:
        first = None if everything else FIRST
        show(findings_table(report, first))
        folded = len(report.findings) - FIRST
        if folded > 0 and not everything:
            say(f"and {folded} smaller: --all")
        say(RINGING_MEANING)
        for finding, _ in in_order(report)[:first]:
            say("")
            for line in finding_text(finding):
                say(line)
    warn_of(report.warnings)


def decay(
    build: BuildArgument,
    take: TakeArgument,
    plot: PlotOption = None,
    csv: Annotated[
        Path | None, typer.Option(metavar="F", callback=check_table, help="Levels over time and frequency: .csv.")
    ] = None,
    cycles: Annotated[bool, typer.Option("--cycles", help="Time in cycles of each frequency, not in ms.")] = False,
    gate: GateOption = None,
) -> None:
    """How each resonance dies out.

    Cumulative spectral decay from the impedance alone: no microphone, no room.
    """
    bench = open_bench(build, gate)
    from stillbox.analysis.impedance.repeatability import bare_driver_findings
    from stillbox.analysis.page.tables import ridges_table
    from stillbox.analysis.page.write_up import plot_decay, ridges_of, write_decay_table

    info = bench.build.find_take(take)
    ridges, notes = ridges_of(bench, info)
    if ridges:
        # Causes are told in the box only.
        in_box = info.subject == "in-box"
        findings = bench.findings_of(info).findings if in_box else bare_driver_findings(bench.fit(info))
        show(ridges_table(findings, ridges, with_causes=in_box))
    else:
        say("no resonance to follow")
    for note in notes:
        say(f"note: {note}")
    if plot is not None:
        plot_decay(bench, info, plot, cycles=cycles)
        say(f"wrote {plot}")
    if csv is not None:
        write_decay_table(bench, info, csv, cycles=cycles)
        say(f"wrote {csv}")


def compare(
    build: BuildArgument,
    before: Annotated[str, typer.Argument(metavar="BEFORE", help="State before, or take number.", show_default=False)],
    after: Annotated[str, typer.Argument(metavar="AFTER", help="State after, or take number.", show_default=False)],
    unit: AnyUnitOption = None,
    as_json: JsonOption = False,
    everything: Annotated[bool, typer.Option("--all", help="All resonances, not what matters most alone.")] = False,
    plot: PlotOption = None,
    difference: DifferenceOption = None,
    gate: GateOption = None,
) -> None:
    """What changed between two states.

    Each resonance: gone, reduced, unchanged, grown, new or moved; how surely that is told, and what could be seen.
    """
    bench = open_bench(build, gate)
    from stillbox.analysis.page.export import comparison_document
    from stillbox.analysis.page.opening import opening_of
    from stillbox.analysis.page.tables import changes_table
    from stillbox.analysis.ringing.result_words import TOLD_MEANING
    from stillbox.analysis.ringing.summary import first_changes, order_of_changes
    from stillbox.capture.files.output_file import check_different

    check_different(plot=plot, difference=difference)
    result = bench.comparison(before, after, unit)
    takes = bench.compared(before, after, unit)
    opening = opening_of(bench, takes)
    if plot is not None or difference is not None:
        from stillbox.analysis.page.write_up import plot_comparison

        plot_comparison(bench, before, after, unit, overlay=plot, difference=difference)
    if as_json:
        print_json(comparison_document(result, opening))
        return
    say(opening)
    say("")
    of_one_unit = takes[0].unit == takes[1].unit
    say(f"{result.before} -> {result.after}" + (f", unit {result.unit}" if of_one_unit else ""))
    if result.changes:
        ordered = order_of_changes(result.changes, *map(bench.findings_of, takes))
        shown = ordered if everything else first_changes(ordered)
        show(changes_table(result, shown))
        if len(shown) < len(ordered):
            say(f"and {len(ordered) - len(shown)} smaller: --all")
        say(
            f"{TOLD_MEANING}, and from a tenth of the height or a hundredth of the frequency. seen from: the smallest "
            "that could have been seen where it is missing"
        )
    else:
        say("no resonance in either state")
    for line in (*result.tuning, *result.room_words):
        say(line)
    for path in (plot, difference):
        if path is not None:
            say(f"wrote {path}")
    warn_of(result.warnings)


def report(
    build: BuildArgument,
    states: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[STATE [LATER]]",
            help="One state, or two to be compared; left out: the newest and the one before it.",
            show_default=False,
        ),
    ] = None,
    unit: AnyUnitOption = None,
    out: Annotated[
        Path, typer.Option("--out", metavar="F", callback=check_page, help="Page to write: .html.")
    ] = Path("report.html"),
    gate: GateOption = None,
) -> None:
    """Write the report: what rang, what changed, driver, box and bass.

    One page that holds its pictures, to be kept, sent or printed.
    """
    bench = open_bench(build, gate, told=True)
    from stillbox.analysis.page.write_up import write_build_report

    chosen = bench.reported(states or (), unit)
    write_build_report(bench, chosen, out)
    say(f"wrote {out}: {' and '.join(take.address for take in chosen)}")


def demo(
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Folder for what is written.")] = Path("stillbox-demo"),
) -> None:
    """The whole work on an invented speaker's recordings.

    Calibrates, computes, compares, draws and writes a report; names every file written.
    """
    from stillbox.analysis.page.demonstration import run_demonstration

    for item in run_demonstration(out, progress):
        show(item)
