"""Iron cores in the time domain: flux over magnetising current with hysteresis and saturation, eddy currents beside it.

Many coils at once: every array of parameters has one entry a coil.

The core's flux linkage psi follows the current x that magnetises the core alone:

    psi = S(p),  S(p) = p / (1 + |p / psi_s|^n)^(1/n)          saturation (n = 1: Froelich)
    p   = Masing's rule on p0(x) = L x + E(|x|) sgn x,  E(h) = 2 a c (h - c (1 - exp(-h / c)))

For small fields E is ``a h^2``: Rayleigh's law, B = (mu + eta H) H with loops whose loss grows with the cube and whose
third harmonic grows with the square (Lord Rayleigh, Phil. Mag. 23, 225-245, 1887; Bozorth, Ferromagnetism, 1951,
ch. 11, both from memory). ``c`` ends that growth, as coercivity does. Masing's rule with wiping out: a branch that
leaves a turning point is the virgin curve enlarged by two; where it reaches the turning point before, the outer branch
goes on.

An air gap adds ``psi / L_gap`` to the current; what flux goes past the core adds ``leak_h i``; eddy currents flow in a
resistor across all of it. ``L_gap`` infinite: a closed core. ``psi_s`` infinite and ``a`` zero: an air coil.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

Real = np.ndarray

NEWTON_STEPS = 12
CONVERGED = 1e-7
"""Of Newton's last change, against the largest x so far: what is left is about its square."""


@dataclass(frozen=True)
class Cores:
    """Coils without the resistance of their windings, one entry each.

    Attributes
    ----------
    core_h : ndarray, H
        Of the core for smallest currents, without a gap.
    gap_h : ndarray, H
        What the gap alone would make of it; infinite for a closed core.
    leak_h : ndarray, H
    saturation_vs : ndarray, V s
    sharpness : ndarray
    rayleigh_h_per_a : ndarray, H/A
        ``a``: the core's inductance for a small alternating current of peak h is ``core_h + a h``.
    rayleigh_end_a : ndarray, A
    eddy_ohm : ndarray, ohm
    """

    core_h: Real
    gap_h: Real
    leak_h: Real
    saturation_vs: Real
    sharpness: Real
    rayleigh_h_per_a: Real
    rayleigh_end_a: Real
    eddy_ohm: Real

    @property
    def count(self) -> int:
        return self.core_h.size

    @property
    def small_signal_h(self) -> Real:
        """Inductance for smallest currents at low frequencies."""
        return 1 / (1 / self.core_h + 1 / self.gap_h) + self.leak_h

    def taken(self, index: Real) -> Cores:
        """Those of these numbers, in that order."""
        return Cores(**{field.name: getattr(self, field.name)[index] for field in fields(self)})

    def virgin(self, x: Real) -> tuple[Real, Real]:
        """``p0`` and its slope at x >= 0."""
        a, c = self.rayleigh_h_per_a, self.rayleigh_end_a
        left = np.exp(-x / c)
        return self.core_h * x + 2 * a * c * (x - c * (1 - left)), self.core_h + 2 * a * c * (1 - left)

    def saturated(self, p: Real) -> tuple[Real, Real]:
        """``S`` and its slope."""
        n = self.sharpness
        power = np.abs(p / self.saturation_vs) ** n
        root = (1 + power) ** (-1 / n)
        return p * root, root / (1 + power)


