"""Small resonances where they belong: in the mechanical impedance of the cone.

`analysis.impedance.resonances` finds pole pairs that add up to the electrical impedance. Physically a surround, a wall
or a standing wave adds to the force on the cone; so the whole motional impedance is turned over, D = scale / Zmot, and
its pairs are those of D: the zeros of Zmot. In that form the lumped part keeps its meaning (mass, loss, stiffness).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from stillbox.analysis.impedance.findings import Resonance, ResonanceFit
from stillbox.analysis.lumped.parameters import Parameter, declared, number
from stillbox.analysis.maths.rational import pair_basis, pole_derivatives, resonators_ohm
from stillbox.capture.arrays import ComplexArray, FloatArray

SAME_PAIR = 0.03
"""Distance, relative to the frequency, within which pairs of two takes are the same one."""

BROAD_Q = 4.0
"""Pairs below this are easily found too strong: they and the coil can stand in for each other."""


HIGHEST_HZ = 10_000.0
"""Above it a pair is the coil's, or the end of the band's: what moves there is no part of the cone's load at low
frequency."""


class PairChange(NamedTuple):
    """Numbers that change one pair."""

    residue_real: FloatArray = number("residue's real part", "of its size", usual=0.0)
    residue_imag: FloatArray = number("residue's imaginary part", "of its size", usual=0.0)
    pole_real: FloatArray = number("pole's real part", "of its damping", usual=0.0)
    pole_imag: FloatArray = number("pole's imaginary part", "of its damping", usual=0.0)


OF_A_PAIR = len(PairChange._fields)


@dataclass(frozen=True)
class ConeResonances:
    """Pole pairs of the mechanical impedance over the moving mass.

    Attributes
    ----------
    scale_ohm_rad_s : float
        Zmot -> scale / s at high frequency: Bl^2 over the moving mass.
    poles_rad_s, residues : complex ndarray, shape (k,)
        Of D in rad/s (residues in rad^2/s^2), the upper one of each pair.
    """

    scale_ohm_rad_s: float
    poles_rad_s: ComplexArray
    residues: ComplexArray

    @property
    def size(self) -> int:
        """Number of parameters that change the pairs."""
        return OF_A_PAIR * self.poles_rad_s.size

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Changes of the pairs, one after the other."""
        count = self.poles_rad_s.size
        return tuple(one for pair in range(count) for one in declared(PairChange, f"pair {pair + 1} "))

    def only(self, keep: NDArray[np.bool_]) -> ConeResonances:
        """The pairs where ``keep`` is true."""
        return ConeResonances(self.scale_ohm_rad_s, self.poles_rad_s[keep], self.residues[keep])

    def joined(self, other: ConeResonances) -> ConeResonances:
        """These pairs, then the other's."""
        return ConeResonances(
            self.scale_ohm_rad_s,
            np.concatenate([self.poles_rad_s, other.poles_rad_s]),
            np.concatenate([self.residues, other.residues]),
        )

    def apart_from(self, other: ConeResonances) -> ConeResonances:
        """The pairs that are not those of another take: each of its pairs claims the nearest one within reach."""
        keep = np.ones(self.poles_rad_s.size, dtype=bool)
        for pole in other.poles_rad_s:
            distance = np.where(keep, np.abs(self.poles_rad_s - pole), np.inf)
            if keep.any() and distance.min() < max(SAME_PAIR * abs(pole), abs(pole.real)):
                keep[int(np.argmin(distance))] = False
        return self.only(keep)

    def weaker(self, motional: Resonance) -> ConeResonances:
        """Another start for a fit: broad pairs a third as strong, the scale that of the motional peak alone."""
        broad = np.abs(self.poles_rad_s) < BROAD_Q * 2 * np.abs(self.poles_rad_s.real)
        residues = np.where(broad, self.residues / 3, self.residues)
        return ConeResonances(2 * abs(motional.residue_ohm_rad_s.real), self.poles_rad_s, residues)

    def moved(self, changes: FloatArray) -> ConeResonances:
        """The pairs changed, as `PairChange` has it."""
        change = PairChange(*changes.reshape(-1, OF_A_PAIR).T)
        return ConeResonances(
            self.scale_ohm_rad_s,
            self.poles_rad_s + np.abs(self.poles_rad_s.real) * (change.pole_real + 1j * change.pole_imag),
            self.residues + np.abs(self.residues) * (change.residue_real + 1j * change.residue_imag),
        )

    def load(self, s: ComplexArray, changes: FloatArray) -> ComplexArray:
        """What the changed pairs add to D, rad/s, shape of ``s``."""
        moved = self.moved(changes)
        return resonators_ohm(s, moved.poles_rad_s, moved.residues)

    def at(self, s: ComplexArray, changes: FloatArray) -> PairsAt:
        """The changed pairs at some s."""
        moved = self.moved(changes)
        return PairsAt(self, moved.residues, pair_basis(s, moved.poles_rad_s))

    def settled(self, reach: FloatArray) -> ConeResonances:
        """The pairs whose resistance at rest is farther than ``reach`` (k,) from 1/Q, turned to have that.

        Such a pair, found beside a broad one, would take away more resistance than the cone has.
        """
        wanted = 2 * np.abs(self.poles_rad_s.real / self.poles_rad_s)
        far = np.abs(self.at_rest()[0] - wanted) > reach
        turned = np.abs(self.residues / self.poles_rad_s) * (-wanted - 1j * np.sqrt(np.maximum(1 - wanted**2, 0.0)))
        return ConeResonances(
            self.scale_ohm_rad_s, self.poles_rad_s, np.where(far, turned * self.poles_rad_s, self.residues)
        )

    def at_rest(self) -> tuple[FloatArray, FloatArray]:
        """Each pair at zero frequency over its strength there, (k,), and the derivatives by the changes (k, 4 k).

        A standing wave or a wall adds mass there but no resistance: what they do vanishes with the motion.
        """
        strength = 2 * np.abs(self.residues / self.poles_rad_s)
        value = -2 * (self.residues / self.poles_rad_s).real / strength
        slopes = np.zeros((value.size, value.size, OF_A_PAIR))
        for k, (pole, residue) in enumerate(zip(self.poles_rad_s, self.residues, strict=True)):
            by_residue = np.array([1.0, 1j]) * abs(residue) / pole
            by_pole = -np.array([1.0, 1j]) * abs(pole.real) * residue / pole**2
            slopes[k, k] = -2 * np.concatenate([by_residue, by_pole]).real / strength[k]
        return value, slopes.reshape(value.size, self.size)


