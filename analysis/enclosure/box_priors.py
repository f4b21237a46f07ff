"""What is known of a box and of the driver in it before an in-box take is fitted."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from stillbox.analysis.lumped.box_model import (
    ABSORPTION,
    BEHIND,
    CONE_LOSS,
    FRONT,
    KAPPA,
    LEAK,
    LEAK_MASS,
    LEAK_PLACE,
    LN_ALPHA,
    LN_BEHIND_LOSS,
    LN_BEHIND_TURN,
    LN_BEHIND_W,
    LN_FRONT_S,
    LN_HELD,
    LN_SOFT_W,
    LN_WAY,
    LN_WB,
    MU,
    PORT_LOSS,
    SOFT,
    USUAL_PLACE,
    WAY,
    WAY_PORT,
    WAY_SHARED,
    BoxModel,
)
from stillbox.analysis.lumped.cone_resonances import ConeResonances
from stillbox.analysis.lumped.driver import DriverFit
from stillbox.analysis.lumped.driver_model import AIR, CREEP, FIRST_COIL, LN_AIR_S, LN_QMS, LN_RE, LN_SCALE, LN_WS
from stillbox.analysis.lumped.lumped_steps import Prior
from stillbox.analysis.maths.quantity import Quantity
from stillbox.analysis.physics.volume import Softening
from stillbox.capture.arrays import FloatArray

MU_PRIOR = (0.01, 0.04)
"""Air load of the box over the moving mass, beyond that of its standing waves and less that of free air."""
FRONT_STD, FRONT_LATER, FRONT_LATER_STD = (0.1, 0.003), 9 * np.pi / 48 / 0.2925, 0.15
"""Air before the front over the moving mass is that of the free air (8/3 rho a^3 before a wall, and of a disc that
swings [M]), give or take this part of it and of the moving mass; it radiates from a time on that is so much longer than
that of the free air (9 pi/48 and 0.2925 of a/c [M]), give or take this much of its logarithm."""
LEAK_STD = 0.15
"""1/QL before the fit, around 0: QL 7 is usual (Small 1973 [M])."""
LOSS_STD = 0.3
"""1/QA before the fit, around 0, as long as nothing is known of the air."""
PORT_LOSS_PRIOR = (0.02, 0.05)
"""1/QP before the fit: 50 and more for a smooth port (Small 1973 has 50 to 100 [M]), less with its grille."""
LEAK_MASS_PRIOR, LEAK_MASS_AT = (0.0, 0.25), 2 * np.pi * 60.0
"""Reactance over resistance of a leak at an angular frequency: of a slit w rho g^2/(10 mu) (12 mu and 6/5 rho: Zwikker
and Kosten 1949 [M]), at 60 Hz 0.06 for 0.15 mm, 0.25 for 0.3 mm, 0.7 for 0.5 mm; none of a wick or
a porous joint."""
GAP_STD, GAP_MASS = 1.0, (1.0, 1.0)
"""1/QL and reactance over resistance of a gap as wide as a small port: slits of one to two millimetres."""
LEAK_PLACE_STD = 0.8
"""A leak may sit at the cone's rim (1) or at the far end of the box (-1)."""
SOFT_STD, LINED_SOFT = 0.003, 0.5
"""Softening of the air by filling before the fit: without filling (walls give back heat too), and over the loss that
the air in the box shows where there is filling; 0.4 is the most that there is (isothermal)."""
MOST_SOFT = 0.2
USUAL_SOFT_W, LN_SOFT_W_STD = float(np.log(250.0)), 1.3
"""ln ``wt`` where nothing is told: loose fibre has 40 to 200 rad/s, felt and foam 300 to 3000."""
BEHIND_STD, BEHIND_W, LN_BEHIND_STD = 1.0, 2.5, 1.0
"""Part of the air in filling: anything. The speed of sound over the length of the filling, 0.2 to 1 m, over the
resonance of the box."""
LN_DRAG, LN_TURN = (7.0, 1.0), (4.2, 1.0)
"""Flow resistivity over the density of the air, and over that of the fibre, in rad/s: 400 to 4000 Pa s/m^2, 5 to
15 kg/m^3. Held fibre is as good as turning below the band."""
WAY_STD, WAY_TURN, LN_WAY_STD = 0.3, 0.6, 0.8
"""Filling on the way to the port: its resistance over that of box and port at the tuning, and where it begins to let
the air through, over the tuning: fibre of 5 to 10 kg/m^3 with 500 to 5000 Pa s/m^2 at 15 to 100 Hz."""
WAY_SHARED_PRIOR, WAY_PORT_PRIOR = (0.35, 0.15), (1.3, 0.5)
"""How much of it counts in what cone and port share (the part of the air on the cone's side: less than half, the port
is the far one) and before the port, whose mouth it is nearer to (from its balance with the first, and the mouth)."""
KAPPA_LEAST_STD = 0.003
"""Least uncertainty of kappa wB^2."""
KAPPA_PER_MASS = (-0.15, 0.25)
"""kappa over the air mass that the cone alone feels, mean and standard deviation, where nothing is told of the inside:
of 400 usual boxes (`analysis.physics.shared_air`), a port's length inside."""
RE_STD = 0.1
"""ln Re in the box around that in free air: the coil may be warm."""
CHANGE_STD = 1.0
"""A small resonance was found to about its own size and width."""
AT_REST_STD, AT_REST_LEAST_STD = 0.3, 0.003
"""Resistance that a standing wave leaves at low frequency, over its strength: 1/Q where the moving air has the loss
(lining, stuffing). Its uncertainty, over 1/Q, and the least."""
SHARED_LOSS_STD, SHARED_LOSS_LEAST_STD = 0.1, 0.003
"""Of 1/QA, in units of the loss that the standing waves have at the tuning; and the least."""
LINED_LOSS = 0.05
"""Loss of the standing waves from which on the share follows the lining more than the places of cone and port."""
CONE_LOSS_LEAST_STD = 0.003
HIDDEN_SHARE = (0.3, 0.5)
"""Part of the loss that the cone meets in well damped air that it shares with the port: mean, standard deviation."""
FILLED_STD = (0.04, 0.1)
"""Least of 1/QA and 1/QP in a box that is told to be filled: it may lie where the cone does not meet it."""
CHANGED_STD = (0.03, 0.1, 0.02)
"""Freedom in ln ws, ln Qms and ln(Bl^2/Mms) of a driver that has changed."""
REPEATED_STD = (0.003, 0.01, 0.001)
"""Of ln ws, ln Qms and ln(Bl^2/Mms) from one take to the next: playing in, temperature (usual, no source)."""
CREEP_REPEATED_STD = 0.006
"""Of lambda, a tenth of a usual one: it goes with warmth and playing as the suspension does (usual, no source)."""
COIL_REPEATED_STD = 0.003
"""Of the coil's parameters: eddy currents and inductance are those of free air, but for a degree of what is warm around
it (copper and aluminium change by 0.4 %)."""
DRIFT = 1e-6
"""Least standard deviation of what is known of the driver, so that nothing is known infinitely well."""


