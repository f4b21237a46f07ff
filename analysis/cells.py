"""Bins of an impedance gathered in cells of 1/96 octave, corrected so that no resonance is rounded off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.impedance import ImpedanceSpectrum
from analysis.rational import PairFit, WeightedData, resonators_ohm
from analysis.uncertainty import CHAIN_FLOOR
from capture.arrays import ComplexArray, FloatArray

CELLS_PER_OCTAVE = 96
HIGHEST_HZ = 20_000.0

_CELLS_SHARING_CALIBRATION = CELLS_PER_OCTAVE / 12
"""The noise of the calibration takes is common to so many cells: a resonator as wide sees it that much stronger."""


@dataclass(frozen=True)
class Cells:
    """Bins gathered in cells of 1/96 octave (one bin a cell where bins are wider)."""

    spectrum: ImpedanceSpectrum
    first: NDArray[np.int64]
    weight: FloatArray
    frequency_hz: FloatArray
    std_ohm: FloatArray

    def mean(self, values: ComplexArray) -> ComplexArray:
        """Weighted mean over each cell, shape (cells,)."""
        total: ComplexArray = np.add.reduceat(values * self.weight, self.first)
        return total / np.add.reduceat(self.weight, self.first)

    def data(self, fit: PairFit | None = None, inflation: FloatArray | float = 1.0) -> WeightedData:
        """Cell means; with a fit, of what its resonators leave over, plus the resonators at the cell's frequency.

        So a resonance narrower than a cell is not rounded off; the coil is smooth enough to need no such care.
        """
        s = 2j * np.pi * self.frequency_hz
        if fit is None:
            return WeightedData(s, self.mean(self.spectrum.impedance_ohm), self.std_ohm * inflation)
        rest = self.spectrum.impedance_ohm - resonators_ohm(
            2j * np.pi * self.spectrum.frequency_hz, fit.poles_rad_s, fit.residues
        )
        mean = self.mean(rest) + resonators_ohm(s, fit.poles_rad_s, fit.residues)
        return WeightedData(s, mean, self.std_ohm * inflation)


def cells_of(spectrum: ImpedanceSpectrum) -> Cells:
    inside = spectrum.frequency_hz <= HIGHEST_HZ
    spectrum = spectrum.part(inside)
    number = np.floor(CELLS_PER_OCTAVE * np.log2(spectrum.frequency_hz))
    first = np.concatenate([[0], np.flatnonzero(np.diff(number) > 0) + 1])
    weight = 1 / spectrum.noise_variance_ohm2
    total = np.add.reduceat(weight, first)
    frequency_hz = np.add.reduceat(weight * spectrum.frequency_hz, first) / total
    magnitude = np.abs(np.add.reduceat(weight * spectrum.impedance_ohm, first) / total)
    shared = _CELLS_SHARING_CALIBRATION * spectrum.calibration_variance_ohm2[first]
    std = np.sqrt(0.5 * (1 / total + shared) + (CHAIN_FLOOR * magnitude) ** 2)
    return Cells(spectrum, first, weight, frequency_hz, std)
