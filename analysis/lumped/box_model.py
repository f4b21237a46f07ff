"""Impedance of a driver in a closed or vented box from lumped elements, with derivatives.

The air of the box loads the cone with ``alpha ws^2 B(s)`` (`analysis.lumped.driver_model`), B being its acoustic
impedance times its compliance (Small, "Vented-Box Loudspeaker Systems" I, JAES 21(5), 1973, fig. 1 [M], with series
mass added):

    S = 1/(1/zc + 1/zp),  zc = 1/(s g(s)) + 1/(QA wB) + kappa s,  zp = s (1/wB^2 - kappa) + 1/(QP wB),
    o = rho/wB + (what stands in the air before the cone: pairs of ``small`` behind those of the driver; see below)
    y = (wB/QL) / (1 + tau s/wB),   B = S + o - y (S + place o)^2 / (1 + y (S + place^2 o))

QL leakage, QA absorption (lining, stuffing), QP losses of the port. S is the air that cone and port share, o what only
the cone moves. ``kappa`` is the mass of the shared air (negative with cone and port at opposite ends); the resonance of
box and port stays at wB. 1/QA is the loss of the shared air, ``rho`` what the cone alone meets beyond it (below zero
where it is counted with the standing waves already). A leak sees the shared air and ``place`` of the pressure that the
cone has alone: 1 at the cone's rim, -1 at the far end of the box. ``tau`` is the reactance of the air in the leak over
its resistance at wB. A closed box has no zp and no rho, and its quality factors are taken at a fixed
reference frequency. Losses enter as 1/Q.

A part b of the air (``BEHIND``) may be in filling, or behind it: a line closed at its end, of the mass M and the
compliance b C, whose fibres resist with R and move with the air below u = R over their own mass [M: limp frame],

    1/(s C) 1/(1 - b + b T),  T = tanh(sqrt q)/sqrt q,  q = (s/w)^2 (1 + G/(s + u)),

w = 1/sqrt(M b C) the speed of sound over the length, G = R/M. T is taken as the continued fraction of three cells,
1/(1 + q/(3 + q/(5 + q/7))). It is alpha of the whole air that is sought; no pair of small resonances could say that.

Filling on the way from the cone to the port moves with the air at low frequency, and lets it through or has it go
around above ``u wB``: a mass beside a resistance,

    F = WAY/wB s/(s + u wB),  u = w/wB in ``LN_WAY``,

all of it before the cone, less ``WAY_SHARED`` of it in what both share (the part of the air that is on the cone's side:
a resistance between two compliances, to first order), and ``WAY_PORT`` of it before the port. As kappa it leaves wB
where it is.

In a front the cone radiates as it does not in free air. Its mass of air ``front`` (over the moving mass) becomes a
resistance above 1/t: ``front s/(1 + s t)`` in the place of ``front s``, as of a small source; a piston of radius a in a
wall has front = 8/3 rho a^3/Mms and t = 9 pi/48 a/c (Rayleigh [M]).

Filling gives its heat back late: below ``wt`` the air in it is softer (isothermal), with loss around there,

    g = 1 + soft [F(s/wt) - Re F(j w0/wt)],  F(x) = v/(x + v),  v = sqrt(1 + x/2),

so that alpha is the stiffness at the reference w0, the tuning or the resonance of the closed box (Champoux and Allard,
J. Appl. Phys. 70(4), 1975-1979, 1991 [M]; F as three relaxations, see `HEAT`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from stillbox.analysis.lumped.coil_models import CoilModel
from stillbox.analysis.lumped.cone_resonances import ConeResonances
from stillbox.analysis.lumped.driver_model import CREEP, FIRST_COIL, LN_QMS, LN_RE, LN_SCALE, LN_WS, mechanical
from stillbox.capture.arrays import ComplexArray, FloatArray

MU, FRONT, LN_FRONT_S, LN_ALPHA, LEAK, LEAK_MASS, LEAK_PLACE, SOFT, LN_SOFT_W, ABSORPTION = range(10)
BEHIND, LN_BEHIND_W, LN_BEHIND_LOSS, LN_BEHIND_TURN = range(10, 14)
LN_WB, PORT_LOSS, KAPPA, CONE_LOSS, WAY, LN_WAY, WAY_SHARED, WAY_PORT = range(14, 22)
"""Order of the box's parameters, behind those of the coil; a closed box has the first 14. ``KAPPA``: kappa wB^2."""

USUAL_PLACE = 0.3
"""``LEAK_PLACE`` where nothing is known: between the cone's rim and the far end."""
LN_HELD = -7.0
"""``LN_BEHIND_TURN`` of fibre that does not move."""
HEAT = ((0.7835, 0.8037), (0.1350, 8.712), (0.0806, 121.1))
"""Parts and turns of relaxations that are F within 0.012 from x = 0.02 to 100 (least squares)."""
_PARTS, _TURNS = np.array(HEAT).T[:, :, None]


