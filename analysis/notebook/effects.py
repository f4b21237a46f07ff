"""What a step did to the speaker: findings, tuning, volume, bass, and the drive of each driver, with uncertainty."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from stillbox.analysis.bass.bass_cost import NEPER_DB
from stillbox.analysis.bass.bass_report import bass_as_measured
from stillbox.analysis.bench import Bench
from stillbox.analysis.box.box_report import box_of_take
from stillbox.analysis.crossover.built import as_built, suspects_words
from stillbox.analysis.crossover.crossover import DRAWS, SEED
from stillbox.analysis.crossover.known_crossover import (
    HIGHEST_HZ,
    LOWEST_HZ,
    PER_OCTAVE,
    built_network,
    drivers_ohm,
    planned_network,
)
from stillbox.analysis.driver.driver_report import driver_of_take
from stillbox.analysis.impedance.repeatability import USUAL_LUMPED
from stillbox.analysis.maths.number_words import frequency_words, short_number
from stillbox.analysis.maths.quantity import MINUS, Quantity, change_text, rounded_text
from stillbox.analysis.network.bands import drawn_values
from stillbox.analysis.network.changes import tried
from stillbox.analysis.network.differences import network_differences
from stillbox.analysis.network.network import Network
from stillbox.analysis.network.nodal import Values, circuit_at
from stillbox.analysis.ringing.comparison import Change, Comparison
from stillbox.analysis.ringing.result_words import NONE
from stillbox.analysis.ringing.summary import order_of_changes
from stillbox.analysis.through_crossover import tolerances_percent
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo

Kind = Literal["finding", "tuning", "volume", "bass", "3 dB point", "drive"]
Bound = Literal["", "or lower", "or higher"]

BOX = "volume and bass are"
SIGNIFICANT = 3.0
"""From so many standard uncertainties on a change of volume or bass counts, as one of a finding does."""
LEAST_DRIVE_DB = 0.1
"""Smaller differences of level are none (the digits in which they are told)."""
DRIVEN_DB = -20.0
"""Where a driver gets less than this in both, its level is no part of the sound."""


@dataclass(frozen=True)
class Effect:
    """One thing that a step did, or did not do.

    Attributes
    ----------
    kind : str
    name : str
        What it is of: "211 Hz, wall", "tuning between the peaks", "bass at 33 Hz", "drive of tweeter at 3.2 kHz".
    frequency_hz : float or None
    change : Quantity
        After minus before: of a height and of levels in dB, of frequencies in Hz, of the volume in percent.
    told : bool
        Whether it stands clear of what repeats by itself.
    verdict : str
        In a word.
    bound : str
        Where a resonance is seen in one state alone: its height changed by this or more.
    """

    kind: Kind
    name: str
    frequency_hz: float | None
    change: Quantity
    told: bool
    verdict: str
    bound: Bound = ""

    @property
    def has_worth(self) -> bool:
        """Whether more of it is better or worse: levels and the volume; a frequency that moved is neither by itself."""
        return self.change.unit in ("dB", "%")

    @property
    def is_known(self) -> bool:
        """Whether there is a change to speak of: a bound that nobody could have seen is none."""
        return self.told or not self.bound

    @property
    def text(self) -> str:
        """The change with its uncertainty: −16.9 ± 0.3 dB; a dash where nothing can be told."""
        if not self.is_known:
            return NONE
        if self.bound:
            return f"{signed(self.change)} {self.bound}"
        return change_text(self.change.value, self.change.std, self.change.unit)


@dataclass(frozen=True)
class Effects:
    """All that a step did between two takes.

    Attributes
    ----------
    before, after : TakeInfo
    every : tuple of Effect
        Findings in the order of how long they ring, then tuning, volume, bass, drive.
    missing : tuple of str
        What cannot be told, and why.
    """

    before: TakeInfo
    after: TakeInfo
    every: tuple[Effect, ...]
    missing: tuple[str, ...] = ()

    @property
    def told(self) -> tuple[Effect, ...]:
        """What stands clear."""
        return tuple(one for one in self.every if one.told)

    @property
    def measurable(self) -> bool:
        return bool(self.told)


def signed(quantity: Quantity) -> str:
    """The value alone with its sign and no more digits than it deserves, three at most: −16.9 dB."""
    number = min(rounded_text(abs(quantity.value), quantity.std), short_number(abs(quantity.value), 3), key=len)
    return f"{'+' if quantity.value >= 0 else MINUS}{number} {quantity.unit}"


def effects_between(
    bench: Bench, before: TakeInfo, after: TakeInfo, parts: Sequence[str] = (), earlier: Sequence[str] = ()
) -> Effects:
    """What the work between two takes in the box did; the bench keeps it.

    Parameters
    ----------
    bench : Bench
    before, after : TakeInfo
        Of one unit.
    parts, earlier : sequence of str
        Parts that the notebook says are not as in the netlist any more, as in ``C2=8.2u``: after the work, and before
        it already.

    Raises
    ------
    StillboxError
        If the takes cannot be compared.
    """
    return bench.kept(
        "effects",
        (before, after, tuple(parts), tuple(earlier)),
        lambda: _effects_between(bench, before, after, parts, earlier),
    )


def _effects_between(
    bench: Bench, before: TakeInfo, after: TakeInfo, parts: Sequence[str], earlier: Sequence[str]
) -> Effects:
    plan, bench = bench, as_built(bench, (before, after))
    comparison = bench.comparison_of(before, after)
    reports = bench.findings_of(before), bench.findings_of(after)
    found = [_of_finding(change) for change in order_of_changes(comparison.changes, *reports)]
    found += _of_tuning(comparison)
    missing: list[str] = []
    for of_what, effects in (
        (BOX, _of_box(bench, before, after)),
        ("the drive of the drivers is", drive_effects(bench, before, after, parts, earlier)),
    ):
        try:
            found += effects  # computed here
        except StillboxError as error:
            wrong = "; ".join(suspects_words(plan, (before, after))) if of_what is BOX else ""
            missing.append(f"{of_what} not told: {wrong or error}")
    return Effects(before, after, tuple(found), tuple(missing))


def _of_finding(change: Change) -> Effect:
    named = change.before or change.after
    assert named is not None
    told = change.verdict != "unchanged"
    name = f"{frequency_words(change.frequency_hz)}, {named.cause}"
    if change.before is not None and change.after is not None and change.verdict == "moved":
        old, new = change.before, change.after
        shift = Quantity(
            new.resonance.frequency_hz - old.resonance.frequency_hz,
            float(np.hypot(old.frequency_std_hz, new.frequency_std_hz)),
            "Hz",
        )
        return Effect("finding", name, change.frequency_hz, shift, told, "moved")
    heights = [None if one is None else one.resonance.height_ohm for one in (change.before, change.after)]
    limit = change.detection_limit_ohm
    ratio = (limit if heights[1] is None else heights[1]) / (limit if heights[0] is None else heights[0])
    relative = [0.0 if one is None else one.height_own_std_ohm / one.resonance.height_ohm
                for one in (change.before, change.after)]  # fmt: skip
    level = Quantity(float(NEPER_DB * np.log(ratio)), NEPER_DB * math.hypot(*relative), "dB")
    bound: Bound = "or lower" if heights[1] is None else "or higher" if heights[0] is None else ""
    return Effect("finding", name, change.frequency_hz, level, told, change.verdict_words, bound)


def _of_tuning(comparison: Comparison) -> Iterator[Effect]:
    for shift in comparison.tuning_shifts:
        moved = Quantity(shift.shift_hz - shift.by_air_hz, shift.std_hz, "Hz")
        verdict = "moved" if shift.is_told else "unchanged"
        yield Effect("tuning", shift.name, shift.before_hz, moved, shift.is_told, verdict)


def _of_box(bench: Bench, before: TakeInfo, after: TakeInfo) -> Iterator[Effect]:
    free_air = bench.free_air(after.unit, after.of)
    if free_air is None:
        raise StillboxError(
            f"there is no take of the driver of unit {after.unit} in free air", "sweep it: --subject free-air"
        )
    driver = driver_of_take(bench, free_air)
    boxes = box_of_take(bench, before, driver), box_of_take(bench, after, driver)
    doubts = [doubt for box in boxes for doubt in box.doubts]
    if doubts:
        raise StillboxError(doubts[0], "")
    cost = bass_as_measured(bench, boxes[1], boxes[0]).cost
    assert cost is not None
    # alpha is Vas over the volume, and Vas is that of one driver.
    repeats = math.sqrt(2) * USUAL_LUMPED["alpha"]
    ratio, relative = 1 / cost.alpha_ratio.value, math.hypot(cost.alpha_ratio.std / cost.alpha_ratio.value, repeats)
    volume = Quantity(100 * (ratio - 1), 100 * ratio * relative, "%")
    yield _judged("volume", "volume that the driver feels", None, volume)
    yield _judged("bass", f"bass at {frequency_words(cost.level_hz)}", cost.level_hz, cost.level_shift_db)
    yield _judged("3 dB point", "3 dB point", None, cost.f3_shift_hz)


def _judged(kind: Kind, name: str, frequency_hz: float | None, change: Quantity) -> Effect:
    told = abs(change.value) > SIGNIFICANT * change.std
    verdict = ("more" if change.value > 0 else "less") if told else "unchanged"
    if told and change.unit == "Hz":
        verdict = "higher" if change.value > 0 else "lower"
    return Effect(kind, name, frequency_hz, change, told, verdict)


def netlists_differ(bench: Bench, before: TakeInfo, after: TakeInfo) -> bool:
    """Whether the netlist of another crossover is in force at a take; not where one of them cannot be read."""
    try:
        (_, first), (_, second) = (planned_network(bench, take) for take in (before, after))
    except StillboxError:
        return False
    return bool(network_differences(first, second))


def drive_effects(
    bench: Bench, before: TakeInfo, after: TakeInfo, parts: Sequence[str], earlier: Sequence[str] = ()
) -> Iterator[Effect]:
    """What each driver gets after the work over before: by the netlists, with what was exchanged after and before."""
    if after.of or bench.network_of(after.number) is None:
        if tuple(parts) != tuple(earlier):
            raise StillboxError("no netlist of the crossover is kept", "give one: 'stillbox crossover BUILD --netlist'")
        return
    first, second = _network(bench, before, earlier), _network(bench, after, parts)
    if not network_differences(first, second):
        return
    hz = np.geomspace(LOWEST_HZ, HIGHEST_HZ, round(PER_OCTAVE * np.log2(HIGHEST_HZ / LOWEST_HZ)) + 1)
    drivers = [drivers_ohm(bench, after, network, hz) for network in (first, second)]
    levels = [_levels_db(*one, hz) for one in zip((first, second), drivers, strict=True)]
    values = _drawn_values(bench, (before, first), (after, second))
    for name in levels[1]:
        if name not in levels[0]:
            continue
        heard = np.maximum(levels[0][name], levels[1][name]) > DRIVEN_DB
        difference = np.where(heard, levels[1][name] - levels[0][name], 0.0)
        place = int(np.argmax(np.abs(difference)))
        here = [{one: ohm[place : place + 1] for one, ohm in own.items()} for own in drivers]
        drawn = [
            _levels_db(network, own, hz[place : place + 1], some)[name]
            for network, own, some in zip((first, second), here, values, strict=True)
        ]
        apart = drawn[1] - drawn[0]
        change = Quantity(float(difference[place]), float(np.std(apart)) if np.isfinite(apart).all() else 0.0, "dB")
        told = abs(change.value) >= max(LEAST_DRIVE_DB, SIGNIFICANT * change.std)
        words = f"drive of {name}" + (f" at {frequency_words(hz[place])}" if told else "")
        verdict = ("more" if change.value > 0 else "less") if told else "unchanged"
        yield Effect("drive", words, float(hz[place]) if told else None, change, told, verdict)


def _network(bench: Bench, take: TakeInfo, exchanged: Sequence[str]) -> Network:
    """The network in a take with what was exchanged; what the curve itself tells of a part is nearer."""
    told = {name.casefold() for name in _stds(bench, take)}
    network = built_network(bench, take)[1]
    return tried(network, [one for one in exchanged if one.partition("=")[0].strip().casefold() not in told])


def _stds(bench: Bench, take: TakeInfo) -> dict[str, float]:
    built = bench.as_built(take)
    return {} if built is None else dict(built.stds)


def _drawn_values(
    bench: Bench, before: tuple[TakeInfo, Network], after: tuple[TakeInfo, Network]
) -> tuple[Values, Values]:
    """Values within their tolerances, or as the curve tells them; a part that stays is the same piece in both."""
    rng = np.random.default_rng(SEED)
    drawn: list[dict[str, FloatArray]] = []
    for take, network in (before, after):
        percents, planned = tolerances_percent(network, bench.description.crossover), dict(network.values())
        told = {
            name: np.maximum(planned[name] + std * rng.standard_normal(DRAWS), 1e-3 * planned[name])
            for name, std in _stds(bench, take).items()
        }
        drawn.append({**drawn_values(network, percents, DRAWS, rng), **told})
    first = dict(before[1].values())
    stays = {name: drawn[0][name] for name, value in after[1].values() if name in drawn[0] and first[name] == value}
    return drawn[0], {**drawn[1], **stays}


def _levels_db(
    network: Network, drivers: Mapping[str, ComplexArray], hz: FloatArray, values: Values | None = None
) -> dict[str, FloatArray]:
    """Voltage of each driver over that at the terminals, dB."""
    circuit = circuit_at(network, hz, drivers, values)
    with np.errstate(divide="ignore"):  # a driver that gets nothing at all
        return {place.name: 20 * np.log10(np.abs(circuit.transfer(place.name))) for place in network.drivers}
