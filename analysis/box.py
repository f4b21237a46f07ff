"""Closed and vented boxes: the complete lumped model fitted to an in-box take, the driver known beforehand.

The driver's parameters from free air are a prior; the box adds its stiffness, tuning, leak, absorption, port loss and
air load. A leak or a port loss that comes out negative is set to zero (neither can amplify) and the rest is fitted
again. Absorption may come out a little negative: cone and port at opposite ends of lossy air share less of its loss
than lumped elements can say.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from threadpoolctl import threadpool_limits

from analysis.box_model import ABSORPTION, CONE_LOSS, KAPPA, LEAK, LEAK_MASS, LN_ALPHA, LN_WB, MU, PORT_LOSS, BoxModel
from analysis.cone_resonances import ConeResonances, cone_resonances
from analysis.driver import DriverFit, coil_prior
from analysis.driver_model import CREEP, FIRST_COIL, LN_QMS, LN_RE, LN_SCALE, LN_WS
from analysis.findings import ResonanceFit
from analysis.impedance import ImpedanceSpectrum
from analysis.lumped_fit import CellData, LumpedFit, Prior, cell_data, covariance_at, fit_lumped, misfit_factor
from analysis.quantity import Quantity, derived
from capture.arrays import ComplexArray, FloatArray
from capture.errors import StillboxError

MU_PRIOR = (0.01, 0.04)
"""Air load of the box over the moving mass, beyond that of its standing waves and less that of free air."""
LEAK_STD = 0.15
"""1/QL before the fit, around 0: QL 7 is usual (Small 1973 [M])."""
LOSS_STD = 0.3
"""1/QA before the fit, around 0, as long as nothing is known of the air."""
PORT_LOSS_PRIOR = (0.02, 0.05)
"""1/QP before the fit: 50 and more for a smooth port (Small 1973 has 50 to 100 [M]), less with grille and lining."""
LEAK_MASS_STD = 0.15
"""Reactance over resistance of a leak: slits up to half a millimetre, and the air before them."""
KAPPA_LEAST_STD = 0.003
"""Least uncertainty of kappa wB^2."""
KAPPA_PER_MASS = 0.6
"""kappa where the inside of the box is not known: about so much of the air mass that the cone alone feels."""
BROAD_Q = 0.8
"""Least Q of what may be a standing wave in a lining."""
LEAK_EVIDENCE = 4.0
"""Chi-square that a leak must explain to be kept."""
RE_STD = 0.1
"""ln Re in the box around that in free air: the coil may be warm."""
CHANGE_STD = 1.0
"""A small resonance was found to about its own size and width."""
LEAK_PLACE_STD = 0.05
"""Relative, of 1/QL: the pressure at the leak is not that at the cone."""
AT_REST_STD, AT_REST_LEAST_STD = 0.3, 0.003
"""Resistance that a standing wave leaves at low frequency, over its strength: 1/Q where the moving air has the loss
(lining, stuffing). Its uncertainty, over 1/Q, and the least."""
STRAY = 4.0
"""Standard deviations of that from which on a pair does not start as it was found."""
SHARED_LOSS_STD, SHARED_LOSS_LEAST_STD = 0.1, 0.003
"""Of 1/QA, in units of the loss that the standing waves have at the tuning; and the least."""
LINED_LOSS = 0.05
"""Loss of the standing waves from which on the share follows the lining more than the places of cone and port."""
CONE_LOSS_LEAST_STD = 0.003
HIDDEN_SHARE = (0.3, 0.5)
"""Part of the loss that the cone meets in well damped air that it shares with the port: mean, standard deviation."""
COMMON = (MU, LEAK_MASS, KAPPA)
"""What is known of them beforehand is the same in every state of a box."""
POOR = 3.0
"""Reduced chi-square from which on the driver may have changed."""
CHANGED_STD = (0.03, 0.1, 0.02)
"""Freedom in ln ws, ln Qms and ln(Bl^2/Mms) of a driver that has changed."""
DRIFT = 1e-6
"""Least standard deviation of what is known of the driver, so that nothing is known infinitely well."""
START_LOSS = 0.05
LOOSE, TIGHT = 0.3, 1e-3
TRIAL_STEPS = 40
"""Of the fit without a leak: where there is one it need not end, but where there is none it must, else what it still
lacks passes for evidence of a leak."""
ROUGH = 1e-3


@dataclass(frozen=True)
class BoxFit:
    """A box with its driver.

    Attributes
    ----------
    vented : bool
    model : BoxModel
        What the parameters belong to.
    parameters, covariance : ndarray
        Of `analysis.box_model`; covariance from the noise of both takes.
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
    warnings: tuple[str, ...] = ()

    def impedance_ohm(self, frequency_hz: FloatArray) -> ComplexArray:
        """The whole fitted model, shape of ``frequency_hz``."""
        return self.model(2j * np.pi * np.asarray(frequency_hz), self.parameters)[0]

    def box(self, index: int) -> int:
        """Place of one of the box's parameters."""
        return self.model.first_box + index

    def of(self, function: Callable[[FloatArray], float], unit: str = "") -> Quantity:
        """A quantity that follows from the parameters."""
        return derived(function, self.parameters, self.covariance, unit)

    @cached_property
    def alpha(self) -> Quantity:
        """Compliance of the suspension over that of the box's air."""
        return self.of(lambda x: float(np.exp(x[self.box(LN_ALPHA)])))

    @cached_property
    def fb_hz(self) -> Quantity | None:
        """Tuning of box and port; None for a closed box."""
        if not self.vented:
            return None
        return self.of(lambda x: float(np.exp(x[self.box(LN_WB)]) / (2 * np.pi)), "Hz")

    @cached_property
    def h(self) -> Quantity | None:
        """fB / fs."""
        if not self.vented:
            return None
        fs_hz = self.driver.fs_hz.value
        return self.of(lambda x: float(np.exp(x[self.box(LN_WB)])) / (2 * np.pi * fs_hz))

    def loss(self, index: int) -> Quantity | None:
        """1/Q of ``LEAK``, ``ABSORPTION`` or ``PORT_LOSS``; None where the fit set it to zero."""
        if self.parameters[self.box(index)] == 0:
            return None
        return self.of(lambda x: float(x[self.box(index)]))