@dataclass(frozen=True)
class BoxPriors:
    """What is known: of the driver; of the box, number by number; and more (pairs, losses together, coil)."""

    driver: Prior
    box: Prior
    more: tuple[Prior, ...]

    @property
    def all(self) -> tuple[Prior, ...]:
        return (self.driver, self.box, *self.more)

    def relaxed(self) -> BoxPriors:
        """The same for a driver whose suspension or temperature has changed since."""
        freedom = np.zeros(len(self.driver.index))
        freedom[:3] = CHANGED_STD
        freer = replace(self.driver, covariance=self.driver.covariance + np.diag(freedom**2))
        return replace(self, driver=freer)

    def gaping(self, model: BoxModel) -> BoxPriors:
        """The same for a box with a gap like a small port."""
        values, covariance = self.box.values.copy(), self.box.covariance.copy()
        leak, mass = (self.box.index.index(model.first_box + name) for name in (LEAK, LEAK_MASS))
        values[mass], covariance[mass, mass], covariance[leak, leak] = GAP_MASS[0], GAP_MASS[1] ** 2, GAP_STD**2
        return replace(self, box=replace(self.box, values=values, covariance=covariance))

    def stuffed(self, model: BoxModel) -> BoxPriors:
        """The same for a box with air in filling that may give way."""
        values = self.box.values.copy()
        values[self.box.index.index(model.first_box + LN_BEHIND_TURN)] = LN_TURN[0]
        return replace(self, box=replace(self.box, values=values))

    def value(self, index: int) -> float:
        """What one of the box's numbers is held for beforehand."""
        return float(self.box.values[self.box.index.index(index)])

    def std(self, index: int) -> float | None:
        """Standard deviation of one of the box's numbers; None where nothing is known of it."""
        if index not in self.box.index:
            return None
        place = self.box.index.index(index)
        return float(np.sqrt(self.box.covariance[place, place]))


