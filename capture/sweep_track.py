"""Follow a sweep through a recording, block by block: the gain of each channel and what does not belong to it.

In each block the recording is fitted by least squares with the sine and cosine of the sweep's phase and a constant,
so a block may hold any few periods. A channel without fault has a gain that changes smoothly from block to block.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.audio_file import RawSamples, to_float
from capture.excitation import Excitation
from capture.sweep_search import FoundSweep

BLOCK_S = 0.02
MOST_BLOCKS = 400
LEAST_PERIODS = 3
CHUNK_FRAMES = 2**18
"""Frames worked on at once: keeps the memory small for long recordings."""

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


def silence_before(samples: RawSamples, sweep: FoundSweep, excitation: Excitation) -> NDArray[np.float64]:
    """The silence just before a sweep, at most as long as that of the excitation, shape (frames, channels)."""
    rate_hz = excitation.sample_rate_hz
    last = max(1, sweep.start - round(SILENCE_GUARD_S * rate_hz))
    return to_float(samples[max(0, last - excitation.silence_before_frames) : last])


def track_sweep(samples: RawSamples, sweep: FoundSweep, excitation: Excitation) -> SweepTrack:
    """Fit the gain of each channel in each block.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels)
        The whole recording, raw or with full scale 1.
    sweep : FoundSweep
        Whole inside the recording.
    """
    edges = _block_edges(excitation)
    stretch = 1 + sweep.clock_difference
    borders = sweep.start + np.rint(edges * stretch * excitation.sample_rate_hz).astype(np.int64)
    borders = np.minimum(borders, len(samples))
    gains, rests = [], []
    for chunk in _chunks(borders):
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


def _chunks(borders: NDArray[np.int64]) -> list[slice]:
    """Groups of blocks of about CHUNK_FRAMES, as slices of ``borders`` that share their outer borders."""
    groups, first = [], 0
    for index in range(1, len(borders)):
        if borders[index] - borders[first] >= CHUNK_FRAMES or index == len(borders) - 1:
            groups.append(slice(first, index + 1))
            first = index
    return groups


def _fit_blocks(
    samples: RawSamples, borders: NDArray[np.int64], sweep: FoundSweep, excitation: Excitation
) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """Gain and mean square of the rest for neighbouring blocks, shape (blocks, channels) each."""
    first, last = int(borders[0]), int(borders[-1])
    signal = to_float(samples[first:last])
    constant_s = excitation.rate_constant_s
    frames_per_constant = excitation.sample_rate_hz * constant_s * (1 + sweep.clock_difference)
    growth = np.exp(np.arange(first - sweep.start, last - sweep.start) / frames_per_constant)
    phase = 2 * np.pi * excitation.low_hz * constant_s * growth
    basis = np.stack([np.sin(phase), np.cos(phase), np.ones(last - first)])
    offsets = borders[:-1] - first

    def sums(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.add.reduceat(values, offsets)

    normal = np.array([[sums(one * other) for other in basis] for one in basis]).transpose(2, 0, 1)
    gains, rests = [], []
    for channel in signal.T:
        right = np.array([sums(one * channel) for one in basis]).T
        fit = np.linalg.solve(normal, right[..., None])[..., 0]
        energy = sums(channel**2) - np.sum(fit * right, axis=1)
        # y = Im[(s + j c) exp(j phase)]: the sweep itself, sin, has gain 1.
        gains.append(fit[:, 0] + 1j * fit[:, 1])
        rests.append(np.maximum(energy, 0) / np.diff(borders))
    return np.array(gains).T, np.array(rests).T


def _noise_gain(
    silence: NDArray[np.float64], frequency_hz: NDArray[np.float64], frames: NDArray[np.int64], rate_hz: int
) -> NDArray[np.float64]:
    """Rms of the gain that a block of pure silence would give, shape (blocks, channels).

    The silence is cut into windows as long as the blocks (or as long as it allows) and the mean power of its
    spectrum taken at the frequency of the block: a hum line gives its own amplitude there.
    """
    result = np.empty((len(frequency_hz), silence.shape[1]))
    lengths = np.minimum(frames, len(silence))
    # Blocks of nearly one length share one spectrum.
    keys = np.round(4 * np.log2(lengths)).astype(int)
    for key in np.unique(keys):
        chosen = np.flatnonzero(keys == key)
        length = int(lengths[chosen].min())
        windows = np.lib.stride_tricks.sliding_window_view(silence, length, axis=0)[:: max(1, length // 2)]
        shape = np.hanning(length)
        spectra = np.fft.rfft(windows * shape, axis=-1) * (2 / shape.sum())
        rms = np.sqrt(np.mean(np.abs(spectra) ** 2, axis=0))
        bins = np.clip(np.rint(frequency_hz[chosen] * length / rate_hz).astype(int), 0, rms.shape[1] - 1)
        result[chosen] = rms[:, bins].T
    return result
