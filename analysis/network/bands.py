"""What tolerances do: values drawn at random, and the bands in which levels and impedance then lie."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from stillbox.analysis.maths.stopping import checked
from stillbox.analysis.network.elimination import Scratch
from stillbox.analysis.network.network import Network
from stillbox.analysis.network.nodal import circuit_of_arrays, known_values
from stillbox.capture.arrays import ComplexArray, FloatArray

POINTS_AT_ONCE = 16_384
"""Draws times frequencies that are computed together: their arrays stay in the fast memory of the processor."""

BAND_PERCENT = (2.5, 97.5)
"""Percentiles between which 95 % of the draws lie."""


@dataclass(frozen=True)
class Bands:
    """Percentiles over the draws, one row each, at every frequency.

    Attributes
    ----------
    percent : tuple of float
        Which percentiles.
    input_magnitude_ohm : ndarray, shape (percentiles, frequencies)
    level_db : mapping of str to ndarray, shape (percentiles, frequencies)
        Voltage across each driver re that at the terminals.
    """

    percent: tuple[float, ...]
    input_magnitude_ohm: FloatArray
    level_db: Mapping[str, FloatArray]


def drawn_values(
    network: Network, tolerance_percent: Mapping[str, float], draws: int, rng: np.random.Generator
) -> dict[str, FloatArray]:
    """Values of the parts at random, evenly within their tolerances (JCGM 100, 4.3.7).

    Parameters
    ----------
    network : Network
    tolerance_percent : mapping of str to float
        By name, as in `Network.values`; what is not named keeps its value.
    draws : int
    rng : Generator

    Returns
    -------
    dict of str to ndarray, shape (draws,)
        For `analysis.network.nodal.circuit_at`.
    """
    folded = {name.casefold(): percent for name, percent in tolerance_percent.items()}
    planned = {name: value for name, value in network.values() if name.casefold() in folded}
    return {
        name: value * (1 + folded[name.casefold()] / 100 * rng.uniform(-1, 1, draws)) for name, value in planned.items()
    }


def bands_of_draws(
    network: Network,
    frequency_hz: FloatArray,
    driver_impedance_ohm: Mapping[str, ComplexArray],
    values: Mapping[str, FloatArray],
    percent: Sequence[float] = BAND_PERCENT,
) -> Bands:
    """Percentiles of level and input impedance over draws of the values.

    Computed in single precision, twice as fast: as good as parts that are 1e-7 off, and across a driver of which no
    terminal is the speaker's own, within 3e-6 V of 1 V at the terminals. With 2,000 draws the percentiles themselves
    scatter by some percent of the band.

    Parameters
    ----------
    network : Network
    frequency_hz : ndarray, shape (frequencies,)
        Above 0.
    driver_impedance_ohm : mapping of str to ndarray, shape (frequencies,) or (draws, frequencies)
    values : mapping of str to ndarray, shape (draws,)
        As from `drawn_values`.
    percent : sequence of float
        0 to 100.
    """
    draws = max((np.size(value) for value in values.values()), default=1)
    draws = max([draws, *(len(one) for one in driver_impedance_ohm.values() if np.ndim(one) == 2)])
    rows = {place.name: np.empty((len(percent), frequency_hz.size)) for place in network.drivers}
    input_rows = np.empty((len(percent), frequency_hz.size))
    scratch = Scratch(np.complex64)
    known = known_values(network, values, 2, scratch)
    step = max(POINTS_AT_ONCE // draws, 1)
    for first in range(0, frequency_hz.size, step):
        checked()
        here = slice(first, first + step)
        # Frequencies down, draws along: the percentiles are over what lies side by side.
        circuit = circuit_of_arrays(
            known,
            2j * np.pi * frequency_hz[here, None],
            {name: np.ascontiguousarray(np.atleast_2d(one)[:, here].T) for name, one in driver_impedance_ohm.items()},
            scratch,
        )
        shape = (*circuit.shape[:1], draws)
        admittance = np.broadcast_to(circuit.taken_apart.input_admittance, shape)
        input_rows[:, here] = _percentiles(_power(admittance), [100 - one for one in percent])
        for name, row in rows.items():
            row[:, here] = _percentiles(_power(np.broadcast_to(circuit.transfer(name), shape)), percent)
    with np.errstate(divide="ignore"):  # a driver that gets nothing at all
        levels_db = {name: 10 * np.log10(row) for name, row in rows.items()}
    return Bands(tuple(percent), 1 / np.sqrt(input_rows), levels_db)


def _power(values: ComplexArray) -> FloatArray:
    """Squares of the magnitudes."""
    return values.real**2 + values.imag**2


def _percentiles(values: FloatArray, percent: Sequence[float]) -> FloatArray:
    """Percentiles over the last axis, between two of the values where none is there; shape (percentiles, rows).

    As `numpy.percentile` has them, which sorts for each percentile anew; ``values`` are brought into another order.
    """
    places = np.asarray(percent) / 100 * (values.shape[-1] - 1)
    below = np.floor(places).astype(int)
    above = np.minimum(below + 1, values.shape[-1] - 1)
    values.partition(sorted({*below.tolist(), *above.tolist()}), axis=-1)
    part = (places - below)[:, None]
    found: FloatArray = (1 - part) * values[..., below].T + part * values[..., above].T
    return found
