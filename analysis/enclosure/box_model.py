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

A part b of the air (``behind``) may be in filling, or behind it: a line closed at its end, of the mass M and the
compliance b C, whose fibres resist with R and move with the air below u = R over their own mass [M: limp frame],

    1/(s C) 1/(1 - b + b T),  T = tanh(sqrt q)/sqrt q,  q = (s/w)^2 (1 + G/(s + u)),

w = 1/sqrt(M b C) the speed of sound over the length, G = R/M. T is taken as the continued fraction of three cells,
1/(1 + q/(3 + q/(5 + q/7))). It is alpha of the whole air that is sought; no pair of small resonances could say that.

Filling on the way from the cone to the port moves with the air at low frequency, and lets it through or has it go
around above ``u wB``: a mass beside a resistance,

    F = way/wB s/(s + u wB),  u = w/wB in ``ln_way``,

all of it before the cone, less ``way_shared`` of it in what both share (the part of the air that is on the cone's side:
a resistance between two compliances, to first order), and ``way_port`` of it before the port. As kappa it leaves wB
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

from stillbox.analysis.enclosure.box_numbers import BoxNumbers, InsideNumbers, LoadNumbers, PortNumbers
from stillbox.analysis.lumped.coil_models import CoilModel
from stillbox.analysis.lumped.cone_resonances import OF_A_PAIR, ConeResonances
from stillbox.analysis.lumped.driver_model import CONE, SUSPENSION, ConeNumbers, cone_of, mechanical
from stillbox.analysis.lumped.parameters import Layout, declared
from stillbox.capture.arrays import ComplexArray, FloatArray

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
    """g, and its derivatives by ``soft`` and ``ln_soft_w``; None where it is 1."""
    drag: tuple[ComplexArray | float, ComplexArray | float]
    behind: tuple[ComplexArray, ComplexArray] | None
    """That of `_behind`; None where there is none."""


