"""Ridges of a decay: each resonance followed from slice to slice, with its decay time and the uncertainty of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stillbox.analysis.impedance.findings import Resonance
from stillbox.analysis.waterfall.decay import DB_PER_NEPER, CumulativeDecay, slope_db_per_s
from stillbox.capture.arrays import FloatArray
from stillbox.capture.errors import StillboxError

CLEAR_DB = 10.0
"""A ridge is followed down to this far above the noise floor; closer to it the level is biased by noise."""
INTERFERENCE_DB = 0.15
"""Standard deviation of a level that is granted to neighbours' skirts at least, beside the noise,"""
INTERFERENCE_SHARE = 0.2
"""correlated over this share of the ridge's span: skirts pass slowly, many slices do not average them away."""
ENERGY_STEPS = 2000
"""Points of the integral over the windows of two slices."""
FEWEST_SLICES = 5
SEARCH_BANDWIDTHS = 0.75
"""A ridge is looked for this many bandwidths f0/Q to either side of the finding."""
STEADY_BANDWIDTHS = 0.5
"""A ridge has ended where its crest has left its first place by more than this many bandwidths."""
LEAST_PROMINENCE_DB = 6.0
LEAST_CLARITY = 3.0
"""A slope must be so many times its standard deviation."""
LEAST_FALL_DB = 8.0
"""A ridge must be followed at least this far down for a decay time."""
LEAST_FALL_UNPROMPTED_DB = 15.0
"""And this far where no finding stands behind it: noise, too, makes crests for a few slices."""
MOST_DISAGREEMENT = 1.5
"""A ridge whose Q differs from the finding's by this factor and beyond its uncertainty is another's."""
USUAL_Q = 10.0
"""Stands for the bandwidth of ridges looked for without a finding."""


@dataclass(frozen=True)
class Ridge:
    """One ridge.

    Attributes
    ----------
    frequency_hz : float
        Where its crest lies (median over its slices).
    time_s, crest_hz, level_db : ndarray, shape (n,)
        Start of each slice in which it was followed, its crest there, and the level at ``frequency_hz``.
    slope_db_per_s, slope_std_db_per_s : float or None
        Fitted rate of fall and its standard deviation; None with a ``reason``.
    q, q_std : float or None
        Q = 27.2875 f0 / slope.
    decay_time_s, decay_time_std_s : float or None
        Time in which it falls by 60 dB.
    reason : str
        Why there is no decay time, or empty.
    """

    frequency_hz: float
    time_s: FloatArray
    crest_hz: FloatArray
    level_db: FloatArray
    slope_db_per_s: float | None = None
    slope_std_db_per_s: float | None = None
    reason: str = ""

    @property
    def q(self) -> float | None:
        return None if self.slope_db_per_s is None else slope_db_per_s(self.frequency_hz, 1.0) / self.slope_db_per_s

    @property
    def q_std(self) -> float | None:
        return self._scaled_std(self.q)

    @property
    def decay_time_s(self) -> float | None:
        return None if self.slope_db_per_s is None else 60.0 / self.slope_db_per_s

    @property
    def decay_time_std_s(self) -> float | None:
        return self._scaled_std(self.decay_time_s)

    def _scaled_std(self, value: float | None) -> float | None:
        if value is None or self.slope_db_per_s is None or self.slope_std_db_per_s is None:
            return None
        return value * self.slope_std_db_per_s / self.slope_db_per_s


def follow_ridges(decay: CumulativeDecay, resonances: Sequence[Resonance]) -> tuple[Ridge, ...]:
    """Follow the ridge of each resonance, in their order.

    Parameters
    ----------
    decay : CumulativeDecay
        With the time axis in seconds.
    resonances : sequence of Resonance

    Raises
    ------
    StillboxError
        The time axis runs in cycles.
    """
    _check_axis(decay)
    return tuple(_checked(_follow(decay, part.frequency_hz, part.frequency_hz / part.q), part) for part in resonances)


