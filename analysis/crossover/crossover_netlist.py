"""A crossover with its drivers as fitted, as a netlist that a circuit simulator runs."""

from __future__ import annotations

from dataclasses import replace

from stillbox.analysis.bench import Bench
from stillbox.analysis.box.box_report import box_of_take
from stillbox.analysis.driver.driver_report import driver_of_take
from stillbox.analysis.network.netlist import netlist_text
from stillbox.analysis.network.network import Network
from stillbox.analysis.system.spice import as_subcircuit, box_netlist, driver_netlist
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo


def crossover_netlist(bench: Bench, take: TakeInfo, network: Network, title: str) -> str:
    """The network and each of its drivers: the one in the box as fitted with its box, the others in free air.

    Parameters
    ----------
    bench : Bench
    take : TakeInfo
        Of the finished speaker.
    network : Network
        As it is to be written.
    title : str

    Raises
    ------
    StillboxError
        If a driver has no take in free air, or cannot be fitted.
    """
    models = {place.name: f"{place.name}_as_fitted" for place in network.drivers}
    drivers = tuple(replace(place, model=models[place.name]) for place in network.drivers)
    head, *lines = netlist_text(replace(network, title=" ".join(title.split()), drivers=drivers)).splitlines()
    subcircuits = [as_subcircuit(_fitted(bench, take, name), model) for name, model in models.items()]
    return "\n".join([
        head,
        "* written by Stillbox; drive it at node in, for instance with: vdrive in 0 ac 1",
        *lines[:-1],
        *subcircuits,
        ".end",
        "",
    ])  # fmt: skip


def _fitted(bench: Bench, take: TakeInfo, name: str) -> str:
    """Netlist of a driver alone."""
    boxed = bench.seen(take)[0] == name
    free_air = bench.newest("free-air", unit=take.unit, of=name)
    if free_air is None and boxed:
        free_air = bench.free_air(take.unit)  # of the only driver, whose takes have no name
    if free_air is None:
        raise StillboxError(
            f"driver '{name}' of unit {take.unit} has no take in free air, so it cannot be fitted",
            f"sweep it on its own terminals: --subject free-air --driver {name} --unit {take.unit}",
        )
    driver = driver_of_take(bench, free_air)
    if boxed:
        title = f"driver '{name}' in its box, take {take.number} ({take.address})"
        return box_netlist(box_of_take(bench, take, driver).fit, title)
    return driver_netlist(driver.fit, f"driver '{name}' in free air, take {free_air.number} ({free_air.address})")