@dataclass(frozen=True)
class _Air:
    """Impedances of the air in s and what follows: B, and the leak's flow over the cone's."""

    zc: ComplexArray
    zp: ComplexArray | None
    shared: ComplexArray
    own: ComplexArray
    pressure: ComplexArray
    """At the leak, for the cone's unit flow."""
    out: ComplexArray
    """Through the leak, for the cone's unit flow."""
    whole: ComplexArray
    way: _Way | None
    soft: tuple[ComplexArray, ComplexArray, ComplexArray] | None
    """g, and its derivatives by ``SOFT`` and ``LN_SOFT_W``; None where it is 1."""
    drag: tuple[ComplexArray | float, ComplexArray | float]
    behind: tuple[ComplexArray, ComplexArray] | None
    """That of `_behind`; None where there is none."""


@dataclass(frozen=True)
class _Way:
    """Filling on the way to the port: F and s times its mass at the tuning, for a size of one, and what they follow.

    Derivatives are those by ``LN_WAY``.
    """

    size: float
    unit: ComplexArray
    unit_mass: ComplexArray
    unit_by_turn: ComplexArray
    unit_mass_by_turn: ComplexArray

    @property
    def force(self) -> ComplexArray:
        return self.size * self.unit

    @property
    def mass(self) -> ComplexArray:
        return self.size * self.unit_mass

    def slopes(self, by_force: ComplexArray, by_mass: ComplexArray) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        """By ``WAY``, ``LN_WAY`` and ln wB, of what depends on `force` and `mass`."""
        by_size = by_force * self.unit + by_mass * self.unit_mass
        by_turn = self.size * (by_force * self.unit_by_turn + by_mass * self.unit_mass_by_turn)
        by_wb = by_force * self.size * (self.unit_by_turn - self.unit) - 2 * by_mass * self.mass
        return by_size, by_turn, by_wb


