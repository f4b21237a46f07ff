"""Follow a sweep through a recording, block by block: the gain of each channel and what does not belong to it.

In each block the recording is fitted by least squares with the sine and cosine of the sweep's phase and a constant,
so a block may hold any few periods. A channel without fault has a gain that changes smoothly from block to block.
"""

from __future__ import annotations

import math
from collections.abc import Hashable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.recording.audio_file import RawSamples, to_float
from stillbox.capture.recording.sweep_search import FoundSweep
from stillbox.capture.recording.sweeps_so_far import SweepsSoFar
from stillbox.capture.recording.take import JigKind
from stillbox.capture.sweep.excitation import Excitation

BLOCK_S = 0.02
MOST_BLOCKS = 400
LEAST_PERIODS = 3
CHUNK_FRAMES = 2**18
"""Frames worked on at once: keeps the memory small for long recordings."""

ROBUST_ROUNDS = 20
"""Rounds of reweighting: enough that a few blocks far off do not count."""

LEAST_CLOCK_FRAMES = 0.5
"""Equal clocks are kept to unless they differ by more than this over a sweep, frames: the start stays exact."""

SOURCE_HZ = 1000.0
"""Up to which frequency the resistance of the source is told by both channels."""

LEAST_SHAPE = 0.02
"""Part of channel 1 that the load must have taken or turned before the source is worked out from both channels."""

MOST_NOISE_WINDOWS = 16
"""Windows of silence whose mean is taken as the noise."""

AROUND = 5
SILENCE_GUARD_S = 0.01
"""Left out of the silence just before the sweep: filters of converters ring ahead, s."""


@dataclass(frozen=True)
class SweepTrack:
    """The blocks of one sweep, within its band of full level.

    Attributes
    ----------
    first_frame, frames : int ndarray, shape (blocks,)
        Where each block lies in the recording.
    frequency_hz : ndarray, shape (blocks,)
        In the middle of the block, at the rate of the recording.
    gain : complex ndarray, shape (blocks, channels)
        Response to a sweep of peak level 1 full scale: magnitude is the peak amplitude, full scale = 1.
    rest_power : ndarray, shape (blocks, channels)
        Mean square of what does not follow the sweep.
    noise_gain : ndarray, shape (blocks, channels)
        Rms of the gain that noise and hum alone give in such a block, from the silence before the sweep.
    noise_power : ndarray, shape (channels,)
        Mean square in that silence, without its constant part.
    """

    first_frame: NDArray[np.int64]
    frames: NDArray[np.int64]
    frequency_hz: NDArray[np.float64]
    gain: NDArray[np.complex128]
    rest_power: NDArray[np.float64]
    noise_gain: NDArray[np.float64]
    noise_power: NDArray[np.float64]


def silence_before(
    samples: RawSamples | NDArray[np.float32], sweep: FoundSweep, excitation: Excitation
) -> NDArray[np.float64]:
    """The silence just before a sweep, at most as long as that of the excitation, shape (frames, channels)."""
    rate_hz = excitation.sample_rate_hz
    last = max(1, sweep.start - round(SILENCE_GUARD_S * rate_hz))
    return to_float(samples[max(0, last - excitation.silence_before_frames) : last])


def track_sweep(samples: RawSamples | NDArray[np.float32], sweep: FoundSweep, excitation: Excitation) -> SweepTrack:
    """Fit the gain of each channel in each block.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels)
        The whole recording, raw (int32) or with full scale 1.
    sweep : FoundSweep
        Whole inside the recording.
    """
    edges = _block_edges(excitation)
    stretch = 1 + sweep.clock_difference
    borders = sweep.start + np.rint(edges * stretch * excitation.sample_rate_hz).astype(np.int64)
    borders = np.minimum(borders, len(samples))
    gains, rests = [], []
    for chunk in chunks_of_blocks(borders):
        gain, rest = _fit_blocks(samples, borders[chunk], sweep, excitation)
        gains.append(gain)
        rests.append(rest)
    middle_s = 0.5 * (edges[1:] + edges[:-1])
    frequency_hz = excitation.low_hz * np.exp(middle_s / excitation.rate_constant_s) / stretch
    silence = silence_before(samples, sweep, excitation)
    silence = silence - silence.mean(axis=0)
    frames = np.diff(borders)
    return SweepTrack(
        first_frame=borders[:-1],
        frames=frames,
        frequency_hz=frequency_hz,
        gain=np.concatenate(gains),
        rest_power=np.concatenate(rests),
        noise_gain=_noise_gain(silence, frequency_hz, frames, excitation.sample_rate_hz),
        noise_power=np.mean(silence**2, axis=0),
    )