@dataclass(frozen=True)
class Met:
    """Loss that the air in the box shows at the tuning, as 1/Q.

    Attributes
    ----------
    waves : float
        Of the standing waves that were found.
    hidden : float
        What the cone meets beyond them: lining that leaves no wave to be seen.
    """

    waves: float
    hidden: float

    @property
    def all(self) -> float:
        return self.waves + self.hidden


def box_priors(
    model: BoxModel,
    start: FloatArray,
    driver: DriverFit,
    shared_air: Quantity | None = None,
    softening: Softening | None = None,
    hidden: float | None = None,
    told: tuple[Prior, ...] = (),
) -> BoxPriors:
    """Everything that is known before the fit.

    Parameters
    ----------
    model : BoxModel
    start : ndarray
        Parameters from which the fit starts: size and loss of what stands in the air are taken from there.
    driver : DriverFit
    shared_air : Quantity, optional
        kappa in s^2, see `analysis.physics.shared_air`; None: guessed from the standing waves found.
    softening : Softening, optional
        How much softer filling makes the air at low frequency; None: guessed from the loss that the air shows.
    hidden : float, optional
        Loss that the cone meets beyond the standing waves; None while that is not known yet.
    told : tuple of Prior
        What another take of the same box has told.
    """
    front, front_time = front_known(driver)
    met = Met(waves_loss(model, start), hidden or 0.0)
    turn = float(np.log(BEHIND_W * model.reference_rad_s))
    swing = _tuning(model, start) / LEAK_MASS_AT
    known = [
        (LN_RE, driver.parameters[LN_RE], RE_STD),
        (model.first_box + MU, *MU_PRIOR),
        (model.first_box + FRONT, *front),
        (model.first_box + LN_FRONT_S, *front_time),
        (model.first_box + LEAK, 0.0, LEAK_STD),
        (model.first_box + LEAK_MASS, LEAK_MASS_PRIOR[0] * swing, LEAK_MASS_PRIOR[1] * swing),
        (model.first_box + LEAK_PLACE, USUAL_PLACE, LEAK_PLACE_STD),
        (model.first_box + SOFT, *_soft(softening, met)),
        (model.first_box + LN_SOFT_W, *_soft_turn(softening)),
        (model.first_box + BEHIND, 0.0, BEHIND_STD),
        (model.first_box + LN_BEHIND_W, turn, LN_BEHIND_STD),
        (model.first_box + LN_BEHIND_LOSS, *LN_DRAG),
        (model.first_box + LN_BEHIND_TURN, LN_HELD, LN_TURN[1]),
    ]
    if model.vented:
        known += _vented(model, start, shared_air, met, hidden is not None, softening is not None)
        known += [
            (model.first_box + WAY, 0.0, WAY_STD),
            (model.first_box + LN_WAY, float(np.log(WAY_TURN)), LN_WAY_STD),
            (model.first_box + WAY_SHARED, *WAY_SHARED_PRIOR),
            (model.first_box + WAY_PORT, *WAY_PORT_PRIOR),
        ]
    else:
        known.append((model.first_box + ABSORPTION, 0.0, LOSS_STD))
    own = range(model.own_changes.start, model.own_changes.stop)
    known += [(index, 0.0, CHANGE_STD) for index in own]
    values = np.array([value for _, value, _ in known])
    box = Prior(tuple(index for index, _, _ in known), values, np.diag([std**2 for _, _, std in known]))
    more = [*told]
    if own:
        value, rows = model.own.at_rest()
        reciprocal_q, std = at_rest(model.own)
        more.append(Prior(tuple(own), reciprocal_q - value, np.diag(std**2), rows))
        if hidden is not None and model.vented:
            # What the cone meets, it meets once: in the standing waves, or here.
            both = (model.first_box + ABSORPTION, model.first_box + CONE_LOSS)
            variance = CONE_LOSS_LEAST_STD**2 + (0.5 * hidden) ** 2
            more.append(Prior(both, np.array([hidden]), np.array([[variance]]), np.ones((1, 2))))
    return BoxPriors(_driver_prior(driver, model), box, tuple(more))


