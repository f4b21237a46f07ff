"""Small resonances where they belong: in the mechanical impedance of the cone.

`analysis.resonances` finds pole pairs that add up to the electrical impedance. Physically a surround, a wall or a
standing wave adds to the force on the cone; so the whole motional impedance is turned over, D = scale / Zmot, and its
pairs are those of D: the zeros of Zmot. In that form the lumped part keeps its meaning (mass, loss, stiffness).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from analysis.findings import Resonance, ResonanceFit
from analysis.rational import pair_basis, pole_derivatives, resonators_ohm
from capture.arrays import ComplexArray, FloatArray

BROAD_Q = 4.0
"""Pairs below this are easily found too strong: they and the coil can stand in for each other."""


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

    def without(self, keep: FloatArray) -> ConeResonances:
        """Only the pairs where ``keep`` is true."""
        return ConeResonances(self.scale_ohm_rad_s, self.poles_rad_s[keep], self.residues[keep])

    @property
    def size(self) -> int:
        """Number of parameters that change the pairs."""
        return 4 * self.poles_rad_s.size

    def weaker(self, motional: Resonance) -> ConeResonances:
        """Another start for a fit: broad pairs a third as strong, the scale that of the motional peak alone."""
        broad = np.abs(self.poles_rad_s) < BROAD_Q * 2 * np.abs(self.poles_rad_s.real)
        residues = np.where(broad, self.residues / 3, self.residues)
        return ConeResonances(2 * abs(motional.residue_ohm_rad_s.real), self.poles_rad_s, residues)

    def moved(self, changes: FloatArray) -> ConeResonances:
        """The pairs with residues, then poles changed; in units of each residue's size and pole's damping."""
        by_residue, by_pole = changes.reshape(2, -1)
        return ConeResonances(
            self.scale_ohm_rad_s,
            self.poles_rad_s + np.abs(self.poles_rad_s.real) * (by_pole[0::2] + 1j * by_pole[1::2]),
            self.residues + np.abs(self.residues) * (by_residue[0::2] + 1j * by_residue[1::2]),
        )

    def load(self, s: ComplexArray, changes: FloatArray) -> ComplexArray:
        """What the changed pairs add to D, rad/s, shape of ``s``."""
        moved = self.moved(changes)
        return resonators_ohm(s, moved.poles_rad_s, moved.residues)

    def load_slopes(self, s: ComplexArray, changes: FloatArray) -> ComplexArray:
        """Derivatives of `load` by the changes, shape (n, 4 k)."""
        moved = self.moved(changes)
        by_residue = pair_basis(s, moved.poles_rad_s) * np.repeat(np.abs(self.residues), 2)
        by_pole = pole_derivatives(s, moved.poles_rad_s, moved.residues)
        return np.concatenate([by_residue, by_pole * np.repeat(np.abs(self.poles_rad_s.real), 2)], axis=1)


def cone_resonances(fit: ResonanceFit) -> ConeResonances:
    """Pairs of the mechanical impedance from the pairs of the electrical one.

    The zeros of ``sum r/(s-p) + r*/(s-p*)`` are eigenvalues of the bordered state matrix; the residue of 1/Zmot at
    a zero is 1/Zmot'.
    """
    pairs = (*fit.motional, *fit.resonances)
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
    values = values[(values.imag > 0.02 * np.abs(values)) & (np.abs(values) > 0.7 * low) & (np.abs(values) < 1.5 * high)]
    return values[np.argsort(np.abs(values))]