class SweepTracks:
    """Tracks of the sweeps in a signal, each computed once; see `track_sweep`.

    ``name`` tells the signal from others that are made from the same recording.
    """

    def __init__(
        self,
        samples: RawSamples | NDArray[np.float32],
        excitation: Excitation,
        so_far: SweepsSoFar,
        name: Hashable,
    ) -> None:
        self.name = name
        self._samples, self._excitation, self._so_far = samples, excitation, so_far
        self._known: dict[FoundSweep, SweepTrack] = {}

    def of(self, sweep: FoundSweep) -> SweepTrack:
        if sweep not in self._known:
            self._known[sweep] = self._so_far.of(
                ("track", self.name, sweep),
                sweep.start,
                self._excitation,
                lambda: track_sweep(self._samples, sweep, self._excitation),
            )
        return self._known[sweep]


def refined_clock(sweep: FoundSweep, track: SweepTrack, excitation: Excitation) -> FoundSweep:
    """Correct start and clock of a sweep by the phase of channel 1 from block to block.

    A delay ``tau + d t`` turns the phase by ``-2 pi f (tau + d t)``. Only the turns between neighbouring blocks are
    fitted, by least absolute values, so that a jump is one outlier among many.
    """
    rate_hz = excitation.sample_rate_hz
    gain, frequency_hz = track.gain[:, 0], track.frequency_hz
    time_s = (track.first_frame + 0.5 * track.frames - sweep.start) / rate_hz
    turn = np.angle(gain[1:] * np.conj(gain[:-1]))
    columns = -2 * np.pi * np.stack([np.diff(frequency_hz), np.diff(frequency_hz * time_s)], axis=1)
    noise = (track.noise_gain[:, 0] / np.maximum(np.abs(gain), 1e-12)) ** 2
    spread = np.sqrt(noise[1:] + noise[:-1]) + 0.01
    # Blocks on another line (behind a lost block) would pull at the fit: high frequencies have much leverage.
    middles_s = [segment.time_s for segment in sweep.segments]
    astray = [abs(segment.lag) > max(8.0, 0.2 * rate_hz / segment.frequency_hz) for segment in sweep.segments]
    fit = np.interp(time_s[:-1], middles_s, np.array(astray, dtype=float)) < 0.5
    if fit.sum() < 3:
        return sweep
    delay_s, slope = _robust_fit((columns / spread[:, None])[fit], (turn / spread)[fit])
    if sweep.clock_difference == 0 and abs(slope) * excitation.sweep_frames < LEAST_CLOCK_FRAMES:
        return sweep
    return replace(
        sweep,
        start=sweep.start + round(delay_s * rate_hz),
        clock_difference=(1 + sweep.clock_difference) * (1 + slope) - 1,
    )


