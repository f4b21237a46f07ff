"""From inductance and harmonics over the current: where a coil begins to saturate, and whether it has an iron core.

An air coil's inductance does not change with the current, and it makes no harmonics. Iron first gains with the current
(Rayleigh's law) and loses when it saturates, and its loops make odd harmonics from the smallest currents on, less than
1 % until it saturates (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.interpolate import PchipInterpolator

from stillbox.capture.arrays import FloatArray

LOST = 0.1
"""A coil saturates where its inductance is so much below the largest that it has at a smaller current: makers tell the
current at which 10 to 30 % are lost (common practice, no source)."""

_DRAWS, _PLACES = 400, 1000

Core = Literal["iron", "air", "cannot be told"]
_CHANGED_STD, _CHANGED = 4.0, 0.003
"""An inductance has changed where it is off by so many standard deviations and so much more."""
AIR_BELOW_DB, AIR_AMPERES, AIR_SPAN_DB = -80.0, 0.5, 9.0
"""Air: no third harmonic down to here, at so much current (rms) and over such a span of levels (common practice, no
source: iron shows -70 dB and more there, unless its gap is wide)."""


@dataclass(frozen=True)
class Saturation:
    """Where it begins.

    Attributes
    ----------
    current, low, high : float
        Peak, and between which it lies with 95 %, in the unit of the currents given; ``high`` is None where it may as
        well lie beyond the largest of them.
    """

    current: float
    low: float
    high: float | None


def saturation(current: FloatArray, inductance: FloatArray, std: FloatArray) -> Saturation | None:
    """Where a tenth of the largest inductance is lost; None where it never is.

    Parameters
    ----------
    current : ndarray, shape (n,)
        Peak, rising.
    inductance, std : ndarray, shape (n,)
    """
    if current.size < 2:
        return None
    middle = float(_crossings(current, inductance[:, None])[0])
    if np.isinf(middle):
        return None
    # Each level with its own noise: what is the same at all of them moves no ratio to the largest.
    noise = np.random.default_rng(0).standard_normal((current.size, _DRAWS))
    drawn = _crossings(current, inductance[:, None] + std[:, None] * noise)
    low, high = np.quantile(drawn, (0.025, 0.975), method="closest_observation")
    # Between two levels the curve is not known: monotone interpolation was off by at most a seventh of their distance.
    after = int(np.searchsorted(current, middle))
    apart = float(np.log(current[after] / current[max(after - 1, 0)])) if 0 < after < current.size else 0.0
    spread = float(np.exp(apart / 7))
    upper = None if np.isinf(high) else max(float(high), middle) * spread
    return Saturation(middle, min(float(low), middle) / spread, upper)


def _crossings(current: FloatArray, inductance: FloatArray) -> FloatArray:
    """For each column of inductances where a tenth of the largest is lost; infinite where it is not."""
    place = np.linspace(np.log(current[0]), np.log(current[-1]), _PLACES)
    smooth = PchipInterpolator(np.log(current), inductance)(place)
    gone = smooth < (1 - LOST) * np.maximum.accumulate(smooth)
    return np.where(gone.any(axis=0), np.exp(place[gone.argmax(axis=0)]), np.inf)


@dataclass(frozen=True)
class Evidence:
    """What tells iron from air.

    Attributes
    ----------
    harmonic_db : float or None
        Of the third of the current, the clearest; ``over_db`` above what noise and jig leave; None where none is seen.
    harmonic_hz, harmonic_take : float, int
        First harmonic and take at which it was found.
    masked_db : float
        What could hide: the highest floor of the third harmonic at the loudest level.
    change : float
        Of the inductance between the levels that differ most, relative; ``change_std`` of it.
    span_db : float
        Between the quietest and the loudest level.
    amperes : float or None
        Rms, at the loudest.
    """

    harmonic_db: float | None
    over_db: float
    masked_db: float
    change: float
    change_std: float
    span_db: float
    amperes: float | None
    harmonic_hz: float = 0.0
    harmonic_take: int = 0

    @property
    def has_changed(self) -> bool:
        return abs(self.change) > _CHANGED_STD * self.change_std + _CHANGED


def core_of(evidence: Evidence) -> Core:
    """Iron where it shows, air where iron would have shown."""
    if evidence.harmonic_db is not None or evidence.has_changed:
        return "iron"
    loud = evidence.amperes is not None and evidence.amperes >= AIR_AMPERES
    if loud and evidence.span_db >= AIR_SPAN_DB and evidence.masked_db <= AIR_BELOW_DB:
        return "air"
    return "cannot be told"


def largest_change(inductance: Sequence[float], std: Sequence[float]) -> tuple[float, float]:
    """Of the last inductance or the one that differs most from the first, relative to it, with its deviation."""
    if len(inductance) < 2:
        return 0.0, 0.0
    off = [value / inductance[0] - 1 for value in inductance]
    place = max(range(len(off)), key=lambda index: abs(off[index]))
    return off[place], float(np.hypot(std[place], std[0]) / inductance[0])
