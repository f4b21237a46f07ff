"""A driver in its box as a lumped circuit: what another one of its kind, or another box, would make of its impedance.

The motional impedance is ``Bl^2/(j w M + R + 1/(j w C) + box)`` with the box
``k/(j w/(1 + j w t) + wB^2/(j w + wB dp) + wl)``: stiffness k of the air, time t by which fibres hold it back, tuning
wB, loss dp of the port (1/Qp), rate wl at which a leak empties the box (Small, JAES 21(5) to 21(10), 1973). With wB = 0
there is no port. Everything is told in electrical units (Bl = 1 for the speaker that is known): M in F, C in H.

What the circuit misses is no matter: only what it changes from one speaker to another is taken from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import astuple, dataclass, replace
from typing import Literal, get_args

import numpy as np
from scipy import optimize

from stillbox.analysis.wrong_part.known_driver import KnownDriver
from stillbox.capture.arrays import ComplexArray, FloatArray

Name = Literal["re", "coil", "tilt", "bl", "mass", "compliance", "loss", "air", "tuning", "port_loss", "leak", "fibre"]
NAMES: tuple[Name, ...] = get_args(Name)
ABOUT_HZ = 2000.0
"""Around it the coil is tilted."""
MOTION_HZ = (12.0, 400.0)
"""Where the circuit is fitted to a speaker that is known."""
STARTS = tuple((air, leak) for air in (0.5, 1.5, 4.0) for leak in (0.02, 0.15))
"""Stiffness of the air over that of the suspension; loss by a leak."""
FIBRE = 0.03
"""Loss by fibres to begin with, 1/QA."""
TIGHTEST, FREEST, EMPTIEST = 100.0, 100.0, 100.0
"""QL of the tightest box, Qp of the freest port, QA of the emptiest box."""
MISSED = 0.05
"""Of what the circuit changes in the impedance: so well it says that."""


@dataclass(frozen=True)
class Motion:
    """Numbers of the circuit: F, H, S, 1/H, rad/s, 1, rad/s, s; all above 0, ``tuning`` 0 without a port."""

    mass: float
    compliance: float
    loss: float
    air: float
    tuning: float
    port_loss: float
    leak: float
    fibre: float = 1e-9

    def values(self) -> FloatArray:
        """In the order of the fields."""
        return np.array(list(astuple(self)))

    @property
    def closed_rad_s(self) -> float:
        """Resonance with the port closed."""
        return float(np.sqrt((1 / self.compliance + self.air) / self.mass))

    def port_closed(self) -> Motion:
        """The same without a port."""
        return replace(self, tuning=0.0)


def motional_ohm(values: FloatArray, frequency_hz: FloatArray) -> tuple[ComplexArray, list[ComplexArray]]:
    """Motional impedance, and its derivatives by the logarithms of the numbers.

    Parameters
    ----------
    values : ndarray, shape (speakers, 8)
        As `Motion.values` has them.
    frequency_hz : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (speakers, n), and one for each number
    """
    s = 2j * np.pi * frequency_hz
    mass, compliance, loss, air, tuning, port_loss, leak, fibre = (column[:, None] for column in values.T)
    port = s + tuning * port_loss
    pull = tuning**2 / port
    free = s / (1 + s * fibre)
    whole = free + pull + leak
    box = air / whole
    admittance = s * mass + loss + 1 / (s * compliance) + box
    ohm = 1 / admittance
    lost = tuning * port_loss / port
    by = [
        s * mass,
        -1 / (s * compliance),
        loss + 0 * s,
        box,
        -box / whole * pull * (2 - lost),
        box / whole * pull * lost,
        -box / whole * leak,
        box / whole * free**2 * fibre,
    ]
    return ohm, [-(ohm**2) * one for one in by]


def fitted_motion(
    frequency_hz: FloatArray, motional: ComplexArray, vented: bool, alone: Motion | None, peaks_hz: tuple[float, ...]
) -> Motion:
    """The circuit of a speaker that is known.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
    motional : complex ndarray, shape (n,)
        Impedance without that of the coil, ohm.
    vented : bool
    alone : Motion or None
        The driver's own mass, compliance and loss, from a take in free air.
    peaks_hz : tuple of float
        Where the impedance is highest: one, or two with a port.
    """
    inside = (frequency_hz >= MOTION_HZ[0]) & (frequency_hz <= MOTION_HZ[1])
    hz, ohm = frequency_hz[inside], motional[inside]
    weight = 1 / (0.02 * np.abs(ohm) + 0.01 * np.max(np.abs(ohm)))
    tuning = 2 * np.pi * float(np.sqrt(np.prod(peaks_hz))) if vented else 0.0
    free = np.array([True, True, True, True, vented, vented, True, True])
    best: tuple[float, FloatArray] | None = None
    for air, leak in STARTS:
        start = _start(hz, ohm, alone, air, leak, tuning, max(peaks_hz))
        prior = np.array([0.05, 0.15, 0.3] if alone is not None else [5.0, 5.0, 5.0])

        def left(moved: FloatArray, start: FloatArray = start, prior: FloatArray = prior) -> FloatArray:
            values = start.copy()
            values[free] *= np.exp(moved[:-1])
            off = (motional_ohm(values[None], hz)[0][0] + moved[-1] - ohm) * weight
            return np.concatenate([off.view(float), moved[:3] / prior])

        found = optimize.least_squares(left, np.zeros(free.sum() + 1), max_nfev=60)
        if best is None or found.cost < best[0]:
            values = start.copy()
            values[free] *= np.exp(found.x[:-1])
            best = float(found.cost), values
    assert best is not None
    return with_usual_losses(Motion(*(float(value) for value in best[1])))


def with_usual_losses(motion: Motion) -> Motion:
    """The same, no box being tighter and no port freer than they can be: what is nothing cannot change by a part."""
    about = motion.tuning or motion.closed_rad_s
    return replace(
        motion,
        leak=max(motion.leak, about / TIGHTEST),
        port_loss=max(motion.port_loss, 1 / FREEST),
        fibre=max(motion.fibre, 1 / (about * EMPTIEST)),
    )


def _start(
    hz: FloatArray, ohm: ComplexArray, alone: Motion | None, air: float, leak: float, tuning: float, peak_hz: float
) -> FloatArray:
    if alone is not None:
        mass, compliance, loss = alone.mass, alone.compliance, alone.loss
    else:
        per_s = float(np.median((np.abs(ohm) * 2 * np.pi * hz)[hz > 2 * peak_hz])) if np.any(hz > 2 * peak_hz) else 1e4
        mass = 1 / per_s
        compliance = (1 + air) / ((2 * np.pi * peak_hz) ** 2 * mass)
        loss = 1 / float(np.max(np.abs(ohm)))
    own = float(np.sqrt((1 + air) / (compliance * mass)))
    return np.array([mass, compliance, loss, air / compliance, tuning, 0.03, leak * own, FIBRE / own])


@dataclass(frozen=True)
class BoxedDriver(KnownDriver):
    """A driver like one that is known in its box, each number off by what its kind scatters.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n,)
    resistance_ohm : float
        DC resistance.
    blocked_ohm : complex ndarray, shape (n,)
        Coil without it.
    known, start : Motion
        Of the speaker whose impedance this is, and what is expected of the other one.
    stds : mapping of str to float
        Standard deviation of the logarithm of each number.
    """

    frequency_hz: FloatArray
    resistance_ohm: float
    blocked_ohm: ComplexArray
    known: Motion
    start: Motion
    stds: Mapping[Name, float]

    @property
    def count(self) -> int:
        return len(NAMES) + len(self.slopes_ohm)

    def at(self, theta: FloatArray) -> tuple[ComplexArray, list[ComplexArray]]:
        std = np.array([self.stds[name] for name in NAMES])
        moved = np.exp(np.clip(theta[:, : len(NAMES)] * std, -6, 6))
        own, slopes = motional_ohm(self.start.values() * moved[:, 4:], self.frequency_hz)
        squared = moved[:, 3, None] ** 2
        octaves = np.log10(self.frequency_hz / ABOUT_HZ)
        re, coil, tilt = moved[:, :1], moved[:, 1:2], np.exp(theta[:, 2:3] * std[2] * octaves)
        blocked = coil * tilt * self.blocked_ohm
        ohm = self.impedance_ohm + (re - 1) * self.resistance_ohm + blocked - self.blocked_ohm
        ohm = ohm + squared * own - self._known_ohm
        linear = theta[:, len(NAMES) :]
        if self.slopes_ohm:
            ohm = ohm + linear @ np.array(self.slopes_ohm)
        by = [
            re * self.resistance_ohm + 0j * ohm,
            blocked,
            octaves * blocked,
            2 * squared * own,
            *(squared * slope for slope in slopes),
        ]
        return ohm, [*(one * size for one, size in zip(by, std, strict=True)), *self.slopes_ohm]

    def moving_at(self, theta: FloatArray) -> ComplexArray:
        """What the moving cone adds by the circuit, shape (n,); ``theta`` of shape (numbers,)."""
        bl = np.exp(2 * theta[NAMES.index("bl")] * self.stds["bl"])
        found: ComplexArray = bl * motional_ohm(self.motion_at(theta).values()[None], self.frequency_hz)[0][0]
        return found

    @property
    def _known_ohm(self) -> ComplexArray:
        known: ComplexArray = motional_ohm(self.known.values()[None], self.frequency_hz)[0][0]
        return known

    def thinned(self, step: int) -> BoxedDriver:
        return replace(
            self,
            impedance_ohm=self.impedance_ohm[::step],
            slopes_ohm=tuple(slope[::step] for slope in self.slopes_ohm),
            spread_ohm=self.spread_ohm[::step],
            frequency_hz=self.frequency_hz[::step],
            blocked_ohm=self.blocked_ohm[::step],
        )

    def told_at(self, theta: FloatArray) -> BoxedDriver:
        """The same, knowing that the circuit says only so well what it changes.

        Parameters
        ----------
        theta : ndarray, shape (numbers,)
        """
        ohm = self.at(theta[None])[0][0]
        return replace(self, spread_ohm=np.hypot(self.spread_ohm, MISSED * np.abs(ohm - self.impedance_ohm)))

    def motion_at(self, theta: FloatArray) -> Motion:
        """Numbers of the circuit but for Bl; ``theta`` of shape (numbers,)."""
        std = np.array([self.stds[name] for name in NAMES])
        moved = np.exp(np.clip(theta[: len(NAMES)] * std, -6, 6))
        return Motion(*(float(value) for value in self.start.values() * moved[4:]))
