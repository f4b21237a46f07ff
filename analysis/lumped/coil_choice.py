"""Which model of the coil, and whether creep of the suspension: the data choose.

A coil of sections that follows any coil is fitted together with the cone first. What is left when its cone is taken
away is the coil alone: all models are tried on that, which costs little, and the best ones are fitted together with the
cone once more. The one with the lowest information criterion is kept: Schwarz's with the chi-square divided by the
misfit of the best candidate (quasi-likelihood; Schwarz, Ann. Stat. 6, 461-464, 1978; Burnham and Anderson, Model
Selection, 2002, 2.5 [M]), so that a model is not preferred for following what none can follow.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from stillbox.analysis.impedance.findings import Resonance, ResonanceFit, pairs_ohm
from stillbox.analysis.lumped.coil_models import CHAIN, COIL_MODELS, FREE, CoilModel, Followed
from stillbox.analysis.lumped.cone_resonances import ConeResonances, cone_resonances
from stillbox.analysis.lumped.driver_model import CONE, ConeNumbers, FreeAirModel, FreeAirNumbers, cone_of
from stillbox.analysis.lumped.lumped_fit import CellData, LumpedFit, fit_lumped
from stillbox.analysis.lumped.lumped_steps import JointPrior, Prior
from stillbox.analysis.lumped.parameters import Layout, Parameter, usual
from stillbox.analysis.maths.stopping import checked
from stillbox.capture.arrays import ComplexArray, FloatArray

START_CREEP = 0.03
CREEP_EVIDENCE = 10.0
"""Criterion by which creep must be better to be believed (very strong evidence: Kass, Raftery, JASA 90, 1995 [M])."""
PLAIN_CREEP = 8.0
"""Creep of so many standard deviations is there: no fit without it is needed to know."""
ROUGH = 1e-3
"""Relative error of the data while a fit finds its way, and of the coil before the cone is known."""
COIL_ALONE = 1e-4
"""Relative error of the coil when the cone has been taken away."""
COIL_CELLS = 80
"""About so many cells show the coil."""
POOR = 3.0
"""Reduced chi-square from which on another start is tried."""
HOPELESS = 30.0
"""Reduced chi-square from which on weaker broad resonances are tried."""
CHANGE_STD = 1.0
"""The small resonances were found to about their own size and width."""
USUAL_AIR: FreeAirNumbers[float] = usual(FreeAirNumbers)
AIR_STD: FreeAirNumbers[float] = FreeAirNumbers(air_part=0.05, ln_air_s=0.5)
"""Free air beforehand: cones of 80 to 300 mm (0.29 of the radius over the speed of sound [M])."""
FINALISTS = 3
"""Coil models that are compared in the end."""
MISTAKEN = 10.0
"""Misfit to which the coil alone may be mistaken, as its cone was found beside a coil that can be anything."""
ENOUGH = 2.0
"""Misfit of sections on the coil alone below which no more of them are tried."""
WITHIN_REACH = 100.0
"""Criterion behind the best on the coil alone from which on a model is not fitted together with the cone."""
FIRST_STEPS = 8
"""Of the first fit: then what is left goes too slowly to be worth more."""
LEAST_RE = 0.5
"""Of a start: DC resistance over that found first."""
ON_THE_WAY, LOOSE, TIGHT = 3.0, 0.03, 1e-3
"""Gain in chi-square at which a fit ends: before the models, while they are compared, and at the end."""


@dataclass(frozen=True)
class Trial:
    """A coil, with creep or without, and its fit."""

    coil: CoilModel
    creep: bool
    fit: LumpedFit


@dataclass(frozen=True)
class Choice:
    """What was tried, best first, with criteria relative to the best; the small resonances that all have."""

    tried: tuple[Trial, ...]
    criteria: tuple[float, ...]
    small: ConeResonances

    @property
    def misfit(self) -> float:
        return self.tried[0].fit.reduced_chi_square


def choose(data: CellData, motional: Resonance, resonances: ResonanceFit) -> Choice:
    """Compare the models; where none follows the data, once more from weaker broad resonances."""
    small = cone_resonances(resonances)
    choice = _compare(data, motional, resonances, small)
    if choice.misfit > HOPELESS and small.size:
        other = _compare(data, motional, resonances, small.weaker(motional))
        choice = min(choice, other, key=lambda one: one.misfit)
    return choice


def _compare(data: CellData, motional: Resonance, resonances: ResonanceFit, small: ConeResonances) -> Choice:
    """Fit the cone with a coil of which nothing is known, then models that follow what that shows of the coil."""
    first = _first(data, motional, resonances, small)
    tried = [_whole(data, first, small, coil, alone) for coil, alone in _finalists(data, first, small)]
    if min(one.fit.reduced_chi_square for one in tried) > POOR:
        tried.append(_whole(data, first, small, CHAIN, CHAIN.follow(*_coil_left(data, first, small))))
    tried += _without_creep(data, small, _ranked(tried)[0])
    tried = [one for one in tried if not one.creep or one.fit.value("creep") > 0] or tried
    criteria = sorted(_criteria(tried))
    return Choice(tuple(_ranked(tried)), tuple(value - criteria[0] for value in criteria), small)


def _first(data: CellData, motional: Resonance, resonances: ResonanceFit, small: ConeResonances) -> Trial:
    """Cone with a coil of which nothing is known."""
    s, coil_ohm = _coil_curve(data, motional, resonances)
    cone = _cone_start(motional, small, resonances)
    start = np.concatenate([cone, FREE.start(s, coil_ohm), np.zeros(small.size), USUAL_AIR])
    way = fit_free_air(data.coarse(ROUGH), small, FREE, start, True, ON_THE_WAY)
    return Trial(FREE, True, fit_free_air(data, small, FREE, way.parameters, True, ON_THE_WAY, FIRST_STEPS))


def _coil_left(data: CellData, first: Trial, small: ConeResonances) -> tuple[ComplexArray, ComplexArray, FloatArray]:
    """s, the coil with its DC resistance as the first fit leaves it, and its standard deviation."""
    every = slice(None, None, max(1, data.frequency_hz.size // COIL_CELLS))
    s, x = data.s_rad_s[every], first.fit.parameters
    model = FreeAirModel(first.coil, small)
    fitted = np.exp(cone_of(x).ln_re) + first.coil.evaluate(s, x[model.layout.blocks["coil"]])[0]
    left = fitted + data.impedance_ohm[every] - model(s, x)[0]
    return s, left, np.hypot(data.std_ohm[every], COIL_ALONE * np.abs(left))


def _finalists(data: CellData, first: Trial, small: ConeResonances) -> list[tuple[CoilModel, Followed]]:
    """The models that follow the coil alone best; those far behind stay behind with the cone."""
    s, left, std = _coil_left(data, first, small)
    alone: list[tuple[CoilModel, Followed]] = []
    for coil in COIL_MODELS:
        checked()
        if coil.corners_at_a_time == 1:
            alone.append((coil, coil.follow(s, left, std)))
        # More sections than follow the coil already are none.
        elif alone[-1][1].chi_square > ENOUGH * 2 * s.size:
            alone.append((coil, coil.follow(s, left, std, alone[-1][1].corners)))
    least = max(MISTAKEN, min(followed.chi_square for _, followed in alone) / (2 * s.size))
    criteria = [one.chi_square / least + coil.size * float(np.log(2 * s.size)) for coil, one in alone]
    best = sorted(range(len(alone)), key=criteria.__getitem__)[:FINALISTS]
    return [alone[index] for index in best if criteria[index] < criteria[best[0]] + WITHIN_REACH]


def _whole(data: CellData, first: Trial, small: ConeResonances, coil: CoilModel, alone: Followed) -> Trial:
    """A coil that was fitted alone, fitted together with the cone."""
    whole, of_coil = first.fit.parameters, first.fit.layout.blocks["coil"]
    cone = cone_of(whole)
    cone = cone._replace(ln_re=float(np.log(max(alone.resistance_ohm, LEAST_RE * np.exp(cone.ln_re)))))
    start = np.concatenate([cone, alone.parameters, whole[of_coil.stop :]])
    return Trial(coil, True, fit_free_air(data, small, coil, start, True, LOOSE))


def _without_creep(data: CellData, small: ConeResonances, best: Trial) -> list[Trial]:
    """The best model without creep, where that may do."""
    fit = best.fit
    if fit.value("creep") > PLAIN_CREEP * fit.std("creep") * np.sqrt(max(1.0, fit.reduced_chi_square)):
        return []
    start = fit.layout.changed(fit.parameters, creep=0.0)
    return [Trial(best.coil, False, fit_free_air(data, small, best.coil, start, False, LOOSE))]


def _coil_curve(data: CellData, motional: Resonance, resonances: ResonanceFit) -> tuple[ComplexArray, ComplexArray]:
    """s and coil with DC resistance at some forty cells above the motional peak."""
    inside = np.flatnonzero(data.frequency_hz > 2 * motional.frequency_hz)
    inside = inside[:: max(1, inside.size // 40)]
    frequency_hz = data.frequency_hz[inside]
    pairs = (*resonances.motional, *resonances.resonances)
    return data.s_rad_s[inside], data.impedance_ohm[inside] - pairs_ohm(pairs, frequency_hz)


def _cone_start(motional: Resonance, small: ConeResonances, resonances: ResonanceFit) -> ConeNumbers[float]:
    """Numbers of the cone and DC resistance such that the motional peak is where it was found."""
    low_hz = np.array([0.3, 1.0]) * motional.frequency_hz
    least = float(np.min(np.abs(resonances.impedance_ohm(np.geomspace(1.5, 8.0, 40) * motional.frequency_hz))))
    resistance = float(np.clip(np.min(resonances.coil_ohm(low_hz).real), 0.2 * least, least))
    omega = abs(motional.pole_rad_s)
    load = small.load(np.array([1j * omega]), np.zeros(small.size))[0]
    mass = max(0.1, 1 + load.imag / omega)
    loss = max(0.2 * mass * omega / motional.q, mass * omega / motional.q - load.real)
    ws = omega * np.sqrt(mass)
    return ConeNumbers(
        ln_re=float(np.log(resistance)),
        ln_ws=float(np.log(ws)),
        ln_qms=float(np.log(ws / loss)),
        ln_scale=float(np.log(small.scale_ohm_rad_s)),
        creep=START_CREEP,
    )


def fit_free_air(
    data: CellData,
    small: ConeResonances,
    coil: CoilModel,
    start: FloatArray,
    creep: bool,
    tolerance: float,
    steps: int = 30,
) -> LumpedFit:
    """Fit cone, coil, small resonances and free air from ``start``."""
    model = FreeAirModel(coil, small)
    held = set() if creep else {"creep"}
    if coil is FREE:  # it could stand in for the air as well
        held |= {*FreeAirNumbers._fields}
    linear, qms = _LinearInLoss(model), CONE.ln_qms
    free = [name for name in linear.layout.names if name not in held]
    begin = start.copy()
    begin[qms] = np.exp(-start[qms])
    known = (*coil_prior(coil), _free_air_prior(model))
    fit = fit_lumped(data, linear, begin, known, free, steps, tolerance, bending=True)
    parameters, jacobian = fit.parameters.copy(), fit.jacobian.copy()
    parameters[qms] = -np.log(fit.parameters[qms])
    jacobian[:, fit.moving == qms] *= -fit.parameters[qms]
    return replace(fit, layout=model.layout, parameters=parameters, jacobian=jacobian)


@dataclass(frozen=True)
class _LinearInLoss:
    """The same with 1/Qms in the place of ln Qms: the loss of the small resonances is added to it or taken from it."""

    model: FreeAirModel

    @cached_property
    def layout(self) -> Layout:
        return self.model.layout.with_other("ln_qms", Parameter("loss", "1/Qms", least=0.0))

    def __call__(self, s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, Callable[[], ComplexArray]]:
        loss = x[CONE.ln_qms]
        if loss <= 0:
            return np.full(s.shape, np.inf + 0j), lambda: np.zeros((s.size, x.size), dtype=complex)
        inner = x.copy()
        inner[CONE.ln_qms] = -np.log(loss)
        z, slopes_of_model = self.model(s, inner)

        def slopes() -> ComplexArray:
            found = slopes_of_model()
            found[:, CONE.ln_qms] /= -loss
            return found

        return z, slopes


def coil_prior(coil: CoilModel) -> tuple[JointPrior, ...]:
    """What is known of the coil beforehand: that a chain is smooth."""
    if coil.smoothness is None:
        return ()
    rows = coil.smoothness
    names = tuple(one.name for one in coil.parameters)
    return (JointPrior(names, np.zeros(len(rows)), np.eye(len(rows)), rows),)


def _free_air_prior(model: FreeAirModel) -> JointPrior:
    """What is known of the small resonances and of the free air beforehand."""
    changes = [Prior(one.name, 0.0, CHANGE_STD) for one in model.small.parameters]
    air = [Prior(*one) for one in zip(FreeAirNumbers._fields, USUAL_AIR, AIR_STD, strict=True)]
    return JointPrior.of([*changes, *air])


def _criteria(tried: Sequence[Trial]) -> list[float]:
    """chi^2 over the least misfit, plus ln(number of data) for every parameter."""
    least = max(1.0, min(one.fit.reduced_chi_square for one in tried))
    return [
        one.fit.total_chi_square / least
        + (len(ConeNumbers._fields) - (not one.creep) + one.coil.size) * float(np.log(one.fit.rest.size))
        + one.creep * CREEP_EVIDENCE
        for one in tried
    ]


def _ranked(tried: Sequence[Trial]) -> list[Trial]:
    order = np.argsort(_criteria(tried), kind="stable")
    return [tried[index] for index in order]
