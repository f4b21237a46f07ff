"""A coil over the levels at which it was swept, and which of its takes counts: the quietest where its core bends."""

from __future__ import annotations

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.levels.level_reading import smoothed
from stillbox.analysis.levels.level_series import LevelSeries, level_series
from stillbox.analysis.part.part_controls import USUAL_HZ
from stillbox.capture.recording.take import TakeInfo

COIL_HZ = (40.0, 1000.0)
"""A coil's reactance is positive all over this band, whatever its core does; a driver's is not."""


def coil_levels(
    bench: Bench, take: TakeInfo, at_hz: float = USUAL_HZ, loudest_volts: float | None = None
) -> LevelSeries | None:
    """All takes of what this one is of; None where it is no coil.

    Parameters
    ----------
    loudest_volts : float, optional
        Output at full scale, V rms, for takes that do not tell.
    """
    spectrum = bench.at_clips(take)
    low_hz, high_hz = max(COIL_HZ[0], 1.5 * spectrum.frequency_hz[0]), min(COIL_HZ[1], spectrum.frequency_hz[-1] / 1.5)
    if low_hz >= high_hz or np.any(smoothed(spectrum, np.geomspace(low_hz, high_hz, 13))[0].imag <= 0):
        return None
    return level_series(bench, _same(bench, take), at_hz, loudest_volts)


def that_counts(take: TakeInfo, series: LevelSeries | None) -> TakeInfo:
    """The take that tells a part: iron changes with the level, and what stands on a coil is for the smallest."""
    return take if series is None or series.core != "iron" else series.levels[0].take


def counted_take(bench: Bench, take: TakeInfo) -> TakeInfo:
    """The same for the newest take of a part, computed once."""
    if len(_same(bench, take)) < 2:
        return take
    return bench.kept("take of a part that counts", take, lambda: that_counts(take, coil_levels(bench, take)))


def _same(bench: Bench, take: TakeInfo) -> list[TakeInfo]:
    def of(one: TakeInfo) -> tuple[object, ...]:
        return one.of, one.state, one.jig, one.excitation.sample_rate_hz

    return [one for one in bench.takes_of("part", take.unit) if of(one) == of(take)]