def front_known(driver: DriverFit) -> tuple[tuple[float, float], tuple[float, float]]:
    """Mean and standard deviation of ``FRONT`` and of ``LN_FRONT_S``, from the free air around the driver."""
    first = driver.model.air.start
    part, time = first + AIR, first + LN_AIR_S
    std = np.sqrt(np.diag(driver.covariance))
    value, later = float(driver.parameters[part]), float(driver.parameters[time] + np.log(FRONT_LATER))
    spread = float(np.linalg.norm([std[part], FRONT_STD[0] * value, FRONT_STD[1]]))
    return (value, spread), (later, float(np.hypot(std[time], FRONT_LATER_STD)))


def _soft(softening: Softening | None, met: Met) -> tuple[float, float]:
    """Mean and standard deviation of the softening."""
    if softening is not None:
        return softening.part.value, float(np.hypot(SOFT_STD, softening.part.std))
    return 0.0, float(np.hypot(SOFT_STD, min(MOST_SOFT, LINED_SOFT * met.all)))


def _soft_turn(softening: Softening | None) -> tuple[float, float]:
    """Mean and standard deviation of where it turns, ln of rad/s."""
    return (USUAL_SOFT_W, LN_SOFT_W_STD) if softening is None else (softening.ln_turn, softening.ln_turn_std)


def at_rest(pairs: ConeResonances) -> tuple[FloatArray, FloatArray]:
    """Resistance at rest of each pair over its strength as known beforehand: 1/Q, and its standard deviation."""
    reciprocal_q = 2 * np.abs(pairs.poles_rad_s.real / pairs.poles_rad_s)
    return reciprocal_q, AT_REST_STD * reciprocal_q + AT_REST_LEAST_STD


def _driver_prior(driver: DriverFit, model: BoxModel) -> Prior:
    """Cone, coil and small resonances of the driver as known from free air."""
    cone = [LN_WS, LN_QMS, LN_SCALE] + ([CREEP] if driver.creep else [])
    first = FIRST_COIL + driver.coil.size
    cone += range(FIRST_COIL, first)
    there = [*cone, *range(first, first + driver.small.size)]
    here = [*cone, *range(model.changes.start, model.changes.start + driver.small.size)]
    apart = np.full(len(there), DRIFT**2)
    apart[:3] += np.square(REPEATED_STD)
    if driver.creep:
        apart[3] += CREEP_REPEATED_STD**2
    apart[len(cone) - driver.coil.size : len(cone)] += COIL_REPEATED_STD**2
    covariance = driver.covariance[np.ix_(there, there)] + np.diag(apart)
    return Prior(tuple(here), driver.parameters[there], covariance)


