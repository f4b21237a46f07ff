"""Closed and vented boxes: the complete lumped model fitted to an in-box take, the driver known beforehand.

The driver's parameters from free air are a prior; the box adds its stiffness, tuning, leak, absorption, port loss and
air load. What it may be besides (leaking, with air behind filling, around a driver that has changed) are candidates of
`analysis.enclosure.box_search`. Absorption of a vented box may come out a little negative: cone and port at opposite
ends of lossy air share less of its loss than lumped elements can say.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from stillbox.analysis.enclosure.box_model import BoxModel
from stillbox.analysis.enclosure.box_numbers import USUAL_INSIDE, USUAL_PORT, BoxNumbers, LoadNumbers
from stillbox.analysis.enclosure.box_priors import BEHIND_W, LEAK_STD, BoxPriors, at_rest, box_priors, front_known
from stillbox.analysis.enclosure.box_search import LOOSE, ROUGH, Candidate, search
from stillbox.analysis.impedance.findings import ResonanceFit
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.lumped.cone_resonances import ConeResonances, cone_resonances
from stillbox.analysis.lumped.driver import DriverFit
from stillbox.analysis.lumped.driver_model import cone_of
from stillbox.analysis.lumped.fit_end import FitEnd
from stillbox.analysis.lumped.lumped_fit import cell_data, common_covariance
from stillbox.analysis.lumped.lumped_steps import JointPrior, impedance_ohm
from stillbox.analysis.maths.quantity import Quantity, derived
from stillbox.analysis.physics.volume import Softening
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError

BROAD_Q = 0.8
"""Least Q of what may be a standing wave in a lining."""
BAND = 4.0
"""End of the band that is fitted, over the upper motional peak: above it coil and standing waves make the impedance,
and whatever a model lacks there would be made up for by what is sought."""
MOST_MASS = 8.0
"""Of a standing wave, times its angular frequency squared over the stiffness of the box."""
STRAY = 4.0
"""Standard deviations of a wave's loss at rest from which on a pair does not start as it was found."""
COMMON = ("mu", "front", "ln_front_s", "leak_mass", "kappa")
"""What is known of them beforehand is the same in every state of a box."""
TUNING_STD, TUNING_LOSS_STD = 0.0015, 0.03
"""Relative, of fB: the air between two takes (1 K is 0.17 %), and what losses that are no lumps do to it, over 1/Q."""
LEAK_WAVES_STD = 0.03
"""Relative, of 1/QL: what one number for the leak's place leaves (tried on circuits with leaks at random places)."""
ALIKE_STD, LEAK_ALIKE_STD = 0.003, 0.05
"""Of ln alpha, and relative of a leak: what is alike with the port open and closed."""
SOFT_ALIKE = 0.3
"""Part of the softening by filling that is another at another frequency."""


