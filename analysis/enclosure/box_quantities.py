"""What a person reads off a fitted box: resonance and Q if closed, three frequencies and losses if vented."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from stillbox.analysis.enclosure.box import BoxFit
from stillbox.analysis.enclosure.box_model import BoxModel, way_loss
from stillbox.analysis.enclosure.box_numbers import BoxNumbers
from stillbox.analysis.enclosure.box_priors import before_the_port
from stillbox.analysis.enclosure.box_textbook import (
    TextbookClosed,
    TextbookVented,
    VentedPeaks,
    small_closed,
    small_vented,
    vented_peaks,
)
from stillbox.analysis.lumped.driver_model import cone_of
from stillbox.analysis.maths.quantity import Quantity
from stillbox.capture.arrays import FloatArray
from stillbox.capture.errors import StillboxError

STEP = 1e-4
"""Of the parameters, for differences of quantities that are searched for (peaks, zeros)."""
SEEN = 2.0
"""Standard deviations of 1/Q from none from which on a loss counts as seen."""
LIMIT = 1.96
ALIKE = 0.25
"""Relative uncertainty up to which Q and 1/Q have intervals alike."""
LARGEST_Q = 1_000.0
"""No loss is told that is less."""


@dataclass(frozen=True)
class LossQ:
    """Quality factor of one loss, as it follows from its reciprocal: that one is near normal, and none is 1/Q = 0.

    Attributes
    ----------
    reciprocal : Quantity or None
        1/Q; None where the fit left the loss out.
    std : float
        Standard uncertainty of 1/Q.
    """

    reciprocal: Quantity | None
    std: float

    @property
    def q(self) -> Quantity | None:
        """Q where the loss differs from none by two standard deviations."""
        if self.reciprocal is None or self.reciprocal.value <= SEEN * self.std:
            return None
        return Quantity(1 / self.reciprocal.value, self.std / self.reciprocal.value**2)

    @property
    def at_least(self) -> float:
        """Lower limit of Q (97.5 %)."""
        value = 0.0 if self.reciprocal is None else self.reciprocal.value
        return 1 / max(value + LIMIT * self.std, 1 / LARGEST_Q)

    @property
    def at_most(self) -> float | None:
        """Upper limit of Q (97.5 %); None where there may be no such loss."""
        value = 0.0 if self.reciprocal is None else self.reciprocal.value
        return None if value <= LIMIT * self.std else 1 / (value - LIMIT * self.std)

    def as_it_repeats(self, relative: float) -> LossQ:
        """With how far the loss itself repeats, relative, beside the uncertainty of the takes."""
        if self.reciprocal is None:
            return self
        return LossQ(self.reciprocal, float(np.hypot(self.std, relative * self.reciprocal.value)))

    def text(self) -> str:
        """Q in words; without uncertainty where that has two sides too unlike."""
        if self.q is not None and self.q.std < ALIKE * self.q.value:
            return self.q.text()
        value = 0.0 if self.reciprocal is None else self.reciprocal.value
        return _limit_text(1 / value) if value > 1 / LARGEST_Q else "none seen"

    def interval_text(self) -> str:
        """Both limits of Q, or the lower one."""
        high = self.at_most
        if high is None or high > LARGEST_Q:
            return self.least_text()
        if self.q is not None and self.q.std < ALIKE * self.q.value:
            return f"{self.at_least:.{self.q.decimals}f} to {high:.{self.q.decimals}f}"
        return f"{_limit_text(self.at_least)} to {_limit_text(high)}"

    def least_text(self) -> str:
        """The lower limit alone."""
        return f"{_limit_text(self.at_least)} or more"


def _limit_text(q: float) -> str:
    return f"{q:.0f}" if q >= 10 else f"{q:.1f}"


@dataclass(frozen=True)
class ClosedQuantities:
    """A closed box: resonance, Q factors, alpha; Small's formulas beside."""

    fc_hz: Quantity
    qmc: Quantity
    qec: Quantity
    qtc: Quantity
    alpha: Quantity
    leakage: LossQ
    absorption: LossQ
    textbook: TextbookClosed


