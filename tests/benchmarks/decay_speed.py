"""Decay of 200 slices by 4,096 frequency points against the bare batch of FFTs of the same size, side by side.

Run: python tests/benchmarks/decay_speed.py
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import scipy.fft

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from analysis.decay import WORKERS, cumulative_spectral_decay

SLICES = 200
POINTS = 4_096
SAMPLE_RATE_HZ = 16_000.0
BAR = 2.5
ROUNDS = 25


def seconds_of(work: Callable[[], object]) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def main() -> None:
    length = 2 * (POINTS - 1)
    rng = np.random.default_rng(1)
    response = rng.standard_normal(length) * np.exp(-np.arange(length) / 900.0)
    batch = rng.standard_normal((SLICES, length))
    single = batch.astype(np.float32)
    contestants: dict[str, Callable[[], object]] = {
        "decay": lambda: cumulative_spectral_decay(response, SAMPLE_RATE_HZ, slices=SLICES, fft_length=length),
        "bare rfft, double, 1 worker": lambda: scipy.fft.rfft(batch, axis=1),
        f"bare rfft, double, {WORKERS} workers": lambda: scipy.fft.rfft(batch, axis=1, workers=WORKERS),
        f"bare rfft, single, {WORKERS} workers": lambda: scipy.fft.rfft(single, axis=1, workers=WORKERS),
    }
    times: dict[str, list[float]] = {name: [] for name in contestants}
    for _ in range(ROUNDS):
        for name, work in contestants.items():
            times[name].append(seconds_of(work))
    median = {name: statistics.median(values) for name, values in times.items()}
    decay_s = median.pop("decay")
    shape = cumulative_spectral_decay(response, SAMPLE_RATE_HZ, slices=SLICES, fft_length=length).magnitude.shape
    print(f"decay of {shape[0]} slices x {shape[1]} points: {decay_s * 1e3:.2f} ms (median of {ROUNDS})")
    print("| against | ms | measured ratio | bar |")
    print("|---|---|---|---|")
    for name, bare_s in median.items():
        print(f"| {name} | {bare_s * 1e3:.2f} | {decay_s / bare_s:.2f} | {BAR} |")


if __name__ == "__main__":
    main()