# The matrices are small: threads of the linear algebra only get in each other's way.
@threadpool_limits.wrap(limits=1, user_api="blas")
def fit_box(
    spectrum: ImpedanceSpectrum,
    resonances: ResonanceFit,
    driver: DriverFit,
    vented: bool | None = None,
    shared_air: Quantity | None = None,
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
        kappa in s^2 from the inside of the box and the places of cone and port, see `analysis.shared_air`; left out,
        it is guessed from the standing waves that the take shows.

    Raises
    ------
    StillboxError
        If there is no motional peak, or only one where a vented box is said to be.
    """
    if not resonances.motional:
        raise StillboxError("no motional peak shows in the in-box take; check that the driver is on the clips")
    is_vented = len(resonances.motional) > 1 if vented is None else vented
    if is_vented and len(resonances.motional) < 2:
        raise StillboxError(
            "the build has a port, but the in-box take shows one motional peak only, at "
            f"{resonances.motional[0].frequency_hz:.1f} Hz; check that the port is open, or that the sweep starts "
            "below half of the tuning"
        )
    data = cell_data(spectrum, resonances)
    model, start = _start(resonances, driver, is_vented)
    driver_prior = _driver_prior(driver, model)
    priors = (driver_prior, *_box_priors(model, driver, start, shared_air), *coil_prior(driver.coil))
    losses = [LEAK, LEAK_MASS, PORT_LOSS] if is_vented else [LEAK, LEAK_MASS]
    rough = _from_start(data, model, start, priors, losses, driver)
    if is_vented:
        places = [model.first_box + ABSORPTION, model.first_box + CONE_LOSS]
        met = max(0.0, float(rough.parameters[places].sum()))
        priors = (driver_prior, *_box_priors(model, driver, start, shared_air, met), *coil_prior(driver.coil))
        start[places] = 0.0, met
        rough = _from_start(data, model, start, priors, losses, driver)
    changed = False
    if rough.reduced_chi_square > POOR or _prior_chi_square(rough, driver_prior) > POOR**2 * len(driver_prior.index):
        freer_priors = (_relaxed(driver_prior), *priors[1:])
        freer = _from_start(data, model, start, freer_priors, losses, driver)
        if freer.total_chi_square < 0.5 * rough.total_chi_square:
            rough, driver_prior, priors, changed = freer, freer_priors[0], freer_priors, True
    factor = misfit_factor(rough)
    data = data.weakened(factor) if np.any(factor > 1) else data
    fit = _nonnegative(data, model, rough.parameters, priors, losses, driver, TIGHT)
    if model.first_box + LEAK in fit.moving:
        wanted = fit.total_chi_square + LEAK_EVIDENCE
        tight = _nonnegative(data, model, fit.parameters, priors, losses[2:], driver, TIGHT, TRIAL_STEPS, wanted)
        if tight.total_chi_square < wanted:
            fit = tight
    covariance = _covariance(data, model, fit, priors)
    shared = _shared(model, covariance, driver_prior, priors[1])
    return BoxFit(
        vented=is_vented,
        model=model,
        parameters=fit.parameters,
        covariance=covariance + _structural(model, fit.parameters),
        shared_covariance=shared[0],
        shared_gain=shared[1],
        driver=driver,
        resonances=resonances,
        leak_std=float(np.sqrt(covariance[model.first_box + LEAK, model.first_box + LEAK])),
        driver_changed=changed,
        reduced_chi_square=rough.reduced_chi_square,
        band_hz=(float(data.frequency_hz[0]), float(data.frequency_hz[-1])),
        warnings=resonances.warnings,
    )


def _start(resonances: ResonanceFit, driver: DriverFit, vented: bool) -> tuple[BoxModel, FloatArray]:
    """Model and parameters from the pairs of the mechanical impedance: one of them is the tuning of a vented box.

    The driver's own small resonances come first, then those that only the box has.
    """
    found = cone_resonances(resonances, BROAD_Q)
    ws2 = float(np.exp(2 * driver.parameters[LN_WS]))
    if vented:
        tuning = _tuning_pair(found, resonances)
        pole, residue = found.poles_rad_s[tuning], found.residues[tuning]
        found = found.only(np.arange(found.poles_rad_s.size) != tuning)
        wb, loss = abs(pole), 2 * abs(pole.real) / abs(pole)
        box = [0.03, np.log(max(2 * residue.real / ws2, 0.05)), loss / 3, 0.0, loss / 3, np.log(wb), loss / 3, 0.0, 0.0]
    else:
        pole = max(resonances.motional, key=lambda r: r.height_ohm).pole_rad_s
        wb = abs(pole)
        load = found.load(np.array([1j * wb]), np.zeros(found.size))[0].imag / wb
        box = [0.0, np.log(max((1 + load) * wb**2 / ws2 - 1, 0.05)), 0.02, 0.0, 0.02]
    own = found.apart_from(driver.small.moved(driver.changes))
    own = own.settled(STRAY * _at_rest(own)[1])
    model = BoxModel(driver.coil, driver.small.joined(own), vented, wb)
    return model, np.concatenate([driver.lumped, box, driver.changes, np.zeros(own.size)])


def _tuning_pair(small: ConeResonances, resonances: ResonanceFit) -> int:
    """The pair of the mechanical impedance between the two motional peaks."""
    low, high = (r.frequency_hz for r in resonances.motional[:2])
    frequency_hz = np.abs(small.poles_rad_s) / (2 * np.pi)
    between = (frequency_hz > low) & (frequency_hz < high)
    if not np.any(between):
        raise StillboxError(
            f"no tuning shows between the motional peaks at {low:.1f} and {high:.1f} Hz; check that the port is open"
        )
    return int(np.argmax(np.where(between, np.abs(small.residues), 0.0)))


def _driver_prior(driver: DriverFit, model: BoxModel) -> Prior:
    """Cone and its small resonances as known from free air."""
    cone = [LN_WS, LN_QMS, LN_SCALE] + ([CREEP] if driver.creep else [])
    first = FIRST_COIL + driver.coil.size
    there = [*cone, *range(first, first + driver.small.size)]
    here = [*cone, *range(model.changes.start, model.changes.start + driver.small.size)]
    covariance = driver.covariance[np.ix_(there, there)] + DRIFT**2 * np.eye(len(there))
    return Prior(tuple(here), driver.parameters[there], covariance)


def _relaxed(prior: Prior) -> Prior:
    """The same for a driver whose suspension or temperature has changed since."""
    freedom = np.zeros(len(prior.index))
    freedom[:3] = CHANGED_STD
    return replace(prior, covariance=prior.covariance + np.diag(freedom**2))


def _box_priors(
    model: BoxModel,
    driver: DriverFit,
    start: FloatArray,
    shared_air: Quantity | None,
    met: float | None = None,
) -> tuple[Prior, ...]:
    known = [
        (LN_RE, driver.parameters[LN_RE], RE_STD),
        (model.first_box + MU, *MU_PRIOR),
        (model.first_box + LEAK, 0.0, LEAK_STD),
        (model.first_box + LEAK_MASS, 0.0, LEAK_MASS_STD),
    ]
    if model.vented:
        known += _vented_priors(model, driver, start, shared_air, met)
    else:
        known.append((model.first_box + ABSORPTION, 0.0, LOSS_STD))
    own = range(model.changes.start + driver.small.size, model.changes.stop)
    known += [(index, 0.0, CHANGE_STD) for index in own]
    values = np.array([value for _, value, _ in known])
    priors: tuple[Prior, ...] = (
        Prior(tuple(index for index, _, _ in known), values, np.diag([std**2 for _, _, std in known])),
    )
    if not own:
        return priors
    value, rows = own_pairs(model, driver).at_rest()
    reciprocal_q, std = _at_rest(own_pairs(model, driver))
    priors = (*priors, Prior(tuple(own), reciprocal_q - value, np.diag(std**2), rows))
    if met is None:
        return priors
    # What the cone meets, it meets once: in the standing waves, or here.
    both = (model.first_box + ABSORPTION, model.first_box + CONE_LOSS)
    variance = CONE_LOSS_LEAST_STD**2 + (0.5 * met) ** 2
    return (*priors, Prior(both, np.array([met]), np.array([[variance]]), np.ones((1, 2))))


def _at_rest(pairs: ConeResonances) -> tuple[FloatArray, FloatArray]:
    """Resistance at rest of each pair over its strength as known beforehand: 1/Q, and its standard deviation."""
    reciprocal_q = 2 * np.abs(pairs.poles_rad_s.real / pairs.poles_rad_s)
    return reciprocal_q, AT_REST_STD * reciprocal_q + AT_REST_LEAST_STD


def own_pairs(model: BoxModel, driver: DriverFit) -> ConeResonances:
    """Small resonances of the box alone."""
    return model.small.only(np.arange(model.small.poles_rad_s.size) >= driver.small.poles_rad_s.size)


def _vented_priors(
    model: BoxModel, driver: DriverFit, start: FloatArray, shared_air: Quantity | None, met: float | None
) -> list[tuple[int, float, float]]:
    """Index, mean and standard deviation: port loss, and the air's mass and loss that cone and port share.

    Mass and loss of the air that the cone alone meets are seen in the box's standing waves; the shared part of both
    is the same share, told by the places of cone and port where they are known. ``met`` is the loss that the cone
    meets beyond the standing waves (lining that leaves none to be seen), None while that is not known yet.
    """
    first, own = model.first_box, own_pairs(model, driver)
    wb = float(np.exp(start[first + LN_WB]))
    stiffness = float(np.exp(start[first + LN_ALPHA] + 2 * start[LN_WS]))
    # A standing wave r/(s - p) + ... whose moving air has the loss is 2 abs(r/p) (1/Q + s/abs(p)) far below p.
    strength = 2 * np.abs(own.residues / own.poles_rad_s) * wb / stiffness
    mass = float(np.sum(strength * wb / np.abs(own.poles_rad_s)))
    loss = float(np.sum(strength * 2 * np.abs(own.poles_rad_s.real / own.poles_rad_s)))
    if shared_air is None:
        kappa, kappa_std = 0.0, KAPPA_PER_MASS * mass
    else:
        kappa, kappa_std = shared_air.value * wb**2, shared_air.std * wb**2
    air = [(first + KAPPA, kappa, float(np.hypot(kappa_std, KAPPA_LEAST_STD)))]
    if met is None:
        return [
            *air,
            (first + PORT_LOSS, *PORT_LOSS_PRIOR),
            (first + ABSORPTION, 0.0, LOSS_STD),
            (first + CONE_LOSS, 0.0, LOSS_STD),
        ]
    share = float(np.clip(kappa / mass, -1.0, 1.0)) if mass else 0.0
    spread = (SHARED_LOSS_STD * (1 + loss / LINED_LOSS) if shared_air else 1.0) * loss
    shared_std = float(np.linalg.norm([spread, HIDDEN_SHARE[1] * met, SHARED_LOSS_LEAST_STD]))
    port, port_std = PORT_LOSS_PRIOR
    return [
        *air,
        # The air before the port loses about what that before the cone does.
        (first + PORT_LOSS, port + loss + met, float(np.hypot(port_std, loss + met))),
        (first + ABSORPTION, share * loss + HIDDEN_SHARE[0] * met, shared_std),
        (first + CONE_LOSS, met - share * loss - HIDDEN_SHARE[0] * met, LOSS_STD),
    ]


def _fit(
    data: CellData,
    model: BoxModel,
    start: FloatArray,
    priors: tuple[Prior, ...],
    losses: list[int],
    driver: DriverFit,
    tolerance: float,
    iterations: int = 30,
    wanted: float = np.inf,
) -> LumpedFit:
    """Fit with the losses named; the others are zero."""
    known = (LEAK, LEAK_MASS, PORT_LOSS) if model.vented else (LEAK, LEAK_MASS)
    held = {model.first_box + loss for loss in known if loss not in losses}
    if not driver.creep:
        held.add(CREEP)
    begin = start.copy()
    begin[[index for index in held if index != CREEP]] = 0.0
    free = [index for index in range(start.size) if index not in held]
    return fit_lumped(data, model, begin, priors, free, iterations, tolerance, wanted)


def _from_start(
    data: CellData,
    model: BoxModel,
    start: FloatArray,
    priors: tuple[Prior, ...],
    losses: list[int],
    driver: DriverFit,
) -> LumpedFit:
    """First as if measured roughly, then sharply."""
    near = _fit(data.coarse(ROUGH), model, start, priors, losses, driver, LOOSE).parameters
    return _nonnegative(data, model, near, priors, losses, driver, LOOSE)


def _nonnegative(
    data: CellData,
    model: BoxModel,
    start: FloatArray,
    priors: tuple[Prior, ...],
    losses: list[int],
    driver: DriverFit,
    tolerance: float,
    iterations: int = 30,
    wanted: float = np.inf,
) -> LumpedFit:
    """Fit; as long as a loss is negative, set the most negative one (in its uncertainty) to zero and fit again."""
    kept = list(losses)
    while True:
        fit = _fit(data, model, start, priors, kept, driver, tolerance, iterations, wanted)
        places = [model.first_box + loss for loss in kept]
        if not kept or np.all(fit.parameters[places] >= 0):
            return fit
        relative = fit.parameters[places] / np.sqrt(np.diag(fit.covariance)[places])
        worst = kept.pop(int(np.argmin(relative)))
        if worst == LEAK and LEAK_MASS in kept:
            kept.remove(LEAK_MASS)  # without a leak there is no air in it
        start = fit.parameters


def _covariance(data: CellData, model: BoxModel, fit: LumpedFit, priors: tuple[Prior, ...]) -> FloatArray:
    """Covariance at the fit; a leak, the air in it and a loss of the port are uncertain even where the best guess is
    none, and what passes for one of them is uncertain with it."""
    known = {model.first_box + loss for loss in ((LEAK, LEAK_MASS, PORT_LOSS) if model.vented else (LEAK, LEAK_MASS))}
    free = set(fit.moving.tolist())
    if known <= free:
        return fit.covariance
    return covariance_at(data, model, fit.parameters, priors, sorted(free | known))


def _structural(model: BoxModel, parameters: FloatArray) -> FloatArray:
    """What lumped elements cannot tell: the pressure at a leak is not that at the cone; in a vented box what is no
    leak is loss of the port."""
    added = np.zeros((parameters.size, parameters.size))
    if not parameters[model.first_box + LEAK] or not model.small.size:
        return added
    direction = np.zeros(parameters.size)
    direction[model.first_box + LEAK] = LEAK_PLACE_STD * parameters[model.first_box + LEAK]
    if model.vented:
        direction[model.first_box + PORT_LOSS] = -direction[model.first_box + LEAK]
    return np.outer(direction, direction)


def _shared(
    model: BoxModel, covariance: FloatArray, driver_prior: Prior, box_prior: Prior
) -> tuple[FloatArray, FloatArray]:
    """Covariance of what all states of a box share, and what the parameters owe to it."""
    known = len(driver_prior.index)
    spread = np.zeros((known + len(COMMON), known + len(COMMON)))
    gain = np.zeros((covariance.shape[0], known + len(COMMON)))
    spread[:known, :known] = driver_prior.covariance
    gain[:, :known] = covariance[:, list(driver_prior.index)] @ np.linalg.inv(driver_prior.covariance)
    for place, name in enumerate(COMMON, start=known):
        index = model.first_box + name
        if index in box_prior.index:
            variance = box_prior.covariance[box_prior.index.index(index), box_prior.index.index(index)]
            spread[place, place], gain[:, place] = variance, covariance[:, index] / variance
    return spread, gain


def _prior_chi_square(fit: LumpedFit, prior: Prior) -> float:
    """How far the driver in the box is from the driver in free air, in units of its uncertainty."""
    difference = prior.root @ (fit.parameters[list(prior.index)] - prior.values)
    return float(difference @ difference)
