"""A take at the terminals of a speaker as a take of one driver, seen through its network.

Noise at the terminals becomes noise of the driver, larger where less of the current goes through it. A part that is off
moves all frequencies together: each is one common deviation. What of that is no parabola over an octave could pass for
a resonance, and counts as noise that neighbours share.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.network.network import Network
from stillbox.analysis.network.nodal import circuit_at
from stillbox.analysis.network.see_through import see_through
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError

LEAST_SHARE = 1 / 3
"""Part of the current at the terminals that must go through the driver: below it what is seen is mostly the parts."""
AT_A_PEAK, PEAK_RATIO = 0.05, 2.0
"""The same at a peak, where a few ohm across the terminals take the rest, and how wide such a peak is at most."""

MOST_DOUBT = 0.2
"""As tolerances of parts are: more is no crossover that was told."""
FEWEST_BINS = 16

_SMOOTH_OCTAVES, _PER_OCTAVE = 1.0, 48
"""What a wrong part does is no resonance as long as it is a parabola over so much; what is left of it could be one."""


class NotSeenThrough(StillboxError):
    """A driver cannot be seen through its network: what is there, or what is told, does not suffice."""


def spectrum_through(
    spectrum: ImpedanceSpectrum,
    network: Network,
    driver: str,
    others: Mapping[str, tuple[ComplexArray, FloatArray]],
    value_std: Mapping[str, float],
    own_ohm: ComplexArray | None = None,
    moving_together: Sequence[Mapping[str, float]] = (),
    most_doubt: float = MOST_DOUBT,
) -> ImpedanceSpectrum:
    """A take at the terminals as a take of one driver, as far up as enough current goes through it.

    Parameters
    ----------
    spectrum : ImpedanceSpectrum
        At the terminals.
    network : Network
    driver : str
    others : mapping of str to (complex ndarray, ndarray), shape (n,) each
        Impedance of every other driver at the bins of ``spectrum``, and its noise E|n|^2.
    value_std : mapping of str to float
        Standard uncertainty of values, F, H or ohm; what is not named is known. It is common to all bins.
    own_ohm : complex ndarray, shape (n,), optional
        What the driver's impedance is about, swept alone: how much current goes through it is told by that, as what is
        seen would confirm itself.
    moving_together : sequence of mapping of str to float
        Deviations of several values by one cause, F, H or ohm, one standard deviation; the causes are independent.
    most_doubt : float
        Part of its impedance that all this may make up, as a standard deviation.

    Raises
    ------
    NotSeenThrough
        If hardly any current goes through the driver anywhere, or the impedance of another is not known.
    """
    impedances = {name: impedance for name, (impedance, _) in others.items()}
    hz, terminals_ohm = spectrum.frequency_hz, spectrum.impedance_ohm
    with np.errstate(divide="ignore", invalid="ignore"):  # where the driver makes no difference at all
        through = see_through(network, hz, terminals_ohm, driver, impedances)
    by_value = through.by_others.by_value
    causes = [*({name: std} for name, std in value_std.items() if std > 0), *moving_together]
    nothing = np.zeros(hz.size, dtype=complex)
    by_causes = [sum((by_value[name] * by for name, by in cause.items()), start=nothing) for cause in causes]
    doubt_ohm = np.sqrt(sum((np.abs(one) ** 2 for one in by_causes), start=np.zeros(hz.size)))
    is_sure = np.isfinite(through.impedance_ohm) & (doubt_ohm < most_doubt * np.abs(through.impedance_ohm))
    share = through.share if own_ohm is None else _share(network, driver, hz, impedances, own_ohm)
    kept = _band(hz, np.where(is_sure, share, 0.0))
    if kept.stop - kept.start < FEWEST_BINS:
        raise NotSeenThrough(
            f"hardly any current goes through driver '{driver}' in this network: it cannot be seen from the terminals",
            "look whether the netlist is that of this speaker",
        )
    spectrum, by_terminals, slopes = spectrum.part(kept), through.by_terminals[kept], through.by_others
    power = np.abs(by_terminals) ** 2
    # What a wrong ohm does to the driver is more or less than a wrong ohm of the driver, which ``scale_std`` says.
    scale_ohm = spectrum.scale_std * (by_terminals * spectrum.impedance_ohm - through.impedance_ohm[kept])
    by_parts = [one[kept] for one in by_causes]
    of_others = sum(
        ((np.abs(slopes.by_driver[name]) ** 2 * variance)[kept] for name, (_, variance) in others.items()),
        start=np.zeros(power.size),
    )
    doubt = _unsmooth(spectrum.frequency_hz, by_parts)
    bent = doubt if spectrum.bent_variance_ohm2 is None else power * spectrum.bent_variance_ohm2 + doubt
    silent = spectrum.silent_variance_ohm2
    return ImpedanceSpectrum(
        frequency_hz=spectrum.frequency_hz,
        impedance_ohm=through.impedance_ohm[kept],
        noise_variance_ohm2=power * spectrum.noise_variance_ohm2 + of_others + doubt,
        calibration_variance_ohm2=power * spectrum.calibration_variance_ohm2,
        scale_std=spectrum.scale_std,
        warnings=spectrum.warnings,
        common_ohm=(*(by_terminals * common for common in spectrum.common_ohm), scale_ohm, *by_parts),
        bent_variance_ohm2=bent,
        silent_variance_ohm2=None if silent is None else power * silent,
    )


def _share(
    network: Network,
    driver: str,
    frequency_hz: FloatArray,
    others: Mapping[str, ComplexArray],
    own_ohm: ComplexArray,
) -> FloatArray:
    """Part of the current at the terminals that goes through a driver of this impedance."""
    circuit = circuit_at(network, frequency_hz, {**others, driver: own_ohm})
    return np.abs(circuit.driver_currents(circuit.voltages)[driver] * circuit.input_impedance_ohm)


def _band(frequency_hz: FloatArray, share: FloatArray) -> slice:
    """The widest band in which enough current goes through the driver, by the ratio of its ends.

    At a peak of the driver a resistor across the terminals takes most of it: that is no end.
    """
    begins, ends = _runs(share >= LEAST_SHARE)
    if not begins.size:
        return slice(0, 0)
    joined = [[int(begins[0]), int(ends[0])]]
    for begin, end in zip(begins[1:].tolist(), ends[1:].tolist(), strict=True):
        before = joined[-1][1]
        is_narrow = frequency_hz[begin] < PEAK_RATIO * frequency_hz[before - 1]
        if is_narrow and np.all(share[before:begin] > AT_A_PEAK):
            joined[-1][1] = end
        else:
            joined.append([begin, end])
    begin, end = max(joined, key=lambda one: float(frequency_hz[one[1] - 1] / frequency_hz[one[0]]))
    return slice(begin, end)


def _runs(is_in: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Where stretches begin, and the places after their ends."""
    steps = np.diff(np.concatenate([[False], is_in, [False]]).astype(int))
    return np.flatnonzero(steps == 1), np.flatnonzero(steps == -1)


def _unsmooth(frequency_hz: FloatArray, common_ohm: Sequence[ComplexArray]) -> FloatArray:
    """Variance of what wrong values leave beside a parabola over an octave: what could be taken for a resonance."""
    octaves = np.log2(frequency_hz / frequency_hz[0])
    grid = np.arange(0.0, octaves[-1] + 1 / _PER_OCTAVE, 1 / _PER_OCTAVE)
    half = round(_SMOOTH_OCTAVES * _PER_OCTAVE / 2)
    place = np.arange(-half, half + 1) / half
    powers = np.vander(place, 3)
    keep = powers @ np.linalg.pinv(powers)  # from values in a window to the parabola through them
    total = np.zeros(grid.size)
    for common in common_ohm:
        values = np.interp(grid, octaves, common)
        windows = sliding_window_view(np.pad(values, half, mode="reflect", reflect_type="odd"), place.size)
        total += np.abs(values - windows @ keep[half]) ** 2
    doubt: FloatArray = np.interp(octaves, grid, total)
    return doubt
