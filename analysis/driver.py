"""Driver parameters from a free-air take, with uncertainties; the coil's model is chosen by the data.

All coil models are fitted to the complex impedance together with the cone; the one with the lowest information
criterion is kept, then the suspension's creep is tried. The criterion is Schwarz's with the chi-square divided by
the misfit of the best candidate (quasi-likelihood; Schwarz, Ann. Stat. 6, 461-464, 1978; Burnham and Anderson, Model
Selection, 2002, 2.5 [M]), so that a model is not preferred for following what none can follow.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analysis.coil_models import CHAIN, COIL_MODELS, CoilModel
from analysis.cone_resonances import ConeResonances, cone_resonances
from analysis.driver_model import (
    CREEP,
    FIRST_COIL,
    LN_RE,
    LN_SCALE,
    ConeAtResonance,
    FreeAirModel,
    cone_at_resonance,
    mechanical,
)
from analysis.findings import Resonance, ResonanceFit
from analysis.impedance import ImpedanceSpectrum
from analysis.lumped_fit import (
    CellData,
    LumpedFit,
    Prior,
    cell_data,
    common_covariance,
    fit_lumped,
    misfit_factor,
    pairs_ohm,
)
from analysis.quantity import Quantity, derived
from analysis.uncertainty import rectangular_std
from capture.arrays import ComplexArray, FloatArray
from capture.errors import StillboxError

DEFAULT_METER_PERCENT = 1.0
"""Tolerance of a multimeter's reading when none is given (common practice, no source)."""

START_CREEP = 0.05
CREEP_EVIDENCE = 10.0
"""Criterion by which creep must be better to be believed (very strong evidence: Kass, Raftery, JASA 90, 1995 [M])."""
ROUGH = 1e-3
"""Relative error of the data while all coil models are tried."""
POOR = 3.0
"""Reduced chi-square from which on another start is tried."""
HOPELESS = 30.0
"""Reduced chi-square of the best two from which on no further published model is tried."""
FAR_BEHIND = 40.0
"""Criterion behind the best from which on creep is not tried with a model."""
CHAIN_INFLATION = 3.0
"""Factor on the standard deviations with a chain: its fixed corners follow a coil of other corners only nearly (found
on ladders that end within the band)."""
CHANGE_STD = 1.0
"""The small resonances were found to about their own size and width."""
CHAIN_RE_STD = 0.003
"""Relative, of Re: what a chain and the resistance of the coil can pass to each other (found on coils of ladders, where
Re was off by up to 0.63 %)."""
FINALISTS = 4
"""Coil models that are compared in the end."""
CREEP_STEPS = 90
"""Of a fit with creep: the model without it may have gone far astray."""
LOOSE, TIGHT = 0.03, 1e-3
"""Gain in chi-square at which a fit ends: while models are compared, and at the end."""

CHAIN_WARNING = (
    "the coil is of no published kind, so the sweep tells its DC resistance to about half a percent only, and Qes and "
    "level with it: measure Re with a multimeter, leads subtracted, and write it as re_ohm under [driver] in build.toml"
)


_Trial = tuple[CoilModel, bool, LumpedFit]


@dataclass(frozen=True)
class MeterReading:
    """DC resistance of the coil read from a multimeter, leads subtracted; StillboxError where it cannot be one."""

    resistance_ohm: float
    tolerance_percent: float | None = None

    def __post_init__(self) -> None:
        ohm, percent = self.resistance_ohm, self.tolerance_percent
        if not 0.05 <= ohm <= 1_000:
            raise StillboxError(f"DC resistance by multimeter {ohm:g} ohm must be 0.05 to 1000 ohm; correct it")
        if percent is not None and not 0 <= percent <= 50:
            raise StillboxError(f"tolerance of the multimeter {percent:g} % must be 0 to 50 %; correct it")


@dataclass(frozen=True)
class Candidate:
    """One model tried: its criterion relative to the best (0), and how well it follows the data."""

    coil: str
    creep: bool
    criterion: float
    reduced_chi_square: float