def source_share(track: SweepTrack, jig: JigKind) -> float:
    """How much of channel 2 to take from channel 1 to see the voltage of the source itself.

    The source's own resistance lets the load shape channel 1. As the current is proportional to the difference of
    the channels (high-side) or to channel 2 (low-side), ``channel 1 - b channel 2`` is flat for one real b: from 0
    to 1 for high-side, negative for low-side. Returns that b, or 0 where channel 1 is flat as it is.
    """
    low = _low_blocks(track)
    first, second = track.gain[low, 0], track.gain[low, 1]
    before = _unevenness(first)
    # Flat, or flat but for coupling capacitors: a constant, and a part that falls with frequency.
    falling = 1 / (1j * track.frequency_hz[low] / track.frequency_hz[0])
    for shapes in ([np.ones_like(first)], [np.ones_like(first), falling]):
        columns = np.stack([turned for shape in shapes for turned in (shape, 1j * shape)] + [second], axis=1)
        fit = _robust_fit(
            np.concatenate([columns.real, columns.imag]) / np.median(np.abs(first)),
            np.concatenate([first.real, first.imag]) / np.median(np.abs(first)),
        )
        share = float(fit[-1])
        possible = 0 < share < 1.1 if jig == "high-side" else share < 0
        rest = first - columns[:, 2:] @ fit[2:]
        if possible and before > LEAST_SHAPE and _unevenness(rest) < 0.5 * before:
            return share
    return 0.0


def unevenness(track: SweepTrack, everywhere: bool) -> float:
    """How much the level of channel 1 changes over frequency, relative, the least even few blocks left out.

    ``everywhere`` or only where a frame of delay between the channels would not count. What does not follow the sweep
    but is no noise counts too: behind lost blocks it is the sweep itself, elsewhere than expected.
    """
    beside = 2 * np.maximum(track.rest_power[:, 0] - track.noise_power[0], 0.0)
    levels = np.sqrt(np.abs(track.gain[:, 0]) ** 2 + beside)
    level = levels if everywhere else levels[_low_blocks(track)]
    return float(np.percentile(np.abs(level / np.median(level) - 1), 85))


