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

from stillbox.analysis.enclosure.box_model import BoxModel
from stillbox.analysis.enclosure.box_numbers import MOST_ALPHA
from stillbox.analysis.enclosure.box_priors import BoxPriors, waves_loss
from stillbox.analysis.lumped.cone_resonances import BROAD_Q, OF_A_PAIR
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
LEAST_SOFT_STD = 0.01
"""Of the softening beforehand: below it there is no filling to speak of."""
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

LEAK = ("leak", "leak_mass", "leak_place")
SOFTNESS = ("soft", "ln_soft_w")
BEHIND = ("behind", "ln_behind_w", "ln_behind_loss", "ln_behind_turn")
WAY = ("way", "ln_way", "way_shared", "way_port")
"""Numbers of what a box may have or not."""
SHARED = ("kappa", "way_shared")
"""What places say better than an impedance does."""

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
        stand_ins = ("leak_mass", "absorption", *(("port_loss", "cone_loss") if self.model.vented else ()))
        start = self._as_known(self.start, stand_ins, leak=START_LEAK, leak_place=place)
        return replace(self, start=start, tight=False, cost=self.cost + LEAK_COST)

    def with_light_leak(self) -> Candidate:
        """The same, one number less to believe."""
        return replace(self, light=True, cost=self.cost - WEIGHT_COST)

    def stuffed(self, known: Known) -> Candidate:
        """The same with a part of its air in filling; broad resonances have made up for that: only sharp ones stay."""
        model, start = self._with_sharp(STUFFED_Q)
        stuffed = replace(self, model=model, priors=known(model, start).stuffed())
        names = ("absorption", *SOFTNESS, *BEHIND[1:], *(("cone_loss",) if model.vented else ()))
        begin = stuffed._as_known(start, names, behind=START_BEHIND)
        return replace(stuffed, start=begin, behind=True, cost=self.cost + BEHIND_COST)

    def _as_known(self, start: FloatArray, names: Iterable[str], **other: float) -> FloatArray:
        """Some parameters as they are held for beforehand, and ``other`` ones."""
        return self.model.layout.changed(start, **{name: self.priors.value(name) for name in names}, **other)

    def _with_sharp(self, q: float) -> tuple[BoxModel, FloatArray]:
        """Model and start with no broad resonances of the box."""
        own, before = self.model.own, self.start[: self.model.own_changes.start]
        sharp = np.abs(own.poles_rad_s) > q * 2 * np.abs(own.poles_rad_s.real)
        model = replace(self.model, small=self.model.drivers.joined(own.only(sharp)))
        return model, np.concatenate([before, np.zeros(model.own.size)])

    def with_blocked_way(self) -> Candidate:
        """The same with filling on the way from the cone to the port."""
        begin = self.model.layout.changed(self.start, way=START_WAY)
        return replace(self, start=begin, blocked=True, cost=self.cost + BEHIND_COST)

    def with_changed_driver(self) -> Candidate:
        return replace(self, priors=self.priors.relaxed(), cost=self.cost + CHANGED_COST, changed=True)

    def gaping(self, known: Known, stiffness: float) -> list[Candidate]:
        """The same with a gap like a small port, from several starts.

        Where a gap is not foreseen, the resonances found have made up for it by broad ones: only sharp ones stay.
        ``stiffness``: ln alpha as the best without a gap has it.
        """
        model, start = self._with_sharp(BROAD_Q)
        box, found = model.read(start), []
        for leak, mass, stiffer in GAPS:
            begin = model.layout.changed(start, leak=leak, leak_mass=mass, leak_place=1.0)
            if box.port is None:
                begin = model.layout.changed(begin, ln_alpha=stiffness + stiffer)
            else:
                ln_wb, ln_alpha = box.port.ln_wb - 0.5 * stiffer, box.load.ln_alpha + stiffer
                begin = model.layout.changed(begin, ln_wb=ln_wb, ln_alpha=ln_alpha)
            priors = known(model, start).gaping()
            found.append(replace(self, model=model, priors=priors, start=begin, tight=False, cost=GAP_COST))
        return found

    @property
    def filled(self) -> bool:
        """Whether filling may make the air softer."""
        return (self.priors.std("soft") or 0.0) > LEAST_SOFT_STD

    def free(self, highest_hz: float) -> set[str]:
        """What data up to a frequency can tell."""
        layout, near = self.model.layout, np.abs(self.model.small.poles_rad_s) < 2 * np.pi * NEAR * highest_hz
        changes = np.array(layout.names[layout.blocks["changes"]])
        absent = {*changes[~np.repeat(near, OF_A_PAIR)].tolist()}
        absent |= {*(() if self.filled else SOFTNESS), *(() if self.behind else BEHIND)}
        absent |= {*(() if self.blocked else WAY), *(() if self.creep else ("creep",))}
        return set(layout.names) - absent

    @cached_property
    def _limits(self) -> tuple[FloatArray, FloatArray]:
        """As declared, but: a closed box counts what loss its standing waves have; no box is smaller than its start."""
        start = self.model.read(self.start)
        other = {"ln_alpha": (-np.inf, max(float(np.log(MOST_ALPHA)), start.load.ln_alpha))}
        if start.port is None:
            other["absorption"] = (0.0 if self.behind else -waves_loss(self.model, self.start), np.inf)
        return self.model.layout.limits(**other)

    def fit(self, data: CellData, tolerance: float, iterations: int = 30) -> Fitted:
        """Fit to data.

        The air that cone and port share is what their places say: in the impedance more of it is alike with a larger
        alpha and less mass on the cone (`analysis.enclosure.box_model`), so a fit would only make up with it for what
        is no lump. So it is with what they share of the filling on the way.
        """
        free, absent = self.free(data.frequency_hz[-1]), {}
        if not self.filled:
            absent["soft"] = 0.0
        if self.tight:
            free -= {*LEAK}
            absent["leak"] = 0.0
        if self.light:
            free -= {"leak_mass"}
            absent["leak_mass"] = 0.0
        held = SHARED if self.model.vented else ()
        begin = self._as_known(self.start, held, **absent)
        fit = fit_lumped(
            data,
            self.model,
            begin,
            self.priors.all,
            free - {*held},
            iterations,
            tolerance,
            self._limits,
            bending=True,
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
        prior, names = self.candidate.priors.driver, ("ln_ws", "ln_qms", "ln_scale")
        known = [prior.names.index(name) for name in names]
        off = self.fit.parameters[self.fit.layout.indices(names)] - prior.values[known]
        return bool(np.any(np.abs(off) > OFF * np.sqrt(np.diag(prior.covariance)[known])))

    @property
    def covariance(self) -> FloatArray:
        """Of all that may be there, also where the best guess is none."""
        data, of = self.fit.data, self.candidate
        held = {"way_shared": of.priors.std("way_shared") or 0.0} if of.blocked else {}
        free = of.free(data.frequency_hz[-1]) - {*held}
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
            found.append(_raced(coarse, plain.gaping(known, believed.fit.value("ln_alpha"))))
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
    size, shared = best.fit.parameters.size, best.fit.layout.blocks["changes"].start
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