@dataclass(frozen=True)
class DriverFit:
    """A driver in free air.

    Attributes
    ----------
    coil : CoilModel
    creep : bool
        Whether the data ask for creep of the suspension.
    parameters, covariance : ndarray
        Of `analysis.driver_model` (ln Re, ln ws, ln Qms, ln scale, lambda, coil), then the changes of ``small``;
        covariance from noise. In the ohms of the sweep, as other takes of the same jig have them.
    reported, reported_covariance : ndarray
        The same with the uncertainty of the ohm scale, and with the multimeter's reading weighed in: what the
        quantities are made from.
    scale_std : float
        Relative standard uncertainty of the ohm scale.
    candidates : tuple of Candidate
        The models compared in the end, best first.
    reduced_chi_square : float
        Misfit of the chosen model in units of the noise.
    small : ConeResonances
        Small resonances fitted as nuisance.
    """

    coil: CoilModel
    creep: bool
    parameters: FloatArray
    covariance: FloatArray
    reported: FloatArray
    reported_covariance: FloatArray
    candidates: tuple[Candidate, ...]
    scale_std: float
    reduced_chi_square: float
    small: ConeResonances
    band_hz: tuple[float, float]
    warnings: tuple[str, ...] = ()

    @property
    def lumped(self) -> FloatArray:
        """Parameters without the changes of the small resonances."""
        return self.parameters[: FIRST_COIL + self.coil.size]

    @property
    def changes(self) -> FloatArray:
        """Of the small resonances."""
        return self.parameters[FIRST_COIL + self.coil.size :]

    def impedance_ohm(self, frequency_hz: FloatArray) -> ComplexArray:
        """The whole fitted model, shape of ``frequency_hz``."""
        s = 2j * np.pi * np.asarray(frequency_hz)
        cone = mechanical(s, self.lumped)[0] + self.small.load(s, self.changes)
        return self.coil_ohm(frequency_hz) + np.exp(self.parameters[LN_SCALE]) / cone

    def coil_ohm(self, frequency_hz: FloatArray) -> ComplexArray:
        """Coil with its DC resistance, shape of ``frequency_hz``."""
        s = 2j * np.pi * np.asarray(frequency_hz)
        return np.exp(self.parameters[LN_RE]) + self.coil.evaluate(s, self.lumped[FIRST_COIL:])[0]

    def cone(self, parameters: FloatArray) -> ConeAtResonance:
        """The cone at its resonance for parameters like `parameters`."""
        border = FIRST_COIL + self.coil.size
        return cone_at_resonance(parameters[:border], self.small, parameters[border:])

    def _of(self, function: Callable[[FloatArray], float], unit: str = "") -> Quantity:
        return derived(function, self.reported, self.reported_covariance, unit)

    @cached_property
    def re_ohm(self) -> Quantity:
        return self._of(lambda x: float(np.exp(x[LN_RE])), "ohm")

    @cached_property
    def fs_hz(self) -> Quantity:
        return self._of(lambda x: self.cone(x).omega_rad_s / (2 * np.pi), "Hz")

    @cached_property
    def qms(self) -> Quantity:
        return self._of(lambda x: self.cone(x).q_mechanical)

    @cached_property
    def qes(self) -> Quantity:
        """2 pi fs Mms Re / Bl^2 (Small 1972)."""
        return self._of(self._electrical_q)

    @cached_property
    def qts(self) -> Quantity:
        return self._of(lambda x: 1 / (1 / self.cone(x).q_mechanical + 1 / self._electrical_q(x)))

    def _electrical_q(self, x: FloatArray) -> float:
        cone = self.cone(x)
        return float(cone.omega_rad_s * cone.mass_ratio * np.exp(x[LN_RE] - x[LN_SCALE]))

    @cached_property
    def creep_factor(self) -> Quantity | None:
        """lambda of Knudsen and Jensen; None if the data do not ask for it."""
        return self._of(lambda x: float(x[CREEP])) if self.creep else None

    @cached_property
    def inductance_1khz_h(self) -> Quantity:
        """Reactance of the coil at 1 kHz over the angular frequency."""
        s = np.array([2j * np.pi * 1_000.0])
        coil = slice(FIRST_COIL, FIRST_COIL + self.coil.size)
        return self._of(lambda x: float(self.coil.evaluate(s, x[coil])[0].imag[0] / s[0].imag), "H")