@dataclass(frozen=True)
class BoxFit:
    """A box with its driver.

    Attributes
    ----------
    vented : bool
    model : BoxModel
        What the parameters belong to.
    parameters, covariance : ndarray
        Of `analysis.enclosure.box_model`; covariance from the noise of both takes.
    shared_covariance : ndarray, shape (p, p)
        What was known beforehand and holds for every state of this box alike: the driver, the air that moves with
        cone and port, the air of a leak.
    shared_gain : ndarray, shape (parameters, p)
        Change of the parameters by the values of that.
    driver : DriverFit
    resonances : ResonanceFit
        What was found in the same take.
    driver_changed : bool
        The driver in the box is not the driver in free air any more; it was given more freedom.
    leak_std : float
        Standard uncertainty of 1/QL, also where the best value is none.
    reduced_chi_square : float
        Misfit in units of the noise.
    end : FitEnd
        How the fit of the candidate that is believed has come to its end.
    """

    vented: bool
    model: BoxModel
    parameters: FloatArray
    covariance: FloatArray
    shared_covariance: FloatArray
    shared_gain: FloatArray
    driver: DriverFit
    resonances: ResonanceFit
    driver_changed: bool
    leak_std: float
    reduced_chi_square: float
    band_hz: tuple[float, float]
    end: FitEnd
    warnings: tuple[str, ...] = ()

    def impedance_ohm(self, frequency_hz: FloatArray) -> ComplexArray:
        """The whole fitted model, shape of ``frequency_hz``."""
        return impedance_ohm(self.model, self.parameters, frequency_hz)

    @cached_property
    def numbers(self) -> BoxNumbers:
        """The parameters by name."""
        return self.model.read(self.parameters)

    def index(self, name: str) -> int:
        """Place of a parameter."""
        return self.model.layout.index(name)

    def of(self, function: Callable[[FloatArray], float], unit: str = "") -> Quantity:
        """A quantity that follows from the parameters."""
        return derived(function, self.parameters, self.covariance, unit)

    @cached_property
    def alpha(self) -> Quantity:
        """Compliance of the suspension over that of the box's air."""
        return self.of(lambda x: float(np.exp(self.model.read(x).load.ln_alpha)))

    @cached_property
    def fb_hz(self) -> Quantity | None:
        """Tuning of box and port; None for a closed box."""
        if not self.vented:
            return None
        return self.of(lambda x: self.model.tuning_rad_s(self.model.read(x)) / (2 * np.pi), "Hz")

    @cached_property
    def h(self) -> Quantity | None:
        """fB / fs."""
        if not self.vented:
            return None
        fs_hz = self.driver.fs_hz.value
        return self.of(lambda x: self.model.tuning_rad_s(self.model.read(x)) / (2 * np.pi * fs_hz))

    def loss(self, name: str) -> Quantity | None:
        """1/Q of ``leak``, ``absorption`` or ``port_loss``; None where the fit set it to zero."""
        place = self.index(name)
        if self.parameters[place] == 0:
            return None
        return self.of(lambda x: float(x[place]))


def fit_box(
    spectrum: ImpedanceSpectrum,
    resonances: ResonanceFit,
    driver: DriverFit,
    vented: bool | None = None,
    shared_air: Quantity | None = None,
    softening: Softening | None = None,
    port_closed: BoxFit | None = None,
) -> BoxFit:
    """Fit a box to an in-box take.

    Parameters
    ----------
    spectrum : ImpedanceSpectrum
    resonances : ResonanceFit
        Of the same spectrum.
    driver : DriverFit
        Of the same driver in free air, on the same jig.
    vented : bool, optional
        None: two motional peaks make a vented box.
    shared_air : Quantity, optional
        kappa in s^2 from the inside of the box and the places of cone and port, see `analysis.physics.shared_air`; left
        out, it is guessed from the standing waves that the take shows.
    softening : Softening, optional
        How much softer filling makes the air at low frequency, see `analysis.physics.volume`; left out, it is guessed
        from the loss that the air shows.
    port_closed : BoxFit, optional
        The same box with its port closed by hand, fitted as a closed box: what that take tells of volume and leak
        is known beforehand.

    Raises
    ------
    StillboxError
        If there is no motional peak, or only one where a vented box is said to be.
    """
    is_vented = _is_vented(resonances, vented)
    data = cell_data(spectrum, resonances, BAND * max(one.frequency_hz for one in resonances.motional))
    model, start = _start(resonances, driver, is_vented)
    told = () if port_closed is None or not is_vented else (_told_by_closed(port_closed, model, start),)
    known = partial(box_priors, driver=driver, shared_air=shared_air, softening=softening, told=told)
    priors = known(model, start)
    layout = model.layout
    start = layout.changed(start, **{name: priors.value(name) for name in ("soft", "ln_soft_w")})
    plain = Candidate(model, priors, start, driver.creep)
    if is_vented:
        first = plain.fit(data.coarse(ROUGH), LOOSE).fit
        hidden = max(0.0, first.value("absorption") + first.value("cone_loss"))
        known = partial(known, hidden=hidden)
        begin = layout.changed(first.parameters, absorption=0.0, cone_loss=hidden)
        plain = replace(plain, priors=known(model, start), start=begin)
        plain = replace(plain, may_leak=bool(told) or not plain.filled, blocked=plain.filled)
    found = search(data, plain, known, softening is not None)
    candidate, fit = found.best.candidate, found.best.fit
    model = candidate.model
    covariance, leak = found.covariance, model.layout.index("leak")
    shared = _shared(model, covariance, candidate.priors)
    if candidate.tight and not plain.may_leak:  # none was fitted: what was known of it beforehand stays
        covariance[leak, leak] += LEAK_STD**2
    covariance = covariance + common_covariance(fit, spectrum) + _beyond_the_lumps(model, fit.parameters)
    return BoxFit(
        vented=is_vented,
        model=model,
        parameters=fit.parameters,
        covariance=covariance,
        shared_covariance=shared[0],
        shared_gain=shared[1],
        driver=driver,
        resonances=resonances,
        leak_std=float(np.sqrt(covariance[leak, leak])),
        driver_changed=candidate.changed,
        reduced_chi_square=found.reduced_chi_square,
        band_hz=(float(data.frequency_hz[0]), float(data.frequency_hz[-1])),
        end=fit.end,
        warnings=resonances.warnings,
    )


