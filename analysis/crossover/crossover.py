"""The crossover of a speaker: what its terminals show, what each driver gets, and what changing parts would do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.crossover.crossover_controls import USUAL_V, VOLTS
from stillbox.analysis.crossover.damping import DampedPeak, damped_peaks
from stillbox.analysis.crossover.known_crossover import (
    KnownCrossover,
    known_crossover,
    planned_network,
    with_the_curve,
)
from stillbox.analysis.crossover.speaker_levels import SpeakerLevels, speaker_levels
from stillbox.analysis.crossover.suspects import wrong_part_of
from stillbox.analysis.network.bands import bands_of_draws, drawn_values
from stillbox.analysis.network.changes import tried
from stillbox.analysis.network.network import LOSS, Network
from stillbox.analysis.network.nodal import Circuit, circuit_at
from stillbox.analysis.network.usual_losses import drawn_untold_losses, untold_losses_ohm
from stillbox.analysis.part.reading import PartReading
from stillbox.analysis.wrong_part.result import WrongPart
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.recording.take import TakeInfo

DRAWS, SEED = 2_000, 1
"""Of the parts within their tolerances; the same ones each time, so that nothing changes by chance."""
LEAST_DB, NOTHING_DB = -30.0, -100.0
"""What a driver gets below this, re its highest level, is not compared: nobody hears it beside the other. And what is
nothing at all, re the terminals."""
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
        Between these 95 % of all speakers with such parts lie; ``level_db`` itself where that was not computed.
    """

    level_db: FloatArray
    phase_deg: FloatArray
    low_db: FloatArray
    high_db: FloatArray

    @property
    def is_nothing(self) -> bool:
        """Whether the driver gets nothing at all."""
        return bool(np.max(self.level_db) < NOTHING_DB)


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

    def driven_by(self, volts: float) -> Computed:
        """The same with another voltage at the terminals."""
        heat = {name: watts * (volts / self.power.volts) ** 2 for name, watts in self.power.watts.items()}
        return replace(self, power=PowerAtTerminals(volts, heat))


@dataclass(frozen=True)
class CrossoverReport:
    """What is told of a crossover.

    Attributes
    ----------
    bench : Bench
    take : TakeInfo
        Of the finished speaker.
    netlist : str
        Name of the file that is kept, and what it is for.
    frequency_hz : ndarray, shape (n,)
    measured_ohm : complex ndarray, shape (n,), or None
        At the terminals, where a take of the finished speaker is there; NaN beyond its band.
    planned : Computed
        With the values of the netlist.
    built : Computed
        With those of parts that were measured alone.
    changed : Computed or None
        ``built`` with what was asked for; ``swaps`` says in words.
    tolerance_percent : mapping
        Of each part as planned.
    measured_parts : mapping
        By name.
    wrong : WrongPart or None
        What the curve at the terminals says of the parts; None where there is none, or a driver was not swept alone.
    as_measured : Computed or None
        With the values that it gives them.
    levels : SpeakerLevels or None
        The speaker over the levels at which it was swept, where there are several.
    """

    bench: Bench
    take: TakeInfo
    netlist: str
    frequency_hz: FloatArray
    measured_ohm: ComplexArray | None
    planned: Computed
    built: Computed
    changed: Computed | None
    swaps: tuple[str, ...]
    tolerance_percent: Mapping[str, float]
    measured_parts: Mapping[str, PartReading]
    wrong: WrongPart | None
    as_measured: Computed | None
    levels: SpeakerLevels | None
    warnings: tuple[str, ...]

    @property
    def compared(self) -> tuple[str, ...]:
        """Drivers that are there before and after the change."""
        there = () if self.changed is None else self.changed.drivers
        return tuple(name for name in self.built.drivers if name in there)

    @property
    def damping(self) -> tuple[DampedPeak, ...]:
        """What the change does to the Q of the driver in the box."""
        if self.changed is None:
            return ()
        return damped_peaks(self.bench, self.take, self.built.network, self.changed.network)

    @property
    def build(self) -> str:
        return self.bench.name

    @property
    def state(self) -> str:
        return self.take.state

    @property
    def unit(self) -> str:
        return self.take.unit

    @property
    def is_wrong(self) -> bool:
        """Whether a part is suspected."""
        return self.wrong is not None and self.wrong.suspect is not None

    @property
    def states(self) -> tuple[tuple[str, Computed], ...]:
        """What is told and drawn before anything is tried, each by its name: the plan, and what is known beyond it."""
        if self.as_measured is not None:
            return ("as planned", self.planned), ("as measured, by the curve", self.as_measured)
        if self.measured_parts:
            return ("as planned", self.planned), ("with measured parts", self.built)
        return (("as planned", self.planned),)

    @property
    def shown(self) -> Computed:
        """What is asked for: as changed where something is tried."""
        return self.built if self.changed is None else self.changed

    @property
    def input_ohm(self) -> ComplexArray:
        """At the terminals: as measured, NaN beyond the take's band, else as computed."""
        return self.built.input_ohm if self.measured_ohm is None else self.measured_ohm

    @property
    def lowest(self) -> tuple[float, float]:
        """Least impedance at the terminals, ohm, and where, Hz."""
        magnitude = np.abs(self.input_ohm)
        place = int(np.nanargmin(magnitude))
        return float(magnitude[place]), float(self.frequency_hz[place])

    @property
    def before(self) -> tuple[str, Computed]:
        """What a change is drawn against, by its name: where a part is wrong, the speaker as it is, as in the text."""
        if self.is_wrong and self.as_measured is not None:
            return "the speaker as measured", self.as_measured
        return ("measured parts" if self.measured_parts else "the plan"), self.built

    def difference_db(self, driver: str) -> FloatArray:
        """What the change does to the level of a driver that is in both, shape (n,)."""
        assert self.changed is not None
        difference: FloatArray = self.changed.drivers[driver].level_db - self.built.drivers[driver].level_db
        return difference