def fit_driver(spectrum: ImpedanceSpectrum, resonances: ResonanceFit, meter: MeterReading | None = None) -> DriverFit:
    """Fit the lumped driver to a free-air take.

    Parameters
    ----------
    spectrum : ImpedanceSpectrum
    resonances : ResonanceFit
        Of the same spectrum: gives the start and the small resonances that must not disturb the fit.
    meter : MeterReading, optional
        DC resistance by multimeter, weighed against the sweep's by their uncertainties.

    Raises
    ------
    StillboxError
        If there is no motional peak, or the meter's value is out of range.
    """
    if not resonances.motional:
        raise StillboxError(
            "no motional peak shows in the free-air take; check that the driver hangs free on the clips, "
            "and that the sweep starts below its resonance"
        )
    motional = max(resonances.motional, key=lambda r: r.height_ohm)
    data = cell_data(spectrum, resonances)
    choice = _choose(data, motional, resonances)
    coil, creep, fit = choice.tried[0]
    small, candidates = choice.small, _candidates(choice.tried)
    factor = misfit_factor(fit)
    data = data.weakened(factor) if np.any(factor > 1) else data
    fit = _fit(data, small, coil, fit.parameters, creep, TIGHT)
    covariance = fit.covariance * (CHAIN_INFLATION**2 if coil is CHAIN else 1.0) + common_covariance(fit, spectrum)
    if coil is CHAIN:
        covariance[LN_RE, LN_RE] += CHAIN_RE_STD**2
    reported = fit.parameters
    reported_covariance = covariance + spectrum.scale_std**2 * scale_covariance(coil, reported.size)
    warnings = list(resonances.warnings)
    if meter is not None:
        reported, reported_covariance, sentence = _weigh_meter(reported, reported_covariance, meter)
        warnings += sentence
    elif coil is CHAIN:
        warnings.append(CHAIN_WARNING)
    warnings += _free_air_warnings(resonances, motional)
    return DriverFit(
        coil=coil,
        creep=creep,
        parameters=fit.parameters,
        covariance=covariance,
        reported=reported,
        reported_covariance=reported_covariance,
        scale_std=spectrum.scale_std,
        candidates=candidates,
        reduced_chi_square=candidates[0].reduced_chi_square,
        small=small,
        band_hz=(float(data.frequency_hz[0]), float(data.frequency_hz[-1])),
        warnings=tuple(dict.fromkeys(warnings)),
    )


def _motional_ohm(fit: ResonanceFit, frequency_hz: FloatArray) -> ComplexArray:
    pairs = (*fit.motional, *fit.resonances)
    return pairs_ohm(pairs, frequency_hz)


@dataclass(frozen=True)
class _Choice:
    tried: list[_Trial]
    small: ConeResonances

    @property
    def misfit(self) -> float:
        return self.tried[0][2].reduced_chi_square


def _choose(data: CellData, motional: Resonance, resonances: ResonanceFit) -> _Choice:
    """Compare the models; where none follows the data, once more from weaker broad resonances."""
    small = cone_resonances(resonances)
    choice = _compare(data, motional, resonances, small)
    if choice.misfit > HOPELESS and small.size:
        other = _compare(data, motional, resonances, small.weaker(motional))
        choice = min(choice, other, key=lambda c: c.misfit)
    return choice