@dataclass(frozen=True)
class _Way:
    """Filling on the way to the port: F and s times its mass at the tuning, for a size of one, and what they follow.

    Derivatives are those by ``ln_way``.
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
        """By ``way``, ``ln_way`` and ``ln_wb``, of what depends on `force` and `mass`."""
        by_size = by_force * self.unit + by_mass * self.unit_mass
        by_turn = self.size * (by_force * self.unit_by_turn + by_mass * self.unit_mass_by_turn)
        by_wb = by_force * self.size * (self.unit_by_turn - self.unit) - 2 * by_mass * self.mass
        return by_size, by_turn, by_wb


@dataclass(frozen=True)
class BoxModel:
    """A model for `analysis.lumped.lumped_fit.fit_lumped`.

    Parameters: the cone, the coil, the box (`analysis.enclosure.box_numbers`; a closed one has no port), the changes of
    ``small``.

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

    @cached_property
    def layout(self) -> Layout:
        return Layout.of(
            cone=declared(ConeNumbers),
            coil=self.coil.parameters,
            load=declared(LoadNumbers),
            inside=declared(InsideNumbers),
            port=declared(PortNumbers) if self.vented else (),
            changes=self.small.parameters,
        )

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
        end = self.layout.blocks["changes"].stop
        return slice(end - self.own.size, end)

    def read(self, x: FloatArray) -> BoxNumbers:
        """The numbers by name, but those of the coil and the changes."""
        blocks = self.layout.blocks
        numbers = x[: blocks["changes"].start].tolist()
        return BoxNumbers(
            ConeNumbers._make(numbers[blocks["cone"]]),
            LoadNumbers._make(numbers[blocks["load"]]),
            InsideNumbers._make(numbers[blocks["inside"]]),
            PortNumbers._make(numbers[blocks["port"]]) if self.vented else None,
        )

    def changes_of(self, x: FloatArray) -> FloatArray:
        """The changes of the small resonances."""
        return x[self.layout.blocks["changes"]]

    def tuning_rad_s(self, box: BoxNumbers) -> float:
        """wB; of a closed box its reference."""
        return self.reference_rad_s if box.port is None else float(np.exp(box.port.ln_wb))

    def __call__(self, s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, Callable[[], ComplexArray]]:
        """The impedance, and what computes its derivatives."""
        of_coil, of_cone = self.layout.blocks["coil"], cone_of(x)
        coil, coil_slopes = self.coil.evaluate(s, x[of_coil])
        cone, slopes_of_cone = self.cone(s, x)
        resistance, motional = np.exp(of_cone.ln_re), np.exp(of_cone.ln_scale) / cone

        def slopes() -> ComplexArray:
            rows = np.empty((x.size, s.size), dtype=complex)
            rows[CONE.ln_re], rows[CONE.ln_scale], rows[of_coil] = resistance, motional, coil_slopes.T
            factor, by_cone = -motional / cone, slopes_of_cone()
            for place, row in zip(SUSPENSION, by_cone, strict=False):
                np.multiply(row, factor, out=rows[place])
            np.multiply(by_cone[3:], factor, out=rows[of_coil.stop :])
            return rows.T

        return resistance + coil + motional, slopes

    def cone(self, s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, Callable[[], ComplexArray]]:
        """D in rad/s, (n,); what computes its derivatives by those of `SUSPENSION`, by the box, by the changes.

        Derivatives are rows, (k, n).
        """
        box = self.read(x)
        cone, of_suspension = mechanical(s, box.cone)
        stiffness = np.exp(box.load.ln_alpha + 2 * box.cone.ln_ws)
        pairs = self.small.at(s, self.changes_of(x))
        waves = pairs.load(self.of_driver)
        air = self._air(s, box, waves / stiffness)
        load = stiffness * air.whole
        front, by_front, by_front_s = _radiation(s, box.load)

        def slopes() -> ComplexArray:
            by_own = (1 - box.inside.leak_place * air.out) ** 2
            by_stiffness = load - by_own * waves
            of_load = LoadNumbers(mu=s, front=by_front, ln_front_s=by_front_s, ln_alpha=by_stiffness)
            of_air = self._air_slopes(s, box, air)
            inside = 3 + len(of_load)
            changes = inside + len(of_air)
            rows = np.empty((changes + self.small.size, s.size), dtype=complex)
            rows[:3] = of_suspension.T
            rows[0] += 2 * by_stiffness
            for row, slope in zip(rows[3:inside], of_load, strict=True):
                row[:] = slope
            np.multiply(of_air, stiffness, out=rows[inside:changes])
            rows[changes:] = pairs.slopes().T
            rows[changes + OF_A_PAIR * self.of_driver :] *= by_own
            return rows

        return cone + box.load.mu * s + front + load + pairs.load(0, self.of_driver), slopes

    def _air(self, s: ComplexArray, box: BoxNumbers, waves: ComplexArray) -> _Air:
        wb, inside, port = self.tuning_rad_s(box), box.inside, box.port
        soft = self._soft(s, inside) if inside.soft else None
        drag, behind = self._drag(s, inside), _behind(s, inside) if inside.behind else None
        zc = 1 / (s if soft is None else s * soft[0]) + inside.absorption / wb * drag[0]
        before = waves if behind is None else waves + behind[0]
        if port is None:
            way, zp, shared, own = None, None, zc, before
        else:
            way = _way(s, port)
            zc = zc + port.kappa / wb**2 * s - port.way_shared * way.force
            zp = (1 - port.kappa) * s / wb**2 + port.port_loss / wb
            zp = zp + port.way_port * way.force - (port.way_port - port.way_shared) * way.mass
            shared, own = 1 / (1 / zc + 1 / zp), before + port.cone_loss / wb + way.force
        place = inside.leak_place
        admittance = inside.leak * wb / (1 + inside.leak_mass * s / wb)
        pressure = (shared + place * own) / (1 + admittance * (shared + place**2 * own))
        out = admittance * pressure
        whole = shared + own - out * (shared + place * own)
        return _Air(zc, zp, shared, own, pressure, out, whole, way, soft, drag, behind)

    def _air_slopes(self, s: ComplexArray, box: BoxNumbers, air: _Air) -> ComplexArray:
        """Derivatives of B by the numbers of the inside and of the port, (k, n).

        dB = (1 - q)^2 dS + (1 - place q)^2 do - p^2 dy with leak flow q and pressure p.
        """
        wb, inside, port = self.tuning_rad_s(box), box.inside, box.port
        place, q = inside.leak_place, air.out
        slit = 1 / (1 + inside.leak_mass * s / wb)
        by_leak = -(air.pressure**2) * wb * slit
        by_mass = -by_leak * inside.leak * slit * s / wb
        by_shared = (1 - q) ** 2
        by_zc = by_shared * (air.shared / air.zc) ** 2
        softness, by_soft, by_w = air.soft or self._soft(s, inside)
        drag, by_turn = air.drag
        of_softness = -by_zc / (s * softness**2)
        by_own = (1 - place * q) ** 2
        of_filling = by_own * (air.behind or _behind(s, inside))[1]
        by_behind, by_behind_w, by_behind_loss, by_behind_turn = of_filling
        of_inside = InsideNumbers(
            leak=by_leak,
            leak_mass=by_mass,
            leak_place=-2 * air.own * q * (1 - place * q),
            soft=of_softness * by_soft,
            ln_soft_w=of_softness * by_w,
            absorption=by_zc * drag / wb,
            behind=by_behind,
            ln_behind_w=by_behind_w,
            ln_behind_loss=by_behind_loss,
            ln_behind_turn=by_behind_turn + by_zc * inside.absorption / wb * by_turn,
        )
        if port is None or air.zp is None or air.way is None:
            return np.stack(of_inside)
        by_zp = by_shared * (air.shared / air.zp) ** 2
        # Derivatives of zc, zp and o by ln wb; the leak's wb slit grows with wb and as its mass becomes less.
        zc_by_wb = -inside.absorption / wb - 2 * port.kappa * s / wb**2
        zp_by_wb = -2 * (1 - port.kappa) * s / wb**2 - port.port_loss / wb
        by_wb = by_zc * zc_by_wb + by_zp * zp_by_wb + by_leak * inside.leak - by_mass * inside.leak_mass
        by_wb = by_wb - by_own * port.cone_loss / wb
        before_port, shared = by_zp * port.way_port, port.way_shared
        by_force = by_own - shared * by_zc + before_port
        by_way, by_ln_way, wb_by_way = air.way.slopes(by_force, shared * by_zp - before_port)
        of_port = PortNumbers(
            ln_wb=by_wb + wb_by_way,
            port_loss=by_zp / wb,
            kappa=(by_zc - by_zp) * s / wb**2,
            cone_loss=by_own / wb,
            way=by_way,
            ln_way=by_ln_way,
            way_shared=by_zp * air.way.mass - by_zc * air.way.force,
            way_port=by_zp * (air.way.force - air.way.mass),
        )
        return np.stack([*of_inside, *of_port])

    def _drag(
        self, s: ComplexArray, inside: InsideNumbers[float]
    ) -> tuple[ComplexArray | float, ComplexArray | float]:
        """Resistance of fibre that gives way over that at the reference, in a closed box; derivative by ln turn."""
        if self.vented:
            return 1.0, 0.0
        turn = np.exp(inside.ln_behind_turn)
        whole = 1 + (turn / self.reference_rad_s) ** 2
        drag = s / (s + turn)
        return whole * drag, 2 * (whole - 1) * drag - whole * drag * turn / (s + turn)

    def _soft(
        self, s: ComplexArray, inside: InsideNumbers[float]
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        """g, and its derivatives by ``soft`` and ``ln_soft_w``."""
        heat, by_ln_w = _heat(np.append(s, 1j * self.reference_rad_s) / np.exp(inside.ln_soft_w))
        by_soft = heat[:-1] - heat[-1].real
        return 1 + inside.soft * by_soft, by_soft, inside.soft * (by_ln_w[:-1] - by_ln_w[-1].real)

    def shares(self, s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Parts of the cone's volume flow that go into the air's compliance and through the port.

        What goes into the compliance is what leaves the box as sound (Small 1973): cone, port and leak together.
        """
        box = self.read(x)
        waves = self.own.load(s, x[self.own_changes])
        air = self._air(s, box, waves / np.exp(box.load.ln_alpha + 2 * box.cone.ln_ws))
        left = (1 - air.out) * air.shared
        return left / air.zc, np.zeros(s.shape, dtype=complex) if air.zp is None else left / air.zp


def _heat(x: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
    """F, and its slope by the logarithm of ``wt`` (x goes with 1/wt)."""
    each = _PARTS / (1 + x / _TURNS)
    return each.sum(axis=0), (each * (1 - each / _PARTS)).sum(axis=0)


def _behind(s: ComplexArray, inside: InsideNumbers[float]) -> tuple[ComplexArray, ComplexArray]:
    """What air in filling adds to the load of the cone, (n,); derivatives by its four numbers in their order (4, n)."""
    part = inside.behind
    w, loss, turn = np.exp([inside.ln_behind_w, inside.ln_behind_loss, inside.ln_behind_turn])
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


def way_loss(port: PortNumbers[float]) -> float:
    """What filling on the way to the port takes from the resonance of box and port, as 1/Q."""
    return float(port.way * (port.way_port - port.way_shared) / (1 + np.exp(2 * port.ln_way)))


def _way(s: ComplexArray, port: PortNumbers[float]) -> _Way:
    wb, turn = np.exp(port.ln_wb), np.exp(port.ln_way)
    x = s / wb
    late = x / (x + turn) / wb
    return _Way(
        size=float(port.way),
        unit=late,
        unit_mass=x * turn / (1 + turn**2) / wb,
        unit_by_turn=-late * turn / (x + turn),
        unit_mass_by_turn=x * turn * (1 - turn**2) / (1 + turn**2) ** 2 / wb,
    )


def _radiation(s: ComplexArray, load: LoadNumbers[float]) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    """What the front adds to the load of the air beyond its mass; derivatives by ``front`` and ``ln_front_s``."""
    late = s * np.exp(load.ln_front_s)
    by_front = -s * late / (1 + late)
    return load.front * by_front, by_front, load.front * by_front / (1 + late)