def find_ridges(decay: CumulativeDecay) -> tuple[Ridge, ...]:
    """Ridges that stand out without any finding: crests at t = 0 that persist, in order of frequency."""
    _check_axis(decay)
    first = _first_slice(decay)
    levels = np.where(decay.meaningful[first], decay.level_db[first], decay.level_db[first].min())
    ridges = (
        _follow(decay, float(decay.frequency_hz[crest]), float(decay.frequency_hz[crest]) / USUAL_Q)
        for crest in standing_out(levels, LEAST_PROMINENCE_DB)
        if decay.meaningful[first, crest]
    )
    distinct = {ridge.frequency_hz: ridge for ridge in ridges if ridge.slope_db_per_s is not None}
    return tuple(ridge for ridge in distinct.values() if _fall_db(ridge) >= LEAST_FALL_UNPROMPTED_DB)


def standing_out(levels: FloatArray, prominence: float) -> list[int]:
    """Places of the crests that stand ``prominence`` above both valleys beside them, each until what is higher.

    Parameters
    ----------
    levels : ndarray, shape (n,)
    prominence : float
        Above 0, in the unit of the levels.
    """
    rising = np.diff(levels) > 0
    falling = np.diff(levels) < 0
    crests = []
    for crest in np.flatnonzero(rising[:-1] & falling[1:]) + 1:
        higher = np.flatnonzero(levels > levels[crest])
        after = int(np.searchsorted(higher, crest))
        begin = higher[after - 1] if after else 0
        end = higher[after] if after < higher.size else levels.size
        valley = max(levels[begin:crest].min(), levels[crest:end].min())
        if levels[crest] - valley >= prominence:
            crests.append(int(crest))
    return crests


def _check_axis(decay: CumulativeDecay) -> None:
    if decay.cycles is not None:
        raise StillboxError("ridges are followed over time in seconds; this decay's axis runs in cycles", "")


def _first_slice(decay: CumulativeDecay) -> int:
    """The first slice whose window has closed on the pulse at t = 0."""
    return min(int(np.searchsorted(decay.time_s, 0.0)), decay.time_s.size - 1)


def _follow(decay: CumulativeDecay, near_hz: float, bandwidth_hz: float) -> Ridge:
    slices, crests = _crest_slices(decay, near_hz, bandwidth_hz)
    if slices.size == 0:
        nothing = np.empty(0)
        return Ridge(near_hz, nothing, nothing, nothing, reason=_why_absent(decay, near_hz))
    crest_hz = decay.frequency_hz[crests]
    column = int(np.median(crests))
    ridge = Ridge(
        frequency_hz=float(np.median(crest_hz)),
        time_s=decay.time_s[slices],
        crest_hz=crest_hz,
        level_db=np.asarray(decay.level_db[slices, column], dtype=float),
    )
    if slices.size < FEWEST_SLICES:
        reason = f"clear of noise and neighbours in {slices.size} slices only; {FEWEST_SLICES} are needed"
        return replace(ridge, reason=reason)
    if _fall_db(ridge) < LEAST_FALL_DB:
        return replace(ridge, reason=_fall_words(_fall_db(ridge)))
    noise, interference = _noise_covariance(decay, slices, column), _interference_covariance(ridge.time_s)
    slope, slope_std = _slope_with_bend(ridge.time_s, ridge.level_db, noise, interference)
    if slope <= LEAST_CLARITY * slope_std:
        reason = f"does not fall clearly: {slope:.0f} dB/s with a standard deviation of {slope_std:.0f} dB/s"
        return replace(ridge, reason=reason)
    return replace(ridge, slope_db_per_s=slope, slope_std_db_per_s=slope_std)


def _fall_words(fall_db: float) -> str:
    """That it falls too little; a neighbour may even lift it."""
    shown_db = np.floor(10 * fall_db) / 10  # never as much as is needed
    falls = f"falls by {shown_db:.1f} dB only" if shown_db > 0 else "does not fall"
    return f"{falls} before it is lost; {LEAST_FALL_DB:g} dB are needed"