def usual_around(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median of each value and its neighbours, AROUND of them on each side as far as there are, shape of ``values``."""
    count = len(values)
    usual = np.empty(count)
    if count > 2 * AROUND:
        windows = np.lib.stride_tricks.sliding_window_view(values, 2 * AROUND + 1)
        usual[AROUND : count - AROUND] = np.median(windows, axis=1)
    ends = range(count) if count <= 2 * AROUND else (*range(AROUND), *range(count - AROUND, count))
    for place in ends:
        usual[place] = np.median(values[max(0, place - AROUND) : place + AROUND + 1])
    return usual


def _low_blocks(track: SweepTrack) -> NDArray[np.bool_]:
    """Blocks below the frequencies where a frame of delay between the channels would count."""
    return track.frequency_hz < max(SOURCE_HZ, float(np.percentile(track.frequency_hz, 30)))


def _unevenness(gain: NDArray[np.complex128]) -> float:
    """Median distance of a gain from its middle, re the middle."""
    middle = np.median(gain.real) + 1j * np.median(gain.imag)
    return float(np.median(np.abs(gain - middle)) / np.abs(middle))


def _robust_fit(rows: NDArray[np.float64], values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Least absolute values by reweighted least squares."""
    weights = np.ones_like(values)
    fit = np.zeros_like(rows[0])
    for _ in range(ROBUST_ROUNDS):
        fit = np.linalg.lstsq(rows * weights[:, None], values * weights, rcond=None)[0]
        misfit = np.abs(values - rows @ fit)
        weights = 1 / np.sqrt(np.maximum(misfit, 0.1 * np.median(misfit) + 1e-12))
    return np.asarray(fit, dtype=np.float64)


def _block_edges(excitation: Excitation) -> NDArray[np.float64]:
    """Edges of the blocks on the excitation's clock, s."""
    constant_s = excitation.rate_constant_s
    lowest_hz, highest_hz = excitation.full_level_band_hz
    time_s = constant_s * math.log(lowest_hz / excitation.low_hz)
    end_s = constant_s * math.log(highest_hz / excitation.low_hz)
    shortest_s = max(min(BLOCK_S, excitation.seconds / 50), excitation.seconds / MOST_BLOCKS)
    edges = [time_s]
    while time_s < end_s:
        # The sweep has gone through f1 L exp(t / L) periods at t.
        growth = math.exp(time_s / constant_s) + LEAST_PERIODS / (excitation.low_hz * constant_s)
        time_s = max(time_s + shortest_s, constant_s * math.log(growth))
        edges.append(time_s)
    # What is left at the end goes to the last whole block.
    return np.array([*edges[: max(1, len(edges) - 2)], end_s])


def chunks_of_blocks(borders: NDArray[np.int64]) -> list[slice]:
    """Groups of blocks of about CHUNK_FRAMES, as slices of ``borders`` that share their outer borders."""
    groups, first = [], 0
    for index in range(1, len(borders)):
        if borders[index] - borders[first] >= CHUNK_FRAMES or index == len(borders) - 1:
            groups.append(slice(first, index + 1))
            first = index
    return groups


def _fit_blocks(
    samples: RawSamples | NDArray[np.float32], borders: NDArray[np.int64], sweep: FoundSweep, excitation: Excitation
) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """Gain and mean square of the rest for neighbouring blocks, shape (blocks, channels) each."""
    first, last = int(borders[0]), int(borders[-1])
    signal = to_float(samples[first:last])
    constant_s = excitation.rate_constant_s
    frames_per_constant = excitation.sample_rate_hz * constant_s * (1 + sweep.clock_difference)
    growth = np.exp(np.arange(first - sweep.start, last - sweep.start) / frames_per_constant)
    phase = 2 * np.pi * excitation.low_hz * constant_s * growth
    sine, cosine = np.sin(phase), np.cos(phase)
    offsets, counts = borders[:-1] - first, np.diff(borders).astype(np.float64)

    def sums(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.add.reduceat(values, offsets)

    sines, cosines, squares, mixed = sums(sine), sums(cosine), sums(sine * sine), sums(sine * cosine)
    normal = np.array(
        [[squares, mixed, sines], [mixed, counts - squares, cosines], [sines, cosines, counts]]
    ).transpose(2, 0, 1)
    gains, rests = [], []
    for channel in signal.T:
        right = np.stack([sums(sine * channel), sums(cosine * channel), sums(channel)], axis=1)
        fit = np.linalg.solve(normal, right[..., None])[..., 0]
        energy = sums(channel * channel) - np.sum(fit * right, axis=1)
        # y = Im[(s + j c) exp(j phase)]: the sweep itself, sin, has gain 1.
        gains.append(fit[:, 0] + 1j * fit[:, 1])
        rests.append(np.maximum(energy, 0) / counts)
    return np.array(gains).T, np.array(rests).T


def _noise_gain(
    silence: NDArray[np.float64], frequency_hz: NDArray[np.float64], frames: NDArray[np.int64], rate_hz: int
) -> NDArray[np.float64]:
    """Rms of the gain that a block of pure silence would give, shape (blocks, channels).

    The silence is cut into windows as long as the blocks (or as long as it allows) and the mean power of its
    spectrum taken at the frequency of the block: a hum line gives its own amplitude there.
    """
    from scipy.fft import next_fast_len

    result = np.empty((len(frequency_hz), silence.shape[1]))
    lengths = np.minimum(frames, len(silence))
    # Blocks of nearly one length share one spectrum.
    keys = np.round(4 * np.log2(lengths)).astype(int)
    for key in np.unique(keys):
        chosen = np.flatnonzero(keys == key)
        longest = int(lengths[chosen].min())
        length = min(longest, next_fast_len(int(0.95 * longest), real=True))
        step = max(length // 2, (len(silence) - length) // MOST_NOISE_WINDOWS, 1)
        windows = np.lib.stride_tricks.sliding_window_view(silence, length, axis=0)[::step]
        shape = np.hanning(length)
        spectra = np.fft.rfft(windows * shape, axis=-1) * (2 / shape.sum())
        rms = np.sqrt(np.mean(np.abs(spectra) ** 2, axis=0))
        bins = np.clip(np.rint(frequency_hz[chosen] * length / rate_hz).astype(int), 0, rms.shape[1] - 1)
        result[chosen] = rms[:, bins].T
    return result
