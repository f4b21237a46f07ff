"""What is known of a box and of the driver in it before an in-box take is fitted."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from stillbox.analysis.enclosure.box_model import BoxModel
from stillbox.analysis.enclosure.box_numbers import USUAL_INSIDE, USUAL_PORT
from stillbox.analysis.lumped.cone_resonances import ConeResonances
from stillbox.analysis.lumped.driver import DriverFit
from stillbox.analysis.lumped.driver_model import cone_of
from stillbox.analysis.lumped.lumped_steps import JointPrior, Prior
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
LN_SOFT_W_STD = 1.3
"""Of ln ``wt`` where nothing is told: loose fibre has 40 to 200 rad/s, felt and foam 300 to 3000."""
BEHIND_STD, BEHIND_W, LN_BEHIND_STD = 1.0, 2.5, 1.0
"""Part of the air in filling: anything. The speed of sound over the length of the filling, 0.2 to 1 m, over the
resonance of the box."""
LN_DRAG_STD, LN_TURN = 1.0, (4.2, 1.0)
"""Flow resistivity over the density of the air, and over that of the fibre, in rad/s: 400 to 4000 Pa s/m^2, 5 to
15 kg/m^3. Held fibre is as good as turning below the band."""
WAY_STD, LN_WAY_STD = 0.3, 0.8
"""Filling on the way to the port: its resistance over that of box and port at the tuning, and where it begins to let
the air through, over the tuning: fibre of 5 to 10 kg/m^3 with 500 to 5000 Pa s/m^2 at 15 to 100 Hz."""
WAY_SHARED_STD, WAY_PORT_STD = 0.15, 0.5
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
CHANGED_STD = {"ln_ws": 0.03, "ln_qms": 0.1, "ln_scale": 0.02}
"""Freedom of a driver that has changed."""
REPEATED_STD = {"ln_ws": 0.003, "ln_qms": 0.01, "ln_scale": 0.001, "creep": 0.006}
"""From one take to the next: playing in, temperature (usual, no source); of lambda, a tenth of a usual one."""
COIL_REPEATED_STD = 0.003
"""Of the coil's parameters: eddy currents and inductance are those of free air, but for a degree of what is warm around
it (copper and aluminium change by 0.4 %)."""
DRIFT = 1e-6
"""Least standard deviation of what is known of the driver, so that nothing is known infinitely well."""


@dataclass(frozen=True)
class BoxPriors:
    """What is known: of the driver; of the box, number by number; and more (pairs, losses together, coil)."""

    driver: JointPrior
    box: dict[str, Prior]
    more: tuple[JointPrior, ...]

    @cached_property
    def all(self) -> tuple[JointPrior, ...]:
        return (self.driver, JointPrior.of([*self.box.values()]), *self.more)

    def relaxed(self) -> BoxPriors:
        """The same for a driver whose suspension or temperature has changed since."""
        freedom = np.diag([CHANGED_STD.get(name, 0.0) ** 2 for name in self.driver.names])
        return replace(self, driver=replace(self.driver, covariance=self.driver.covariance + freedom))

    def gaping(self) -> BoxPriors:
        """The same for a box with a gap like a small port."""
        return self._with(replace(self.box["leak"], std=GAP_STD), Prior("leak_mass", *GAP_MASS))

    def stuffed(self) -> BoxPriors:
        """The same for a box with air in filling that may give way."""
        return self._with(Prior("ln_behind_turn", *LN_TURN))

    def _with(self, *others: Prior) -> BoxPriors:
        return replace(self, box={**self.box, **_by_name(others)})

    def value(self, name: str) -> float:
        """What one of the box's numbers is held for beforehand."""
        return self.box[name].mean

    def std(self, name: str) -> float | None:
        """Standard deviation of one of the box's numbers; None where nothing is known of it."""
        return self.box[name].std if name in self.box else None


