"""Commands about results: calibrate, curve, findings, decay, compare, demo."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from stillbox.analysis.take_controls import REFERENCE_OHM, REFERENCE_TOLERANCE
from stillbox.commands.opening import open_bench, open_build
from stillbox.commands.options import (
    AnyUnitOption,
    BuildArgument,
    DifferenceOption,
    DriverOption,
    GateOption,
    JsonOption,
    PlotOption,
    StateOption,
    TakeArgument,
    TouchstoneOption,
    check_page,
    check_table,
    number_option,
)
from stillbox.commands.printing import progress, say, show
from stillbox.commands.telling import tell


def calibrate(
    build: BuildArgument,
    reference_ohms: Annotated[float | None, number_option(REFERENCE_OHM, "R", "as it is, shown only")] = None,
    reference_tolerance: Annotated[float | None, number_option(REFERENCE_TOLERANCE, "PERCENT")] = None,
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
    from stillbox.analysis.curve.topic import CURVE

    files = {"--csv": csv, "--touchstone": touchstone, "--plot": plot}
    tell(CURVE, bench, {"take": take, "points": points}, files)


def findings(
    build: BuildArgument,
    state: StateOption = None,
    unit: AnyUnitOption = None,
    driver: DriverOption = None,
    as_json: JsonOption = False,
    everything: Annotated[
        bool, typer.Option("--all", help="All resonances with evidence and advice, not the first three.")
    ] = False,
    gate: GateOption = None,
) -> None:
    """What rings in the box, and why.

    Resonances with cause, evidence and advice, and the smallest that this measurement could have seen.
    """
    bench = open_bench(build, gate, driver)
    from stillbox.analysis.findings.topic import FINDINGS

    tell(FINDINGS, bench, {"state": state, "unit": unit}, as_json=as_json, everything=everything)


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
    from stillbox.analysis.decay.topic import DECAY

    tell(DECAY, bench, {"take": take, "cycles": cycles}, {"--plot": plot, "--csv": csv})


def compare(
    build: BuildArgument,
    before: Annotated[str, typer.Argument(metavar="BEFORE", help="State before, or take number.", show_default=False)],
    after: Annotated[str, typer.Argument(metavar="AFTER", help="State after, or take number.", show_default=False)],
    unit: AnyUnitOption = None,
    driver: DriverOption = None,
    as_json: JsonOption = False,
    everything: Annotated[bool, typer.Option("--all", help="All resonances, not what matters most alone.")] = False,
    plot: PlotOption = None,
    difference: DifferenceOption = None,
    gate: GateOption = None,
) -> None:
    """What changed between two states.

    Each resonance: gone, reduced, unchanged, grown, new or moved; how surely that is told, and what could be seen.
    """
    bench = open_bench(build, gate, driver)
    from stillbox.analysis.comparison.topic import COMPARISON

    asked = {"before": before, "after": after, "unit": unit}
    files = {"--plot": plot, "--difference": difference}
    tell(COMPARISON, bench, asked, files, as_json=as_json, everything=everything)


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
    driver: DriverOption = None,
    out: Annotated[
        Path, typer.Option("--out", metavar="F", callback=check_page, help="Page to write: .html.")
    ] = Path("report.html"),
    gate: GateOption = None,
) -> None:
    """Write the report: what rang, what changed, driver, box and bass.

    One page that holds its pictures, to be kept, sent or printed.
    """
    bench = open_bench(build, gate, driver, told=True)
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
