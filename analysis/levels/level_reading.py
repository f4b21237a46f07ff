"""One take at its level: current, impedance and harmonics of the current at one frequency, and over all.

The source's own resistance shows in channel 1, which gives way the more the less is on the clips.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from stillbox.analysis.bench import Bench
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.levels.chain import Chain, harmonics_of
from stillbox.analysis.maths.local_fit import local_weights
from stillbox.analysis.maths.quantity import Quantity
from stillbox.analysis.maths.uncertainty import CHAIN_FLOOR
from stillbox.analysis.sweeps.sweep_harmonics import ORDERS
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.recording.take import TakeInfo

LEAST_FLOOR = 2 * CHAIN_FLOOR
"""Of a harmonic over the first: what windows leave of the linear answer."""
_CHAIN_MARGIN_DB = 6.0
"""So much above what the jig makes by itself a harmonic is that of what is on the clips."""
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
class Clearest:
    """A harmonic where it stands out most: dB re the first, how far over its floor, and at which first harmonic."""

    db: float
    over_db: float
    hz: float


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
    third: Clearest | None


def level_of(bench: Bench, take: TakeInfo, at_hz: float, loudest_volts: float | None, chain: Chain) -> Level | None:
    """A take at ``at_hz``; None where its band does not reach there.

    Without ``loudest_volts``, the output at full scale (V rms), currents are in full scale over ohm.
    """
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
        there = np.interp(order * hz, measured.frequency_hz, measured.ratio)
        made = chain.ratio(order, hz, level, ratio, there) * share
        floor = np.maximum(np.maximum(noise, made), LEAST_FLOOR)
        seen = (size > floor) & np.isfinite(size)
        curves_db[order] = _db(np.where(seen, size, np.nan))
        floors_db[order] = _db(np.where(np.isfinite(size), floor, np.nan))
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
) -> Clearest | None:
    """The third harmonic where it stands out most over what noise and jig leave."""
    limit = np.maximum(np.maximum(noise, LEAST_FLOOR), made * 10 ** (_CHAIN_MARGIN_DB / 20))
    over = np.where((hz >= _LOOKED_AT_HZ[0]) & (hz <= _LOOKED_AT_HZ[1]) & np.isfinite(size), size / limit, 0.0)
    # An octave of it, so that no line of hum passes for iron.
    lasting = np.minimum.reduce([np.roll(over, shift) for shift in range(-3, 4)])
    place = int(np.argmax(lasting))
    if lasting[place] <= 1:
        return None
    return Clearest(float(_db(size[place])), float(_db(lasting[place])), float(hz[place]))


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
