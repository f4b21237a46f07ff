"""The crossover of a speaker: what its terminals show, what each driver gets, and what changing parts would do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.crossover.crossover_controls import USUAL_V, VOLTS
from stillbox.analysis.impedance.impedance import curve_of_spectrum
from stillbox.analysis.network.bands import bands_of_draws, drawn_values
from stillbox.analysis.network.changes import read_change, with_values
from stillbox.analysis.network.network import Network
from stillbox.analysis.network.nodal import Circuit, circuit_at
from stillbox.analysis.through_crossover import network_of_netlist, tolerances_percent
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo

LOWEST_HZ, HIGHEST_HZ, PER_OCTAVE = 20.0, 20_000.0, 24
JOINED_OCTAVES = 1.5
"""Over so much what is seen through the crossover gives way to the driver's own take."""
DRAWS, SEED = 2_000, 1
"""Of the parts within their tolerances; the same ones each time, so that nothing changes by chance."""
HEARD_DB = 1.0
"""A change of level that listeners have just told apart: about 1 dB at 100 Hz, 1.5 dB below (Fielder and Benjamin, as
reported). No published threshold is known to us for the range of crossovers."""


@dataclass(frozen=True)
class DriverLevel:
    """Voltage of a driver over that at the terminals.

    Attributes
    ----------
    level_db, phase_deg : ndarray, shape (n,)
    low_db, high_db : ndarray, shape (n,)
        Between these 95 % of all speakers with such parts lie.
    """

    level_db: FloatArray
    phase_deg: FloatArray
    low_db: FloatArray
    high_db: FloatArray


@dataclass(frozen=True)
class PowerAtTerminals:
    """Heat in each resistor with ``volts`` at the terminals, at the frequency at which it is most, W."""

    volts: float
    watts: Mapping[str, float]


@dataclass(frozen=True)
class Computed:
    """A network with its drivers at `CrossoverReport.frequency_hz`."""

    network: Network
    input_ohm: ComplexArray
    drivers: Mapping[str, DriverLevel]
    power: PowerAtTerminals

    @property
    def lowest_ohm(self) -> float:
        return float(np.min(np.abs(self.input_ohm)))


@dataclass(frozen=True)
class CrossoverReport:
    """What is told of a crossover.

    Attributes
    ----------
    netlist : str
        Name of the file that is kept, and what it is for.
    frequency_hz : ndarray, shape (n,)
    measured_ohm : complex ndarray, shape (n,), or None
        At the terminals, where a take of the finished speaker is there; NaN beyond its band.
    planned : Computed
        With the values of the netlist.
    changed : Computed or None
        With what was asked for; ``swaps`` says in words.
    tolerance_percent : mapping
        Of each part.
    """

    build: str
    state: str
    unit: str
    netlist: str
    frequency_hz: FloatArray
    measured_ohm: ComplexArray | None
    planned: Computed
    changed: Computed | None
    swaps: tuple[str, ...]
    tolerance_percent: Mapping[str, float]
    warnings: tuple[str, ...]

    @property
    def input_ohm(self) -> ComplexArray:
        """At the terminals: as measured, NaN beyond the take's band, else as computed."""
        return self.planned.input_ohm if self.measured_ohm is None else self.measured_ohm

    @property
    def lowest(self) -> tuple[float, float]:
        """Least impedance at the terminals, ohm, and where, Hz."""
        magnitude = np.abs(self.input_ohm)
        place = int(np.nanargmin(magnitude))
        return float(magnitude[place]), float(self.frequency_hz[place])

    def difference_db(self, driver: str) -> FloatArray:
        """What the change does to the level of a driver, shape (n,)."""
        assert self.changed is not None
        difference: FloatArray = self.changed.drivers[driver].level_db - self.planned.drivers[driver].level_db
        return difference