def _is_vented(resonances: ResonanceFit, vented: bool | None) -> bool:
    if not resonances.motional:
        raise StillboxError("no motional peak shows in the in-box take", "check that the driver is on the clips")
    is_vented = len(resonances.motional) > 1 if vented is None else vented
    if is_vented and len(resonances.motional) < 2:
        raise StillboxError(
            "the build has a port, but the in-box take shows one motional peak only, at "
            f"{resonances.motional[0].frequency_hz:.1f} Hz",
            "check that the port is open, or that the sweep starts below half of the tuning",
        )
    return is_vented


def _start(resonances: ResonanceFit, driver: DriverFit, vented: bool) -> tuple[BoxModel, FloatArray]:
    """Model and parameters from the pairs of the mechanical impedance: one of them is the tuning of a vented box.

    The driver's own small resonances come first, then those that only the box has.
    """
    found = cone_resonances(resonances, BROAD_Q)
    ln_ws = cone_of(driver.parameters).ln_ws
    ws2 = float(np.exp(2 * ln_ws))
    (front, _), (ln_front_s, _) = front_known(driver)
    inside, port = USUAL_INSIDE, None
    if vented:
        tuning = _tuning_pair(found, resonances)
        pole, residue = found.poles_rad_s[tuning], found.residues[tuning]
        found = found.only(np.arange(found.poles_rad_s.size) != tuning)
        wb, loss = abs(pole), 2 * abs(pole.real) / abs(pole)
        stiffness = float(np.log(max(2 * residue.real / ws2, 0.05)))
        mu, inside = 0.03, inside._replace(leak=loss / 3, absorption=loss / 3)
        port = USUAL_PORT._replace(ln_wb=float(np.log(wb)), port_loss=loss / 3)
    else:
        pole = max(resonances.motional, key=lambda r: r.height_ohm).pole_rad_s
        wb = abs(pole)
        load = found.load(np.array([1j * wb]), np.zeros(found.size))[0].imag / wb
        stiffness = float(np.log(max((1 + load) * wb**2 / ws2 - 1, 0.05)))
        mu, inside = 0.0, inside._replace(leak=0.02, absorption=0.02)
    inside = inside._replace(ln_behind_w=float(np.log(BEHIND_W * wb)))
    load = LoadNumbers(mu=mu, front=front, ln_front_s=ln_front_s, ln_alpha=stiffness)
    own = found.apart_from(driver.small.moved(driver.changes))
    if not vented:
        # Below the resonance of a closed box stands no wave: what is found there is a gap's.
        own = own.only(np.abs(own.poles_rad_s) > wb)
    own = own.settled(STRAY * at_rest(own)[1])
    own = own.only(_may_stand(own, stiffness + 2 * ln_ws))
    model = BoxModel(driver.coil, driver.small.joined(own), vented, wb, driver.small.poles_rad_s.size)
    known, air = cone_of(driver.parameters), (*load, *inside, *(port or ()))
    return model, np.concatenate([known, driver.coil_parameters, air, driver.changes, np.zeros(own.size)])