@dataclass(frozen=True)
class VentedQuantities:
    """A vented box: three frequencies, tuning, alpha, h, losses and their sum QB; Small's formulas beside."""

    fl_hz: Quantity
    fm_hz: Quantity
    fh_hz: Quantity
    fb_hz: Quantity
    alpha: Quantity
    h: Quantity
    leakage: LossQ
    absorption: LossQ | None
    port: LossQ | None
    qb: LossQ
    textbook: TextbookVented


def closed_quantities(fit: BoxFit) -> ClosedQuantities:
    """Evaluate a closed box; ValueError for a vented one."""
    if fit.vented:
        raise ValueError("a vented box has no fc")
    fc, qmc, qec, qtc = _quantities(fit, lambda x: closed_figures(fit.model, x), ("Hz", "", "", ""))
    driver = fit.driver
    return ClosedQuantities(
        fc_hz=fc,
        qmc=qmc,
        qec=qec,
        qtc=qtc,
        alpha=fit.alpha,
        leakage=leakage(fit),
        absorption=_seen(fit.of(lambda x: filling_loss(fit, x))),
        textbook=small_closed(fc.value, qec.value, driver.fs_hz.value, driver.qes.value),
    )


def closed_figures(model: BoxModel, x: FloatArray) -> FloatArray:
    """fc in Hz, Qmc, Qec and Qtc of a closed box, shape (4,).

    Raises
    ------
    StillboxError
        If there is no resonance within an octave of that of the model's take.
    """
    omega, numbers = _resonance(model, x), cone_of(x)
    cone = model.cone(np.array([1j * omega]), x)[0][0]
    mass = _mass_ratio(model, x, omega)
    qm, qe = omega * mass / cone.real, omega * mass * np.exp(numbers.ln_re - numbers.ln_scale)
    return np.array([omega / (2 * np.pi), qm, qe, qm * qe / (qm + qe)])


def vented_quantities(fit: BoxFit) -> VentedQuantities:
    """Evaluate a vented box.

    Raises
    ------
    ValueError
        For a closed box.
    StillboxError
        If the fitted impedance has not two peaks.
    """
    if not fit.vented or fit.fb_hz is None or fit.h is None:
        raise ValueError("a closed box has no tuning")

    peaks = _peaks(fit)
    fl, fm, fh = (_extremum(fit, frequency_hz) for frequency_hz in (peaks.fl_hz, peaks.fm_hz, peaks.fh_hz))
    all_losses = fit.of(lambda x: _sum_of_losses(fit.model.read(x)))
    driver = fit.driver
    re_ohm = float(np.exp(fit.numbers.cone.ln_re))
    return VentedQuantities(
        fl_hz=fl,
        fm_hz=fm,
        fh_hz=fh,
        fb_hz=fit.fb_hz,
        alpha=fit.alpha,
        h=fit.h,
        leakage=leakage(fit),
        absorption=_filling(fit),
        port=_port(fit),
        qb=LossQ(all_losses, all_losses.std),
        textbook=small_vented(peaks, driver.fs_hz.value, driver.qes.value, driver.qms.value, re_ohm),
    )


def _sum_of_losses(box: BoxNumbers) -> float:
    """1/QB: of leak, filling and port."""
    if box.port is None:
        raise ValueError("a closed box has no port")
    return float(box.inside.leak + box.inside.absorption + box.port.port_loss) + way_loss(box.port)


def _quantities(fit: BoxFit, each: Callable[[FloatArray], FloatArray], units: tuple[str, ...]) -> list[Quantity]:
    """Several quantities from one evaluation: the derivatives of all by central differences at once."""
    point = fit.parameters
    values = each(point)
    used = np.flatnonzero(np.diag(fit.covariance) > 0)
    slopes = np.zeros((values.size, point.size))
    for index in used:
        step = min(STEP, 0.5 * float(np.sqrt(fit.covariance[index, index])) + 1e-7)
        move = np.zeros(point.size)
        move[index] = step
        slopes[:, index] = (each(point + move) - each(point - move)) / (2 * step)
    stds = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", slopes, fit.covariance, slopes), 0.0))
    return [Quantity(float(v), float(u), n) for v, u, n in zip(values, stds, units, strict=True)]


