"""Takes of one address at several levels: inductance, loss and harmonics of the current over the level.

The reference resistor gives the current; how many volts an output gives is known where it was measured. The source's
own resistance shows in channel 1, which gives way the more the less is on the clips.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize

from stillbox.analysis.bench import Bench
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.levels.saturation import (
    Core,
    Evidence,
    Saturation,
    core_of,
    largest_change,
    saturation,
)
from stillbox.analysis.maths.local_fit import local_weights
from stillbox.analysis.maths.quantity import Quantity
from stillbox.analysis.maths.uncertainty import CHAIN_FLOOR
from stillbox.analysis.sweeps.sweep_harmonics import ORDERS, SweepHarmonics, sweep_harmonics
from stillbox.analysis.watched_build import nameless
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.recording.take import TakeInfo

ALIKE_DB = 1.0
"""Takes that differ by less are of one level, and the newest of them counts."""
USUAL_CHAIN_DB = -90.0
"""Harmonics of a sound card's inputs near full scale, re that channel (common practice, no source)."""
MOST_RESISTORS, _AS_LOUD = 3, 1.5
"""Takes of resistors that are looked at, and by how much a coil's may be louder to be judged by them."""
_CHAIN_MARGIN_DB = 6.0
"""So much above what the jig makes by itself a harmonic is that of what is on the clips."""
_LEAST_STD = 4.5
_LOOKED_AT_HZ = (60.0, 700.0)
"""Here an iron core shows: below, noise is much and the current no larger; above, the current falls."""
_SMOOTHED = np.log(2) / 6
_SOURCE_BAND_HZ = (40.0, 4000.0)
_FLAT, _USUAL_SOURCE_OHM = 0.003, 2.0
"""How even a card's output is over that band, and how large its resistance may be: weights of their fit."""


@dataclass(frozen=True)
class HarmonicLevel:
    """One harmonic of the current, dB re its first: ``db`` is None where ``floor_db`` masks it."""

    db: float | None
    std_db: float
    floor_db: float


