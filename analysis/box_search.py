"""The search for the parameters of a box: from rough to sharp, without losses that would amplify, and from other starts
where the first one has led nowhere."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from analysis.box_model import (
    ABSORPTION,
    CONE_LOSS,
    KAPPA,
    LEAK,
    LEAK_MASS,
    LEAK_PLACE,
    LN_ALPHA,
    LN_SOFT_W,
    LN_WB,
    PORT_LOSS,
    SOFT,
    USUAL_PLACE,
    BoxModel,
)
from analysis.box_priors import LEAK_MASS_PRIOR, BoxPriors
from analysis.cone_resonances import BROAD_Q
from analysis.driver_model import CREEP, FIRST_COIL
from analysis.lumped_fit import CellData, LumpedFit, covariance_at, fit_lumped, misfit_factor
from capture.arrays import FloatArray

POOR = 3.0
"""Reduced chi-square from which on other starts are tried, and a driver that has changed."""
HOPELESS = 100.0
"""Reduced chi-square from which on the box may have a gap like a second port."""
BETTER = 0.5
"""Part of the chi-square that another start or more freedom must leave at most to be taken."""
ALIKE = 4.0
"""Chi-square without a leak over that with one up to which filling can stand in for the leak: what filling leaves of
itself in lumped elements (found on layers of fibre between cone and port)."""
LEAST_SOFT_STD = 0.01
"""Of the softening beforehand: below it there is no filling to speak of."""
LOOSE, TIGHT = 0.3, 1e-3
"""Gain in chi-square at which a fit ends: while starts are compared, and at the end."""
ROUGH = 1e-3
"""Relative error of the data from which a fit finds its way."""
LOST = 100.0
"""Times the chi-square that a loss may leave when it is taken out: beyond that the fit has not found its way back."""
AS_GOOD = float(stats.chi2.isf(0.05, 2))
"""Chi-square more, for leak and place, up to which another minimum is as good."""
START_LEAK, LEAK_PLACES = 0.1, (1.0, -0.7)
"""A leak from which a fit starts, 1/QL, and its places: at the cone, and at the far end."""
LOW_BAND = 2.5
"""Frequencies up to which a gap is looked for, over the tuning."""
GAPS = tuple((leak, mass, alpha) for leak in (0.4, 1.2) for mass in (0.3, 1.5) for alpha in (0.0, 0.4))
"""Starts for a gap: 1/QL, reactance over resistance, ln alpha more than without it."""
BEST_GAPS = 3

Known = Callable[[BoxModel, FloatArray], BoxPriors]
"""What is known beforehand of a model, from the parameters from which a fit starts."""


@dataclass(frozen=True)
class Search:
    """One fit: the data, the model, and what is known beforehand.

    Attributes
    ----------
    data : CellData
    model : BoxModel
    priors : BoxPriors
    creep : bool
        Whether the driver's suspension creeps.
    known : callable
        Gives the priors of another model of the same box.
    fixed : tuple of int
        Parameters that stay where they are.
    """

    data: CellData
    model: BoxModel
    priors: BoxPriors
    creep: bool
    known: Known
    fixed: tuple[int, ...] = ()

    def knowing(self, priors: BoxPriors) -> Search:
        return replace(self, priors=priors)

    def on(self, data: CellData) -> Search:
        return replace(self, data=data)

    @property
    def losses(self) -> list[int]:
        """What may be there or not: it cannot be negative."""
        soft = self.priors.std(self.model.first_box + SOFT) or 0.0
        filling = [SOFT] if soft > LEAST_SOFT_STD else []
        return [LEAK, LEAK_MASS, *filling, self._air_loss]

    @property
    def _air_loss(self) -> int:
        """Loss of the air that only takes: in a vented box that of the port, for what cone and port share of the loss
        of the air may be less than nothing."""
        return PORT_LOSS if self.model.vented else ABSORPTION

    @property
    def without_leak(self) -> list[int]:
        return [loss for loss in self.losses if loss not in (LEAK, LEAK_MASS)]

    def _held(self, losses: list[int]) -> set[int]:
        """Parameters that stay where they are without the others of what may be there."""
        absent = {LEAK, LEAK_MASS, SOFT, self._air_loss} - set(losses)
        absent |= {LEAK_PLACE} if LEAK in absent else set()
        absent |= {LN_SOFT_W} if SOFT in absent else set()
        held = {self.model.first_box + name for name in absent} | set(self.fixed)
        return held if self.creep else held | {CREEP}

    def fit(
        self, start: FloatArray, losses: list[int], tolerance: float, iterations: int = 30, wanted: float = np.inf
    ) -> LumpedFit:
        """Fit with the losses named; the others are zero.

        The air that cone and port share is what their places say: in the impedance more of it is alike with a larger
        alpha and less mass on the cone (`analysis.box_model`), so a fit would only make up with it for what is no lump.
        """
        held, begin = self._held(losses), start.copy()
        zero = {self.model.first_box + loss for loss in (LEAK, LEAK_MASS, SOFT, self._air_loss)}
        begin[sorted(held & zero)] = 0.0
        shared = self.model.first_box + KAPPA
        if self.model.vented:
            begin[shared], held = self.priors.value(shared), held | {shared}
        free = [index for index in range(start.size) if index not in held]
        return fit_lumped(self.data, self.model, begin, self.priors.all, free, iterations, tolerance, wanted)

    def from_start(self, start: FloatArray, losses: list[int] | None = None) -> LumpedFit:
        """First as if measured roughly, then sharply."""
        there = self.losses if losses is None else losses
        near = self.on(self.data.coarse(ROUGH)).fit(start, there, LOOSE).parameters
        return self.nonnegative(near, there, LOOSE)

    def nonnegative(
        self, start: FloatArray, losses: list[int], tolerance: float, iterations: int = 30, wanted: float = np.inf
    ) -> LumpedFit:
        """Fit; as long as a loss is negative, set the most negative one (in its uncertainty) to zero and fit again.

        A leak feels at most the whole of the pressure that the cone has alone: one that asks for more is no lump.
        """
        kept, spot = list(losses), self.model.first_box + LEAK_PLACE
        before = np.inf
        while True:
            fit = self.fit(start, kept, tolerance, iterations, wanted)
            if fit.total_chi_square > LOST * before:
                fit = self.fit(self._roughly(start, kept), kept, tolerance, iterations, wanted)
            if spot in fit.moving and abs(fit.parameters[spot]) > 1:
                start = fit.parameters.copy()
                start[spot] = np.sign(start[spot])
                at_end = replace(self, fixed=(*self.fixed, spot))
                return at_end.nonnegative(start, kept, tolerance, iterations, wanted)
            places = [self.model.first_box + loss for loss in kept]
            if not kept or np.all(fit.parameters[places] >= 0):
                return fit
            relative = fit.parameters[places] / np.sqrt(np.diag(fit.covariance)[places])
            worst = kept.pop(int(np.argmin(relative)))
            if worst == LEAK and LEAK_MASS in kept:
                kept.remove(LEAK_MASS)  # without a leak there is no air in it
            start, before = fit.parameters, fit.total_chi_square

    def _roughly(self, start: FloatArray, losses: list[int]) -> FloatArray:
        """From far off back to where a sharp fit finds its way, in two steps of what counts as noise."""
        for relative in (ROUGH, ROUGH / 10):
            start = self.on(self.data.coarse(relative)).fit(start, losses, LOOSE, 60).parameters
        return start

    def covariance(self, fit: LumpedFit) -> FloatArray:
        """Covariance at the fit; what may be there is uncertain even where the best guess is none, and what passes for
        one of them is uncertain with it."""
        free = sorted(set(range(fit.parameters.size)) - self._held(self.losses))
        if free == fit.moving.tolist():
            return fit.covariance
        parameters = fit.parameters.copy()
        leak, mass = self.model.first_box + LEAK, self.model.first_box + LEAK_MASS
        found = covariance_at(self.data, self.model, parameters, self.priors.all, free)
        if leak in fit.moving:
            return found
        # Mass and place of a leak matter only as far as there is one: here one of a standard deviation, where it would
        # be seen least.
        parameters[leak], parameters[mass] = np.sqrt(found[leak, leak]), LEAK_MASS_PRIOR[0]
        tried = []
        for place in (USUAL_PLACE, *LEAK_PLACES):
            parameters[self.model.first_box + LEAK_PLACE] = place
            tried.append(covariance_at(self.data, self.model, parameters, self.priors.all, free))
        return max(tried, key=lambda covariance: float(covariance[leak, leak]))

    def rough(self, start: FloatArray) -> Found:
        """The best fit of several starts: with and without a leak; if both are poor, a driver that has changed; if all
        are hopeless, a gap."""
        tight = self.from_start(start, self.without_leak)
        coarse = self.on(self.data.coarse(ROUGH))
        # Filling is like any leak: there, more starts would only find it as one.
        places = () if SOFT in self.losses else LEAK_PLACES
        leaks = [coarse.fit(self._leaking(tight.parameters, place), self.losses, LOOSE) for place in places]
        leaks.sort(key=lambda fit: fit.total_chi_square)
        begins = [tight.parameters, *(fit.parameters for fit in leaks[:1])]
        found = [self.from_start(start), *(self.nonnegative(begin, self.losses, LOOSE) for begin in begins)]
        leaky = min(found, key=lambda fit: fit.total_chi_square)
        alike = self.model.vented and SOFT in self.losses and tight.total_chi_square < ALIKE * leaky.total_chi_square
        best = Found(self, leaky, apart=self._apart(leaky, found, [tight] if alike else []))
        if best.fit.reduced_chi_square <= POOR and not best.driver_is_off:
            return best
        freer = self.knowing(self.priors.relaxed())
        other = Found(freer, freer.from_start(start), changed=True, apart=best.apart)
        gain = _chi_square(best) - _chi_square(other)
        moved = best.driver_is_off and gain > POOR**2 * max(1.0, best.fit.reduced_chi_square)
        moved = moved and self._weakly(best).driver_is_off
        if moved or gain > (1 - BETTER) * _chi_square(best):
            best = other
        if best.fit.reduced_chi_square <= HOPELESS:
            return best
        gap = min(self._gaping(start), key=_chi_square)
        return gap if _chi_square(gap) < BETTER * _chi_square(best) else best

    def _apart(self, best: LumpedFit, found: list[LumpedFit], alike: list[LumpedFit]) -> FloatArray | None:
        """Another fit less the best: the farthest of those alike, and of other starts that ended about as good."""
        limit = best.total_chi_square + AS_GOOD * max(1.0, best.reduced_chi_square)
        near = [*alike, *(fit for fit in found if fit is not best and fit.total_chi_square < limit)]
        if not near:
            return None
        leak = self.model.first_box + LEAK
        return max((fit.parameters - best.parameters for fit in near), key=lambda apart: float(abs(apart[leak])))

    def _weakly(self, found: Found) -> Found:
        """The same where the model's own errors count as such, so that the driver does not make up for them."""
        search = self.on(self.data.weakened(misfit_factor(found.fit)))
        return replace(found, search=search, fit=search.nonnegative(found.fit.parameters, self.losses, LOOSE))

    def _leaking(self, start: FloatArray, place: float) -> FloatArray:
        """The same with a leak in the place of the losses that have stood in for it."""
        known, begin = self.priors.box, start.copy()
        for name in (LEAK_MASS, ABSORPTION, *((PORT_LOSS, CONE_LOSS) if self.model.vented else ())):
            index = self.model.first_box + name
            begin[index] = known.values[known.index.index(index)]
        begin[[self.model.first_box + name for name in (LEAK, LEAK_PLACE)]] = START_LEAK, place
        return begin

    def _gaping(self, start: FloatArray) -> Iterator[Found]:
        """The same for a box with a gap like a small port, from several starts.

        Where a gap is not foreseen, the resonances found have made up for it by broad ones: only sharp ones stay.
        """
        own = self.model.own
        sharp = np.abs(own.poles_rad_s) > BROAD_Q * 2 * np.abs(own.poles_rad_s.real)
        model = replace(self.model, small=self.model.drivers.joined(own.only(sharp)))
        whole = replace(self, model=model, priors=self.known(model, start[: model.changes.stop]).gaping(model))
        low = whole._low(start)
        tries = []
        for leak, mass, stiffer in GAPS:
            begin = start[: low.model.changes.stop].copy()
            begin[[model.first_box + name for name in (LEAK, LEAK_MASS, LEAK_PLACE)]] = leak, mass, 1.0
            begin[model.first_box + LN_ALPHA] += stiffer
            if model.vented:
                begin[model.first_box + LN_WB] -= 0.5 * stiffer
            tries.append(low.nonnegative(begin, low.losses, LOOSE))
        for one in sorted(tries, key=lambda fit: fit.total_chi_square)[:BEST_GAPS]:
            yield Found(whole, whole.from_start(np.concatenate([one.parameters, np.zeros(model.own.size)])))

    def _low(self, start: FloatArray) -> Search:
        """The same near the motional peaks alone, without what stands in the air above them."""
        model = replace(self.model, small=self.model.drivers)
        keep = self.data.frequency_hz < LOW_BAND * model.reference_rad_s / (2 * np.pi)
        data = CellData(self.data.frequency_hz[keep], self.data.impedance_ohm[keep], self.data.std_ohm[keep])
        priors = self.known(model, start[: model.changes.stop]).gaping(model)
        coil = tuple(range(FIRST_COIL, model.first_box))
        return replace(self, data=data.coarse(ROUGH), model=model, priors=priors, fixed=coil)


@dataclass(frozen=True)
class Found:
    """A fit with the search that led to it.

    Attributes
    ----------
    changed : bool
        The driver was given more freedom.
    apart : ndarray or None
        Parameters without a leak less those found, where filling makes both alike.
    """

    search: Search
    fit: LumpedFit
    changed: bool = False
    apart: FloatArray | None = None

    @property
    def driver_is_off(self) -> bool:
        """Whether resonance, Q or force of the driver in the box are farther from free air than can be."""
        prior = self.search.priors.driver
        off = self.fit.parameters[list(prior.index[:3])] - prior.values[:3]
        return bool(np.any(np.abs(off) > POOR * np.sqrt(np.diag(prior.covariance)[:3])))


def _chi_square(found: Found) -> float:
    return found.fit.total_chi_square
