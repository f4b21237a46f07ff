"""Commands about parts and wire: part, combine, coil, wire."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Protocol

import typer

from stillbox.analysis.part.part_controls import AT_HZ, LOUDEST, TOLERANCE
from stillbox.commands.opening import open_bench
from stillbox.commands.options import AnyUnitOption, BuildArgument, JsonOption, PlotOption, StateOption, number_option
from stillbox.commands.printing import print_json, say, show, warn_of
from stillbox.commands.telling import tell

if TYPE_CHECKING:
    from stillbox.analysis.maths.table import Table

WireOption = Annotated[
    str, typer.Option("--wire", metavar="SIZE", help="Copper: diameter (1.4mm), section (2.5mm2) or gauge (awg14).")
]
CopperOption = Annotated[float, typer.Option("--celsius", metavar="T", help="Temperature of the copper, degrees C.")]
DriverReOption = Annotated[
    float | None, typer.Option("--re-ohms", metavar="R", help="DC resistance of the driver behind it: tells the loss.")
]
DriverQesOption = Annotated[
    float | None, typer.Option("--qes", metavar="Q", help="Qes of that driver: tells what becomes of it.")
]
DriverQmsOption = Annotated[float | None, typer.Option("--qms", metavar="Q", help="Qms of that driver, for its Qts.")]


def part(
    build: BuildArgument,
    name: Annotated[
        str | None,
        typer.Argument(
            metavar="NAME", help="Name of the part; left out: all parts, and pairs that match.", show_default=False
        ),
    ] = None,
    state: StateOption = None,
    unit: AnyUnitOption = None,
    marked: Annotated[
        str | None, typer.Option(metavar="VALUE", help="What stands on the part: 4R7J, 6n8, 0.33 mH.")
    ] = None,
    tolerance: Annotated[float | None, number_option(TOLERANCE, "PERCENT")] = None,
    at_hz: Annotated[float | None, number_option(AT_HZ, "HZ")] = None,
    loudest_volts: Annotated[float | None, number_option(LOUDEST, "V")] = None,
    plot: PlotOption = None,
    as_json: JsonOption = False,
) -> None:
    """Capacitor, coil or resistor from a take of it alone.

    Value, ESR or DC resistance, loss factor and Q over frequency, self-resonance where it is seen; against what stands
    on it. Takes of a coil at several levels ('record --level') tell iron from air, inductance and harmonics of the
    current over the level, and where it saturates. Discharge a capacitor before you clip it on, and take parts out of
    their circuit, one end at least; hot parts and solder: stillbox cautions.
    """
    bench = open_bench(build)
    from stillbox.analysis.part.topic import PART

    asked: dict[str, Any] = {"name": name, "state": state, "unit": unit, "marked": marked, TOLERANCE.key: tolerance}
    asked |= {AT_HZ.key: at_hz, LOUDEST.key: loudest_volts}
    tell(PART, bench, asked, {"--plot": plot}, as_json=as_json)


def combine(
    target: Annotated[
        str, typer.Option(metavar="VALUE", help="The value wanted: 12.7u, 0.33mH, 4R7; its unit tells the kind.")
    ],
    drawer: Annotated[
        Path,
        typer.Option(
            "--from",
            metavar="LIST.csv",
            help="Parts there are. First line: value,count,tolerance_percent,price,name (also kind), in any order, "
            "of which only value must be there. Semicolons instead of commas where decimals have a comma.",
        ),
    ],
    kind: Annotated[
        str | None,
        typer.Option(metavar="KIND", help="capacitor, coil or resistor; left out: what unit or list tell."),
    ] = None,
    most_parts: Annotated[int, typer.Option("--most-parts", metavar="N", help="Parts in one combination: 1 to 3.")] = 3,
    results: Annotated[int, typer.Option(metavar="N", help="How many combinations to show.")] = 10,
    as_json: JsonOption = False,
) -> None:
    """Make a value out of the parts in a drawer.

    Series, parallel and mixed combinations of up to three parts of one kind, the nearest first, with their tolerance
    and what they cost.
    """
    from stillbox.analysis.cautions import PARTS_IN_BRIEF
    from stillbox.analysis.parts.combine_report import combine_report

    report = combine_report(target, drawer, kind, most_parts, results)
    _tell(report, report.notes, as_json, PARTS_IN_BRIEF)


def coil(
    wire: WireOption,
    inductance: Annotated[
        str | None, typer.Option(metavar="VALUE", help="What it is to have, as in 1.2mH; or else --turns.")
    ] = None,
    turns: Annotated[int | None, typer.Option(metavar="N", help="Turns; tells the inductance that they make.")] = None,
    bobbin: Annotated[
        str | None,
        typer.Option(
            metavar="DIAMETERxWIDTH",
            help="Bobbin, mm: diameter that the wire lies on, and room along the axis; left out: the proportions that "
            "need least wire (Brooks).",
        ),
    ] = None,
    insulation: Annotated[
        float | None,
        typer.Option(metavar="MM", help="What the insulation adds to the wire's diameter; left out: usual lacquer."),
    ] = None,
    hz: Annotated[float, typer.Option(metavar="HZ", help="Frequency for which the skin effect is told.")] = 20_000.0,
    celsius: CopperOption = 20.0,
    re_ohms: DriverReOption = None,
    qes: DriverQesOption = None,
    qms: DriverQmsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Design a coil without iron: turns for an inductance, or the inductance of turns.

    With length and weight of the wire, DC resistance, outer diameter and skin effect; the inductance is the sum over
    all turns. Iron and neighbouring coils change it.
    """
    from stillbox.analysis.parts.wire_report import BehindIt, coil_report

    report = coil_report(wire, inductance, turns, bobbin, insulation, celsius, hz, BehindIt(re_ohms, qes, qms))
    _tell(report, report.notes, as_json)


def wire(
    wire: WireOption,
    length: Annotated[float, typer.Option(metavar="M", help="Length one way; there and back is counted.")],
    contacts: Annotated[float, typer.Option(metavar="R", help="Resistance of all connections together, ohm.")] = 0.0,
    celsius: CopperOption = 20.0,
    re_ohms: DriverReOption = None,
    qes: DriverQesOption = None,
    qms: DriverQmsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Resistance of wire and connections, and what it does to a driver.

    With the driver's Re the loss of level, with Qes and Qms also the damping that is left.
    """
    from stillbox.analysis.parts.wire_report import BehindIt, wire_report

    _tell(wire_report(wire, length, contacts, celsius, BehindIt(re_ohms, qes, qms)), (), as_json)


class _Report(Protocol):
    """What is told without a build."""

    def document(self) -> dict[str, Any]: ...

    def said(self) -> Iterable[str | Table]: ...


def _tell(report: _Report, notes: Iterable[str], as_json: bool, caution: str = "") -> None:
    if as_json:
        print_json(report.document())
        return
    for item in report.said():
        show(item)
    if caution:
        say(caution)
    warn_of(notes)