@dataclass(frozen=True)
class Curves:
    """Of one level over frequency, for the picture; NaN where nothing is told.

    Attributes
    ----------
    frequency_hz, inductance_h : ndarray, shape (n,)
    harmonic_db, floor_db : mapping of ndarray, shape (n,)
    """

    frequency_hz: FloatArray
    inductance_h: FloatArray
    harmonic_db: Mapping[int, FloatArray]
    floor_db: Mapping[int, FloatArray]


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
class Level:
    """One take of the series.

    Attributes
    ----------
    take : TakeInfo
    current : float
        First harmonic at `LevelSeries.at_hz`, peak: ampere where `LevelSeries.known`, else full scale over ohm.
    volts : float
        At the clips, rms, or relative to full scale, alike.
    impedance_ohm : complex
    inductance : Quantity or None
        Of a coil on the clips its reactance over omega; of one in a network that by which the impedance has moved from
        the quietest take; None where no coil is known.
    resistance : Quantity
        Real part: of a coil with what is lost in its core.
    harmonics : mapping of HarmonicLevel
    """

    take: TakeInfo
    current: float
    volts: float
    impedance_ohm: complex
    inductance: Quantity | None
    resistance: Quantity
    harmonics: Mapping[int, HarmonicLevel]
    curves: Curves
    third: tuple[float, float] | None
    """The third harmonic that stands out most: dB, and by how much."""


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
    chain = _Chain.of(bench, takes[-1])
    found = [
        _level(bench, take, at_hz, _volts_of(take, loudest_volts) if known else None, chain)
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
    clearest = max((level.third for level in rising if level.third), key=lambda third: third[1], default=None)
    evidence = Evidence(
        harmonic_db=None if clearest is None else clearest[0],
        over_db=0.0 if clearest is None else clearest[1],
        masked_db=rising[-1].harmonics[3].floor_db if 3 in rising[-1].harmonics else 0.0,
        change=change,
        change_std=change_std,
        span_db=float(20 * np.log10(current[-1] / current[0])),
        amperes=float(current[-1] / np.sqrt(2)) if known else None,
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


def harmonics_of(bench: Bench, take: TakeInfo) -> SweepHarmonics:
    """Of what is on the clips in a take, computed once."""
    one = nameless(take)
    return bench.kept(
        "harmonics", one, lambda: sweep_harmonics(bench.build.load(one), bench.ungated.ratio(one))
    )


@dataclass(frozen=True)
class _Chain:
    """What jig and card make by themselves, by takes of resistors on the same clips."""

    seen: tuple[SweepHarmonics, ...]

    @staticmethod
    def of(bench: Bench, take: TakeInfo) -> _Chain:
        fitting = [
            one
            for subject in ("load", "check-resistor")
            for one in bench.takes_of(subject)
            if one.jig == take.jig and one.excitation.sample_rate_hz == take.excitation.sample_rate_hz
        ]
        return _Chain(tuple(harmonics_of(bench, one) for one in fitting[-MOST_RESISTORS:]))

    @property
    def told(self) -> bool:
        return bool(self.seen)

    def ratio(self, order: int, hz: FloatArray, level: FloatArray) -> FloatArray:
        """The most that an order may have of it, over channel 1 at that level of it, shape (n,)."""
        # A curve that bends a little makes order k with the power k of the level.
        usual = 10 ** (USUAL_CHAIN_DB / 20) * level ** (order - 1)
        limit = usual
        for one in self.seen:
            own = one.orders[order]
            size, std, at_level = (
                np.interp(hz, one.frequency_hz, values) for values in (np.abs(own.ratio), own.std, one.level)
            )
            louder = level / at_level
            is_seen = size > _LEAST_STD * std
            told = (size + 2 * std) * np.maximum(louder, 0.1) ** (order - 1)
            # A resistor that was swept less loud, without a harmonic of its own, tells nothing of louder sweeps.
            told = np.where(is_seen | (louder < _AS_LOUD), told, usual)
            limit = np.where(np.isfinite(told), told if one is self.seen[0] else np.fmax(limit, told), limit)
        return np.asarray(limit)


def _level(
    bench: Bench, take: TakeInfo, at_hz: float, loudest_volts: float | None, chain: _Chain
) -> Level | None:
    spectrum = bench.ungated.at_clips(take)
    harmonics = harmonics_of(bench, take)
    calibration, measured = bench.ungated.calibration(take), bench.ungated.ratio(take)
    hz = harmonics.frequency_hz
    hz = hz[(hz >= spectrum.frequency_hz[3]) & (hz <= spectrum.frequency_hz[-4])]
    if not hz.size or not hz[0] <= at_hz <= hz[-1]:
        return None
    keep = np.isin(harmonics.frequency_hz, hz)
    level = harmonics.level[keep]
    ohm, std_ohm = smoothed(spectrum, hz)

    def of_jig(values: ComplexArray, where: FloatArray) -> ComplexArray:
        return np.asarray(np.interp(where, calibration.frequency_hz, values))

    terms = calibration.terms
    loop_ohm = ohm + of_jig(terms.scale_ohm, hz)
    source_ohm = source_resistance(hz, level, loop_ohm)
    if loudest_volts is None:
        current = level / np.abs(loop_ohm)
    else:
        drive = loudest_volts * np.sqrt(2) * 10 ** (take.excitation.level_dbfs / 20)
        current = drive / np.abs(loop_ohm + source_ohm)
    ratio = np.interp(hz, measured.frequency_hz, measured.ratio)
    first = np.abs(of_jig(terms.open_ratio, hz) - ratio)
    curves_db, floors_db, found = {}, {}, {}
    third = None
    for order in ORDERS:
        own = harmonics.orders[order]
        loop_there = np.interp(order * hz, hz, loop_ohm)
        # With a clean source, whose own resistance takes its share.
        share = np.abs(loop_there / (loop_there + source_ohm)) / first
        size, std = np.abs(own.ratio[keep]) * share, own.std[keep] * share
        noise = own.floor[keep] * share
        made = chain.ratio(order, hz, level) * share
        floor = np.maximum(noise, made)
        seen = (size > floor) & np.isfinite(size)
        curves_db[order], floors_db[order] = _db(np.where(seen, size, np.nan)), _db(floor)
        place = int(np.argmin(np.abs(np.log(hz / at_hz))))
        if np.isfinite(size[place]):
            found[order] = _harmonic(hz, at_hz, size, std, floor)
        if order == 3:
            third = _clearest(hz, size, noise, made)
    impedance = complex(np.interp(at_hz, hz, ohm))
    spread = float(np.interp(at_hz, hz, std_ohm))
    omega = 2 * np.pi * at_hz
    amplitude = float(np.interp(at_hz, hz, current))
    return Level(
        take=take,
        current=amplitude,
        volts=amplitude * abs(impedance) / np.sqrt(2),
        impedance_ohm=impedance,
        inductance=Quantity(impedance.imag / omega, spread / omega, "H"),
        resistance=Quantity(impedance.real, spread, "ohm"),
        harmonics=found,
        curves=Curves(hz, ohm.imag / (2 * np.pi * hz), curves_db, floors_db),
        third=third,
    )


def _db(values: FloatArray) -> FloatArray:
    return np.asarray(20 * np.log10(np.maximum(values, 1e-12)))


def _harmonic(
    hz: FloatArray, at_hz: float, size: FloatArray, std: FloatArray, floor: FloatArray
) -> HarmonicLevel:
    value, spread, below = (float(np.interp(at_hz, hz, values)) for values in (size, std, floor))
    std_db = 20 / np.log(10) * spread / value / np.sqrt(2)
    return HarmonicLevel(20 * float(np.log10(value)) if value > below else None, float(std_db),
                         20 * float(np.log10(below)))  # fmt: skip


def _clearest(
    hz: FloatArray, size: FloatArray, noise: FloatArray, made: FloatArray
) -> tuple[float, float] | None:
    """The third harmonic where it stands out most over what noise and jig leave: dB, and by how much."""
    limit = np.maximum(noise, made * 10 ** (_CHAIN_MARGIN_DB / 20))
    over = np.where((hz >= _LOOKED_AT_HZ[0]) & (hz <= _LOOKED_AT_HZ[1]) & np.isfinite(size), size / limit, 0.0)
    # An octave of it, so that no line of hum passes for iron.
    lasting = np.minimum.reduce([np.roll(over, shift) for shift in range(-3, 4)])
    place = int(np.argmax(lasting))
    if lasting[place] <= 1:
        return None
    return float(_db(size[place : place + 1])[0]), float(_db(lasting[place : place + 1])[0])


def smoothed(spectrum: ImpedanceSpectrum, hz: FloatArray) -> tuple[ComplexArray, FloatArray]:
    """Impedance at ``hz`` from a sixth of an octave to both sides, and the deviation of its parts by noise and chain.

    What bends is a property of this level and no noise.
    """
    bins_hz, value, std = spectrum.frequency_hz, np.empty(hz.size, dtype=complex), np.empty(hz.size)
    bent = 0.0 if spectrum.bent_variance_ohm2 is None else spectrum.bent_variance_ohm2
    noise = np.maximum(spectrum.noise_variance_ohm2 - bent, 0.0)
    for index, at_hz in enumerate(hz):
        half = max(_SMOOTHED, 4 * spectrum.resolution_hz / at_hz)
        near = slice(*np.searchsorted(bins_hz, [at_hz * np.exp(-half), at_hz * np.exp(half)]))
        weights = local_weights(np.log(bins_hz[near] / at_hz))
        value[index] = weights @ spectrum.impedance_ohm[near]
        size = abs(value[index])
        # Taken up and down together by all levels, but for what the chain is good for.
        std[index] = np.hypot(np.sqrt(0.5 * weights**2 @ noise[near]), CHAIN_FLOOR * size)
    return value, std


def source_resistance(hz: FloatArray, level: FloatArray, loop_ohm: ComplexArray) -> float:
    """Resistance of the source, ohm: channel 1 is at ``loop / (loop + source)`` of an even output.

    Parameters
    ----------
    hz, level : ndarray, shape (n,)
        Of channel 1.
    loop_ohm : complex ndarray, shape (n,)
        Reference resistor and what is on the clips.
    """
    inside = (hz >= _SOURCE_BAND_HZ[0]) & (hz <= _SOURCE_BAND_HZ[1])
    if np.count_nonzero(inside) < 8:
        return 0.0
    log_level, loop = np.log(level[inside]), loop_ohm[inside]

    def cost(source_ohm: float) -> float:
        even = log_level + np.log(np.abs((loop + source_ohm) / loop))
        return float(np.var(even) / _FLAT**2 + (source_ohm / _USUAL_SOURCE_OHM) ** 2)

    return float(optimize.minimize_scalar(cost, bounds=(0.0, 20.0), method="bounded").x)