def _checked(ridge: Ridge, resonance: Resonance) -> Ridge:
    """The ridge without its slope where it falls so differently that it cannot be this resonance's."""
    if ridge.q is None or ridge.q_std is None or abs(ridge.q - resonance.q) < LEAST_CLARITY * ridge.q_std:
        return ridge
    if 1 / MOST_DISAGREEMENT < ridge.q / resonance.q < MOST_DISAGREEMENT:
        return ridge
    reason = (
        f"what stands there falls as with Q {ridge.q:.0f}, the resonance has Q {resonance.q:.0f}: a neighbour covers it"
    )
    return replace(ridge, slope_db_per_s=None, slope_std_db_per_s=None, reason=reason)


def _fall_db(ridge: Ridge) -> float:
    return float(ridge.level_db[0] - ridge.level_db[-1])


def _why_absent(decay: CumulativeDecay, near_hz: float) -> str:
    if decay.band_hz is not None and not decay.band_hz[0] <= near_hz <= decay.band_hz[1]:
        return f"{near_hz:.0f} Hz lies outside the band of {decay.band_hz[0]:.0f} to {decay.band_hz[1]:.0f} Hz"
    row, column = _first_slice(decay), int(np.argmin(np.abs(decay.frequency_hz - near_hz)))
    floor_db = decay.noise_floor_db
    if floor_db is not None and decay.level_db[row, column] < floor_db[row, column] + CLEAR_DB:
        return "the noise covers it once the first pulse has passed"
    return "it makes no crest of its own: the skirt of a neighbour covers it"


def _crest_slices(
    decay: CumulativeDecay, near_hz: float, bandwidth_hz: float
) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """Slices in which the crest is followed, and its column in each: the longest run from t = 0 on.

    Not the first run: a low and narrow ridge may come out only when a broad neighbour has died away.
    """
    best: list[tuple[int, int]] = []
    run: list[tuple[int, int]] = []
    for row in range(_first_slice(decay), decay.time_s.size):
        if run:
            first_hz = float(decay.frequency_hz[run[0][1]])
            crest = _crest(decay, row, first_hz, STEADY_BANDWIDTHS * bandwidth_hz)
        else:
            crest = _crest(decay, row, near_hz, SEARCH_BANDWIDTHS * bandwidth_hz)
        run = [] if crest is None else [*run, (row, crest)]
        best = run if len(run) > len(best) else best
    rows, crests = (np.array([place[part] for place in best], dtype=int) for part in (0, 1))
    return rows, crests


def _crest(decay: CumulativeDecay, row: int, centre_hz: float, reach_hz: float) -> int | None:
    """Column of the local maximum within reach, clear of the noise; None if there is none."""
    low, high = np.searchsorted(decay.frequency_hz, [centre_hz - reach_hz, centre_hz + reach_hz])
    low, high = max(int(low) - 1, 1), min(int(high) + 1, decay.frequency_hz.size - 1)
    if high <= low:
        return None
    levels = decay.level_db[row]
    crest = low + int(np.argmax(levels[low:high]))
    if levels[crest] < max(levels[crest - 1], levels[crest + 1]):
        return None  # a flank of something else
    if not decay.meaningful[row, crest]:
        return None
    floor_db = decay.noise_floor_db
    if floor_db is not None and levels[crest] < floor_db[row, crest] + CLEAR_DB:
        return None
    return crest


def _interference_covariance(time_s: FloatArray) -> FloatArray:
    """Covariance of a ridge's levels, dB^2, that is granted to neighbours, shape (n, n)."""
    correlation_s = INTERFERENCE_SHARE * max(float(time_s[-1] - time_s[0]), 1e-9)
    return np.asarray(INTERFERENCE_DB**2 * np.exp(-np.abs(time_s[:, None] - time_s) / correlation_s))


