"""A finished speaker read through a crossover of which nobody has told anything.

Where the terminals are not the driver that was swept alone, something lies between. A network as nearly all two-ways
have it is fitted to the terminals' curve, along with the driver in its box; through it the driver is seen as through a
netlist. What the curve does not tell of the network is carried as common to all points.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stillbox.analysis.enclosure.coarse_box import coarse_box
from stillbox.analysis.impedance.findings import ResonanceFit, pairs_ohm
from stillbox.analysis.impedance.impedance import ImpedanceCurve, ImpedanceSpectrum
from stillbox.analysis.lumped.driver import DriverFit
from stillbox.analysis.maths.number_words import frequency_words
from stillbox.analysis.network.network import Network
from stillbox.analysis.network.see_through import see_through
from stillbox.analysis.network.spectrum_through import NotSeenThrough, spectrum_through
from stillbox.analysis.network.unknown_fit import POINTS_PER_OCTAVE, UnknownFit, fit_unknown
from stillbox.analysis.network.unknown_two_way import unknown_two_way
from stillbox.capture.arrays import ComplexArray, FloatArray

LOWEST_HZ, HIGHEST_HZ = 20.0, 20_000.0
"""Of the curve that the network is fitted to."""
FROM_HZ, UNLIKE = 300.0, 0.05
"""Above it a driver is much the same in its box and without: at half of all frequencies so far apart, relative (0.01 to
0.03 is usual, the coil of a crossover makes 0.3 to 1; common practice, no source)."""
LIKELY = 0.5
"""Probability of a crossover between from which on one is fitted along."""
WITHOUT_A_NAME = "driver"
"""What a driver is called that nobody named."""
MOST_OFF = 0.025
"""Relative: nine tenths of the terminals' curve may be no farther from that of the network found: two-ways are off by
0.002 to 0.01, two woofers side by side by 0.2."""
MOST_DOUBT = 0.5
"""Part of its impedance that the network may leave in doubt, one standard deviation: at a peak that is a lot."""
_BROAD_Q, _SAME = 6.0, 0.02
"""Sharper resonances are of the box, unless the driver alone has one so near, relative."""
_PEAKS_WITHIN, _LEAST_PEAK, _ABOVE_PEAKS = (0.2, 4.0), 0.15, 1.5
"""Times fs: where driver and box have their peaks; the least of them over the highest; and times the last of them,
where resonances of air and walls begin (common practice, no source)."""
_LOWER = 0.35
"""Times fs: the lower peak of a vented box lies above it (fL fH = fs fB, and fB is no less than half of fs)."""
_LEAST_EFFECT = 1e-4
"""Part of the driver's impedance: what moves it less is not carried."""

Other = tuple[str, ComplexArray, FloatArray]
"""Name of another driver, its impedance at the bins of a spectrum, and its noise E|n|^2."""

WHAT_TO_DO = (
    "give the netlist (stillbox crossover BUILD --netlist FILE), or sweep the driver in its box on its own terminals, "
    "crossover off: --subject in-box --driver NAME"
)


def unlike_alone(at_terminals: ImpedanceCurve, alone: ImpedanceCurve) -> bool:
    """Whether it is worth asking what lies between terminals and driver, by their curves above the box.

    Parameters
    ----------
    at_terminals, alone : ImpedanceCurve
        In the box, and the driver on its own terminals in free air.
    """
    hz = at_terminals.frequency_hz
    inside = (hz > FROM_HZ) & (hz < min(HIGHEST_HZ, alone.frequency_hz[-1]))
    if not np.any(inside):
        return False
    own = np.interp(hz[inside], alone.frequency_hz, alone.impedance_ohm)
    return bool(np.median(np.abs(at_terminals.impedance_ohm[inside] / own - 1)) > UNLIKE)


def through_unknown(
    spectrum: ImpedanceSpectrum,
    at_terminals: ResonanceFit,
    alone: ResonanceFit,
    driver: DriverFit,
    name: str,
    other: Other | None,
) -> ImpedanceSpectrum:
    """A take at the terminals of a two-way as one of its woofer, as far up as enough current goes through that.

    Parameters
    ----------
    spectrum : ImpedanceSpectrum
        At the terminals.
    at_terminals : ResonanceFit
        Of the same.
    alone : ResonanceFit
        Of the woofer in free air, on its own terminals.
    driver : DriverFit
        The same.
    name : str
        The woofer's.
    other : tuple, optional
        The tweeter; left out, it is fitted along.

    Raises
    ------
    NotSeenThrough
        If no such network shows what the terminals do, or hardly any current goes through the woofer.
    """
    fitted = _fitted(at_terminals, alone, driver, name, spectrum, other)
    if fitted.fit.most_off > MOST_OFF:
        raise NotSeenThrough(
            "what lies between the terminals and the driver cannot be told from the curve alone: no crossover of a "
            f"two-way with one woofer comes nearer than {100 * fitted.fit.most_off:.0f} % (two woofers, a midrange, or "
            "another driver than the one swept alone would explain that)",
            WHAT_TO_DO,
        )
    network = fitted.network
    others = {} if other is None else {other[0]: other[1:]}
    own = np.interp(spectrum.frequency_hz, fitted.frequency_hz, fitted.fit.own_ohm)
    try:
        seen = spectrum_through(spectrum, network, name, others, {}, own, fitted.causes, MOST_DOUBT)
    except NotSeenThrough as error:
        raise NotSeenThrough(error.fault, WHAT_TO_DO) from error
    highest = frequency_words(float(seen.frequency_hz[-1]))
    whose = "the driver" if name == WITHOUT_A_NAME else f"driver '{name}'"
    word = (
        f"no netlist is kept, and the terminals are not the driver alone: a crossover was fitted along (to "
        f"{100 * fitted.misfit:.1f} %), and these numbers are those of {whose} behind it, up to {highest}; "
        "with the netlist they are surer (stillbox crossover BUILD --netlist FILE)"
    )
    return replace(seen, warnings=(*seen.warnings, word))