def _resonance(model: BoxModel, x: FloatArray) -> float:
    """Angular frequency where the reactance of the cone in its closed box vanishes, by Newton's method."""
    omega = model.reference_rad_s
    for _ in range(6):
        around = omega * np.array([1 - 1e-4, 1.0, 1 + 1e-4])
        reactance = model.cone(1j * around, x)[0].imag
        step = float(reactance[1] * 2e-4 * omega / (reactance[2] - reactance[0]))
        omega -= float(np.clip(step, -0.2 * omega, 0.2 * omega))
    if not 0.5 < omega / model.reference_rad_s < 2 or abs(step) > 1e-6 * omega:
        raise StillboxError(
            f"no resonance of the closed box shows near {model.reference_rad_s / (2 * np.pi):.0f} Hz; "
            "the leak is too large for that",
            "",
        )
    return omega


def _mass_ratio(model: BoxModel, x: FloatArray, omega: float) -> float:
    """Mass that moves at a frequency over the nominal one: air load and small resonances included."""
    load = model.small.load(np.array([1j * omega]), model.changes_of(x))[0]
    return float(1 + model.read(x).load.mu + load.imag / omega)


def _peaks(fit: BoxFit) -> VentedPeaks:
    low, high = (r.frequency_hz for r in fit.resonances.motional[:2])
    return vented_peaks(lambda f: np.abs(fit.impedance_ohm(f)), 0.6 * low, 1.6 * high)


def _extremum(fit: BoxFit, frequency_hz: float) -> Quantity:
    """A peak or the saddle of the magnitude with its uncertainty.

    Where the slope g = d abs(Z) / df vanishes, the frequency moves with a parameter by -(dg/dx) / (dg/df).
    """
    step_hz = 1e-3 * frequency_hz
    around_hz = frequency_hz + step_hz * np.array([-1.0, 0.0, 1.0])
    value, slopes = fit.model(2j * np.pi * around_hz, fit.parameters)
    magnitude = np.abs(value)
    by_parameter = (np.conj(value)[:, None] * slopes()).real / magnitude[:, None]
    bend = (magnitude[0] - 2 * magnitude[1] + magnitude[2]) / step_hz**2
    gradient = -(by_parameter[2] - by_parameter[0]) / (2 * step_hz) / bend
    variance = float(gradient @ fit.covariance @ gradient)
    return Quantity(frequency_hz, float(np.sqrt(max(variance, 0.0))), "Hz")


def filling_loss(fit: BoxFit, x: FloatArray) -> float:
    """1/QA for parameters like ``fit.parameters``.

    Of a closed box at its reference: the lumped part and the losses of its standing waves. Of a vented one what filling
    takes from the resonance of box and port: of the air that both share, and on the way to the port.
    """
    box = fit.model.read(x)
    if box.port is not None:
        return float(box.inside.absorption + before_the_port(fit.model, x)[0] + way_loss(box.port))
    own, omega = fit.model.own, fit.model.reference_rad_s
    stiffness = np.exp(box.load.ln_alpha + 2 * box.cone.ln_ws)
    waves = own.load(np.array([1j * omega]), x[fit.model.own_changes])[0].real if own.size else 0.0
    return float(box.inside.absorption + waves * omega / stiffness)


def port_loss(fit: BoxFit, x: FloatArray) -> float:
    """1/QP of the port itself for parameters like ``fit.parameters``."""
    return float(x[fit.index("port_loss")] - before_the_port(fit.model, x)[0])


def leakage(fit: BoxFit) -> LossQ:
    """QL; its uncertainty is known also where the best guess is no leak."""
    reciprocal = fit.loss("leak")
    return LossQ(None, fit.leak_std) if reciprocal is None else _seen(reciprocal)


def _filling(fit: BoxFit) -> LossQ:
    """`filling_loss` of a vented box."""
    return _apart(fit, lambda x: filling_loss(fit, x), before_the_port(fit.model, fit.parameters)[1])


def _port(fit: BoxFit) -> LossQ | None:
    """Of the port itself; None where the fit left it out: its uncertainty is not known then."""
    if fit.loss("port_loss") is None:
        return None
    return _apart(fit, lambda x: port_loss(fit, x), before_the_port(fit.model, fit.parameters)[1])


def _apart(fit: BoxFit, function: Callable[[FloatArray], float], std: float) -> LossQ:
    """A loss with what is uncertain in telling filling and port apart."""
    found = fit.of(function)
    return _seen(Quantity(found.value, float(np.hypot(found.std, std))))


def _seen(reciprocal: Quantity) -> LossQ:
    return LossQ(reciprocal, reciprocal.std)