def _noise_covariance(decay: CumulativeDecay, slices: NDArray[np.int_], column: int) -> FloatArray:
    """Covariance of a ridge's levels, dB^2, that comes from noise, shape (n, n).

    Two slices share the noise that both windows let through, and half of the complex noise lies along the phasor::

        cov(L_i, L_j) = (20 lg e)^2 / 2 * n_i^2 e_ij / e_ii / (A_i A_j),  e_ij = integral of w_i w_j
    """
    time_s = decay.time_s[slices]
    if decay.noise_floor is None:
        return np.zeros((slices.size, slices.size))
    amplitude = np.asarray(decay.magnitude[slices, column], dtype=float)
    noise_power = np.asarray(decay.noise_floor[slices, column], dtype=float) ** 2
    rise_s = np.broadcast_to(decay.rise_s, decay.frequency_hz.shape)[column]
    energy_s = _shared_energy_s(time_s, decay.record_s, float(rise_s))
    density = np.mean(noise_power / np.diag(energy_s))
    result: FloatArray = 0.5 * DB_PER_NEPER**2 * density * energy_s / np.outer(amplitude, amplitude)
    return result


def _shared_energy_s(time_s: FloatArray, record_s: float, rise_s: float) -> FloatArray:
    """Integral of the product of the windows of each two slices, s, shape (n, n)."""
    last_open_s = time_s[-1] + rise_s
    grid_s, step_s = np.linspace(time_s[0], last_open_s, ENERGY_STEPS, endpoint=False, retstep=True)
    phase = np.clip((grid_s - time_s[:, None]) / max(rise_s, step_s), 0.0, 1.0)
    windows = 0.5 - 0.5 * np.cos(np.pi * phase)
    return np.asarray(windows @ windows.T * step_s + max(record_s - last_open_s, step_s))


def _slope_with_bend(
    time_s: FloatArray, level_db: FloatArray, noise: FloatArray, interference: FloatArray
) -> tuple[float, float]:
    """Slope of the whole ridge with its deviation.

    Neighbours are granted what the scatter around the line shows beyond the noise; and half the difference between
    the slopes of the ridge's two halves is added, for a neighbour's skirt may bend a ridge without scatter.
    """
    line = np.polynomial.Polynomial.fit(time_s, level_db, 1)
    excess = np.mean((level_db - line(time_s)) ** 2) - np.mean(np.diag(noise))
    covariance = noise + interference * max(1.0, excess / INTERFERENCE_DB**2)
    slope, slope_std = _fitted_slope(time_s, level_db, covariance)
    half = time_s.size // 2
    if half < FEWEST_SLICES:
        return slope, slope_std
    early, late = slice(None, half), slice(half, None)
    early_slope, early_std = _fitted_slope(time_s[early], level_db[early], covariance[early, early])
    late_slope, late_std = _fitted_slope(time_s[late], level_db[late], covariance[late, late])
    # The granted scatter alone makes the halves differ: only what exceeds it is a bend.
    bend = np.sqrt(max((early_slope - late_slope) ** 2 - early_std**2 - late_std**2, 0.0)) / 2
    return slope, float(np.hypot(slope_std, bend))


def _fitted_slope(time_s: FloatArray, level_db: FloatArray, covariance: FloatArray) -> tuple[float, float]:
    """Rate of fall by weighted regression, with the deviation that the full covariance gives it.

    The weights are those of independent slices, so that a neighbour's slow bend is not blown up by the strong
    correlation between slices, as it would be in generalised least squares.
    """
    design = np.stack([np.ones(time_s.size), -(time_s - time_s[0])], axis=1)
    weighted = design / np.diag(covariance)[:, None]
    solver = np.linalg.solve(weighted.T @ design, weighted.T)
    return float((solver @ level_db)[1]), float(np.sqrt((solver @ covariance @ solver.T)[1, 1]))
