"""The command about the crossover."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stillbox.analysis.crossover.crossover_controls import VOLTS
from stillbox.analysis.part.part_controls import LOUDEST
from stillbox.capture.errors import StillboxError
from stillbox.commands.opening import open_bench, open_build
from stillbox.commands.options import AnyUnitOption, BuildArgument, JsonOption, PlotOption, check_netlist, number_option
from stillbox.commands.printing import say, warn, warn_of
from stillbox.commands.telling import tell

if TYPE_CHECKING:
    from stillbox.capture.build.build_folder import BuildFolder


def crossover(
    build: BuildArgument,
    netlist: Annotated[
        Path | None,
        typer.Option(
            "--netlist",
            metavar="FILE",
            help="Keep this netlist: SPICE elements R, L, C between nodes, the terminals are in and 0, a driver is "
            "Xwoofer NODE NODE NAME, RL1 in series with L1 its loss.",
        ),
    ] = None,
    state: Annotated[
        str | None,
        typer.Option(
            "--state",
            metavar="NAME",
            help="Stage of the work that is read; with --netlist: from which on it holds; left out: the newest, and "
            "all takes.",
        ),
    ] = None,
    unit: AnyUnitOption = None,
    swap: Annotated[
        list[str] | None,
        typer.Option(
            "--swap",
            metavar="PART=VALUE",
            help="Try C2=6.8u, L1.loss=0.2, cable=0.2 (ohm) or cable=3m,1.5mm2; may be repeated.",
        ),
    ] = None,
    volts: Annotated[float | None, number_option(VOLTS, "V")] = None,
    spice: Annotated[
        Path | None,
        typer.Option(
            "--spice",
            metavar="F",
            callback=check_netlist,
            help="Netlist of the crossover with its drivers as fitted, for a circuit simulator (SPICE, .cir).",
        ),
    ] = None,
    loudest_volts: Annotated[float | None, number_option(LOUDEST, "V")] = None,
    plot: PlotOption = None,
    as_json: JsonOption = False,
) -> None:
    """Which part of the crossover is wrong, what it gives each driver, and what changing a part would do.

    A take of the finished speaker at its terminals is held against the netlist, with one fault in every part in turn.
    With the netlist and takes of the drivers alone, findings, compare, box, bass and decay read the driver behind it.
    Takes of the finished speaker at several levels tell from which level on a coil in it saturates.
    """
    if netlist is not None:
        if swap or as_json or any(one is not None for one in (volts, spice, plot, loudest_volts)):
            raise StillboxError("--netlist keeps a netlist and does nothing else", "ask for the rest afterwards")
        _keep(build, netlist, state, unit)
        return
    bench = open_bench(build)
    from stillbox.analysis.crossover.topic import CROSSOVER

    asked: dict[str, Any] = {"state": state, "unit": unit, "swaps": tuple(swap or ()), "volts": volts}
    asked |= {LOUDEST.key: loudest_volts}
    tell(CROSSOVER, bench, asked, {"--spice": spice, "--plot": plot}, as_json=as_json)


def _keep(build: Path, path: Path, state: str | None, unit: str | None) -> None:
    """Keep a netlist as it is, once it is known to be one."""
    from stillbox.analysis.network.netlist import network_from_text, read_netlist
    from stillbox.capture.build.kept_networks import keep_network

    folder = open_build(build)
    text = read_netlist(path)
    network = network_from_text(text, path.name)
    kept = keep_network(folder, text, state, unit)
    drivers = ", ".join(place.name for place in network.drivers) or "no driver"
    count = len(network.parts)
    say(f"{kept.path}: kept {kept.words}: {count} part{'s' * (count != 1)}, {drivers}")
    if state is not None and not any(take.state == state for take in folder.takes()):
        warn(f"no take is of state '{state}' yet: until there is one, this netlist stands for none")
    warn_of((*network.notes, *_nameless_drivers(folder, [place.name for place in network.drivers])))


def _nameless_drivers(folder: BuildFolder, names: list[str]) -> tuple[str, ...]:
    """A word on drivers of a netlist that the build does not know, where takes name one that the netlist has not."""
    swept = sorted({take.of for take in folder.takes() if take.of and take.subject != "part"})
    there = {*swept, folder.description.driver.name, *folder.description.drivers}
    if set(swept) <= set(names):
        return ()  # those that have none yet may still be swept
    told = f"of the netlist has no take; takes name {', '.join(swept)}"
    return tuple(f"driver '{name}' {told}" for name in names if name not in there)
