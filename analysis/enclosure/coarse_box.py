"""A driver in a box of which nothing is told, in a few numbers: what must be known of it to look for something else.

The driver is the one swept in free air, whatever its coil may do; the box hangs on its cone (`enclosure.box_model` says
what the box truly does):

    Z = Zfree - S/D + S/(D' + m s + B),  B = K (1 + a x)/(s + l + wB^2/(s + p)),  x = s/(s + ws)

S = Bl^2/Mms, D mechanical impedance over the moving mass, D' that of another day, m the air that the box hangs on the
cone, K stiffness, l leak, p loss of the port, a what filling does. A closed box has no wB.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stillbox.analysis.lumped.driver import DriverFit
from stillbox.analysis.lumped.driver_model import ConeNumbers, cone_of, mechanical
from stillbox.capture.arrays import ComplexArray, FloatArray

_RE_STD, _FS_STD, _QMS_STD = 0.004, 0.02, 0.15
"""Relative, Q as a natural logarithm: from one take to the next, warmer or played more (common practice, no source)."""
_MASS_STD, _FILLING_STD = 0.05, 0.2
"""Over the moving mass, and over the stiffness (common practice, no source)."""
_UNTOLD_STD = 3.0
"""Natural logarithm of what only the take itself tells."""
_LOSS, _PORT_LOSS = 0.05, 0.03
"""Where a fit begins, over its frequency: 1/Q of usual boxes."""
_LEAST_STIFFNESS = 0.05
"""Over that of the suspension: a fit begins with no less."""


@dataclass(frozen=True)
class CoarseBox:
    """Impedance of a driver in a box over frequency, for numbers that a fit moves.

    The numbers: relative changes of DC resistance, fs, Qms (both logarithms) and mass, what filling does, then
    logarithms of stiffness and leak, of a vented box also of its tuning and the port's loss; rad/s.

    Attributes
    ----------
    s_rad_s : complex ndarray, shape (n,)
    free_ohm : complex ndarray, shape (n,)
        In free air.
    cone : ConeNumbers
    motional_ohm : complex ndarray, shape (n,)
        The part of ``free_ohm`` that stops with the cone.
    start, std : ndarray, shape (numbers,)
        Where a fit begins, and how far from there the numbers may be, one standard deviation.
    """

    s_rad_s: ComplexArray
    free_ohm: ComplexArray
    cone: ConeNumbers[float]
    motional_ohm: ComplexArray
    start: FloatArray
    std: FloatArray

    def __call__(self, numbers: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance, ohm, shape (n,), and its derivatives by the numbers, shape (n, numbers)."""
        s, cone = self.s_rad_s, self.cone
        by_re, by_fs, by_qms, mass, filling = numbers[:5]
        stiffness, *rest = np.exp(numbers[5:]).tolist()
        scale, ohm = np.exp(cone.ln_scale), np.exp(cone.ln_re)
        moved, slopes = mechanical(s, cone._replace(ln_ws=cone.ln_ws + by_fs, ln_qms=cone.ln_qms + by_qms))
        free = scale / self.motional_ohm
        x = s / (s + np.exp(cone.ln_ws))
        through = s + rest[0]
        if len(rest) > 1:
            through = through + rest[1] ** 2 / (s + rest[2])
        spring = stiffness / through
        box = spring * (1 + filling * x)
        load = free + moved - mechanical(s, cone)[0] + mass * s + box
        by_load = -scale / load**2
        of_box = [-box * rest[0] / through]
        if len(rest) > 1:
            port = rest[1] ** 2 / (s + rest[2])
            of_box += [-2 * box * port / through, box * port / through * rest[2] / (s + rest[2])]
        by_loads = [slopes[:, 0], slopes[:, 1], s, spring * x, box, *of_box]
        columns = [np.full(s.shape, ohm, dtype=complex), *(by_load * one for one in by_loads)]
        return self.free_ohm - self.motional_ohm + ohm * by_re + scale / load, np.stack(columns, axis=1)


def coarse_box(
    frequency_hz: FloatArray, free_ohm: ComplexArray, driver: DriverFit, peaks_hz: FloatArray
) -> CoarseBox:
    """The model for a driver whose peak or two peaks in the box lie about there.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
    free_ohm : complex ndarray, shape (n,)
        The driver in free air.
    driver : DriverFit
        Of the same take.
    peaks_hz : ndarray, shape (1,) or (2,)
        In the box.
    """
    cone = cone_of(driver.parameters)
    ws = float(np.exp(cone.ln_ws))
    peaks = 2 * np.pi * np.asarray(peaks_hz)
    if peaks.size > 1:
        # Without losses fL fH = fs fB, and fL^2 + fH^2 = fs^2 (1 + alpha) + fB^2 (Small, JAES 21, 1973 [M]).
        low, high = peaks[0], peaks[-1]
        tuning = min(max(low * high / ws, 1.02 * low), 0.98 * high)
        stiffness = max(low**2 + high**2 - ws**2 - tuning**2, _LEAST_STIFFNESS * ws**2)
        own = [stiffness, _LOSS * tuning, tuning, _PORT_LOSS * tuning]
    else:
        stiffness = max(float(peaks[0]) ** 2 - ws**2, _LEAST_STIFFNESS * ws**2)
        own = [stiffness, _LOSS * np.sqrt(stiffness)]
    return CoarseBox(
        2j * np.pi * frequency_hz,
        free_ohm,
        cone,
        driver.impedance_ohm(frequency_hz) - driver.coil_ohm(frequency_hz),
        np.concatenate([np.zeros(5), np.log(own)]),
        np.array([_RE_STD, _FS_STD, _QMS_STD, _MASS_STD, _FILLING_STD, *(_UNTOLD_STD for _ in own)]),
    )
