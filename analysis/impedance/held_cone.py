"""What would ring if the cone were held: the zeros of the motional impedance.

The motional impedance is (Bl)^2 over the mechanical impedance at the coil, which is the sum of that of the driver and
that of the box. It is zero where the sum is infinite: at the resonances that the driver's own parts (surround, dust
cap) have with the coil held, and at the resonances of the box (air, port, walls) with the cone held. So, while a
pole of the impedance belongs to cone and box together, each zero belongs to one of them alone: those of the
driver stay where they are when it moves from free air into a box, and those of the air lie at c/2L and its family
wherever the cone sits. To first order a pole lies above its zero by half of its residue over that of the
fundamental.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg, optimize

from stillbox.analysis.impedance.findings import Resonance, ResonanceFit
from stillbox.capture.arrays import ComplexArray

_BACKGROUND_STD = 0.1
"""Relative uncertainty of what the other resonators add up to at the zero (coil and cone are never ideal)."""


_LEAST_COUPLING = 1e-9


@dataclass(frozen=True)
class HeldResonance:
    """One resonance of driver or box with the cone held.

    Attributes
    ----------
    frequency_hz, q : float
        Natural frequency |z|/2 pi and |z|/(2 |Re z|) of the zero z.
    frequency_std_hz, q_std : float
    coupling : float
        |p^2/z^2 - 1| of the pole p that belongs to it: about its residue over that of the fundamental, that is
        the moving mass over the mass that resonates.
    """

    frequency_hz: float
    frequency_std_hz: float
    q: float
    q_std: float
    coupling: float


def as_it_shows(resonance: Resonance) -> HeldResonance:
    """A resonance with the cone moving as it does, in the form of one with the cone held; it has no coupling."""
    return HeldResonance(
        resonance.frequency_hz, resonance.frequency_std_hz, resonance.q, resonance.q_std, _LEAST_COUPLING
    )


def cone_residue(fit: ResonanceFit) -> float:
    """Bl^2/(2 Mms) in ohm rad/s: the real residues of the motional peaks together; 0 if there are none."""
    return float(sum(abs(peak.residue_ohm_rad_s) for peak in fit.motional))


def held_resonances(fit: ResonanceFit) -> tuple[HeldResonance, ...]:
    """The zero that belongs to each of ``fit.resonances``, in their order."""
    zeros = _zeros_by_pole(fit)
    first = len(zeros) - len(fit.resonances)
    return tuple(_held(resonance, zeros[first + index]) for index, resonance in enumerate(fit.resonances))


def held_motional_hz(fit: ResonanceFit) -> float:
    """The zero between the two motional peaks of a vented box: its tuning fB, which rings with the cone held, Hz."""
    lower, upper = (peak.frequency_hz for peak in fit.motional)
    zeros_hz = np.abs(_zeros(fit)) / (2 * np.pi)
    between = zeros_hz[(zeros_hz > lower) & (zeros_hz < upper)]
    # Without losses the residues say where it lies: (fB^2 - fL^2) : (fH^2 - fB^2), as those of the peaks.
    first, second = (abs(peak.residue_ohm_rad_s) for peak in fit.motional)
    middle = np.sqrt(lower**2 + first / (first + second) * (upper**2 - lower**2))
    return float(min(between, key=lambda hz: abs(np.log(hz / middle)), default=middle))


def _held(resonance: Resonance, zero: complex) -> HeldResonance:
    pole = resonance.pole_rad_s
    pull = abs(zero - pole)
    relative = np.hypot(resonance.height_std_ohm / resonance.height_ohm, resonance.q_std / resonance.q)
    pull_std = pull * np.hypot(_BACKGROUND_STD, relative)
    damping = max(abs(zero.real), 1e-6 * abs(zero))
    # Re p = |p| / 2Q; the zero's real part inherits its uncertainty and that of the pull.
    damping_std = np.hypot(abs(pole.real) * resonance.q_std / resonance.q, pull_std)
    q = abs(zero) / (2 * damping)
    return HeldResonance(
        frequency_hz=abs(zero) / (2 * np.pi),
        frequency_std_hz=float(np.hypot(resonance.frequency_std_hz, pull_std / (2 * np.pi))),
        q=q,
        q_std=float(q * damping_std / damping),
        coupling=max(float(abs(pole**2 / zero**2 - 1)), _LEAST_COUPLING),
    )


def _everything(fit: ResonanceFit) -> tuple[Resonance, ...]:
    """All pairs of the motional impedance; a damped one stronger than the cone itself is part of the coil."""
    most = cone_residue(fit)
    broad = tuple(pair for pair in fit.broad if abs(pair.residue_ohm_rad_s) < most) if fit.motional else fit.broad
    return (*fit.motional, *broad, *fit.resonances)


def _zeros(fit: ResonanceFit) -> ComplexArray:
    """Zeros of the sum of all pole pairs in the upper half plane, rad/s, in no order.

    They are the finite eigenvalues of the pencil ``[[A, b], [c, 0]] - s [[I, 0], [0, 0]]`` of its state space.
    """
    pairs = _everything(fit)
    size = 2 * len(pairs)
    unit = float(np.exp(np.mean(np.log([abs(pair.pole_rad_s) for pair in pairs]))))
    pencil = np.zeros((size + 1, size + 1))
    for index, pair in enumerate(pairs):
        pole, residue = pair.pole_rad_s / unit, pair.residue_ohm_rad_s / abs(pairs[0].residue_ohm_rad_s)
        here = slice(2 * index, 2 * index + 2)
        pencil[here, here] = [[pole.real, pole.imag], [-pole.imag, pole.real]]
        pencil[2 * index, size] = 2.0
        pencil[size, here] = [residue.real, residue.imag]
    mass = np.eye(size + 1)
    mass[size, size] = 0.0
    alpha, beta = linalg.eig(pencil, mass, right=False, homogeneous_eigvals=True)
    finite = np.abs(beta) > 1e-9 * np.abs(alpha)
    zeros = alpha[finite] / beta[finite] * unit
    result: ComplexArray = zeros[zeros.imag > 1e-3 * np.abs(zeros)]
    return result


def _zeros_by_pole(fit: ResonanceFit) -> list[complex]:
    """For each pair of ``_everything`` its own zero; the pole itself where there is none left for it."""
    pairs = _everything(fit)
    poles = np.array([pair.pole_rad_s for pair in pairs])
    found = [complex(pole) for pole in poles]
    if len(pairs) < 2:
        return found
    zeros = _zeros(fit)
    # The strongest motional peak belongs to the cone itself: there is one zero less than there are poles.
    among = fit.motional or pairs
    cone = int(np.argmax([abs(pair.residue_ohm_rad_s) for pair in among]))
    distance = np.abs(np.log(poles[:, None] / zeros[None, :]))
    distance[cone] += 1e3
    for row, column in zip(*optimize.linear_sum_assignment(distance), strict=True):
        if row != cone:
            found[row] = complex(zeros[column])
    return found
