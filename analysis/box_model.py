"""Impedance of a driver in a closed or vented box from lumped elements, with derivatives.

The air of the box loads the cone with ``alpha ws^2 B(s)`` (`analysis.driver_model`), B being its acoustic impedance
times its compliance (Small, "Vented-Box Loudspeaker Systems" I, JAES 21(5), 1973, fig. 1 [M], with series mass added):

    B = rho/wB + 1/(1/zc + 1/zp + 1/zl),  zc = 1/s + 1/(QA wB) + kappa s,  zp = s (1/wB^2 - kappa) + 1/(QP wB),
    1/zl = (wB/QL) / (1 + tau s/wB)

QL leakage, QA absorption (lining, stuffing), QP losses of the port. ``kappa`` is the mass of air in the box that moves
for cone and port alike (negative when they are at opposite ends); the resonance of box and port stays at wB. 1/QA is
the loss of that shared air, ``rho`` what the cone alone meets beyond it (below zero where it is counted with the
standing waves already). ``tau`` is the reactance of the air in the leak over its resistance at wB. A closed box has no
zp and no rho, and its quality factors are taken at a fixed reference frequency. Losses enter as 1/Q.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.coil_models import CoilModel
from analysis.cone_resonances import ConeResonances
from analysis.driver_model import CREEP, FIRST_COIL, LN_QMS, LN_RE, LN_SCALE, LN_WS, mechanical
from capture.arrays import ComplexArray, FloatArray

MU, LN_ALPHA, LEAK, LEAK_MASS, ABSORPTION, LN_WB, PORT_LOSS, KAPPA, CONE_LOSS = range(9)
"""Order of the box's parameters, behind those of the coil; a closed box has the first five. ``KAPPA`` is kappa wB^2."""


@dataclass(frozen=True)
class BoxModel:
    """A model for `analysis.lumped_fit.fit_lumped`.

    Parameters: ln Re, ln ws, ln Qms, ln scale, lambda, coil, box (see above), changes of ``small``.

    Attributes
    ----------
    reference_rad_s : float
        Where a closed box's QL and QA are taken.
    """

    coil: CoilModel
    small: ConeResonances
    vented: bool
    reference_rad_s: float

    @property
    def first_box(self) -> int:
        return FIRST_COIL + self.coil.size

    @property
    def box_size(self) -> int:
        return 9 if self.vented else 5

    @property
    def changes(self) -> slice:
        first = self.first_box + self.box_size
        return slice(first, first + self.small.size)

    def __call__(self, s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        slopes = np.empty((s.size, x.size), dtype=complex)
        first, changes = self.first_box, self.changes
        coil, slopes[:, FIRST_COIL:first] = self.coil.evaluate(s, x[FIRST_COIL:first])
        cone, cone_slopes = self.cone(s, x)
        motional = np.exp(x[LN_SCALE]) / cone
        slopes[:, LN_RE] = np.exp(x[LN_RE])
        slopes[:, LN_SCALE] = motional
        factor = -(motional / cone)[:, None]
        slopes[:, [LN_WS, LN_QMS, CREEP]] = factor * cone_slopes[:, :3]
        np.multiply(factor, cone_slopes[:, 3:], out=slopes[:, first : changes.stop])
        return np.exp(x[LN_RE]) + coil + motional, slopes

    def cone(self, s: ComplexArray, x: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """D in rad/s, (n,); derivatives by ln ws, ln Qms, lambda, the box's parameters and the changes."""
        box = x[self.first_box : self.first_box + self.box_size]
        cone, cone_slopes = mechanical(s, x)
        stiffness = np.exp(box[LN_ALPHA] + 2 * x[LN_WS])
        air, air_slopes = self.air(s, box)
        load = stiffness * air
        cone_slopes[:, 0] += 2 * load
        box_slopes = np.concatenate([s[:, None], load[:, None], stiffness * air_slopes], axis=1)
        total = cone + box[MU] * s + load
        parts = [cone_slopes, box_slopes]
        if self.small.size:
            small, small_slopes = self.small.load_and_slopes(s, x[self.changes])
            total += small
            parts.append(small_slopes)
        return total, np.concatenate(parts, axis=1)

    def air(self, s: ComplexArray, box: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """B in seconds, (n,); derivatives by the box's parameters from ``LEAK`` on."""
        wb = np.exp(box[LN_WB]) if self.vented else self.reference_rad_s
        kappa = box[KAPPA] / wb**2 if self.vented else 0.0
        zc = 1 / s + box[ABSORPTION] / wb + kappa * s
        slit = 1 / (1 + box[LEAK_MASS] * s / wb)
        admittance = 1 / zc + box[LEAK] * wb * slit
        if not self.vented:
            air = 1 / admittance
            by_leak = -(air**2) * wb * slit
            return air, np.stack([by_leak, -by_leak * box[LEAK] * slit * s / wb, (air / zc) ** 2 / wb], axis=1)
        zp = (1 - box[KAPPA]) * s / wb**2 + box[PORT_LOSS] / wb
        air = 1 / (admittance + 1 / zp)
        cone_loss = np.full(s.shape, box[CONE_LOSS] / wb, dtype=complex)
        by_zc, by_zp, by_leak = (air / zc) ** 2, (air / zp) ** 2, -(air**2) * wb * slit
        by_mass = -by_leak * box[LEAK] * slit * s / wb
        # Derivatives of zc and zp by ln wb; the leak's wb slit grows with wb and as its mass becomes less.
        zc_by_wb = -box[ABSORPTION] / wb - 2 * kappa * s
        zp_by_wb = -2 * (1 - box[KAPPA]) * s / wb**2 - box[PORT_LOSS] / wb
        by_wb = by_zc * zc_by_wb + by_zp * zp_by_wb + by_leak * box[LEAK] - by_mass * box[LEAK_MASS] - cone_loss
        by_kappa = (by_zc - by_zp) * s / wb**2
        by_cone = np.full(s.shape, 1 / wb, dtype=complex)
        slopes = np.stack([by_leak, by_mass, by_zc / wb, by_wb, by_zp / wb, by_kappa, by_cone], axis=1)
        return air + cone_loss, slopes

    def shares(self, s: ComplexArray, box: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Parts of the cone's volume flow that go into the air's compliance and through the port.

        What goes into the compliance is what leaves the box as sound (Small 1973): cone, port and leak together.
        """
        wb = np.exp(box[LN_WB]) if self.vented else self.reference_rad_s
        kappa = box[KAPPA] / wb**2 if self.vented else 0.0
        air = self.air(s, box)[0] - (box[CONE_LOSS] / wb if self.vented else 0.0)
        compliance = air / (1 / s + box[ABSORPTION] / wb + kappa * s)
        if not self.vented:
            return compliance, np.zeros(s.shape, dtype=complex)
        return compliance, air / ((1 - box[KAPPA]) * s / wb**2 + box[PORT_LOSS] / wb)
