"""The command line of Stillbox: read options, call, print.

To add a command: a function with ``@app.command()`` whose docstring is the help, whose options are the ``Annotated``
types of this file where they fit, and whose body imports what it needs (``stillbox --help`` must stay light), makes
one call into a room and hands the result to ``_say``, ``_print_table`` or ``_print_json``. Faults are StillboxErrors;
``main`` turns them, and wrong use, into one line on stderr and exit status 2.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from capture.errors import StillboxError
from stillbox_live import record

if TYPE_CHECKING:
    from analysis.tables import Table
    from capture.take import TakeInfo

app = typer.Typer(
    name="stillbox",
    help="Instrument and notebook for people who build and rework passive loudspeakers at home.",
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

BuildArgument = Annotated[Path, typer.Argument(metavar="BUILD", help="Folder of the build.", show_default=False)]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for other programs.")]
UnitOption = Annotated[str, typer.Option("--unit", metavar="NAME", help="Which of a pair.")]

AnyUnitOption = Annotated[
    str | None, typer.Option("--unit", metavar="NAME", help="Which of a pair; left out: the newest take's.")
]
StateOption = Annotated[
    str | None, typer.Option("--state", metavar="NAME", help="Stage of the work; left out: the newest take's.")
]
TakeArgument = Annotated[
    str,
    typer.Argument(
        metavar="TAKE", help="Number of a take, or subject[/state[/unit]]: the newest that fits.", show_default=False
    ),
]
PlotOption = Annotated[Path | None, typer.Option("--plot", metavar="F", help="Picture to write: .svg, .png or .pdf.")]
GateOption = Annotated[
    float | None,
    typer.Option("--gate", metavar="S", help="Keep the response this long only: less noise, coarser resolution."),
]

SUBJECT_HELP = (
    "What the recording is of: free-air, added-mass, test-box, in-box, part, microphone, check-resistor, "
    "channel-match, open, short or load."
)


@app.command()
def excitation(
    out: Annotated[Path, typer.Argument(metavar="OUT.wav", help="WAV file to write.", show_default=False)],
    low: Annotated[float, typer.Option(metavar="HZ", help="Lowest frequency.")] = 10.0,
    high: Annotated[
        float | None, typer.Option(metavar="HZ", help="Highest frequency; left out: as high as the rate allows.")
    ] = None,
    seconds: Annotated[float, typer.Option(metavar="S", help="Length of one sweep.")] = 5.0,
    rate: Annotated[int, typer.Option(metavar="HZ", help="Sample rate.")] = 48_000,
    level: Annotated[float, typer.Option(metavar="DBFS", help="Peak level re full scale.")] = -12.0,
    repeats: Annotated[int, typer.Option(metavar="N", help="Number of sweeps.")] = 1,
) -> None:
    """Write the sweep to play, with its JSON.

    The JSON beside the WAV holds everything that an analysis of a recording of it needs.
    """
    from capture.excitation import default_high_hz, make_excitation, write_excitation

    if out.suffix.lower() != ".wav":
        raise StillboxError(f"OUT.wav: '{out}' does not end in .wav; give a name like sweep.wav")
    signal = make_excitation(
        low_hz=low,
        high_hz=default_high_hz(rate) if high is None else high,
        seconds=seconds,
        sample_rate_hz=rate,
        level_dbfs=level,
        repeats=repeats,
    )
    json_path = write_excitation(signal, out)
    _say(f"{out}: {signal.total_frames / rate:.1f} s, {low:g} to {signal.high_hz:g} Hz, 24 bit, {rate} Hz")
    _say(f"{json_path}: goes with every recording of it ('stillbox import ... --excitation {json_path}')")


@app.command()
def start(
    build: BuildArgument,
    inside: Annotated[
        str | None, typer.Option(metavar="HEIGHTxWIDTHxDEPTH", help="Inside of the empty box, mm.")
    ] = None,
    rated_ohms: Annotated[float | None, typer.Option(metavar="R", help="Rated impedance, ohm.")] = None,
) -> None:
    """Make the folder of a new build.

    Its build.toml is there to be edited by hand: what you know of the box makes causes surer.
    """
    from capture.build_folder import DESCRIPTION_FILE, BuildFolder

    made = BuildFolder.create(build, _inside_mm(inside), rated_ohms)
    _say(f"{made.path / DESCRIPTION_FILE}: edit it in a text editor; what you know of the box makes causes surer")


@app.command(name="import")
def import_recording(
    build: BuildArgument,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="WAV, FLAC or AIFF.", show_default=False)],
    excitation_json: Annotated[
        Path, typer.Option("--excitation", metavar="E.json", help="The JSON beside the excitation that was played.")
    ],
    subject: Annotated[str, typer.Option(metavar="S", help=SUBJECT_HELP)],
    state: Annotated[
        str | None, typer.Option(metavar="NAME", help="Stage of the work; left out: stock for in-box, else none.")
    ] = None,
    unit: UnitOption = "A",
    jig: Annotated[
        str,
        typer.Option(
            metavar="KIND",
            help="high-side: channel 1 at the source, 2 at the clips; "
            "low-side: channel 1 across resistor and speaker, 2 across the resistor to ground.",
        ),
    ] = "high-side",
    load_ohms: Annotated[
        float | None, typer.Option(metavar="R", help="Marked value of the resistor, for load and check-resistor.")
    ] = None,
    load_tolerance: Annotated[float | None, typer.Option(metavar="PERCENT", help="Its tolerance.")] = None,
) -> None:
    """Take a recording made elsewhere into a build."""
    from capture.build_folder import BuildFolder
    from capture.excitation import read_excitation
    from capture.take_import import import_take

    info = import_take(
        BuildFolder.open(build),
        file,
        read_excitation(excitation_json),
        subject=subject,
        state=state,
        unit=unit,
        jig=jig,
        load_ohm=load_ohms,
        load_tolerance_percent=load_tolerance,
    )
    rate_hz = info.excitation.sample_rate_hz
    places = ", ".join(f"{frame / rate_hz:.3f} s" for frame in info.sweep_starts)
    _say(f"take {info.number}: {info.address}, {len(info.sweep_starts)} sweep(s), starting at {places}")
    for flag in info.flags:
        _say(f"note: {flag}")


@app.command()
def devices() -> None:
    """List what can play and record."""
    from capture.devices import device_rows, list_devices

    there = list_devices()
    _print_table(("number", "device", "host API", "outputs", "inputs", "rates, Hz"), device_rows(there))
    _say(f"without --device: {there.default_name}")
    if there.remedy:
        _warn(there.remedy)


app.command()(record)


@app.command()
def jig(
    rated_ohms: Annotated[float, typer.Option(metavar="R", help="Rated impedance of the speaker.")] = 8.0,
    output_volts: Annotated[float, typer.Option(metavar="V", help="Output at full scale, V rms.")] = 1.0,
    source_ohms: Annotated[float, typer.Option(metavar="R", help="Resistance of the output.")] = 1.0,
    input_volts: Annotated[float, typer.Option(metavar="V", help="Inputs at full scale, V rms.")] = 1.0,
    noise: Annotated[float, typer.Option(metavar="DBFS", help="Noise of the inputs.")] = -95.0,
    kind: Annotated[str, typer.Option(metavar="KIND", help="high-side or low-side.")] = "high-side",
    amplifier_watts: Annotated[
        float | None, typer.Option(metavar="W", help="Rated power of an amplifier that drives the jig.")
    ] = None,
    amplifier_ohms: Annotated[float, typer.Option(metavar="R", help="Load of that rating.")] = 8.0,
) -> None:
    """How to build the jig: wiring, best reference resistor, voltages, powers, attenuator, standards."""
    from analysis.cautions import cautions_for
    from capture.jig_guide import jig_levels
    from capture.jig_text import jig_text

    levels = jig_levels(rated_ohms, output_volts, source_ohms, input_volts, noise, kind)
    _say(jig_text(levels, None if amplifier_watts is None else (amplifier_watts, amplifier_ohms)))
    for text in cautions_for("amplifier", "heat and mains"):
        _say(f"caution: {text}")


@app.command()
def takes(
    build: BuildArgument,
    as_json: JsonOption = False,
    remove_unfinished: Annotated[
        bool, typer.Option("--remove-unfinished", help="Delete recordings that were cut off.")
    ] = False,
) -> None:
    """List what a build holds."""
    from capture.build_folder import BuildFolder

    folder = BuildFolder.open(build)
    if remove_unfinished:
        for path in folder.remove_unfinished():
            _warn(f"removed {path}")
    found, faults = folder.takes(), folder.damaged()
    if as_json:
        _print_json(
            {"build": str(build), "takes": [info.model_dump(mode="json") for info in found], "damaged": faults}
        )
        return
    if found:
        _print_table(("take", "subject/state/unit", "recorded", "length", "notes"), map(_take_row, found))
    else:
        _say(f"{build} holds no takes yet; add one with 'stillbox import'")
    for fault in faults:
        _warn(fault)


@app.command()
def calibrate(
    build: BuildArgument,
    reference_ohms: Annotated[
        float, typer.Option(metavar="R", help="Reference resistor of the jig, ohm.", show_default=False)
    ],
    reference_tolerance: Annotated[
        float | None,
        typer.Option(metavar="PERCENT", help="Its tolerance; also that of a load that was given none."),
    ] = None,
) -> None:
    """Set the reference resistor; see what is corrected.

    Uses whichever calibration takes the build has: channel-match, open, short, load; check-resistor verifies.
    """
    from analysis.bench import Bench
    from capture.build_folder import BuildFolder

    folder = BuildFolder.open(build)
    folder.set_calibration(reference_ohms, reference_tolerance)
    for line in Bench(folder).calibration_report():
        _say(line)


@app.command()
def curve(
    build: BuildArgument,
    take: TakeArgument,
    csv: Annotated[Path | None, typer.Option(metavar="F", help="Table of the logarithmic grid.")] = None,
    touchstone: Annotated[Path | None, typer.Option(metavar="F", help="One-port Z parameters (.z1p, .s1p).")] = None,
    plot: PlotOption = None,
    gate: GateOption = None,
) -> None:
    """Impedance of a take: show or write it."""
    from analysis.bench import Bench
    from analysis.export import write_curve_csv, write_touchstone
    from analysis.tables import curve_text
    from capture.build_folder import BuildFolder

    bench = Bench(BuildFolder.open(build), gate)
    info = bench.build.find_take(take)
    measured = bench.curve(info)
    _say(curve_text(info, measured))
    if csv is not None:
        write_curve_csv(csv, measured)
        _say(f"wrote {csv}")
    if touchstone is not None:
        write_touchstone(touchstone, measured, f"{bench.name}: {info.address}")
        _say(f"wrote {touchstone}")
    if plot is not None:
        from analysis.write_up import plot_curve

        plot_curve(bench, info, plot)
        _say(f"wrote {plot}")
    for warning in measured.warnings:
        _warn(warning)


@app.command()
def findings(
    build: BuildArgument,
    state: StateOption = None,
    unit: AnyUnitOption = None,
    as_json: JsonOption = False,
    gate: GateOption = None,
) -> None:
    """What rings in the box, and why.

    Resonances with cause, evidence and advice, and the smallest that this measurement could have seen.
    """
    from analysis.bench import Bench
    from analysis.export import findings_document
    from analysis.tables import finding_text, findings_table, motional_text
    from capture.build_folder import BuildFolder

    report = Bench(BuildFolder.open(build), gate).findings(state, unit)
    if as_json:
        _print_json(findings_document(report))
        return
    _say(f"{report.build}, state {report.state or '-'}, unit {report.unit}: {motional_text(report)}")
    if report.findings:
        _show(findings_table(report))
        for finding in report.findings:
            _say("")
            for line in finding_text(finding):
                _say(line)
    else:
        _say("no resonance stands out of the noise")
    for warning in report.warnings:
        _warn(warning)


@app.command()
def decay(
    build: BuildArgument,
    take: TakeArgument,
    plot: PlotOption = None,
    csv: Annotated[Path | None, typer.Option(metavar="F", help="Levels over time and frequency.")] = None,
    cycles: Annotated[bool, typer.Option("--cycles", help="Time in cycles of each frequency, not in ms.")] = False,
    gate: GateOption = None,
) -> None:
    """How each resonance dies out.

    Cumulative spectral decay from the impedance alone: no microphone, no room.
    """
    from analysis.bench import Bench
    from analysis.tables import ridges_table
    from analysis.write_up import plot_decay, ridges_of, write_decay_table
    from capture.build_folder import BuildFolder

    bench = Bench(BuildFolder.open(build), gate)
    info = bench.build.find_take(take)
    ridges, notes = ridges_of(bench, info)
    if ridges:
        _show(ridges_table(ridges))
    else:
        _say("no resonance to follow")
    for note in notes:
        _say(f"note: {note}")
    if plot is not None:
        plot_decay(bench, info, plot, cycles=cycles)
        _say(f"wrote {plot}")
    if csv is not None:
        write_decay_table(bench, info, csv, cycles=cycles)
        _say(f"wrote {csv}")


@app.command()
def compare(
    build: BuildArgument,
    before: Annotated[str, typer.Argument(metavar="BEFORE", help="State before.", show_default=False)],
    after: Annotated[str, typer.Argument(metavar="AFTER", help="State after.", show_default=False)],
    unit: AnyUnitOption = None,
    as_json: JsonOption = False,
    plot: Annotated[Path | None, typer.Option(metavar="F", help="Both curves over each other.")] = None,
    difference: Annotated[Path | None, typer.Option(metavar="F", help="Picture of the difference.")] = None,
    gate: GateOption = None,
) -> None:
    """What changed between two states.

    Each resonance: gone, reduced, unchanged, grown, new or moved, with its significance and what could be seen.
    """
    from analysis.bench import Bench
    from analysis.export import comparison_document
    from analysis.tables import changes_table
    from capture.build_folder import BuildFolder

    bench = Bench(BuildFolder.open(build), gate)
    result = bench.comparison(before, after, unit)
    if plot is not None or difference is not None:
        from analysis.write_up import plot_comparison

        plot_comparison(bench, before, after, unit, overlay=plot, difference=difference)
    if as_json:
        _print_json(comparison_document(result))
        return
    _say(f"{result.before} -> {result.after}, unit {result.unit}")
    if result.changes:
        _show(changes_table(result))
    else:
        _say("no resonance in either state")
    for line in result.tuning:
        _say(line)
    for path in (plot, difference):
        if path is not None:
            _say(f"wrote {path}")
    for warning in result.warnings:
        _warn(warning)


@app.command()
def demo(
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Folder for what is written.")] = Path("stillbox-demo"),
) -> None:
    """The whole work on an invented speaker's recordings.

    Calibrates, computes, compares, draws and writes a report; names every file written.
    """
    from analysis.demonstration import run_demonstration

    for item in run_demonstration(out, _progress):
        _show(item)


def _take_row(info: TakeInfo) -> tuple[str, ...]:
    rate_hz = info.excitation.sample_rate_hz
    marked = () if info.load_ohm is None else (f"marked {info.load_ohm:g} ohm",)
    return (
        str(info.number),
        info.address,
        f"{info.created.astimezone():%Y-%m-%d %H:%M}",
        f"{info.frames / rate_hz:.1f} s",
        "; ".join((*marked, *info.flags)),
    )


def _inside_mm(text: str | None) -> tuple[float, float, float] | None:
    if text is None:
        return None
    try:
        height, width, depth = (float(part) for part in text.lower().replace("×", "x").split("x"))
    except ValueError as error:
        raise StillboxError(f"--inside: '{text}' is not HEIGHTxWIDTHxDEPTH in mm; write 600x350x280") from error
    return height, width, depth


def _say(text: str) -> None:
    typer.echo(text)


def _show(item: str | Table) -> None:
    if isinstance(item, str):
        _say(item)
    else:
        _print_table(item.heads, item.rows)


def _progress(text: str) -> None:
    """What is being done, on stderr so that results can be piped."""
    typer.echo(f"... {text}", err=True)


def _warn(text: str) -> None:
    typer.echo(f"stillbox: {' '.join(text.split())}", err=True)


def _print_json(document: dict[str, Any]) -> None:
    typer.echo(json.dumps(document, indent=2, allow_nan=False))


def _print_table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """A plain table; the last column holds free text and is wrapped on a terminal."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(*heads, box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for row in rows:
        table.add_row(*map(Text, row))
    width = None if sys.stdout.isatty() else 1000
    Console(width=width, highlight=False).print(table)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line; exit status 0, or 2 with one line on stderr for wrong use or bad input."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    try:
        status = app(args=given or ["--help"], prog_name="stillbox", standalone_mode=False)
    except StillboxError as error:
        _warn(str(error))
        status = 2
    except BrokenPipeError:
        # The reader of our output (head, less) has gone: nothing more to say, not even at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = 0
    except OSError as error:
        _warn(f"{error.filename or 'system'}: {error.strerror or error}; check the path and the rights there")
        status = 2
    except (KeyboardInterrupt, typer.Abort):
        _warn("stopped")
        status = 130
    except Exception as error:
        if not isinstance(error, CLICK_FAULT):
            raise
        _warn(f"{error.format_message()} See 'stillbox --help'.")
        status = 2
    sys.exit(status or 0)


CLICK_FAULT: Any = typer.BadParameter.__mro__[2]
"""click's ClickException, the base of all faults of use; typer brings its own copy of click in newer versions."""

if __name__ == "__main__":
    main()
