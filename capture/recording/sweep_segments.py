"""Pieces of a sweep, looked for one by one, and the line of delay over time that they agree on."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.recording.audio_file import RawSamples
from stillbox.capture.sweep.sweep_form import SweepForm

MOST_CLOCK_DIFFERENCE = 5e-4
"""Relative difference between the clocks of player and recorder that is still taken for one rate."""

MOST_SLOPE = 1.5e-3
"""Relative difference of clocks up to which the line of delay is followed (film rates differ by 1e-3)."""

LEAST_TOLERANCE = 1.5
"""Frames by which a segment may be off the line, where a fifth of a period is less: loads turn the phase."""

SURE_MATCH = 5.0
"""Times one over root of the frames: the largest of 40,000 correlations with noise is near 4.6 of it."""

SEGMENTS_PER_OCTAVE = 2
SEGMENT_REACH_S = 0.1
"""A segment is looked for up to so far from its place, s: lost blocks up to this length are measured."""


@dataclass(frozen=True)
class Segment:
    """A piece of the sweep and where it was found.

    Attributes
    ----------
    time_s, frequency_hz : float
        Middle of the segment on the excitation's clock, and the frequency there.
    seconds : float
        Length.
    lag : float
        Frames by which it lies later than the start of the sweep says.
    match : float
        Magnitude of the normalised correlation, 0 to 1.
    """

    time_s: float
    frequency_hz: float
    seconds: float
    lag: float
    match: float

    def is_sure(self, sample_rate_hz: int) -> bool:
        """Whether the match is more than white noise reaches by chance anywhere in the reach."""
        return self.match * math.sqrt(self.seconds * sample_rate_hz) > SURE_MATCH


def find_segments(
    channel: NDArray[np.float32] | RawSamples, sweep: NDArray[np.float32], start: int, form: SweepForm
) -> tuple[list[Segment], float]:
    """Look for each segment of the sweep by itself, as far as it lies inside the recording.

    Segments of less than two periods say nothing and are left out. Also returns the length of all others, s.
    """
    rate_hz = form.sample_rate_hz
    octaves = math.log2(form.high_hz / form.low_hz)
    count = max(4, min(round(SEGMENTS_PER_OCTAVE * octaves), int(form.seconds / 0.03)))
    edges = np.linspace(0, len(sweep), count + 1).astype(int)
    reach = int((SEGMENT_REACH_S + MOST_CLOCK_DIFFERENCE * form.seconds) * rate_hz)
    segments, counted_s = [], 0.0
    for first, last in itertools.pairwise(edges.tolist()):
        seconds, middle_s = (last - first) / rate_hz, 0.5 * (first + last) / rate_hz
        frequency_hz = form.frequency_hz(middle_s)
        if frequency_hz * seconds < 2:
            continue
        counted_s += seconds
        if start + first >= 0 and start + last <= len(channel):
            finer = max(1, min(4, round(10 * frequency_hz / rate_hz)))
            lag, match = _segment_lag(channel, sweep[first:last], start + first, reach, finer)
            segments.append(Segment(middle_s, frequency_hz, seconds, lag, match))
    return segments, counted_s


def _segment_lag(
    channel: NDArray[np.float32] | RawSamples, piece: NDArray[np.float32], place: int, reach: int, finer: int
) -> tuple[float, float]:
    """Lag (frames, to a fraction) at which ``piece`` correlates best near ``place``, and how well.

    ``finer`` points to a frame are looked at: near the Nyquist rate whole frames miss the tops of the carrier.
    """
    from scipy import fft

    first, last = max(0, place - reach), min(len(channel), place + len(piece) + reach)
    around, piece = channel[first:last].astype(np.float64), piece.astype(np.float64)
    size = fft.next_fast_len(len(around), real=True)
    spectrum = fft.rfft(around, size) * np.conj(fft.rfft(piece, size))
    # The sign is left out of it (polarity), so peaks half a period apart compete: segments are broad enough.
    magnitude = np.abs(finer * fft.irfft(spectrum, finer * size)[: finer * (len(around) - len(piece)) + 1])
    peak = int(np.argmax(magnitude))
    begin = peak // finer
    energy = float(np.sum(around[begin : begin + len(piece)] ** 2)) * float(np.sum(piece**2))
    match = float(magnitude[peak]) / math.sqrt(energy) if energy > 0 else 0.0
    return first - place + (peak + _parabola_offset(magnitude, peak)) / finer, min(match, 1.0)


def _parabola_offset(values: NDArray[np.float64], peak: int) -> float:
    """Place of the top of the parabola through a peak and its neighbours, re the peak, -0.5 to 0.5."""
    if not 0 < peak < len(values) - 1:
        return 0.0
    before, top, after = values[peak - 1 : peak + 2]
    bend = before - 2 * top + after
    return float(0.5 * (before - after) / bend) if bend < 0 else 0.0


def delay_line(
    segments: list[Segment], counted_s: float, rate_hz: int, level_gain: float
) -> tuple[float, float, float]:
    """The line of delay over time that most of the sweep's length agrees on.

    A level line (equal clocks) is preferred by ``level_gain``: it is exact where a sloping one wavers, as a load may
    turn the phase a little over frequency. Returns the line's value at the start (frames), its slope, and the part
    of ``counted_s`` that agrees.
    """
    positions = np.array([segment.time_s * rate_hz for segment in segments])
    lags = np.array([segment.lag for segment in segments])
    periods = np.array([rate_hz / segment.frequency_hz for segment in segments])
    tolerances = np.maximum(LEAST_TOLERANCE, 0.1 * periods)
    seconds = np.array([segment.seconds if segment.is_sure(rate_hz) else 0.0 for segment in segments])

    def misfits(line: tuple[float, float]) -> NDArray[np.float64]:
        return np.abs(lags - line[0] - line[1] * positions)

    def score(line: tuple[float, float]) -> float:
        return float(np.sum(seconds * np.clip(1 - (misfits(line) / tolerances) ** 2, 0, None)))

    sloping = []
    for one, other in itertools.combinations(np.flatnonzero(seconds).tolist(), 2):
        slope = float((lags[other] - lags[one]) / (positions[other] - positions[one]))
        if 0 < abs(slope) <= MOST_SLOPE:
            sloping.append((float(lags[one]) - slope * float(positions[one]), slope))
    # The place that the whole sweep voted for, then the best level line, then the best of all.
    line = max(((float(lag), 0.0) for lag in lags), key=score, default=(0.0, 0.0))
    if score((0.0, 0.0)) >= 0.99 * score(line):
        line = (0.0, 0.0)
    steepest = max(sloping, key=score, default=line)
    chosen = (misfits(steepest) <= tolerances) & (seconds > 0)
    if chosen.sum() > 2:
        fitted = _straight_line(positions, lags, tolerances, chosen)
        if score(fitted) > score(line) + level_gain * counted_s:
            line = fitted
    agreeing = misfits(line) <= np.maximum(LEAST_TOLERANCE, 0.2 * periods)
    return *line, float(seconds[agreeing].sum()) / counted_s if counted_s > 0 else 0.0


def _straight_line(
    positions: NDArray[np.float64],
    lags: NDArray[np.float64],
    tolerances: NDArray[np.float64],
    chosen: NDArray[np.bool_],
) -> tuple[float, float]:
    """Weighted least squares through the chosen segments: offset in frames and slope."""
    weights = 1 / tolerances[chosen] ** 2
    mean_position = float(np.average(positions[chosen], weights=weights))
    mean_lag = float(np.average(lags[chosen], weights=weights))
    spread = positions[chosen] - mean_position
    slope = float(np.sum(weights * spread * (lags[chosen] - mean_lag)) / np.sum(weights * spread**2))
    return mean_lag - slope * mean_position, slope