def _compare(data: CellData, motional: Resonance, resonances: ResonanceFit, small: ConeResonances) -> _Choice:
    """Fit every coil model roughly and the best ones sharply, creep and at need a chain included; best first."""
    cone = _cone_start(motional, small, resonances)
    s, coil_ohm = _coil_curve(data, motional, resonances)
    rough: list[_Trial] = []
    for coil in COIL_MODELS:
        start = np.concatenate([cone, coil.start(s, coil_ohm), np.zeros(small.size)])
        rough.append((coil, False, _fit(data.coarse(ROUGH), small, coil, start, creep=False)))
    tried: list[_Trial] = []
    near = _ranked(rough)[:FINALISTS]
    for coil, _, fit in near:
        if len(tried) == 2 and _misfit(tried) > HOPELESS:
            break
        tried.append((coil, False, _fit(data, small, coil, fit.parameters, creep=False)))
    # Creep can be all that keeps a model from following the data: it comes before a coil that nobody has published.
    # Where all are hopeless without it, their order means little.
    tried += _creeping(data, small, near if _misfit(tried) > HOPELESS else _within_reach(tried))
    if _misfit(tried) > POOR:
        start = np.concatenate([cone, CHAIN.start(s, coil_ohm), np.zeros(small.size)])
        rough_chain = _fit(data.coarse(ROUGH), small, CHAIN, start, creep=False)
        chain: list[_Trial] = [(CHAIN, False, _fit(data, small, CHAIN, rough_chain.parameters, creep=False))]
        tried += [*chain, *_creeping(data, small, chain)]
    return _Choice(_ranked(tried), small)


def _within_reach(tried: Sequence[_Trial]) -> list[_Trial]:
    """The best model, and the next if it is not far behind."""
    ranked, criteria = _ranked(tried), sorted(_criteria(tried))
    return [one for one, value in list(zip(ranked, criteria, strict=True))[:2] if value - criteria[0] <= FAR_BEHIND]


def _creeping(data: CellData, small: ConeResonances, plain: Sequence[_Trial]) -> list[_Trial]:
    """Models once more with creep, those in which it comes out positive."""
    tried: list[_Trial] = []
    for coil, _, fit in plain:
        start = fit.parameters.copy()
        start[CREEP] = START_CREEP
        creeping = _fit(data, small, coil, start, creep=True, iterations=CREEP_STEPS)
        if creeping.parameters[CREEP] > 0:
            tried.append((coil, True, creeping))
    return tried


def _misfit(tried: Sequence[_Trial]) -> float:
    return min(fit.reduced_chi_square for _, _, fit in tried)


def _candidates(tried: Sequence[_Trial]) -> tuple[Candidate, ...]:
    """The models that were fitted sharply, with their criterion relative to the best."""
    criteria = _criteria(tried)
    return tuple(
        Candidate(coil.name, creep, value - criteria[0], fit.reduced_chi_square)
        for (coil, creep, fit), value in zip(tried, criteria, strict=True)
    )