def _by_name(priors: Iterable[Prior]) -> dict[str, Prior]:
    return {one.name: one for one in priors}


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
    told: tuple[JointPrior, ...] = (),
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
    told : tuple of JointPrior
        What another take of the same box has told.
    """
    front, front_time = front_known(driver)
    met = Met(waves_loss(model, start), hidden or 0.0)
    turn = float(np.log(BEHIND_W * model.reference_rad_s))
    swing = model.tuning_rad_s(model.read(start)) / LEAK_MASS_AT
    usual = USUAL_INSIDE
    known = [
        Prior("ln_re", cone_of(driver.parameters).ln_re, RE_STD),
        Prior("mu", *MU_PRIOR),
        Prior("front", *front),
        Prior("ln_front_s", *front_time),
        Prior("leak", usual.leak, LEAK_STD),
        Prior("leak_mass", LEAK_MASS_PRIOR[0] * swing, LEAK_MASS_PRIOR[1] * swing),
        Prior("leak_place", usual.leak_place, LEAK_PLACE_STD),
        Prior("soft", *_soft(softening, met)),
        Prior("ln_soft_w", *_soft_turn(softening)),
        Prior("behind", usual.behind, BEHIND_STD),
        Prior("ln_behind_w", turn, LN_BEHIND_STD),
        Prior("ln_behind_loss", usual.ln_behind_loss, LN_DRAG_STD),
        Prior("ln_behind_turn", usual.ln_behind_turn, LN_TURN[1]),
    ]
    if model.vented:
        known += _vented(model, start, shared_air, met, hidden is not None, softening is not None)
        known += [
            Prior("way", USUAL_PORT.way, WAY_STD),
            Prior("ln_way", USUAL_PORT.ln_way, LN_WAY_STD),
            Prior("way_shared", USUAL_PORT.way_shared, WAY_SHARED_STD),
            Prior("way_port", USUAL_PORT.way_port, WAY_PORT_STD),
        ]
    else:
        known.append(Prior("absorption", usual.absorption, LOSS_STD))
    own = model.layout.names[model.own_changes]
    known += [Prior(name, 0.0, CHANGE_STD) for name in own]
    more = [*told]
    if own:
        value, rows = model.own.at_rest()
        reciprocal_q, std = at_rest(model.own)
        more.append(JointPrior(own, reciprocal_q - value, np.diag(std**2), rows))
        if hidden is not None and model.vented:
            # What the cone meets, it meets once: in the standing waves, or here.
            variance = CONE_LOSS_LEAST_STD**2 + (0.5 * hidden) ** 2
            both = ("absorption", "cone_loss")
            more.append(JointPrior(both, np.array([hidden]), np.array([[variance]]), np.ones((1, 2))))
    return BoxPriors(_driver_prior(driver), _by_name(known), tuple(more))


def front_known(driver: DriverFit) -> tuple[tuple[float, float], tuple[float, float]]:
    """Mean and standard deviation of ``front`` and of ``ln_front_s``, from the free air around the driver."""
    air = driver.model.air_of(driver.parameters)
    std = driver.model.air_of(np.sqrt(np.diag(driver.covariance)))
    value, later = float(air.air_part), float(air.ln_air_s + np.log(FRONT_LATER))
    spread = float(np.linalg.norm([std.air_part, FRONT_STD[0] * value, FRONT_STD[1]]))
    return (value, spread), (later, float(np.hypot(std.ln_air_s, FRONT_LATER_STD)))


def _soft(softening: Softening | None, met: Met) -> tuple[float, float]:
    """Mean and standard deviation of the softening."""
    if softening is not None:
        return softening.part.value, float(np.hypot(SOFT_STD, softening.part.std))
    return 0.0, float(np.hypot(SOFT_STD, min(MOST_SOFT, LINED_SOFT * met.all)))


def _soft_turn(softening: Softening | None) -> tuple[float, float]:
    """Mean and standard deviation of where it turns, ln of rad/s."""
    return (USUAL_INSIDE.ln_soft_w, LN_SOFT_W_STD) if softening is None else (softening.ln_turn, softening.ln_turn_std)


def at_rest(pairs: ConeResonances) -> tuple[FloatArray, FloatArray]:
    """Resistance at rest of each pair over its strength as known beforehand: 1/Q, and its standard deviation."""
    reciprocal_q = 2 * np.abs(pairs.poles_rad_s.real / pairs.poles_rad_s)
    return reciprocal_q, AT_REST_STD * reciprocal_q + AT_REST_LEAST_STD


def _driver_prior(driver: DriverFit) -> JointPrior:
    """Cone, coil and small resonances of the driver as known from free air."""
    coil, small = (tuple(one.name for one in of.parameters) for of in (driver.coil, driver.small))
    names = ("ln_ws", "ln_qms", "ln_scale", *(("creep",) if driver.creep else ()), *coil, *small)
    apart = {**REPEATED_STD, **dict.fromkeys(coil, COIL_REPEATED_STD)}
    there = driver.model.layout.indices(names)
    covariance = driver.covariance[np.ix_(there, there)]
    covariance = covariance + np.diag([DRIFT**2 + apart.get(name, 0.0) ** 2 for name in names])
    return JointPrior(names, driver.parameters[there], covariance)


def _strengths(model: BoxModel, x: FloatArray) -> FloatArray:
    """Of each standing wave r/(s - p) + ..., which is 2 abs(r/p) (1/Q + s/abs(p)) far below p, over the stiffness."""
    own, box = model.own, model.read(x)
    stiffness = float(np.exp(box.load.ln_alpha + 2 * box.cone.ln_ws))
    return np.asarray(2 * np.abs(own.residues / own.poles_rad_s) * model.tuning_rad_s(box) / stiffness)


def waves_loss(model: BoxModel, x: FloatArray) -> float:
    """Loss that the standing waves have at the tuning, as 1/Q."""
    poles = model.own.poles_rad_s
    return float(np.sum(_strengths(model, x) * 2 * np.abs(poles.real / poles)))


def before_the_port(model: BoxModel, x: FloatArray) -> tuple[float, float]:
    """What filling on the way to the port has of the losses of the port's air, as 1/Q, and its standard deviation.

    Beforehand the air before the port loses what that before the cone does, give or take as much, and the port itself
    `PORT_LOSS_PRIOR`; the sum is what was found.
    """
    box = model.read(x)
    if box.port is None:
        raise ValueError("a closed box has no port")
    hidden = float(box.inside.absorption + box.port.cone_loss)
    filling = waves_loss(model, x) + max(hidden, 0.0)
    total = float(box.port.port_loss)
    port, std = PORT_LOSS_PRIOR
    part = filling**2 / (filling**2 + std**2)
    own = min(max(filling + part * (total - port - filling), 0.0), total)
    return own, std * float(np.sqrt(part))


def _vented(
    model: BoxModel, start: FloatArray, shared_air: Quantity | None, met: Met, known: bool, filled: bool
) -> list[Prior]:
    """Port loss, and the air's mass and loss that cone and port share.

    Mass and loss of the air that the cone alone meets are seen in the box's standing waves; the shared part of both
    is the same share, told by the places of cone and port where they are known. ``known``: what the cone meets beyond
    the standing waves is known. ``filled``: filling is told of.
    """
    wb = model.tuning_rad_s(model.read(start))
    mass = float(np.sum(_strengths(model, start) * wb / np.abs(model.own.poles_rad_s)))
    if shared_air is None:
        kappa, kappa_std = KAPPA_PER_MASS[0] * mass, KAPPA_PER_MASS[1] * mass
    else:
        kappa, kappa_std = shared_air.value * wb**2, shared_air.std * wb**2
    air = [Prior("kappa", kappa, float(np.hypot(kappa_std, KAPPA_LEAST_STD)))]
    if not known:
        return [
            *air,
            Prior("port_loss", *PORT_LOSS_PRIOR),
            Prior("absorption", 0.0, LOSS_STD),
            Prior("cone_loss", 0.0, LOSS_STD),
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
        Prior("port_loss", port + met.all, float(np.hypot(port_std, met.all))),
        Prior("absorption", share * loss + HIDDEN_SHARE[0] * hidden, shared_std),
        Prior("cone_loss", hidden - share * loss - HIDDEN_SHARE[0] * hidden, cone_std),
    ]