class Magnetised:
    """The cores with what they remember: turning points of x and p, innermost last."""

    def __init__(self, cores: Cores) -> None:
        self.cores = cores
        self.x, self.p = np.zeros(cores.count), np.zeros(cores.count)
        self.rising, self.step = np.ones(cores.count), np.zeros(cores.count)
        self._depth = np.zeros(cores.count, int)
        self._turned = np.zeros((64, 2, cores.count))
        self._all = np.arange(cores.count)
        self._largest = np.full(cores.count, 1e-12)
        self._from = (np.zeros(cores.count), np.zeros(cores.count), np.ones(cores.count), np.zeros(cores.count))
        self._limits()

    def flux(self, x: Real) -> tuple[Real, Real, Real, Real, Real]:
        """On the present branch: p, flux linkage, its slope over x, current, its slope over x."""
        cores = self.cores
        turn_x, turn_p, half, _ = self._from
        rise, slope = cores.virgin(np.abs(x - turn_x) * half)
        p = turn_p + self.rising * rise / half
        psi, steep = cores.saturated(p)
        steep *= slope
        current, current_slope = x + psi / cores.gap_h, 1 + steep / cores.gap_h
        return p, psi + cores.leak_h * current, steep + cores.leak_h * current_slope, current, current_slope

    def turn(self, rising: Real) -> None:
        """Take note of the direction of the next step, +1 or -1 each."""
        if (rising == self.rising).all():
            return
        turned = (rising != self.rising) & (self.x != 0)
        self.rising = rising
        if turned.any():
            if self._depth.max() + 2 >= len(self._turned):
                self._turned = np.concatenate([self._turned, np.zeros_like(self._turned)])
            which = self._all[turned]
            self._turned[self._depth[which], 0, which] = self.x[which]
            self._turned[self._depth[which], 1, which] = self.p[which]
            self._depth[which] += 1
        self._limits()

    def passed(self, x: Real) -> bool:
        """Whether x lies beyond the end of its branch anywhere; those go on with the branch outside."""
        end = self._from[3]
        over = (x - end) * self.rising > 0
        if not over.any():
            return False
        self._depth = np.where(over, np.maximum(self._depth - 2, 0), self._depth)
        self._limits()
        return True

    def arrive(self, x: Real, p: Real) -> None:
        self.step, self.x, self.p = x - self.x, x, p
        self._largest = np.maximum(self._largest, np.abs(x))

    def close_enough(self, step: Real) -> bool:
        return bool(np.all(np.abs(step) <= CONVERGED * self._largest))

    def _limits(self) -> None:
        """Where the present branch comes from, its scale, and where it ends."""
        depth = self._depth
        last, before = self._turned[depth - 1, :, self._all].T, self._turned[depth - 2, :, self._all].T
        virgin = depth == 0
        # The first turn lies on the virgin curve: its branch ends at the mirror image and goes on on that curve.
        end = np.where(virgin, np.inf * self.rising, np.where(depth == 1, -last[0], before[0]))
        self._from = (np.where(virgin, 0.0, last[0]), np.where(virgin, 0.0, last[1]), np.where(virgin, 1.0, 0.5), end)


def step(iron: Magnetised, flux: Real, voltage: Real, open_v: Real, source_ohm: Real, step_s: Real) -> tuple[Real, ...]:
    """One step by the trapezoidal rule behind a source of ``open_v`` (at its end) and ``source_ohm``.

    Returns flux linkage, voltage across the coil, current into it, all at the end of the step.
    """
    cores, half_s = iron.cores, step_s / 2
    share = 1 / (1 + source_ohm / cores.eddy_ohm)
    target = flux + half_s * (voltage + open_v * share)
    drop = half_s * source_ohm * share
    turn_at = iron.flux(iron.x)
    direction = np.where(turn_at[1] + drop * turn_at[3] < target, 1.0, -1.0)
    iron.turn(direction)
    x = iron.x + np.where(iron.step * direction > 0, iron.step, 0.0)
    while True:
        for _ in range(NEWTON_STEPS):
            p, linkage, linkage_slope, current, current_slope = iron.flux(x)
            change = (target - linkage - drop * current) / (linkage_slope + drop * current_slope)
            x = x + change
            x = np.where((x - iron.x) * direction < 0, iron.x, x)
            if iron.close_enough(change):
                break
        if not iron.passed(x):
            break
    p, linkage, _, current, _ = iron.flux(x)
    iron.arrive(x, p)
    across = (open_v - source_ohm * current) * share
    return linkage, across, current + across / cores.eddy_ohm