def _coil_curve(data: CellData, motional: Resonance, resonances: ResonanceFit) -> tuple[ComplexArray, ComplexArray]:
    """s and coil with DC resistance at some forty cells above the motional peak."""
    inside = np.flatnonzero(data.frequency_hz > 2 * motional.frequency_hz)
    inside = inside[:: max(1, inside.size // 40)]
    rest = data.impedance_ohm[inside] - _motional_ohm(resonances, data.frequency_hz[inside])
    return data.s_rad_s[inside], rest


def _cone_start(motional: Resonance, small: ConeResonances, resonances: ResonanceFit) -> FloatArray:
    """Parameters of the cone and DC resistance such that the motional peak is where it was found."""
    low_hz = np.array([0.3, 1.0]) * motional.frequency_hz
    least = float(np.min(np.abs(resonances.impedance_ohm(np.geomspace(1.5, 8.0, 40) * motional.frequency_hz))))
    resistance = float(np.clip(np.min(resonances.coil_ohm(low_hz).real), 0.2 * least, least))
    omega = abs(motional.pole_rad_s)
    load = small.load(np.array([1j * omega]), np.zeros(small.size))[0]
    mass = max(0.1, 1 + load.imag / omega)
    loss = max(0.2 * mass * omega / motional.q, mass * omega / motional.q - load.real)
    ws = omega * np.sqrt(mass)
    return np.array([np.log(resistance), np.log(ws), np.log(ws / loss), np.log(small.scale_ohm_rad_s), 0.0])


def _fit(
    data: CellData,
    small: ConeResonances,
    coil: CoilModel,
    start: FloatArray,
    creep: bool,
    tolerance: float = LOOSE,
    iterations: int = 30,
) -> LumpedFit:
    free = [index for index in range(start.size) if creep or index != CREEP]
    model = FreeAirModel(coil, small)
    priors = (*coil_prior(coil), *changes_prior(model))
    return fit_lumped(data, model, start, priors, free, iterations, tolerance)


def coil_prior(coil: CoilModel) -> tuple[Prior, ...]:
    """What is known of the coil beforehand: that a chain is smooth."""
    if coil.smoothness is None:
        return ()
    rows = coil.smoothness
    index = tuple(range(FIRST_COIL, FIRST_COIL + coil.size))
    return (Prior(index, np.zeros(len(rows)), np.eye(len(rows)), rows),)


def changes_prior(model: FreeAirModel) -> tuple[Prior, ...]:
    """What is known of the small resonances beforehand."""
    size = model.small.size
    if not size:
        return ()
    index = tuple(range(model.changes.start, model.changes.stop))
    return (Prior(index, np.zeros(size), CHANGE_STD**2 * np.eye(size)),)


def _criteria(tried: Sequence[_Trial]) -> list[float]:
    """chi^2 over the least misfit, plus ln(number of data) for every parameter."""
    least = max(1.0, min(fit.reduced_chi_square for _, _, fit in tried))
    return [
        fit.total_chi_square / least + (4 + creep + coil.size) * float(np.log(fit.rest.size)) + creep * CREEP_EVIDENCE
        for coil, creep, fit in tried
    ]


def _ranked(tried: Sequence[_Trial]) -> list[_Trial]:
    order = np.argsort(_criteria(tried), kind="stable")
    return [tried[index] for index in order]


def scale_covariance(coil: CoilModel, size: int) -> FloatArray:
    """Covariance of the parameters for an ohm scale uncertain by one neper."""
    direction = np.zeros(size)
    direction[[LN_RE, LN_SCALE]] = 1.0
    direction[FIRST_COIL : FIRST_COIL + coil.size] = coil.scales
    return np.outer(direction, direction)


def _weigh_meter(
    parameters: FloatArray, covariance: FloatArray, meter: MeterReading
) -> tuple[FloatArray, FloatArray, list[str]]:
    """Parameters after one more datum, ln Re by multimeter (recursive least squares); it also mends the ohm scale."""
    tolerance = DEFAULT_METER_PERCENT if meter.tolerance_percent is None else meter.tolerance_percent
    variance = rectangular_std(tolerance) ** 2
    difference = float(np.log(meter.resistance_ohm)) - parameters[LN_RE]
    total = covariance[LN_RE, LN_RE] + variance
    gain = covariance[:, LN_RE] / total
    warnings = []
    if abs(difference) > 2 * np.sqrt(total):
        warnings.append(
            f"the multimeter's DC resistance of {meter.resistance_ohm:g} ohm and that of the sweep, "
            f"{np.exp(parameters[LN_RE]):.3f} ohm, differ by {100 * difference:+.1f} %, more than their uncertainties "
            f"allow ({200 * np.sqrt(total):.1f} %): subtract the meter's leads, let the coil cool, check the jig"
        )
    return parameters + gain * difference, covariance - np.outer(gain, covariance[LN_RE]), warnings


def _free_air_warnings(resonances: ResonanceFit, motional: Resonance) -> list[str]:
    """A second tall peak at low frequency belongs to a vented box."""
    second = [
        r
        for r in (*resonances.motional, *resonances.resonances)
        if r is not motional and r.frequency_hz < 250 and r.height_ohm > 0.15 * motional.height_ohm
    ]
    if not second:
        return []
    tallest = max(second, key=lambda r: r.height_ohm)
    return [
        f"a second peak of {tallest.height_ohm:.1f} ohm at {tallest.frequency_hz:.1f} Hz stands beside the one at "
        f"{motional.frequency_hz:.1f} Hz: the driver does not look like hanging in free air but like sitting in a "
        "vented box; these driver parameters are not to be trusted"
    ]
