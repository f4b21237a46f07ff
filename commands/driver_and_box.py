"""Commands about driver and box: driver, box, bass."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from stillbox.analysis.bass.bass_controls import PORT_DIAMETER, PORT_LENGTH, USUAL_V, VOLTAGE, VOLUME
from stillbox.capture.errors import StillboxError
from stillbox.commands.opening import open_bench
from stillbox.commands.options import (
    AgainstOption,
    AnyUnitOption,
    BuildArgument,
    DriverOption,
    FitOption,
    GateOption,
    JsonOption,
    PlotOption,
    StateOption,
    check_netlist,
    check_table,
    number_option,
)
from stillbox.commands.telling import tell

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
    of: DriverOption = None,
    re_ohms: Annotated[
        float | None,
        typer.Option("--re-ohms", metavar="R", help="DC resistance by multimeter; overrides build.toml."),
    ] = None,
    re_tolerance: Annotated[
        float | None, typer.Option("--re-tolerance", metavar="PERCENT", help="Tolerance of the multimeter.")
    ] = None,
    spice: SpiceOption = None,
    csv: Annotated[
        Path | None,
        typer.Option(metavar="F", callback=check_table, help="Impedance, measured and fitted, as a table: .csv."),
    ] = None,
    plot: PlotOption = None,
    everything: FitOption = False,
    as_json: JsonOption = False,
    gate: GateOption = None,
) -> None:
    """Driver parameters from a free-air take.

    With a take of added-mass or test-box (and the mass or volume in build.toml) also Vas, Mms, Cms, Bl and level.
    """
    bench = open_bench(build, gate, of)
    from stillbox.analysis.driver.topic import DRIVER

    asked = {"unit": unit, "re_ohms": re_ohms, "re_tolerance": re_tolerance}
    files = {"--spice": spice, "--csv": csv, "--plot": plot}
    tell(DRIVER, bench, asked, files, as_json=as_json, everything=everything)


def box(
    build: BuildArgument,
    state: StateOption = None,
    unit: AnyUnitOption = None,
    driver: DriverOption = None,
    spice: SpiceOption = None,
    everything: FitOption = False,
    as_json: JsonOption = False,
    gate: GateOption = None,
) -> None:
    """Tuning, losses, leak and volume of the box.

    Needs a free-air take of the same driver: the box is what it adds to the driver.
    """
    bench = open_bench(build, gate, driver)
    from stillbox.analysis.box.topic import BOX

    tell(BOX, bench, {"state": state, "unit": unit}, {"--spice": spice}, as_json=as_json, everything=everything)


def bass(
    build: BuildArgument,
    state: StateOption = None,
    unit: AnyUnitOption = None,
    driver: DriverOption = None,
    against: AgainstOption = None,
    volume_percent: Annotated[float | None, number_option(VOLUME, "P")] = None,
    port_diameter: Annotated[float | None, number_option(PORT_DIAMETER, "MM")] = None,
    port_length: Annotated[float | None, number_option(PORT_LENGTH, "MM")] = None,
    absorption_q: Annotated[
        float | None, typer.Option("--absorption-q", metavar="QA", help=GONE[0], hidden=True)
    ] = None,
    volts: Annotated[float, number_option(VOLTAGE, "V")] = USUAL_V,
    spice: Annotated[
        Path | None,
        typer.Option("--spice", metavar="F", callback=check_netlist, help="Netlist of the changed box (SPICE, .cir)."),
    ] = None,
    csv: Annotated[
        Path | None, typer.Option(metavar="F", callback=check_table, help="Curves as a table: .csv.")
    ] = None,
    plot: PlotOption = None,
    as_json: JsonOption = False,
    gate: GateOption = None,
) -> None:
    """Bass of the box as measured and as changed; set against a state before, differences are this state minus that.

    Response, 3 dB point, group delay, peak; with a second take of the driver also excursion and air speed.
    """
    bench = open_bench(build, gate, driver)
    from stillbox.analysis.bass.topic import BASS

    if absorption_q is not None:
        raise StillboxError(*GONE)
    asked = {
        "state": state,
        "unit": unit,
        "against": against,
        VOLUME.key: volume_percent,
        PORT_DIAMETER.key: port_diameter,
        PORT_LENGTH.key: port_length,
        VOLTAGE.key: volts,
    }
    tell(BASS, bench, asked, {"--spice": spice, "--csv": csv, "--plot": plot}, as_json=as_json)
