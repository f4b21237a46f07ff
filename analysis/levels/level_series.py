"""Takes of one address at several levels: inductance, loss and harmonics of the current over the level.

The reference resistor gives the current; how many volts an output gives is known where it was measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.levels.chain import Chain
from stillbox.analysis.levels.level_reading import Level, level_of
from stillbox.analysis.levels.saturation import (
    Core,
    Evidence,
    Saturation,
    core_of,
    largest_change,
    saturation,
)
from stillbox.analysis.maths.quantity import Quantity
from stillbox.capture.recording.take import TakeInfo

ALIKE_DB = 1.0
"""Takes that differ by less are of one level, and the newest of them counts."""


@dataclass(frozen=True)
class CoilBehind:
    """A coil in a network: its value on the plan, and how the impedance at the clips follows it.

    Attributes
    ----------
    name : str
    planned_h : float
    slope : complex
        Derivative of the impedance by the inductance, ohm/H, at `LevelSeries.at_hz`.
    """

    name: str
    planned_h: float
    slope: complex


@dataclass(frozen=True)
class LevelSeries:
    """A series, the quietest first.

    Attributes
    ----------
    at_hz : float
        Frequency of the table.
    known : bool
        Whether currents and voltages are in ampere and volt.
    saturation : Saturation or None
        Peak current.
    core : str
    chain_told : bool
        Whether a resistor in the same jig tells what jig and card make by themselves.
    coil : CoilBehind or None
        Whose inductance is meant, in a finished speaker.
    """

    at_hz: float
    levels: tuple[Level, ...]
    known: bool
    saturation: Saturation | None
    core: Core
    evidence: Evidence
    chain_told: bool
    coil: CoilBehind | None = None

    @property
    def loudest(self) -> Level:
        return self.levels[-1]

    @property
    def span_db(self) -> float:
        return float(20 * np.log10(self.levels[-1].current / self.levels[0].current))


def level_series(
    bench: Bench,
    takes: Sequence[TakeInfo],
    at_hz: float,
    loudest_volts: float | None = None,
    coil: CoilBehind | None = None,
) -> LevelSeries | None:
    """Of takes of one address, jig and sample rate; None where none of them reaches ``at_hz``.

    Parameters
    ----------
    loudest_volts : float, optional
        Output at full scale, V rms, where the takes do not tell.
    coil : CoilBehind, optional
        In a finished speaker.
    """
    kept: dict[object, TakeInfo] = {}
    for take in takes:
        # Of recordings nobody knows how loud they were played.
        volts = None if take.live is None else take.live.loudest_volts
        kept[(take.excitation.level_dbfs, volts, take.number if take.live is None else 0)] = take
    known = all(_volts_of(take, loudest_volts) is not None for take in kept.values())
    chain = Chain.of(bench, takes[-1])
    found = [
        level_of(bench, take, at_hz, _volts_of(take, loudest_volts) if known else None, chain)
        for take in kept.values()
    ]
    rising = _one_each(sorted((level for level in found if level is not None), key=lambda level: level.current))
    if not rising:
        return None
    if takes[-1].subject == "in-box":
        rising = [_behind(level, rising[0], coil) for level in rising]
    current = np.array([level.current for level in rising])
    told = [level.inductance for level in rising if level.inductance is not None]
    values, stds = np.array([one.value for one in told]), np.array([one.std for one in told])
    change, change_std = largest_change(values.tolist(), stds.tolist())
    clearest = max(
        ((level.third, level.take.number) for level in rising if level.third),
        key=lambda found: found[0].over_db,
        default=None,
    )
    evidence = Evidence(
        harmonic_db=None if clearest is None else clearest[0].db,
        over_db=0.0 if clearest is None else clearest[0].over_db,
        masked_db=rising[-1].harmonics[3].floor_db if 3 in rising[-1].harmonics else 0.0,
        change=change,
        change_std=change_std,
        span_db=float(20 * np.log10(current[-1] / current[0])),
        amperes=float(current[-1] / np.sqrt(2)) if known else None,
        harmonic_hz=0.0 if clearest is None else clearest[0].hz,
        harmonic_take=0 if clearest is None else clearest[1],
    )
    lost = saturation(current, values, stds) if told and np.all(values > 0) else None
    return LevelSeries(at_hz, tuple(rising), known, lost, core_of(evidence), evidence, chain.told, coil)


def _behind(level: Level, quietest: Level, coil: CoilBehind | None) -> Level:
    """With the inductance of a coil in the network, from how the impedance has moved; without, with none."""
    if coil is None:
        return replace(level, inductance=None)
    moved = (level.impedance_ohm - quietest.impedance_ohm) / coil.slope
    std = float(np.hypot(level.resistance.std, quietest.resistance.std)) / abs(coil.slope)
    return replace(level, inductance=Quantity(coil.planned_h + moved.real, std, "H"))


def _volts_of(take: TakeInfo, loudest_volts: float | None) -> float | None:
    own = None if take.live is None else take.live.loudest_volts
    return loudest_volts if own is None else own


def _one_each(rising: Sequence[Level]) -> list[Level]:
    """Of takes at one level the newest."""
    found: list[Level] = []
    for level in rising:
        if found and 20 * np.log10(level.current / found[-1].current) < ALIKE_DB:
            found[-1] = max(found[-1], level, key=lambda one: one.take.number)
        else:
            found.append(level)
    return found