def _strengths(model: BoxModel, start: FloatArray) -> FloatArray:
    """Of each standing wave r/(s - p) + ..., which is 2 abs(r/p) (1/Q + s/abs(p)) far below p, over the stiffness."""
    own = model.own
    stiffness = float(np.exp(start[model.first_box + LN_ALPHA] + 2 * start[LN_WS]))
    return np.asarray(2 * np.abs(own.residues / own.poles_rad_s) * _tuning(model, start) / stiffness)


def _tuning(model: BoxModel, start: FloatArray) -> float:
    return float(np.exp(start[model.first_box + LN_WB])) if model.vented else model.reference_rad_s


def waves_loss(model: BoxModel, x: FloatArray) -> float:
    """Loss that the standing waves have at the tuning, as 1/Q."""
    poles = model.own.poles_rad_s
    return float(np.sum(_strengths(model, x) * 2 * np.abs(poles.real / poles)))


def before_the_port(model: BoxModel, x: FloatArray) -> tuple[float, float]:
    """What filling on the way to the port has of the losses of the port's air, as 1/Q, and its standard deviation.

    Beforehand the air before the port loses what that before the cone does, give or take as much, and the port itself
    `PORT_LOSS_PRIOR`; the sum is what was found.
    """
    hidden = float(x[model.first_box + ABSORPTION] + x[model.first_box + CONE_LOSS])
    filling = waves_loss(model, x) + max(hidden, 0.0)
    total = float(x[model.first_box + PORT_LOSS])
    port, std = PORT_LOSS_PRIOR
    part = filling**2 / (filling**2 + std**2)
    own = min(max(filling + part * (total - port - filling), 0.0), total)
    return own, std * float(np.sqrt(part))


def _vented(
    model: BoxModel, start: FloatArray, shared_air: Quantity | None, met: Met, known: bool, filled: bool
) -> list[tuple[int, float, float]]:
    """Index, mean and standard deviation: port loss, and the air's mass and loss that cone and port share.

    Mass and loss of the air that the cone alone meets are seen in the box's standing waves; the shared part of both
    is the same share, told by the places of cone and port where they are known. ``known``: what the cone meets beyond
    the standing waves is known. ``filled``: filling is told of.
    """
    first, wb = model.first_box, _tuning(model, start)
    mass = float(np.sum(_strengths(model, start) * wb / np.abs(model.own.poles_rad_s)))
    if shared_air is None:
        kappa, kappa_std = KAPPA_PER_MASS[0] * mass, KAPPA_PER_MASS[1] * mass
    else:
        kappa, kappa_std = shared_air.value * wb**2, shared_air.std * wb**2
    air = [(first + KAPPA, kappa, float(np.hypot(kappa_std, KAPPA_LEAST_STD)))]
    if not known:
        return [
            *air,
            (first + PORT_LOSS, *PORT_LOSS_PRIOR),
            (first + ABSORPTION, 0.0, LOSS_STD),
            (first + CONE_LOSS, 0.0, LOSS_STD),
        ]
    share = float(np.clip(kappa / mass, -1.0, 1.0)) if mass else 0.0
    loss, hidden = met.waves, met.hidden
    spread = (SHARED_LOSS_STD * (1 + loss / LINED_LOSS) if shared_air else 1.0) * loss
    least, port_least = FILLED_STD if filled else (SHARED_LOSS_LEAST_STD, 0.0)
    shared_std = float(np.linalg.norm([spread, HIDDEN_SHARE[1] * hidden, least]))
    # Whatever the cone alone meets is filling, or loss that is counted with the waves already.
    cone_std = float(np.linalg.norm([CONE_LOSS_LEAST_STD, loss, hidden, least]))
    port, port_std = PORT_LOSS_PRIOR[0], float(np.hypot(PORT_LOSS_PRIOR[1], port_least))
    return [
        *air,
        # The air before the port loses about what that before the cone does.
        (first + PORT_LOSS, port + met.all, float(np.hypot(port_std, met.all))),
        (first + ABSORPTION, share * loss + HIDDEN_SHARE[0] * hidden, shared_std),
        (first + CONE_LOSS, hidden - share * loss - HIDDEN_SHARE[0] * hidden, cone_std),
    ]
