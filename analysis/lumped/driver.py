"""Driver parameters from a free-air take, with uncertainties; the coil's model is chosen by the data.

How the coil's model is chosen: `analysis.lumped.coil_choice`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from stillbox.analysis.impedance.findings import Resonance, ResonanceFit
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.lumped.coil_choice import TIGHT, Choice, choose, fit_free_air
from stillbox.analysis.lumped.coil_models import CoilModel
from stillbox.analysis.lumped.cone_resonances import ConeResonances
from stillbox.analysis.lumped.driver_model import (
    CONE,
    ConeAtResonance,
    FreeAirModel,
    cone_at_resonance,
    cone_of,
)
from stillbox.analysis.lumped.fit_end import FitEnd
from stillbox.analysis.lumped.lumped_fit import (
    cell_data,
    common_covariance,
    misfit_factor,
)
from stillbox.analysis.lumped.lumped_steps import impedance_ohm
from stillbox.analysis.maths.quantity import Quantity, derived
from stillbox.analysis.maths.uncertainty import rectangular_std
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError

DEFAULT_METER_PERCENT = 1.0
"""Tolerance of a multimeter's reading when none is given (common practice, no source)."""

CHAIN_INFLATION = 5.0
"""Factor on the standard deviations with a chain: its fixed corners follow a coil of other corners only nearly. On 24
ladders that end within the band (10 to 60 Hz, noise of 1e-5 to 1e-4) the error is 2.3 times the deviation without it
for fs and 6.2 times for Qms (rms), at most 0.1 %: less than either repeats."""
LAST_STEPS = 100
"""Of the fit that counts: a chain's valley is long and flat, all others end far earlier."""
UNPUBLISHED_RE_STD = 0.004
"""Relative, of Re with a coil of no published kind: of what it does below the band nothing is known. A semi-inductance
has 0.3 to 1 % of Re below 2 Hz."""
UNPUBLISHED_WARNING = (
    "the coil is of no published kind, so the sweep tells its DC resistance to about half a percent only, and Qes and "
    "level with it: measure Re with a multimeter, leads subtracted, and write it as re_ohm under [driver] in build.toml"
)