@dataclass(frozen=True)
class _Fitted:
    """A network with its values, and how they may all be off together (`spectrum_through`)."""

    fit: UnknownFit
    frequency_hz: FloatArray
    network: Network
    causes: Sequence[Mapping[str, float]]

    @property
    def misfit(self) -> float:
        return self.fit.misfit


def _fitted(
    at_terminals: ResonanceFit,
    alone: ResonanceFit,
    driver: DriverFit,
    name: str,
    spectrum: ImpedanceSpectrum,
    other: Other | None,
) -> _Fitted:
    high = min(HIGHEST_HZ, at_terminals.band_hz[1], alone.band_hz[1])
    peaks_hz = _peaks_hz(at_terminals, driver.fs_hz.value)
    if _has_another_driver(at_terminals, driver.fs_hz.value):
        raise NotSeenThrough(
            f"driver '{name}' resonates at {driver.fs_hz.value:.0f} Hz alone, the terminals show one far below: "
            "it is not the one in the box",
            "sweep the woofer on its own terminals, crossover off: --subject free-air --driver NAME",
        )
    if not peaks_hz.size or high < 2 * FROM_HZ:
        raise NotSeenThrough("the terminals show no peak of a driver in a box, or end too low", WHAT_TO_DO)
    hz = np.geomspace(LOWEST_HZ, high, round(POINTS_PER_OCTAVE * np.log2(high / LOWEST_HZ)))
    others = {} if other is None else {other[0]: np.interp(hz, spectrum.frequency_hz, other[1])}
    box = coarse_box(hz, alone.impedance_ohm(hz), driver, peaks_hz)
    unknown = unknown_two_way(name, None if other is None else other[0])
    shown = _without_the_box(at_terminals, alone, _ABOVE_PEAKS * peaks_hz[-1], hz)
    fit = fit_unknown(unknown, hz, shown, name, box, box.start, box.std, others)
    network = unknown.network_of(fit.logarithms)
    slopes = see_through(network, hz, shown, name, others).by_others.by_value
    values = unknown.values(fit.logarithms)
    effects = np.stack([slopes[one] * value / np.abs(fit.own_ohm) for one, value in values.items()], axis=1)
    moves = _principal(effects, fit.covariance)
    return _Fitted(fit, hz, network, [unknown.moved(fit.logarithms, move) for move in moves.T])


def _peaks_hz(at_terminals: ResonanceFit, fs_hz: float) -> FloatArray:
    """Where the peak or the two peaks of driver and box lie: a network may well have a greater one, farther up."""
    low, high = (ratio * fs_hz for ratio in _PEAKS_WITHIN)
    every = (*at_terminals.motional, *at_terminals.resonances)
    near = [one for one in every if low < one.frequency_hz < high]
    highest = max((one.height_ohm for one in near), default=0.0)
    peaks = [one for one in near if one.height_ohm > _LEAST_PEAK * highest]
    greatest = sorted(peaks, key=lambda one: -abs(one.residue_ohm_rad_s))[:2]
    return np.sort([one.frequency_hz for one in greatest])


def _has_another_driver(at_terminals: ResonanceFit, fs_hz: float) -> bool:
    """Whether a driver with a much lower resonance is in the box: no box lowers that."""
    every = (*at_terminals.motional, *at_terminals.resonances)
    highest = max((one.height_ohm for one in every), default=0.0)
    return any(one.frequency_hz < _LOWER * fs_hz and one.height_ohm > _LEAST_PEAK * highest for one in every)


def _without_the_box(
    at_terminals: ResonanceFit, alone: ResonanceFit, above_hz: float, hz: FloatArray
) -> ComplexArray:
    """The terminals' curve without what air and walls add, which no network explains."""
    own_hz = np.array([one.frequency_hz for one in alone.resonances])
    kept = [
        one
        for one in at_terminals.resonances
        if one.q < _BROAD_Q or one.frequency_hz < above_hz or np.any(np.abs(one.frequency_hz / own_hz - 1) < _SAME)
    ]
    return at_terminals.baseline_ohm(hz) + pairs_ohm(kept, hz)


def _principal(effects: ComplexArray, covariance: FloatArray) -> FloatArray:
    """Independent moves of the values, shape (values, moves), that make up what the covariance does to the driver."""
    root = np.linalg.cholesky(covariance)
    both = np.concatenate([effects.real, effects.imag]) @ root
    _, sizes, directions = np.linalg.svd(both, full_matrices=False)
    felt = sizes / np.sqrt(len(effects)) > _LEAST_EFFECT
    moves: FloatArray = root @ directions[felt].T
    return moves
