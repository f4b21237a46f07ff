"""The search for what a box is: a list of candidates, one rule that chooses, one rule for what stays uncertain.

A candidate is a model with a start, with what is known beforehand, and with what it costs to believe in it. All are
fitted to the same data. Where even the best leaves more than the noise, what it leaves is the error of the model, and
counts as noise for all. Then the chi-square with the cost decides; the others count with the weight
exp(-difference/2), and how far they lie from the best is part of the covariance (averaging over models: Hoeting et al.,
Statistical Science 14(4), 382-417, 1999).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from stillbox.analysis.enclosure.box_priors import BoxPriors, waves_loss
from stillbox.analysis.lumped.box_model import (
    ABSORPTION,
    BEHIND,
    CONE_LOSS,
    KAPPA,
    LEAK,
    LEAK_MASS,
    LEAK_PLACE,
    LN_ALPHA,
    LN_BEHIND_LOSS,
    LN_BEHIND_TURN,
    LN_BEHIND_W,
    LN_SOFT_W,
    LN_WAY,
    LN_WB,
    PORT_LOSS,
    SOFT,
    WAY,
    WAY_PORT,
    WAY_SHARED,
    BoxModel,
)
from stillbox.analysis.lumped.cone_resonances import BROAD_Q
from stillbox.analysis.lumped.driver_model import CREEP
from stillbox.analysis.lumped.lumped_fit import CellData, LumpedFit, covariance_at, excess_factor, fit_lumped, misfit
from stillbox.capture.arrays import FloatArray

POOR = 3.0
"""Reduced chi-square from which on a driver that has changed, and a gap like a second port, are candidates."""
OFF = 3.0
"""Standard deviations by which a driver differs from that in free air from which on it is one."""
LEAK_COST = 2 * float(np.log(30))
"""A leak is seen to about a thirtieth of what it can be: what any fit with it gains by chance (Occam's factor)."""
WEIGHT_COST = 1.0
"""What the weight of a leak's air gains by chance: that of one number."""
CHANGED_COST = 2 * float(np.log(100 * 10**3))
"""One driver in a hundred has changed; three numbers, each seen to about a tenth of what it then can be."""
GAP_COST = CHANGED_COST
BEHIND_COST = 2 * float(np.log(30 * 3**2))
"""As that of a leak, with two numbers more, each seen to a third."""
INDEPENDENT = 1 / 16
"""Of the points, where the misfit is the model's (a third of an octave is alike)."""
START_BEHIND, START_WAY = 0.5, 0.1
STUFFED_Q = 10.0
"""Standing waves in filling are broader, walls sharper."""
MOST_BEHIND = 0.98
"""Part of the air in filling: the basket keeps some free."""
LEAST_SOFT_STD = 0.01
"""Of the softening beforehand: below it there is no filling to speak of."""
MOST_SOFT = 0.4
"""Isothermal air is softer by this part than adiabatic air."""
MOST_ALPHA = 30.0
"""A box so much stiffer than the suspension moves a driver to five times its resonance (common practice, no source)."""
LOOSE, TIGHT = 0.3, 1e-3
"""Gain in chi-square at which a fit ends: while starts are compared, and at the end."""
ROUGH = 1e-3
"""Relative error of the data from which a fit finds its way."""
THIN = 3
"""Of the cells every so many count while starts are compared: 16 an octave."""
BEYOND_BELIEF = 30.0
"""What scores so much worse than the best is followed no further."""
LEAST_WEIGHT = 1e-3
NEAR = 1.0
"""What stands in the air up to this, over the end of the band, is fitted; what is above it stays as it was found."""
START_LEAK, LEAK_PLACES = 0.1, (1.0, -0.7)
"""A leak from which a fit starts, 1/QL, and its places: at the cone, and at the far end."""
ROUGHER, FIRST_STEPS, FINALISTS = 1e-2, 8, 2
"""Starts for the same are compared on rougher data, nearer in fewer steps; after how many; and how many go on."""
GAPS = tuple((leak, mass, alpha) for leak in (0.4, 1.2) for mass in (0.3, 1.5) for alpha in (0.0, 0.4))
"""Starts for a gap: 1/QL, reactance over resistance, ln alpha more than without it."""

Known = Callable[[BoxModel, FloatArray], BoxPriors]
"""What is known beforehand of a model, from the parameters from which a fit starts."""


@dataclass(frozen=True)
class Candidate:
    """One thing that a box may be.

    Attributes
    ----------
    model : BoxModel
    priors : BoxPriors
    start : ndarray
        Parameters from which the fit starts.
    creep : bool
        Whether the driver's suspension creeps.
    tight : bool
        There is no leak.
    light : bool
        The air in the leak weighs nothing: a wick, or a porous joint.
    may_leak : bool
        Whether a leak can be told at all: in a vented box with filling what filling leaves of itself in lumped elements
        looks like one, as long as no take with the port closed has told of it.
    cost : float
        Chi-square that it must gain to be believed.
    changed : bool
        The driver has more freedom than in another take of the same.
    behind : bool
        A part of the air may stand behind filling.
    blocked : bool
        Filling may lie on the way from the cone to the port.
    """

    model: BoxModel
    priors: BoxPriors
    start: FloatArray
    creep: bool
    tight: bool = True
    light: bool = False
    may_leak: bool = True
    cost: float = 0.0
    changed: bool = False
    behind: bool = False
    blocked: bool = False

    def leaking(self, place: float) -> Candidate:
        """The same with a leak in the place of the losses that stood in for it."""
        begin = self.start.copy()
        for name in (LEAK_MASS, ABSORPTION, *((PORT_LOSS, CONE_LOSS) if self.model.vented else ())):
            begin[self.model.first_box + name] = self.priors.value(self.model.first_box + name)
        begin[[self.model.first_box + name for name in (LEAK, LEAK_PLACE)]] = START_LEAK, place
        return replace(self, start=begin, tight=False, cost=self.cost + LEAK_COST)

    def with_light_leak(self) -> Candidate:
        """The same, one number less to believe."""
        return replace(self, light=True, cost=self.cost - WEIGHT_COST)

    def stuffed(self, known: Known) -> Candidate:
        """The same with a part of its air in filling; broad resonances have made up for that: only sharp ones stay."""
        model, start = self._with_sharp(STUFFED_Q)
        priors = known(model, start).stuffed(model)
        names = (ABSORPTION, SOFT, LN_SOFT_W, LN_BEHIND_W, LN_BEHIND_LOSS, LN_BEHIND_TURN)
        for name in (*names, *((CONE_LOSS,) * model.vented)):
            start[model.first_box + name] = priors.value(model.first_box + name)
        start[model.first_box + BEHIND] = START_BEHIND
        return replace(self, model=model, priors=priors, start=start, behind=True, cost=self.cost + BEHIND_COST)

    def _with_sharp(self, q: float) -> tuple[BoxModel, FloatArray]:
        """Model and start with no broad resonances of the box."""
        own, before = self.model.own, self.start[: self.model.own_changes.start]
        sharp = np.abs(own.poles_rad_s) > q * 2 * np.abs(own.poles_rad_s.real)
        model = replace(self.model, small=self.model.drivers.joined(own.only(sharp)))
        return model, np.concatenate([before, np.zeros(model.own.size)])

    def with_blocked_way(self) -> Candidate:
        """The same with filling on the way from the cone to the port."""
        begin = self.start.copy()
        begin[self.model.first_box + WAY] = START_WAY
        return replace(self, start=begin, blocked=True, cost=self.cost + BEHIND_COST)

    def with_changed_driver(self) -> Candidate:
        return replace(self, priors=self.priors.relaxed(), cost=self.cost + CHANGED_COST, changed=True)

    def gaping(self, known: Known, stiffness: float) -> list[Candidate]:
        """The same with a gap like a small port, from several starts.

        Where a gap is not foreseen, the resonances found have made up for it by broad ones: only sharp ones stay.
        ``stiffness``: ln alpha as the best without a gap has it.
        """
        model, start = self._with_sharp(BROAD_Q)
        found = []
        for leak, mass, stiffer in GAPS:
            begin = start.copy()
            begin[[model.first_box + name for name in (LEAK, LEAK_MASS, LEAK_PLACE)]] = leak, mass, 1.0
            if model.vented:
                begin[model.first_box + LN_WB] -= 0.5 * stiffer
                begin[model.first_box + LN_ALPHA] += stiffer
            else:
                begin[model.first_box + LN_ALPHA] = stiffness + stiffer
            priors = known(model, start).gaping(model)
            found.append(replace(self, model=model, priors=priors, start=begin, tight=False, cost=GAP_COST))
        return found

    @property
    def filled(self) -> bool:
        """Whether filling may make the air softer."""
        return (self.priors.std(self.model.first_box + SOFT) or 0.0) > LEAST_SOFT_STD

    def _free(self, highest_hz: float) -> set[int]:
        """What data up to a frequency can tell."""
        small = np.abs(self.model.small.poles_rad_s) < 2 * np.pi * NEAR * highest_hz
        there = self.model.changes.start + np.flatnonzero(np.repeat(small, 4))
        free = set(range(self.model.changes.start)) | set(there.tolist())
        absent = set() if self.filled else {self.model.first_box + name for name in (SOFT, LN_SOFT_W)}
        if not self.behind:
            absent |= {self.model.first_box + name for name in (BEHIND, LN_BEHIND_W, LN_BEHIND_LOSS, LN_BEHIND_TURN)}
        if not self.blocked and self.model.vented:
            absent |= {self.model.first_box + name for name in (WAY, LN_WAY, WAY_SHARED, WAY_PORT)}
        return free - absent - (set() if self.creep else {CREEP})

    @cached_property
    def _limits(self) -> tuple[FloatArray, FloatArray]:
        """No loss drives, a leak feels at most the whole of the pressure that the cone has alone; no box is smaller."""
        least, most = np.full(self.start.size, -np.inf), np.full(self.start.size, np.inf)
        first = self.model.first_box
        losses = (LEAK, LEAK_MASS, SOFT, BEHIND, *((PORT_LOSS, WAY) if self.model.vented else ()))
        least[[first + name for name in losses]] = 0.0
        if not self.model.vented:  # what is counted with the standing waves already
            least[first + ABSORPTION] = 0.0 if self.behind else -waves_loss(self.model, self.start)
        least[first + LEAK_PLACE], most[first + LEAK_PLACE] = -1.0, 1.0
        most[first + SOFT] = MOST_SOFT
        most[first + BEHIND] = MOST_BEHIND
        most[first + LN_ALPHA] = max(float(np.log(MOST_ALPHA)), self.start[first + LN_ALPHA])
        return least, most

    def fit(self, data: CellData, tolerance: float, iterations: int = 30) -> Fitted:
        """Fit to data.

        The air that cone and port share is what their places say: in the impedance more of it is alike with a larger
        alpha and less mass on the cone (`analysis.lumped.box_model`), so a fit would only make up with it for what is
        no lump. So it is with what they share of the filling on the way.
        """
        free, begin, first = self._free(data.frequency_hz[-1]), self.start.copy(), self.model.first_box
        if not self.filled:
            begin[first + SOFT] = 0.0
        if self.tight:
            free -= {first + name for name in (LEAK, LEAK_MASS, LEAK_PLACE)}
            begin[first + LEAK] = 0.0
        if self.light:
            free -= {first + LEAK_MASS}
            begin[first + LEAK_MASS] = 0.0
        if self.model.vented:
            held = [first + name for name in (KAPPA, WAY_SHARED)]
            begin[held] = [self.priors.value(index) for index in held]
            free -= set(held)
        fit = fit_lumped(
            data, self.model, begin, self.priors.all, sorted(free), iterations, tolerance, self._limits, bending=True
        )
        return Fitted(self, fit)


@dataclass(frozen=True)
class Fitted:
    """A candidate with its fit."""

    candidate: Candidate
    fit: LumpedFit

    @property
    def again(self) -> Candidate:
        """The candidate with a start where this fit has ended."""
        return replace(self.candidate, start=self.fit.parameters)

    @property
    def driver_is_off(self) -> bool:
        """Whether resonance, Q or force of the driver in the box are farther from free air than can be."""
        prior = self.candidate.priors.driver
        off = self.fit.parameters[list(prior.index[:3])] - prior.values[:3]
        return bool(np.any(np.abs(off) > OFF * np.sqrt(np.diag(prior.covariance)[:3])))

    @property
    def covariance(self) -> FloatArray:
        """Of all that may be there, also where the best guess is none."""
        data, of = self.fit.data, self.candidate
        held = {}
        if of.blocked:
            shared = of.model.first_box + WAY_SHARED
            held[shared] = of.priors.std(shared) or 0.0
        free = sorted(of._free(data.frequency_hz[-1]) - set(held))
        return covariance_at(data, of.model, self.fit.parameters, of.priors.all, free, held)


@dataclass(frozen=True)
class Outcome:
    """What the box is.

    Attributes
    ----------
    best : Fitted
        The candidate that is believed.
    covariance : ndarray
        Of its parameters, the other candidates included.
    reduced_chi_square : float
        What the best leaves, in units of the noise.
    """

    best: Fitted
    covariance: FloatArray
    reduced_chi_square: float


def search(data: CellData, plain: Candidate, known: Known, told: bool = False) -> Outcome:
    """Fit and choose.

    Parameters
    ----------
    data : CellData
    plain : Candidate
        A tight box around the driver as it was.
    known : callable
        Gives the priors of another model of the same box.
    told : bool
        A person has told of filling: that air is in it costs no belief, and there is no box without.
    """
    coarse = data.coarse(ROUGH).every(THIN)

    def roughly(candidates: Iterable[Candidate]) -> list[Fitted]:
        return [one.fit(coarse, LOOSE) for one in candidates]

    found = roughly([plain])
    if plain.filled:
        stuffed = roughly([found[0].again.stuffed(known)])
        found = stuffed if told else [*found, *stuffed]
    # From a leak that starts at different places a fit ends in different minima.
    places = LEAK_PLACES if plain.may_leak else ()
    leaks = _distinct(roughly(one.again.leaking(place) for one in found for place in places))
    found += leaks
    if not plain.filled:  # else the late heat of filling passes for the weight
        found += roughly(one.again.with_light_leak() for one in leaks)
    found = _weighed(data, found)
    left = _reduced(_least(found), data)
    if left > POOR or _least(found).driver_is_off:  # a gap is as rare as a driver that has changed
        found += roughly(one.again.with_changed_driver() for one in (found[0], _least(found)))
        if plain.may_leak or not told:  # filling on the way to the port looks like a gap, too
            believed = found[int(np.argmin(_scores(found)))]
            stiffness = float(believed.fit.parameters[believed.candidate.model.first_box + LN_ALPHA])
            found.append(_raced(coarse, plain.gaping(known, stiffness)))
    for tolerance in (LOOSE, TIGHT):
        found = [one for one, score in zip(found, _scores(found), strict=True) if score < BEYOND_BELIEF]
        found = _weighed(data, found, tolerance)
    scores = _scores(found)
    best = found[int(np.argmin(scores))]
    return Outcome(best, _covariance(best, found, scores), _reduced(best, data))


def _raced(data: CellData, candidates: Sequence[Candidate]) -> Fitted:
    """The best of the same thing from several starts: all go a few steps, the nearest go on."""
    first = (one.fit(data.coarse(ROUGHER), LOOSE, FIRST_STEPS) for one in candidates)
    ahead = sorted(first, key=lambda one: one.fit.total_chi_square)[:FINALISTS]
    return _least([one.again.fit(data, LOOSE) for one in ahead])


def _scores(found: Sequence[Fitted]) -> FloatArray:
    """Minus twice the logarithm of the likelihood with the cost, less the least; the least is believed.

    How large the model's error is, is known from what it leaves alone: a difference in chi-square counts whole up to
    the number of independent points and as its logarithm beyond (Student's likelihood).
    """
    excess = np.array([one.fit.total_chi_square for one in found]) - _least(found).fit.total_chi_square
    independent = INDEPENDENT * found[0].fit.rest.size
    scores = independent * np.log1p(excess / independent) + np.array([one.candidate.cost for one in found])
    return np.asarray(scores - scores.min())


def _weighed(data: CellData, found: list[Fitted], tolerance: float = LOOSE) -> list[Fitted]:
    """The same with what the best of all leaves as the error of the model."""
    best = _least(found)
    weak = data.weakened(excess_factor(misfit(data, best.candidate.model, best.fit.parameters)))
    return [one.again.fit(weak, tolerance) for one in found]


def _reduced(found: Fitted, data: CellData) -> float:
    left = misfit(data, found.candidate.model, found.fit.parameters)
    return float(left @ left) / max(1, left.size - found.fit.moving.size)


def _distinct(found: Sequence[Fitted]) -> list[Fitted]:
    """One of each minimum."""
    kept: list[Fitted] = []
    for one in sorted(found, key=lambda fitted: fitted.fit.total_chi_square):
        if not kept or one.fit.total_chi_square > kept[-1].fit.total_chi_square + LOOSE:
            kept.append(one)
    return kept


def _least(fitted: Sequence[Fitted]) -> Fitted:
    return min(fitted, key=lambda one: one.fit.total_chi_square)


def _covariance(best: Fitted, found: Sequence[Fitted], scores: FloatArray) -> FloatArray:
    """Covariance of the mixture around the best; what stands in the air is another in another model."""
    size, shared = best.fit.parameters.size, best.candidate.model.changes.start
    total, weights = np.zeros((size, size)), 0.0
    for one, weight in zip(found, np.exp(-0.5 * scores), strict=True):
        if weight > LEAST_WEIGHT:
            there = slice(None if one.candidate.model is best.candidate.model else shared)
            apart = one.fit.parameters[there] - best.fit.parameters[there]
            spread = best.covariance.copy()
            spread[there, there] = one.covariance[there, there] + np.outer(apart, apart)
            if there.stop is not None:
                spread[shared:, :shared], spread[:shared, shared:] = 0.0, 0.0
            total += weight * spread
            weights += weight
    return total / weights
