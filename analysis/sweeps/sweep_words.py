"""What is said of the sweeps of a take: which were disturbed and where, what drifted, what one sweep cannot know."""

from __future__ import annotations

import numpy as np

from stillbox.analysis.maths.number_words import frequency_words, short_number
from stillbox.analysis.sweeps.sweep_scatter import CombinedSweeps
from stillbox.capture.arrays import FloatArray

_DISTURBED = 9.0
"""A sweep counts as disturbed where its noise is so many times that of the silences, in power."""
_AS_MUCH_AS_OTHERS = 0.1
_LEAST_OCTAVES = 1 / 12
_RINGS_NEAR = 2.0
"""A jump makes the cone ring for a moment, at frequencies that were just swept or are next: within so many times."""
_LEAST_DRIFT = 5e-4
"""Relative difference between sweeps that is worth a word."""

ONE_SWEEP = (
    "one sweep cannot tell whether gain, level, contact or the coil's warmth changed while it ran, nor all of what a "
    "sound did to it: such errors are not in the uncertainty; record several (the usual take has three)"
)


def said_of_sweeps(frequency_hz: FloatArray, combined: CombinedSweeps) -> tuple[str, ...]:
    """Warnings in sentences."""
    if len(combined.excess) < 2:
        return (*_loud_alone(frequency_hz, combined.excess[0]), ONE_SWEEP)
    return (*_disturbed(frequency_hz, combined), *_drifted(combined))


def _loud_alone(frequency_hz: FloatArray, excess: FloatArray) -> tuple[str, ...]:
    """Where a sweep that stands alone shows more noise than the silence."""
    places = frequency_hz[excess > _DISTURBED]
    if not places.size:
        return ()
    return (
        f"noise during the sweep was up to {short_number(np.sqrt(excess.max()))} times that of the silence, between "
        f"{frequency_words(places[0])} and {frequency_words(places[-1])}: the uncertainty takes it in; was there a "
        "sound?",
    )


def _disturbed(frequency_hz: FloatArray, combined: CombinedSweeps) -> tuple[str, ...]:
    sweeps = len(combined.excess)
    width = np.log2((frequency_hz + frequency_hz[1] - frequency_hz[0]) / frequency_hz)
    said = []
    worst_of_all = combined.excess.max(axis=0)
    for number, excess in enumerate(combined.excess, start=1):
        high = (excess > _DISTURBED) & (excess > _AS_MUCH_AS_OTHERS * worst_of_all)
        if np.sum(width[high]) < _LEAST_OCTAVES:
            continue
        places = frequency_hz[high]
        worst = np.sqrt(excess[high].max())
        own = [jump.at_hz for jump in combined.drift.jumps if jump.sweep == number - 1]
        jumped = any(at_hz / _RINGS_NEAR < places[0] and places[-1] < _RINGS_NEAR * at_hz for at_hz in own)
        why = "the cone rang on from the jump then" if jumped else "was there a sound?"
        said.append(
            f"sweep {number} of {sweeps} was disturbed between {frequency_words(places[0])} and "
            f"{frequency_words(places[-1])} (up to {short_number(worst)} times the noise of the silence): it counts "
            f"for less there; {why}"
        )
    return tuple(said)


def _drifted(combined: CombinedSweeps) -> tuple[str, ...]:
    remedy = {"gain": "look at plugs and automatic gain", "resistance": "look at clips and plugs"}
    of_what = {"gain": "", "resistance": " of the reference resistor's"}
    said = [
        f"the {jump.kind} jumped in sweep {jump.sweep + 1}, while it was at {frequency_words(jump.at_hz)}, by "
        f"{short_number(100 * abs(jump.size))} %{of_what[jump.kind]}: the step is taken out, its size stays in the "
        f"uncertainty; {remedy[jump.kind]}"
        for jump in combined.drift.jumps
    ]
    jumped = {jump.kind for jump in combined.drift.jumps}
    gain, resistance = combined.drift.spread
    if gain > _LEAST_DRIFT and "gain" not in jumped:
        said.append(f"the sweeps differ by {short_number(100 * gain)} % in gain; the uncertainty takes it in")
    if resistance > _LEAST_DRIFT and "resistance" not in jumped:
        said.append(
            f"a resistance of {short_number(100 * resistance)} % of the reference resistor's comes and goes between "
            "the sweeps: contacts, or the coil warms; the impedance is the mean"
        )
    return tuple(said)