@dataclass(frozen=True)
class MeterReading:
    """DC resistance of the coil read from a multimeter, leads subtracted; StillboxError where it cannot be one."""

    resistance_ohm: float
    tolerance_percent: float | None = None

    def __post_init__(self) -> None:
        ohm, percent = self.resistance_ohm, self.tolerance_percent
        if not 0.05 <= ohm <= 1_000:
            raise StillboxError(f"DC resistance by multimeter {ohm:g} ohm must be 0.05 to 1000 ohm", "correct it")
        if percent is not None and not 0 <= percent <= 50:
            raise StillboxError(f"tolerance of the multimeter {percent:g} % must be 0 to 50 %", "correct it")


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
        Of `analysis.lumped.driver_model.FreeAirModel`; covariance from noise. In the ohms of the sweep, as other takes
        of the same jig have them.
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
    end : FitEnd
        How the fit has come to its end.
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
    end: FitEnd
    warnings: tuple[str, ...] = ()

    @cached_property
    def model(self) -> FreeAirModel:
        return FreeAirModel(self.coil, self.small)

    @property
    def changes(self) -> FloatArray:
        """Of the small resonances."""
        return self.model.changes_of(self.parameters)

    @property
    def coil_parameters(self) -> FloatArray:
        return self.parameters[self.model.layout.blocks["coil"]]

    def impedance_ohm(self, frequency_hz: FloatArray) -> ComplexArray:
        """The whole fitted model, shape of ``frequency_hz``."""
        return impedance_ohm(self.model, self.parameters, frequency_hz)

    def coil_ohm(self, frequency_hz: FloatArray) -> ComplexArray:
        """Coil with its DC resistance, shape of ``frequency_hz``."""
        s = 2j * np.pi * np.asarray(frequency_hz)
        result: ComplexArray = np.exp(cone_of(self.parameters).ln_re) + self.coil.evaluate(s, self.coil_parameters)[0]
        return result

    def cone(self, parameters: FloatArray) -> ConeAtResonance:
        """The cone at its resonance for parameters like `parameters`."""
        model = self.model
        return cone_at_resonance(
            cone_of(parameters), self.small, model.changes_of(parameters), model.air_of(parameters)
        )

    def _of(self, function: Callable[[FloatArray], float], unit: str = "") -> Quantity:
        return derived(function, self.reported, self.reported_covariance, unit)

    @cached_property
    def re_ohm(self) -> Quantity:
        return self._of(lambda x: float(np.exp(cone_of(x).ln_re)), "ohm")

    @cached_property
    def fs_hz(self) -> Quantity:
        return self._of(lambda x: self.cone(x).omega_rad_s / (2 * np.pi), "Hz")

    @cached_property
    def qms(self) -> Quantity:
        return self._of(lambda x: self.cone(x).q_mechanical)

    @cached_property
    def qes(self) -> Quantity:
        """2 pi fs Mms Re / Bl^2 (Small 1972)."""
        return self._of(self.electrical_q)

    @cached_property
    def qts(self) -> Quantity:
        return self._of(lambda x: 1 / (1 / self.cone(x).q_mechanical + 1 / self.electrical_q(x)))

    def electrical_q(self, x: FloatArray) -> float:
        """Qes for parameters like `parameters`."""
        cone, numbers = self.cone(x), cone_of(x)
        return float(cone.omega_rad_s * cone.mass_ratio * np.exp(numbers.ln_re - numbers.ln_scale))

    @cached_property
    def creep_factor(self) -> Quantity | None:
        """lambda of Knudsen and Jensen; None if the data do not ask for it."""
        return self._of(lambda x: float(cone_of(x).creep)) if self.creep else None

    @cached_property
    def inductance_1khz_h(self) -> Quantity:
        """Reactance of the coil at 1 kHz over the angular frequency."""
        return self._of(self.inductance_of, "H")

    def inductance_of(self, x: FloatArray) -> float:
        """The same, H, for parameters like `parameters`."""
        s = np.array([2j * np.pi * 1_000.0])
        coil = x[self.model.layout.blocks["coil"]]
        return float(self.coil.evaluate(s, coil)[0].imag[0] / s[0].imag)


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
            "no motional peak shows in the free-air take",
            "check that the driver hangs free on the clips, and that the sweep starts below its resonance",
        )
    motional = max(resonances.motional, key=lambda r: r.height_ohm)
    data = cell_data(spectrum, resonances)
    choice = choose(data, motional, resonances)
    coil, creep, fit = choice.tried[0].coil, choice.tried[0].creep, choice.tried[0].fit
    small, candidates = choice.small, _candidates(choice)
    factor = misfit_factor(fit)
    data = data.weakened(factor) if np.any(factor > 1) else data
    fit = fit_free_air(data, small, coil, fit.parameters, creep, TIGHT, LAST_STEPS)
    wider = 1.0 if coil.smoothness is None else CHAIN_INFLATION
    covariance = wider**2 * fit.covariance + common_covariance(fit, spectrum)
    if not coil.published:
        covariance[CONE.ln_re, CONE.ln_re] += UNPUBLISHED_RE_STD**2
    reported = fit.parameters
    reported_covariance = covariance + spectrum.scale_std**2 * scale_covariance(FreeAirModel(coil, small))
    warnings = list(resonances.warnings)
    if meter is not None:
        reported, reported_covariance, sentence = _weigh_meter(reported, reported_covariance, meter)
        warnings += sentence
    elif not coil.published:
        warnings.append(UNPUBLISHED_WARNING)
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
        end=fit.end,
        warnings=tuple(dict.fromkeys(warnings)),
    )


def _candidates(choice: Choice) -> tuple[Candidate, ...]:
    """The models that were fitted sharply, with their criterion relative to the best."""
    return tuple(
        Candidate(one.coil.name, one.creep, criterion, one.fit.reduced_chi_square)
        for one, criterion in zip(choice.tried, choice.criteria, strict=True)
    )


def scale_covariance(model: FreeAirModel) -> FloatArray:
    """Covariance of the parameters for an ohm scale uncertain by one neper."""
    direction = np.zeros(len(model.layout.names))
    direction[[CONE.ln_re, CONE.ln_scale]] = 1.0
    direction[model.layout.blocks["coil"]] = model.coil.scales
    return np.outer(direction, direction)


def _weigh_meter(
    parameters: FloatArray, covariance: FloatArray, meter: MeterReading
) -> tuple[FloatArray, FloatArray, list[str]]:
    """Parameters after one more datum, ln Re by multimeter (recursive least squares); it also mends the ohm scale."""
    tolerance = DEFAULT_METER_PERCENT if meter.tolerance_percent is None else meter.tolerance_percent
    variance = rectangular_std(tolerance) ** 2
    ln_re, by_re = cone_of(parameters).ln_re, covariance[CONE.ln_re]
    difference = float(np.log(meter.resistance_ohm)) - ln_re
    total = by_re[CONE.ln_re] + variance
    gain = by_re / total
    warnings = []
    if abs(difference) > 2 * np.sqrt(total):
        warnings.append(
            f"the multimeter's DC resistance of {meter.resistance_ohm:g} ohm and that of the sweep, "
            f"{np.exp(ln_re):.3f} ohm, differ by {100 * difference:+.1f} %, more than their uncertainties "
            f"allow ({200 * np.sqrt(total):.1f} %): subtract the meter's leads, let the coil cool, check the jig"
        )
    return parameters + gain * difference, covariance - np.outer(gain, by_re), warnings


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