def _may_stand(own: ConeResonances, ln_stiffness: float) -> NDArray[np.bool_]:
    """Which pairs can be standing waves or walls.

    A standing wave has at most 2^3 stiffnesses of the box over its angular frequency squared for a mass (all three
    cosines are 1: Morse and Ingard [M], section 9.4). What has more is the coil's, taken for the cone's.
    """
    return np.asarray(2 * np.abs(own.residues) < MOST_MASS * np.exp(ln_stiffness))


def _tuning_pair(small: ConeResonances, resonances: ResonanceFit) -> int:
    """The pair of the mechanical impedance between the two motional peaks."""
    low, high = (r.frequency_hz for r in resonances.motional[:2])
    frequency_hz = np.abs(small.poles_rad_s) / (2 * np.pi)
    between = (frequency_hz > low) & (frequency_hz < high)
    if not np.any(between):
        raise StillboxError(
            f"no tuning shows between the motional peaks at {low:.1f} and {high:.1f} Hz", "check that the port is open"
        )
    return int(np.argmax(np.where(between, np.abs(small.residues), 0.0)))


def _told_by_closed(closed: BoxFit, model: BoxModel, start: FloatArray) -> JointPrior:
    """What the box with its port closed tells: stiffness of the air; conductance, air and place of the leak are alike.

    A leak is 1/(QL w) there and here; the softening of the air may be another at another frequency.
    """
    ratio = closed.model.reference_rad_s / model.tuning_rad_s(model.read(start))
    scales = {"ln_alpha": 1.0, "leak": ratio}
    if closed.covariance[closed.index("leak_mass"), closed.index("leak_mass")] > 0:  # the air in the leak shows
        scales |= {"leak_mass": 1 / ratio, "leak_place": 1.0}
    there, scale = closed.model.layout.indices(scales), np.diag([*scales.values()])
    values = scale @ closed.parameters[there]
    spread = scale @ closed.covariance[np.ix_(there, there)] @ scale
    alike = [ALIKE_STD**2 + (SOFT_ALIKE * closed.numbers.inside.soft) ** 2, *(LEAK_ALIKE_STD * values[1:]) ** 2]
    return JointPrior(tuple(scales), values, spread + np.diag(alike))


def _beyond_the_lumps(model: BoxModel, parameters: FloatArray) -> FloatArray:
    """A leak has a place on each standing wave, not one on all; in a vented box what is no leak is loss of the port."""
    box, layout = model.read(parameters), model.layout
    leak = LEAK_WAVES_STD * box.inside.leak * bool(model.own.size)
    direction = layout.changed(np.zeros(parameters.size), leak=leak)
    if box.port is None:
        return np.outer(direction, direction)
    direction = layout.changed(direction, port_loss=-leak)
    added = np.outer(direction, direction)
    lost = abs(box.inside.absorption) + abs(box.port.cone_loss) + abs(box.port.port_loss)
    tuning = layout.index("ln_wb")
    added[tuning, tuning] += TUNING_STD**2 + (TUNING_LOSS_STD * lost) ** 2
    return added


def _shared(model: BoxModel, covariance: FloatArray, priors: BoxPriors) -> tuple[FloatArray, FloatArray]:
    """Covariance of what all states of a box share, and what the parameters owe to it."""
    driver, known = priors.driver, len(priors.driver.names)
    spread = np.zeros((known + len(COMMON), known + len(COMMON)))
    gain = np.zeros((covariance.shape[0], known + len(COMMON)))
    spread[:known, :known] = driver.covariance
    gain[:, :known] = covariance[:, model.layout.indices(driver.names)] @ np.linalg.inv(driver.covariance)
    for place, name in enumerate(COMMON, start=known):
        std = priors.std(name)
        if std is not None:
            spread[place, place], gain[:, place] = std**2, covariance[:, model.layout.index(name)] / std**2
    return spread, gain