@dataclass(frozen=True)
class BoxModel:
    """A model for `analysis.lumped.lumped_fit.fit_lumped`.

    Parameters: ln Re, ln ws, ln Qms, ln scale, lambda, coil, box (see above), changes of ``small``.

    Attributes
    ----------
    small : ConeResonances
        Small resonances of the driver, then those of the box.
    reference_rad_s : float
        Where alpha is taken, and QL and QA of a closed box.
    of_driver : int
        How many of ``small`` are the driver's.
    """

    coil: CoilModel
    small: ConeResonances
    vented: bool
    reference_rad_s: float
    of_driver: int = 0

    @property
    def first_box(self) -> int:
        return FIRST_COIL + self.coil.size

    @property
    def box_size(self) -> int:
        return 22 if self.vented else 14

    @property
    def changes(self) -> slice:
        first = self.first_box + self.box_size
        return slice(first, first + self.small.size)

    @cached_property
    def own(self) -> ConeResonances:
        """Small resonances of the box alone."""
        return self.small.only(np.arange(self.small.poles_rad_s.size) >= self.of_driver)

    @cached_property
    def drivers(self) -> ConeResonances:
        """Small resonances of the driver."""
        return self.small.only(np.arange(self.small.poles_rad_s.size) < self.of_driver)

    @property
    def own_changes(self) -> slice:
        """Where the changes of `own` are."""
        return slice(self.changes.stop - self.own.size, self.changes.stop)

    def box_of(self, x: FloatArray) -> FloatArray:
        """The box's parameters."""
        return x[self.first_box : self.first_box + self.box_size]

    def __call__(self, s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        value, slopes = self.in_two_steps(s, x)
        return value, slopes()

    def in_two_steps(self, s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, Callable[[], ComplexArray]]:
        """The impedance, and what computes its derivatives."""
        first = self.first_box
        coil, coil_slopes = self.coil.evaluate(s, x[FIRST_COIL:first])
        cone, slopes_of_cone = self.cone(s, x)
        resistance, motional = np.exp(x[LN_RE]), np.exp(x[LN_SCALE]) / cone

        def slopes() -> ComplexArray:
            rows = np.empty((x.size, s.size), dtype=complex)
            rows[LN_RE], rows[LN_SCALE], rows[FIRST_COIL:first] = resistance, motional, coil_slopes.T
            factor, of_cone = -motional / cone, slopes_of_cone()
            np.multiply(of_cone[:3], factor, out=of_cone[:3])
            rows[LN_WS], rows[LN_QMS], rows[CREEP] = of_cone[:3]
            np.multiply(of_cone[3:], factor, out=rows[first:])
            return rows.T

        return resistance + coil + motional, slopes

    def cone(self, s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, Callable[[], ComplexArray]]:
        """D in rad/s, (n,); what computes its derivatives by ln ws, ln Qms, lambda, the box's parameters, the changes.

        Derivatives are rows, (k, n).
        """
        box = self.box_of(x)
        cone, of_suspension = mechanical(s, x)
        stiffness = np.exp(box[LN_ALPHA] + 2 * x[LN_WS])
        pairs = self.small.at(s, x[self.changes])
        waves = pairs.load(self.of_driver)
        air = self._air(s, box, waves / stiffness)
        load = stiffness * air.whole
        front, front_slopes = _radiation(s, box)

        def slopes() -> ComplexArray:
            first, own = 3 + self.box_size, 3 + self.box_size + 4 * self.of_driver
            rows = np.empty((first + self.small.size, s.size), dtype=complex)
            by_own = (1 - box[LEAK_PLACE] * air.out) ** 2
            by_stiffness = load - by_own * waves
            rows[:3] = of_suspension.T
            rows[0] += 2 * by_stiffness
            rows[3 + MU], rows[3 + FRONT], rows[3 + LN_FRONT_S] = s, *front_slopes
            rows[3 + LN_ALPHA] = by_stiffness
            np.multiply(self._air_slopes(s, box, air), stiffness, out=rows[3 + LEAK : first])
            rows[first:] = pairs.slopes().T
            rows[own:] *= by_own
            return rows

        return cone + box[MU] * s + front + load + pairs.load(0, self.of_driver), slopes

    def _air(self, s: ComplexArray, box: FloatArray, waves: ComplexArray) -> _Air:
        wb = np.exp(box[LN_WB]) if self.vented else self.reference_rad_s
        soft = self._soft(s, box) if box[SOFT] else None
        drag, behind = self._drag(s, box), _behind(s, box) if box[BEHIND] else None
        zc = 1 / (s if soft is None else s * soft[0]) + box[ABSORPTION] / wb * drag[0]
        before = waves if behind is None else waves + behind[0]
        if self.vented:
            way = _way(s, box)
            zc = zc + box[KAPPA] / wb**2 * s - box[WAY_SHARED] * way.force
            zp = (1 - box[KAPPA]) * s / wb**2 + box[PORT_LOSS] / wb
            zp = zp + box[WAY_PORT] * way.force - (box[WAY_PORT] - box[WAY_SHARED]) * way.mass
            shared, own = 1 / (1 / zc + 1 / zp), before + box[CONE_LOSS] / wb + way.force
        else:
            way, zp, shared, own = None, None, zc, before
        place = box[LEAK_PLACE]
        admittance = box[LEAK] * wb / (1 + box[LEAK_MASS] * s / wb)
        pressure = (shared + place * own) / (1 + admittance * (shared + place**2 * own))
        out = admittance * pressure
        whole = shared + own - out * (shared + place * own)
        return _Air(zc, zp, shared, own, pressure, out, whole, way, soft, drag, behind)

    def _air_slopes(self, s: ComplexArray, box: FloatArray, air: _Air) -> ComplexArray:
        """Derivatives of B by the box's parameters from ``LEAK`` on, (k, n).

        dB = (1 - q)^2 dS + (1 - place q)^2 do - p^2 dy with leak flow q and pressure p.
        """
        wb = np.exp(box[LN_WB]) if self.vented else self.reference_rad_s
        place, q = box[LEAK_PLACE], air.out
        slit = 1 / (1 + box[LEAK_MASS] * s / wb)
        by_leak = -(air.pressure**2) * wb * slit
        by_mass = -by_leak * box[LEAK] * slit * s / wb
        by_place = -2 * air.own * q * (1 - place * q)
        by_shared = (1 - q) ** 2
        by_zc = by_shared * (air.shared / air.zc) ** 2
        softness, by_soft, by_w = air.soft or self._soft(s, box)
        drag, by_turn = air.drag
        of_softness = -by_zc / (s * softness**2)
        by_own = (1 - place * q) ** 2
        first = [by_leak, by_mass, by_place, of_softness * by_soft, of_softness * by_w, by_zc * drag / wb]
        of_filling = by_own * (air.behind or _behind(s, box))[1]
        of_filling[3] += by_zc * box[ABSORPTION] / wb * by_turn
        first += list(of_filling)
        if air.zp is None or air.way is None:
            return np.stack(first)
        by_zp = by_shared * (air.shared / air.zp) ** 2
        # Derivatives of zc, zp and o by ln wb; the leak's wb slit grows with wb and as its mass becomes less.
        zc_by_wb = -box[ABSORPTION] / wb - 2 * box[KAPPA] * s / wb**2
        zp_by_wb = -2 * (1 - box[KAPPA]) * s / wb**2 - box[PORT_LOSS] / wb
        by_wb = by_zc * zc_by_wb + by_zp * zp_by_wb + by_leak * box[LEAK] - by_mass * box[LEAK_MASS]
        by_wb = by_wb - by_own * box[CONE_LOSS] / wb
        by_kappa = (by_zc - by_zp) * s / wb**2
        before_port, shared = by_zp * box[WAY_PORT], box[WAY_SHARED]
        by_force, by_mass = by_own - shared * by_zc + before_port, shared * by_zp - before_port
        by_size, by_turn, wb_by_way = air.way.slopes(by_force, by_mass)
        of_way = [
            by_size,
            by_turn,
            by_zp * air.way.mass - by_zc * air.way.force,
            by_zp * (air.way.force - air.way.mass),
        ]
        return np.stack([*first, by_wb + wb_by_way, by_zp / wb, by_kappa, by_own / wb, *of_way])

    def _drag(self, s: ComplexArray, box: FloatArray) -> tuple[ComplexArray | float, ComplexArray | float]:
        """Resistance of fibre that gives way over that at the reference, in a closed box; derivative by ln turn."""
        if self.vented:
            return 1.0, 0.0
        turn = np.exp(box[LN_BEHIND_TURN])
        whole = 1 + (turn / self.reference_rad_s) ** 2
        drag = s / (s + turn)
        return whole * drag, 2 * (whole - 1) * drag - whole * drag * turn / (s + turn)

    def _soft(self, s: ComplexArray, box: FloatArray) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        """g, and its derivatives by ``SOFT`` and ``LN_SOFT_W``."""
        heat, by_ln_w = _heat(np.append(s, 1j * self.reference_rad_s) / np.exp(box[LN_SOFT_W]))
        by_soft = heat[:-1] - heat[-1].real
        return 1 + box[SOFT] * by_soft, by_soft, box[SOFT] * (by_ln_w[:-1] - by_ln_w[-1].real)

    def shares(self, s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Parts of the cone's volume flow that go into the air's compliance and through the port.

        What goes into the compliance is what leaves the box as sound (Small 1973): cone, port and leak together.
        """
        box = self.box_of(x)
        waves = self.own.load(s, x[self.own_changes])
        air = self._air(s, box, waves / np.exp(box[LN_ALPHA] + 2 * x[LN_WS]))
        left = (1 - air.out) * air.shared
        return left / air.zc, np.zeros(s.shape, dtype=complex) if air.zp is None else left / air.zp


def _heat(x: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
    """F, and its slope by the logarithm of ``wt`` (x goes with 1/wt)."""
    each = _PARTS / (1 + x / _TURNS)
    return each.sum(axis=0), (each * (1 - each / _PARTS)).sum(axis=0)


def _behind(s: ComplexArray, box: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    """What air in filling adds to the load of the cone, (n,); derivatives by its four parameters (4, n)."""
    part, (w, loss, turn) = box[BEHIND], np.exp(box[[LN_BEHIND_W, LN_BEHIND_LOSS, LN_BEHIND_TURN]])
    plain = (s / w) ** 2
    dragged = plain * loss / (s + turn)
    q = plain + dragged
    rest = 7 * q / (35 + q)
    whole = 3 + rest + q
    line = (3 + rest) / whole
    slope = (245 / (35 + q) ** 2 * q - 3 - rest) / whole**2
    reached = 1 - part + part * line
    by_part = (1 - line) / reached**2 / s
    by_q = -part * slope / reached**2 / s
    return (1 / reached - 1) / s, np.stack(
        [by_part, -2 * by_q * q, by_q * dragged, -by_q * dragged * turn / (s + turn)]
    )


def way_loss(box: FloatArray) -> float:
    """What filling on the way to the port takes from the resonance of box and port, as 1/Q."""
    return float(box[WAY] * (box[WAY_PORT] - box[WAY_SHARED]) / (1 + np.exp(2 * box[LN_WAY])))


def _way(s: ComplexArray, box: FloatArray) -> _Way:
    wb, turn = np.exp(box[LN_WB]), np.exp(box[LN_WAY])
    x = s / wb
    late = x / (x + turn) / wb
    return _Way(
        size=float(box[WAY]),
        unit=late,
        unit_mass=x * turn / (1 + turn**2) / wb,
        unit_by_turn=-late * turn / (x + turn),
        unit_mass_by_turn=x * turn * (1 - turn**2) / (1 + turn**2) ** 2 / wb,
    )


def _radiation(s: ComplexArray, box: FloatArray) -> tuple[ComplexArray, tuple[ComplexArray, ComplexArray]]:
    """What the front adds to the load of the air beyond its mass; derivatives by ``FRONT`` and ``LN_FRONT_S``."""
    late = s * np.exp(box[LN_FRONT_S])
    by_front = -s * late / (1 + late)
    return box[FRONT] * by_front, (by_front, box[FRONT] * by_front / (1 + late))
