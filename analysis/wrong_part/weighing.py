"""All single faults weighed against each other and against a network as planned.

Each hypothesis is fitted with everything else free within what is known of it. That goes from coarse to fine: with a
model error of a tenth, few points and many starts nothing is caught in a hollow; who is far behind falls out; at the
end each starts once more from where the best of all has come. What counts is the probability of the curve with all that
a hypothesis may be, so that one that fits because it can fit anything does not win, and what was likely before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stillbox.analysis.wrong_part.capacitor_makes import most_usual_ohm, of_other_makes, settled
from stillbox.analysis.wrong_part.hypotheses import odds_before, possible_faults
from stillbox.analysis.wrong_part.many_speakers import Model, Speakers
from stillbox.analysis.wrong_part.result import Fault
from stillbox.analysis.wrong_part.search import FARTHEST, Found, joined, looked_at, stepped
from stillbox.capture.arrays import FloatArray

STARTS = {"value": (-1.6, -0.9, -0.4, -0.15, 0.15, 0.4, 0.9, 1.6), "loss": (-1.0, 0.3, 1.4)}
"""Logarithm of the value over the planned one; of the loss over what a faulty one usually is."""
RESONANCE_STARTS = (-1.2, 0.0, 1.2)
"""Of the resonance of a driver of which only its kind is known, standard deviations."""
THINNED = 2
"""At the start each second point is enough."""
SCREEN = ((0.1, 3, 2), (0.1, 4, 1), (0.03, 5, 1))
"""Error of the model, steps, and how many starts of each hypothesis go on."""
RACE = ((0.03, 4, 28), (0.012, 5, 20), (0.005, 6, 14), (0.0, 6, 10))
"""The same with all points, and how many hypotheses go on."""
SMALL = {"value": (1.25, 1 / 1.25), "loss": (0.5,)}
"""Factor on the value, beyond the tolerance; ohm of loss: with these it is tried again at the end."""
FIRST, LAST = 5, (4, 5)
"""Steps then, and at the end of each round."""
FLIPPED = 3
"""So many in front are tried with other makes of capacitors."""
FAR = 30.0
"""Nats behind the best of them: not followed."""
ALIKE_OCTAVES = 0.5
"""Over which what the model cannot follow is alike."""
MOST_ERROR = 0.03
"""Of the impedance: where the best of all is farther off than that, nothing explains the curve."""


@dataclass(frozen=True)
class Weighed:
    """What is likely, in no order.

    Attributes
    ----------
    faults : tuple of Fault or None
        Those that were followed to the end; None is the network as planned, which always is.
    found : Found
        A speaker for each.
    probability : ndarray
        Of each, together 1.
    evidence, before : ndarray
        Logarithms of the probability of the curve with each, and of each beforehand.
    explained : bool
        Whether the best of them is near enough to the curve.
    """

    faults: tuple[Fault | None, ...]
    found: Found
    probability: FloatArray
    evidence: FloatArray
    before: FloatArray
    explained: bool


def weigh(model: Model) -> Weighed:
    """Every single fault of a network against its curve.

    Where even the best is farther off than the model should be, neighbouring points are off alike: then the curve tells
    less than it has points, all is weighed again by that, and what is told of each part is as much less sure.
    """
    every = tuple(possible_faults(model.network))
    faults = (None, *every)
    screened = _screened(model, faults)
    field = _finished(model, faults, _raced(model, faults, *screened))
    excess = float(np.min(field.found.reduced))
    if excess > 1:
        model = model.counting(points_for_one(model.curve.frequency_hz, excess))
        field = _finished(model, faults, _raced(model, faults, *screened))
    odds = odds_before(every)
    before = np.log([odds.of(faults[number]) for number in field.of])
    told = field.told + before
    probability = np.exp(told - told.max())
    return Weighed(
        faults=tuple(faults[number] for number in field.of),
        found=field.found,
        probability=probability / probability.sum(),
        evidence=field.told,
        before=before,
        explained=max(1.0, excess) * model.error**2 < MOST_ERROR**2,
    )


def points_for_one(frequency_hz: FloatArray, excess: float) -> float:
    """How many points of a curve count for one, from what is left over what was expected, squared.

    What was expected no two points share; what is left beyond that is alike over half an octave.
    """
    per_octave = (frequency_hz.size - 1) / np.log2(frequency_hz[-1] / frequency_hz[0])
    return float(1 + (excess - 1) * max(1.0, per_octave * ALIKE_OCTAVES))


def weighed_without_parts(model: Model) -> Weighed:
    """Of a network that is wires alone: as planned, for there is nothing else that it may be."""
    found = stepped(model, looked_at(model, model.speakers([None])), LAST[-1])
    return Weighed((None,), found, np.ones(1), np.zeros(1), np.zeros(1), explained=True)


def _starts(fault: Fault | None) -> Sequence[float]:
    return (0.0,) if fault is None else STARTS.get(fault.kind, (0.0,))


def _screened(model: Model, faults: tuple[Fault | None, ...]) -> tuple[NDArray[np.intp], Speakers]:
    """For each hypothesis its best start, a few steps on: its number, and the speaker."""
    numbers = [number for number, fault in enumerate(faults) for _ in _starts(fault)]
    starts = np.array([start for fault in faults for start in _starts(fault)])
    speakers = model.speakers([faults[number] for number in numbers])
    speakers = speakers.at(np.where(np.isinf(speakers.std), starts[:, None], 0.0))
    for place in model.guessed_resonances():
        moved = [speakers.theta.copy() for _ in RESONANCE_STARTS]
        for theta, start in zip(moved, RESONANCE_STARTS, strict=True):
            theta[:, place] = start
        repeated = speakers.some(np.tile(np.arange(len(numbers)), len(moved)))
        speakers, numbers = repeated.at(np.concatenate(moved)), numbers * len(moved)
    of = np.array(numbers)
    thin = model.thinned(THINNED)
    for error, steps, most in SCREEN:
        found = stepped(thin, looked_at(thin, speakers, error), steps, error)
        kept = _best_of_each(of, found.cost, most)
        of, speakers = of[kept], found.speakers.some(kept)
    return of, speakers


def _raced(model: Model, faults: tuple[Fault | None, ...], of: NDArray[np.intp], speakers: Speakers) -> _Field:
    """Those that stay in front, and the network as planned."""
    for error, steps, most in RACE:
        found = stepped(model, looked_at(model, settled(model, speakers), error), steps, error)
        kept = of == 0
        kept[np.argsort(found.cost)[:most]] = True
        of, found = of[kept], found.some(kept)
        speakers = found.speakers
    return _Field(of, found).real(model, faults)


@dataclass(frozen=True)
class _Field:
    """Hypotheses under way: number of each row, and where it is."""

    of: NDArray[np.intp]
    found: Found

    def some(self, which: NDArray[np.bool_] | NDArray[np.intp]) -> _Field:
        return _Field(self.of[which], self.found.some(which))

    def and_more(self, other: _Field) -> _Field:
        return _Field(np.concatenate([self.of, other.of]), joined(self.found, other.found))

    def real(self, model: Model, faults: tuple[Fault | None, ...]) -> _Field:
        """Without those that have come to no fault at all: they are the network as planned."""
        rows = enumerate(self.of)
        return self.some(np.array([_is_fault(model, faults[number], self.found.speakers, row) for row, number in rows]))

    @property
    def told(self) -> FloatArray:
        """Logarithm of the evidence of each."""
        return self.found.log_evidence(2 * FARTHEST)


def _finished(model: Model, faults: tuple[Fault | None, ...], field: _Field) -> _Field:
    """Each hypothesis where it is likeliest.

    What one has found, others are told: each goes on from where it is and from where the likeliest of all is. Small
    faults have hidden within tolerances as long as the error of the model was large: every value and every loss is
    tried again as a small one. And what capacitors are of is tried the other way round in those in front.
    """
    field = field.and_more(_small(model, faults, field))
    for steps in LAST:
        order = np.argsort(-field.told)
        best = int(order[0])
        more = field.some(np.zeros(0, dtype=int))
        for row in dict.fromkeys([best, int(np.flatnonzero(field.of == 0)[0])]):
            again = settled(model, model.like(field.found.speakers, field.found.speakers, row))
            more = more.and_more(_Field(field.of, looked_at(model, again)))
        for row in dict.fromkeys([*order[:FLIPPED].tolist(), *np.flatnonzero(field.of == 0).tolist()]):
            others = of_other_makes(model, field.found.speakers, row)
            more = more.and_more(_Field(np.full(len(others.theta), field.of[row]), looked_at(model, others)))
        more = _in_front(_Field(more.of, stepped(model, more.found, FIRST)))
        field = field.and_more(more)
        field = field.some(_best_of_each(field.of, -field.told, 2))
        field = _Field(field.of, stepped(model, field.found, steps))
        field = _in_front(field.some(_best_of_each(field.of, -field.told, 1)).real(model, faults))
    return field


def _small(model: Model, faults: tuple[Fault | None, ...], field: _Field) -> _Field:
    """Small faults of value and loss, with all else as in the likeliest."""
    rows = [
        (number, model.start_of(fault, size))
        for number, fault in enumerate(faults)
        if fault is not None
        for size in SMALL.get(fault.kind, ())
    ]
    numbers, starts = np.array([number for number, _ in rows]), np.array([start for _, start in rows])
    speakers = model.speakers([faults[number] for number in numbers])
    speakers = speakers.at(np.where(np.isinf(speakers.std), starts[:, None], 0.0))
    speakers = settled(model, model.like(speakers, field.found.speakers, int(np.argmax(field.told))))
    return _in_front(_Field(numbers, stepped(model, looked_at(model, speakers), FIRST)))


def _in_front(field: _Field) -> _Field:
    """Those that may still win, and the network as planned."""
    told = field.told
    return field.some((told > told.max() - FAR) | (field.of == 0))


def _best_of_each(of: NDArray[np.intp], cost: FloatArray, most: int) -> NDArray[np.intp]:
    """Rows with the least cost of each hypothesis."""
    order = np.lexsort((cost, of))
    rank = np.arange(of.size) - np.searchsorted(of[order], of[order])
    return order[rank < most]


def _is_fault(model: Model, fault: Fault | None, speakers: Speakers, row: int) -> bool:
    """Whether what a hypothesis has come to is a fault at all: no value within tolerance, no usual loss."""
    if fault is None or fault.kind not in ("value", "loss"):
        return True
    place = model.number_of(fault)
    number = float(speakers.middle[row, place] * np.exp(speakers.theta[row, place]))
    part = model.network.part(fault.part)
    tolerance = model.tolerance_percent[part.name]
    if fault.kind == "value":
        return abs(number / part.value - 1) > tolerance / 100
    return number > most_usual_ohm(model, speakers, row, part.name)
