"""A finished speaker over the level: harmonics of its current, and the inductance of the coil that tells most there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.crossover.known_crossover import KnownCrossover, known_crossover
from stillbox.analysis.levels.level_series import CoilBehind, LevelSeries, level_series
from stillbox.analysis.levels.level_words import Into
from stillbox.analysis.network.nodal import circuit_at
from stillbox.analysis.network.sensitivity import input_impedance_sensitivity
from stillbox.analysis.part.part_controls import LOUDEST
from stillbox.capture.recording.take import TakeInfo

LOOKED_AT_HZ = (80.0, 800.0)
"""Where the impedance is least here, a given voltage drives the most current through the coil before the woofer."""
MOST_OF_IT = 0.5
"""Of the current at the terminals: a coil that gets less is not told by it."""


@dataclass(frozen=True)
class SpeakerLevels:
    """A series of takes of the finished speaker, and what its current is driven into."""

    series: LevelSeries
    into: Into


def speaker_levels(bench: Bench, take: TakeInfo, loudest_volts: float | None = None) -> SpeakerLevels | None:
    """Of all takes of the finished speaker in the same state and unit, computed once; None where they are of one level.

    Parameters
    ----------
    loudest_volts : float, optional
        Output at full scale, V rms, for takes that do not tell.
    """
    LOUDEST.checked(loudest_volts)
    takes = _same(bench, take)
    if take.of or len(takes) < 2:
        return None
    return bench.kept("speaker levels", (*takes, loudest_volts), lambda: _levels(bench, takes, loudest_volts))


def _levels(bench: Bench, takes: list[TakeInfo], loudest_volts: float | None) -> SpeakerLevels | None:
    known = known_crossover(bench, takes[-1])
    assert known.measured_ohm is not None
    size = np.abs(known.measured_ohm)
    inside = (known.frequency_hz >= LOOKED_AT_HZ[0]) & (known.frequency_hz <= LOOKED_AT_HZ[1]) & np.isfinite(size)
    if not inside.any():
        return None
    at_hz = float(known.frequency_hz[inside][np.argmin(size[inside])])
    series = level_series(bench, takes, at_hz, loudest_volts, _coil(known, at_hz))
    if series is None or len(series.levels) < 2:
        return None
    ohm = abs(series.levels[0].impedance_ohm)
    return SpeakerLevels(series, Into(ohm, f"the speaker's own at {at_hz:.0f} Hz"))


def _same(bench: Bench, take: TakeInfo) -> list[TakeInfo]:
    def of(one: TakeInfo) -> tuple[object, ...]:
        return one.state, one.of, one.jig, one.port_closed, one.excitation.sample_rate_hz

    return [one for one in bench.takes_of("in-box", take.unit) if of(one) == of(take)]


def _coil(known: KnownCrossover, at_hz: float) -> CoilBehind | None:
    """The coil by which the impedance at the terminals moves most for a change of its own."""
    network = known.parts.network
    drivers = {name: np.interp([at_hz], known.frequency_hz, ohm) for name, ohm in known.drivers_ohm.items()}
    slopes = input_impedance_sensitivity(circuit_at(network, np.array([at_hz]), drivers)).by_value
    omega = 2 * np.pi * at_hz
    coils = [
        CoilBehind(part.name, part.value, complex(slopes[part.name][0]))
        for part in network.parts
        if part.kind == "coil"
    ]
    # The slope over omega is the square of the coil's part of the current.
    told = [coil for coil in coils if abs(coil.slope) > MOST_OF_IT**2 * omega]
    return max(told, key=lambda coil: abs(coil.slope) * coil.planned_h, default=None)
