"""Decay: the slope of known resonators, and 200 slices by 4,096 points beside the bare batch of FFTs of that size."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np
import scipy.fft
from table import Row, at_most

from stillbox.analysis.waterfall.decay import WORKERS, cumulative_spectral_decay, decay_at_frequencies

SLICES = 200
POINTS = 4_096
DEPTH_DB = 50.0


def rows(quick: bool = False) -> list[Row]:
    """Deviation from 27.29 f0/Q dB/s, and the ratio of times in the same run."""
    return [*_slope_rows(), *_speed_rows(15 if quick else 41)]


def _slope_rows() -> list[Row]:
    worst = {"by FFT": 0.0, "at chosen frequencies": 0.0}
    cases = [(hz, q, phase) for hz in (40.0, 173.0, 1_000.0, 5_000.0) for q in (3.0, 10.0, 60.0) for phase in (0, 1)]
    for frequency_hz, q, phase in cases:
        for name, deviation_db in zip(worst, _deviations_db(frequency_hz, q, phase), strict=True):
            worst[name] = max(worst[name], deviation_db)
    return [
        at_most(f"decay of {len(cases)} resonators to -50 dB, off 27.29 f0/Q, {name}", value, 0.2, "{:.3f} dB")
        for name, value in worst.items()
    ]


def _deviations_db(frequency_hz: float, q: float, phase: float) -> tuple[float, float]:
    """Largest distance from the straight line, by FFT and summed directly, for a damped sine in closed form."""
    fall = 27.2875 * frequency_hz / q  # dB per second; 20 lg(e) pi, project check values, section 6
    rate_hz = 16 * frequency_hz
    time_s = np.arange(round(rate_hz * (2.4 * DEPTH_DB / fall + 4 / frequency_hz))) / rate_hz
    damped = 2 * np.pi * frequency_hz * np.sqrt(1 - 1 / (4 * q * q))
    response = np.exp(-np.pi * frequency_hz / q * time_s) * np.cos(damped * time_s + phase)
    by_fft = cumulative_spectral_decay(
        response, rate_hz, slices=SLICES, duration_s=DEPTH_DB / fall, rise_s=1 / frequency_hz
    )
    column = int(np.argmin(np.abs(by_fft.frequency_hz - frequency_hz)))
    direct = decay_at_frequencies(
        response, rate_hz, np.array([frequency_hz]), slice_times_s=by_fft.time_s, rise_cycles=1.0
    )
    line_db = -fall * by_fft.time_s
    levels_db = by_fft.level_db[:, column], direct.level_db[:, 0]
    first, second = (float(np.max(np.abs(level - level[0] - line_db))) for level in levels_db)
    return first, second


def _speed_rows(rounds: int) -> list[Row]:
    length = 2 * (POINTS - 1)
    draw = np.random.default_rng(1)
    response = draw.standard_normal(length) * np.exp(-np.arange(length) / 900.0)
    batch = draw.standard_normal((SLICES, length))
    single = batch.astype(np.float32)
    contestants: dict[str, Callable[[], object]] = {
        "decay": lambda: cumulative_spectral_decay(response, 16_000.0, slices=SLICES, fft_length=length),
        "double precision, 1 worker": lambda: scipy.fft.rfft(batch, axis=1),
        f"double precision, {WORKERS} workers": lambda: scipy.fft.rfft(batch, axis=1, workers=WORKERS),
        f"single precision, {WORKERS} workers": lambda: scipy.fft.rfft(single, axis=1, workers=WORKERS),
    }
    times: dict[str, list[float]] = {name: [] for name in contestants}
    for _ in range(rounds):
        for name, work in contestants.items():
            begin = time.perf_counter()
            work()
            times[name].append(time.perf_counter() - begin)
    median = {name: statistics.median(values) for name, values in times.items()}
    decay_s = median.pop("decay")
    what = f"decay of {SLICES} slices x {POINTS} points over the bare FFTs"
    return [
        at_most(f"{what}, {name}", decay_s / bare_s, 2.5, "{:.2f}", f"{1e3 * decay_s:.1f} to {1e3 * bare_s:.1f} ms")
        for name, bare_s in median.items()
    ]