def crossover_report(
    bench: Bench,
    state: str | None = None,
    unit: str | None = None,
    swaps: Sequence[str] = (),
    volts: float = USUAL_V,
) -> CrossoverReport:
    """The crossover in force at the newest take in the box of a state and unit.

    Parameters
    ----------
    swaps : sequence of str
        Changes to try, as in ``C2=6.8u`` and ``L1.loss=0.2``.
    volts : float
        At the terminals, V rms, for the heat in the resistors.

    Raises
    ------
    StillboxError
        If there is no take or no netlist, the netlist has a fault, or the impedance of a driver is not known.
    """
    volts = VOLTS.checked(volts) or USUAL_V
    take = bench.in_box(state, unit)
    netlist = bench.network_of(take.number)
    if netlist is None:
        raise StillboxError(
            f"{bench.build.path} keeps no netlist for take {take.number} ({take.address})",
            f"give one: 'stillbox crossover {bench.build.path} --netlist FILE'",
        )
    network = network_of_netlist(netlist)
    hz = np.geomspace(LOWEST_HZ, HIGHEST_HZ, round(PER_OCTAVE * np.log2(HIGHEST_HZ / LOWEST_HZ)) + 1)
    drivers = _drivers(bench, take, network, hz)
    tolerance = tolerances_percent(network, bench.description.crossover)
    changed = None
    if swaps:
        changed = with_values(network, dict(read_change(network, swap) for swap in swaps))
    return CrossoverReport(
        build=bench.name,
        state=take.state,
        unit=take.unit,
        netlist=f"{netlist.name}, {netlist.words}",
        frequency_hz=hz,
        measured_ohm=_measured(bench, take, hz),
        planned=_computed(network, hz, drivers, tolerance, volts),
        changed=None if changed is None else _computed(changed, hz, drivers, tolerance, volts),
        swaps=tuple(swaps),
        tolerance_percent=tolerance,
        warnings=(*network.notes, *_without_loss(network)),
    )


def _drivers(bench: Bench, take: TakeInfo, network: Network, hz: FloatArray) -> dict[str, ComplexArray]:
    """Impedance of each driver on its own terminals."""
    name, seen = bench.seen(take)
    found = {}
    for place in network.drivers:
        own = bench.impedance_of(take.unit, place.name, hz)
        if name == place.name:
            curve = curve_of_spectrum(seen)
            inside = (hz >= curve.frequency_hz[0]) & (hz <= curve.frequency_hz[-1])
            through = np.interp(hz, curve.frequency_hz, curve.impedance_ohm)
            if own is None:
                found[place.name] = np.where(inside, through, bench.fit(take).impedance_ohm(hz))
                continue
            # What is seen is the less sure the nearer its end; the driver alone is the same there, box or not.
            share = np.clip(np.log2(curve.frequency_hz[-1] / hz) / JOINED_OCTAVES, 0.0, 1.0) * inside
            found[place.name] = share * through + (1 - share) * own[0]
        elif own is not None:
            found[place.name] = own[0]
        else:
            raise StillboxError(
                f"the impedance of driver '{place.name}' is not known",
                "sweep it on its own terminals, crossover off: "
                f"--subject free-air --driver {place.name} --unit {take.unit}",
            )
    return found


def _measured(bench: Bench, take: TakeInfo, hz: FloatArray) -> ComplexArray | None:
    """At the speaker's terminals; None for a take of a driver alone."""
    if take.of:
        return None
    curve = curve_of_spectrum(bench.at_clips(take))
    inside = (hz >= curve.frequency_hz[0]) & (hz <= curve.frequency_hz[-1])
    return np.where(inside, np.interp(hz, curve.frequency_hz, curve.impedance_ohm), np.nan)


def _computed(
    network: Network,
    hz: FloatArray,
    drivers: Mapping[str, ComplexArray],
    tolerance_percent: Mapping[str, float],
    volts: float,
) -> Computed:
    circuit = circuit_at(network, hz, drivers)
    drawn = drawn_values(network, tolerance_percent, DRAWS, np.random.default_rng(SEED))
    bands = bands_of_draws(network, hz, drivers, drawn)
    levels = {
        place.name: _level(circuit, place.name, bands.level_db[place.name]) for place in network.drivers
    }
    heat = {name: float(np.max(watts)) for name, watts in circuit.resistor_watts(volts).items()}
    return Computed(network, np.asarray(circuit.input_impedance_ohm), levels, PowerAtTerminals(volts, heat))


def _level(circuit: Circuit, driver: str, band_db: FloatArray) -> DriverLevel:
    transfer = circuit.transfer(driver)
    with np.errstate(divide="ignore"):  # a driver that gets nothing at all
        level_db = 20 * np.log10(np.abs(transfer))
    return DriverLevel(level_db, np.degrees(np.angle(transfer)), band_db[0], band_db[1])


def _without_loss(network: Network) -> tuple[str, ...]:
    """A word on coils and capacitors whose loss the netlist does not tell."""
    names = [part.name for part in network.parts if part.kind != "resistor" and not part.loss_name]
    if not names:
        return ()
    return (
        f"the netlist tells no loss of {', '.join(names)}: a coil has some tenths of an ohm, an electrolytic capacitor "
        f"an ohm or more, which takes level from what is behind it; write it as a resistor R{names[0]} in series",
    )
