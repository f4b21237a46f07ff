"""From a decay to what the time cursor reads in its panel. No Qt here."""

from __future__ import annotations

import numpy as np

from stillbox.analysis.drawing.panels import DecaySurface
from stillbox.analysis.drawing.picture_decay import HEADROOM_DB, LAYER_HEIGHT, RANGE_DB, layers_of, slice_axis
from stillbox.analysis.waterfall.decay import CumulativeDecay
from stillbox.capture.arrays import FloatArray


def surface_of(decay: CumulativeDecay, ridges: bool, name: str = "") -> DecaySurface:
    """Levels over time and frequency, with the ordinates that ``analysis.drawing.picture_decay`` gives to times."""
    starts, label = slice_axis(decay)
    unit = "cycles" if label.endswith("cycles") else "ms"
    level_db = np.asarray(decay.level_db, dtype=float)
    told = np.where(decay.meaningful, level_db, np.nan)
    later = np.flatnonzero(starts >= 0)
    if not ridges:
        return DecaySurface(name, decay.frequency_hz, starts[later], told[later], unit, float, float)
    rows = layers_of(starts)
    times = starts[rows[1:]]
    feet = -1.0 - np.arange(times.size)

    def height_of(time: float) -> float:
        return float(np.interp(time, times, feet))

    def time_of(height: float) -> float:
        return float(np.interp(-height, -feet, times))

    def slice_heights(time: float) -> FloatArray:
        row = later[int(np.argmin(np.abs(starts[later] - time)))]
        rise = LAYER_HEIGHT * np.clip(level_db[row] + RANGE_DB, 0.0, RANGE_DB + HEADROOM_DB) / RANGE_DB
        return height_of(time) + np.where(decay.meaningful[row], rise, 0.0)

    return DecaySurface(name, decay.frequency_hz, starts[later], told[later], unit, height_of, time_of, slice_heights)
