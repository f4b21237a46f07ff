"""Declarations of arguments and options that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer

from stillbox.analysis.controls import Number
from stillbox.analysis.take_controls import CELSIUS, LOAD_OHM, LOAD_TOLERANCE
from stillbox.capture.files.output_file import NETLIST, PAGE, PICTURE, TABLE, TOUCHSTONE, OutputKind, check_output

BuildArgument = Annotated[Path, typer.Argument(metavar="BUILD", help="Folder of the build.", show_default=False)]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for other programs.")]
UnitOption = Annotated[str, typer.Option("--unit", metavar="NAME", help="Which of a pair.")]

AnyUnitOption = Annotated[
    str | None, typer.Option("--unit", metavar="NAME", help="Which of a pair; left out: the newest take's.")
]
DriverOption = Annotated[
    str | None,
    typer.Option(
        "--driver",
        metavar="NAME",
        help="Which driver, where the speaker has several; left out: the one in the box.",
    ),
]
OfDriverOption = Annotated[
    str | None,
    typer.Option(
        "--driver",
        metavar="NAME",
        help="Name of the driver on whose own terminals the clips sit, crossover off (letters, digits, _); left out: "
        "the speaker's terminals, or its only driver.",
    ),
]
PartOption = Annotated[
    str | None,
    typer.Option("--part", metavar="NAME", help="Name of the part, for part, as in the crossover: C2."),
]
StateOption = Annotated[
    str | None,
    typer.Option("--state", metavar="NAME", help="Stage of the work, or a take's number; left out: the newest take's."),
]
AgainstOption = Annotated[
    str | None,
    typer.Option(
        "--against",
        metavar="REF",
        help="What it is set against: a state, a take's number or address (in-box/stock/A), or OTHERBUILD:address; "
        "left out: for check the plan and the other unit, else an earlier state.",
    ),
]
TakeArgument = Annotated[
    str,
    typer.Argument(
        metavar="TAKE",
        help="Number of a take, or subject[/state[/unit[/of]]]: the newest that fits.",
        show_default=False,
    ),
]


def _output(kind: OutputKind) -> Callable[[Path | None], Path | None]:
    """Refuses before any work is done what could not be written after it."""

    def check(path: Path | None) -> Path | None:
        if path is not None:
            check_output(path, kind)
        return path

    return check


check_page = _output(PAGE)
check_table = _output(TABLE)
check_netlist = _output(NETLIST)



def number_option(control: Number, metavar: str, left_out: str = "") -> Any:
    """The option of a number from its declaration; its limits hold in `Number.checked`.

    ``left_out`` says what it is where it is not given.
    """
    words = f"{control.tip.rstrip('.')}; left out: {left_out}." if left_out else control.tip
    return typer.Option(control.option, metavar=metavar, help=words)


FitOption = Annotated[
    bool,
    typer.Option("--all", help="Also what the fit tells of its numbers: what lies at a bound, what hangs together."),
]
PlotOption = Annotated[
    Path | None,
    typer.Option("--plot", metavar="F", callback=_output(PICTURE), help="Picture to write: .svg, .png or .pdf."),
]
DifferenceOption = Annotated[
    Path | None, typer.Option("--difference", metavar="F", callback=_output(PICTURE), help="Picture of the difference.")
]
TouchstoneOption = Annotated[
    Path | None,
    typer.Option("--touchstone", metavar="F", callback=_output(TOUCHSTONE), help="One-port Z parameters (.z1p, .s1p)."),
]

GateOption = Annotated[
    float | None,
    typer.Option("--gate", metavar="S", help="Keep the response this long only: less noise, coarser resolution."),
]

CelsiusOption = Annotated[float | None, number_option(CELSIUS, "T")]
LoadOption = Annotated[float | None, number_option(LOAD_OHM, "R")]
LoadToleranceOption = Annotated[float | None, number_option(LOAD_TOLERANCE, "PERCENT")]
RemountedOption = Annotated[
    bool,
    typer.Option(
        "--remounted",
        help="The driver was taken out of the box and put back since the last take, and nothing else was done: "
        "'compare' learns from it what remounting does by itself.",
    ),
]

PortClosedOption = Annotated[
    bool,
    typer.Option(
        "--port-closed",
        help="The port was closed by hand, airtight: 'box' asks for such a take of the same state where it cannot tell "
        "a leak from other losses.",
    ),
]

SUBJECT_HELP = (
    "What the recording is of: free-air, added-mass, test-box, in-box, part, microphone, check-resistor, "
    "channel-match, open, short or load."
)