@dataclass(frozen=True)
class PairsAt:
    """Changed pairs at s (n,): ``basis`` (n, 2 k) as `analysis.maths.rational.pair_basis` has it."""

    of: ConeResonances
    residues: ComplexArray
    basis: ComplexArray

    def load(self, first: int = 0, end: int | None = None) -> ComplexArray:
        """What the pairs from ``first`` up to ``end`` add to D, rad/s, (n,)."""
        last = self.residues.size if end is None else end
        result: ComplexArray = self.basis[:, 2 * first : 2 * last] @ self.residues[first:last].view(float)
        return result

    def slopes(self) -> ComplexArray:
        """Derivatives by the changes, (n, 4 k)."""
        shape = (self.basis.shape[0], -1, 2)
        slopes = np.empty((self.basis.shape[0], self.residues.size, OF_A_PAIR), dtype=complex)
        np.multiply(self.basis.reshape(shape), np.abs(self.of.residues)[:, None], out=slopes[:, :, :2])
        by_pole = pole_derivatives(self.basis, self.residues).reshape(shape)
        np.multiply(by_pole, np.abs(self.of.poles_rad_s.real)[:, None], out=slopes[:, :, 2:])
        return slopes.reshape(self.basis.shape[0], -1)


def cone_resonances(fit: ResonanceFit, least_q: float = 2.0) -> ConeResonances:
    """Pairs of the mechanical impedance from the pairs of the electrical one.

    Of the broad pairs, which may be the coil's, those of ``least_q`` and more count too: standing waves in a lining.
    Where all pairs together have no mass on the cone (the coil's have been taken for the cone's), the motional ones
    alone count.

    The zeros of ``sum r/(s-p) + r*/(s-p*)`` are eigenvalues of the bordered state matrix; the residue of 1/Zmot at
    a zero is 1/Zmot'.
    """
    small = (*(r for r in fit.broad if r.q >= least_q), *fit.resonances)
    pairs = (*fit.motional, *(r for r in small if r.frequency_hz < HIGHEST_HZ))
    if sum(r.residue_ohm_rad_s.real for r in pairs) <= 0:
        pairs = fit.motional
    poles = np.array([r.pole_rad_s for r in pairs], dtype=complex)
    residues = np.array([r.residue_ohm_rad_s for r in pairs], dtype=complex)
    scale = float(2 * residues.real.sum())
    zeros = _zeros(poles, residues)
    slope = -np.sum(residues / (zeros[:, None] - poles) ** 2, axis=1) - np.sum(
        np.conj(residues) / (zeros[:, None] - np.conj(poles)) ** 2, axis=1
    )
    return ConeResonances(scale, zeros, scale / slope)


def _zeros(poles: ComplexArray, residues: ComplexArray) -> ComplexArray:
    """Upper complex zeros inside the range of the poles, in order of frequency."""
    unit = float(np.exp(np.mean(np.log(np.abs(poles)))))
    size = 2 * poles.size
    whole = np.zeros((size + 1, size + 1), dtype=complex)
    whole[:size, :size] = np.diag(np.concatenate([poles, np.conj(poles)]) / unit)
    whole[:size, size] = 1.0
    weights = np.concatenate([residues, np.conj(residues)])
    whole[size, :size] = weights / np.abs(weights).max()
    border = np.eye(size + 1)
    border[size, size] = 0.0
    values = linalg.eigvals(whole, border, check_finite=False)
    values = values[np.isfinite(values)] * unit
    low, high = np.abs(poles).min(), np.abs(poles).max()
    size_rad_s = np.abs(values)
    values = values[(values.imag > 0.02 * size_rad_s) & (size_rad_s > 0.7 * low) & (size_rad_s < 1.5 * high)]
    result: ComplexArray = values[np.argsort(np.abs(values))]
    return result