def crossover_report(
    bench: Bench,
    state: str | None = None,
    unit: str | None = None,
    swaps: Sequence[str] = (),
    volts: float = USUAL_V,
    loudest_volts: float | None = None,
) -> CrossoverReport:
    """The crossover in force at the newest take in the box of a state and unit.

    Parameters
    ----------
    swaps : sequence of str
        Changes to try, as in ``C2=6.8u`` and ``L1.loss=0.2``.
    volts : float
        At the terminals, V rms, for the heat in the resistors.
    loudest_volts : float, optional
        Output at full scale, V rms, for takes at several levels that do not tell.

    Raises
    ------
    StillboxError
        If there is no take or no netlist, the netlist has a fault, or the impedance of a driver is not known.
    """
    VOLTS.checked(volts)
    take = bench.in_box(state, unit)
    tried(planned_network(bench, take)[1], swaps)  # what cannot be is told before the work, not after it
    if state is None or take.state == state:
        # A core that bends would pass for a wrong part: the network is read at the lowest level.
        levels = speaker_levels(bench, take, loudest_volts)
        if levels is not None and levels.series.core == "iron":
            take = levels.series.levels[0].take
    return report_of_known(bench, known_crossover(bench, take), swaps, volts, loudest_volts=loudest_volts)


def report_of_known(
    bench: Bench,
    known: KnownCrossover,
    swaps: Sequence[str] = (),
    volts: float = USUAL_V,
    by_the_curve: bool = True,
    loudest_volts: float | None = None,
) -> CrossoverReport:
    """The same of a crossover that is known already; what the curve says of its parts takes a moment longer."""
    volts = VOLTS.checked(volts) or USUAL_V
    if by_the_curve:
        known = with_the_curve(bench, known)
    measured = known.parts.measured
    built = computed(known, known.parts.network, volts, known.parts.tolerance_percent)
    wrong = wrong_part_of(bench, known.take) if by_the_curve else None
    report = CrossoverReport(
        bench=bench,
        take=known.take,
        netlist=known.netlist,
        frequency_hz=known.frequency_hz,
        measured_ohm=known.measured_ohm,
        planned=computed(known, known.planned, volts, known.tolerance_percent) if measured else built,
        built=built,
        changed=None,
        swaps=(),
        tolerance_percent=known.tolerance_percent,
        measured_parts=measured,
        wrong=wrong,
        as_measured=None
        if wrong is None or not wrong.explained
        else computed(known, wrong.as_measured, volts, wrong.left_percent),
        levels=speaker_levels(bench, known.take, loudest_volts) if by_the_curve else None,
        warnings=(
            *known.planned.notes,
            *known.parts.warnings,
            *loss_warnings(known.parts.network),
            *(() if wrong is None else wrong.warnings),
        ),
    )
    if not swaps:
        return report
    changed = computed(known, tried(known.parts.network, swaps), volts, known.parts.tolerance_percent)
    return replace(report, changed=changed, swaps=tuple(swaps))


def computed(
    known: KnownCrossover, network: Network, volts: float, tolerance_percent: Mapping[str, float] | None
) -> Computed:
    """A network between the terminals and the drivers of a speaker; without bands where no tolerances are given."""
    hz, drivers = known.frequency_hz, known.drivers_ohm
    circuit = circuit_at(network, hz, drivers)
    band_db: Mapping[str, FloatArray] = {}
    if tolerance_percent is not None:
        rng = np.random.default_rng(SEED)
        drawn = drawn_values(network, tolerance_percent, DRAWS, rng) | drawn_untold_losses(network, DRAWS, rng)
        band_db = bands_of_draws(network, hz, drivers, drawn).level_db
    levels = {place.name: _level(circuit, place.name, band_db.get(place.name)) for place in network.drivers}
    heat = {name: float(np.max(watts)) for name, watts in circuit.resistor_watts(volts).items()}
    return Computed(network, np.asarray(circuit.input_impedance_ohm), levels, PowerAtTerminals(volts, heat))


def _level(circuit: Circuit, driver: str, band_db: FloatArray | None) -> DriverLevel:
    transfer = circuit.transfer(driver)
    with np.errstate(divide="ignore"):  # a driver that gets nothing at all
        level_db = 20 * np.log10(np.abs(transfer))
    low_db, high_db = (level_db, level_db) if band_db is None else (band_db[0], band_db[1])
    return DriverLevel(level_db, np.degrees(np.angle(transfer)), low_db, high_db)


def loss_warnings(network: Network) -> tuple[str, ...]:
    """A word on coils and capacitors whose loss the netlist does not tell."""
    untold = untold_losses_ohm(network)
    if not untold:
        return ()
    names = [name.removesuffix(LOSS) for name in untold]
    worst = max(untold, key=lambda name: untold[name])
    return (
        f"no loss is told of {', '.join(names)}: the bands hold what is usual (up to {untold[worst]:.2g} ohm in "
        f"{worst.removesuffix(LOSS)}); as a resistor R{names[0]} in series it is known",
    )
