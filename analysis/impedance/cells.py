"""Bins of an impedance gathered in cells of 1/96 octave, corrected so that no resonance is rounded off.

The correction takes the resonators that are known out of a cell's mean and adds them at its frequency. It holds for
what a cell can show: a resonator that fits between two cells would be put into the data by it, and then explain them.
So cells are parted around narrow poles (`Cells.parted`), and what the bins do not show is not found.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.maths.rational import PairFit, resonators_ohm
from stillbox.analysis.maths.uncertainty import CHAIN_FLOOR
from stillbox.analysis.maths.weighted_pairs import WeightedData
from stillbox.analysis.maths.windows import first_of_cells
from stillbox.capture.arrays import ComplexArray, FloatArray

CELLS_PER_OCTAVE = 96
HIGHEST_HZ = 20_000.0

_CELL_OVER_DISTANCE = 0.7
"""Widest cell over its distance from the nearest pole (half width and detuning together): three in a full width."""
_CELLS_SHARING_CALIBRATION = CELLS_PER_OCTAVE / 12
"""The noise of the calibration takes is common to so many cells: a resonator as wide sees it that much stronger."""
_CELLS_SHARING_BEND = CELLS_PER_OCTAVE / 3
"""What a bending suspension does to a peak is as wide as the peak: of Q 4, as in a box, a third of an octave."""


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

    def parted(self, poles_rad_s: ComplexArray) -> Cells:
        """The same bins in cells that are narrow enough to show poles as narrow as these; itself where they are."""
        if not poles_rad_s.size:
            return self
        bins, edges = self.spectrum.frequency_hz, np.append(self.first, self.spectrum.frequency_hz.size)
        distance_hz = np.min(np.abs(2j * np.pi * self.frequency_hz - poles_rad_s[:, None]), axis=0) / (2 * np.pi)
        width_hz = np.diff(edges) * (bins[1] - bins[0])
        parts = np.minimum(np.ceil(width_hz / (_CELL_OVER_DISTANCE * distance_hz)), np.diff(edges)).astype(int)
        if np.all(parts == 1):
            return self
        whole = zip(edges, edges[1:], parts, strict=False)
        first = [np.linspace(low, high, count, endpoint=False) for low, high, count in whole]
        return _gathered(self.spectrum, np.concatenate(first).astype(int), np.repeat(parts, parts))


def cells_of(spectrum: ImpedanceSpectrum) -> Cells:
    """Cells of 1/96 octave up to the highest frequency that is looked at."""
    inside = spectrum.frequency_hz <= HIGHEST_HZ
    spectrum = spectrum.part(inside)
    first = first_of_cells(spectrum.frequency_hz, CELLS_PER_OCTAVE)
    return _gathered(spectrum, first, np.ones(first.size, dtype=int))


def _gathered(spectrum: ImpedanceSpectrum, first: NDArray[np.int64], parts: NDArray[np.int64]) -> Cells:
    """Cells that begin at these bins; what neighbours share does not count for less in a cell of several parts."""
    weight = 1 / spectrum.noise_variance_ohm2
    total = np.add.reduceat(weight, first)
    frequency_hz = np.add.reduceat(weight * spectrum.frequency_hz, first) / total
    magnitude = np.abs(np.add.reduceat(weight * spectrum.impedance_ohm, first) / total)
    shared = _CELLS_SHARING_CALIBRATION * spectrum.calibration_variance_ohm2[first]
    if spectrum.bent_variance_ohm2 is not None:
        shared = shared + _CELLS_SHARING_BEND * spectrum.bent_variance_ohm2[first]
    std = np.sqrt(0.5 * (1 / total + parts * shared) + parts * (CHAIN_FLOOR * magnitude) ** 2)
    return Cells(spectrum, first, weight, frequency_hz, std)
