"""The sweeps of a take put together: each counts, at each frequency, by the noise of its own moment.

Noise that comes and goes is not what the silences show. A sound during one sweep disturbs the frequencies that were
swept in that moment, and them in that sweep only: the differences between the sweeps tell by how much.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stillbox.analysis.maths.stopping import checked
from stillbox.analysis.maths.windows import Ends, first_of_cells, means_over
from stillbox.analysis.sweeps.sweep_alone import alone, largest_by_chance
from stillbox.analysis.sweeps.sweep_drift import Drift, Jump, find_drift
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.recording.take import JigKind

_SCALES_OCTAVES = (1 / 96, 1 / 32, 1 / 12)
"""Noise is looked at in means over so much of the frequency: a sound as short as a resonance rings looks like one."""

_LOCAL_OCTAVES = 1 / 6
"""The power of the differences is averaged over this (and over eight of those means)."""

_EQUAL_AT_MOST = 4.0
"""No sweep counts for more than so many times the middle one: of few sweeps one is quiet by chance."""

_REWEIGHTINGS = 3


@dataclass(frozen=True)
class CombinedSweeps:
    """One ratio from all sweeps.

    Attributes
    ----------
    ratio : complex ndarray, shape (n,)
    variance : ndarray, shape (n,)
        E|noise|^2 as it acts in means over 1/96 octave and more.
    excess : ndarray, shape (sweeps, n)
        Noise power of each sweep over that of the silences, at least 1.
    drift : Drift
    """

    ratio: ComplexArray
    variance: FloatArray
    excess: FloatArray
    drift: Drift


def combine_sweeps(
    frequency_hz: FloatArray,
    ratios: ComplexArray,
    variance: FloatArray,
    jig: JigKind,
    jumps: Sequence[Jump] = (),
) -> CombinedSweeps:
    """Weighted mean of the ratios of all sweeps, with its noise, drift and disturbances.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
    ratios : complex ndarray, shape (sweeps, n)
        Without the jumps.
    variance : ndarray, shape (sweeps, n)
        E|noise|^2 of each, from the silences.
    jig : str
        Which side of the speaker the reference resistor is on.
    jumps : sequence of Jump
        What was taken out of the sweeps.
    """
    drift = find_drift(frequency_hz, ratios, variance, jig, jumps)
    aligned = drift.aligned
    excess: FloatArray = np.ones(ratios.shape)
    if len(ratios) > 1:
        means = _Means.of(frequency_hz)
        share: FloatArray = np.full(ratios.shape, 1 / len(ratios))
        for _ in range(_REWEIGHTINGS):
            checked()
            excess = means.excess(aligned, variance, share)
            weight = 1 / (variance * excess)
            share = weight / weight.sum(axis=0)
    else:
        excess = alone(frequency_hz, ratios[0], variance[0])[None]
    weight = 1 / (variance * excess)
    total = weight.sum(axis=0)
    ratio = np.sum(weight * aligned, axis=0) / total
    noise: FloatArray = 1 / total
    if len(ratios) > 1:
        noise = noise + means.broad_difference(aligned.mean(axis=0) - ratio, noise)
    return CombinedSweeps(ratio, noise, excess, drift)


@dataclass(frozen=True)
class _Means:
    """Running means over parts of an octave, at places of 1/96 octave (every bin where bins are wider).

    For each scale: first bin and last + 1 of the mean at each place; first place and last + 1 of its surroundings; and
    how many means in those are independent.
    """

    frequency_hz: FloatArray
    place_hz: FloatArray
    spans: tuple[Ends, ...]
    surroundings: tuple[Ends, ...]
    independent: tuple[FloatArray, ...]

    @classmethod
    def of(cls, frequency_hz: FloatArray) -> _Means:
        edges = np.append(first_of_cells(frequency_hz, 1 / _SCALES_OCTAVES[0]), frequency_hz.size)
        centre = (edges[:-1] + edges[1:] - 1) // 2
        place_hz, step_hz = frequency_hz[centre], frequency_hz[1] - frequency_hz[0]
        spans, surroundings, independent = [], [], []
        for octaves in _SCALES_OCTAVES:
            half = (0.5 * octaves * np.log(2) * place_hz / step_hz).astype(int)
            first, last = np.maximum(0, centre - half), np.minimum(frequency_hz.size, centre + half + 1)
            reach_hz = np.maximum(0.5 * _LOCAL_OCTAVES * np.log(2) * place_hz, 4 * (2 * half + 1) * step_hz)
            around = (
                np.searchsorted(place_hz, place_hz - reach_hz),
                np.searchsorted(place_hz, place_hz + reach_hz, side="right"),
            )
            spans.append((first, last))
            surroundings.append(around)
            bins = edges[around[1]] - edges[around[0]]
            independent.append(np.maximum(1.0, bins / (last - first)))
        return cls(frequency_hz, place_hz, tuple(spans), tuple(surroundings), tuple(independent))

    def excess(self, ratios: ComplexArray, variance: FloatArray, share: FloatArray) -> FloatArray:
        """Noise power of each sweep over the variance, at least 1; ``share`` is what each has in the mean."""
        rest = (ratios - np.sum(share * ratios, axis=0)) / np.sqrt(variance)
        found = np.ones((len(rest), self.place_hz.size))
        share_there = share[:, np.searchsorted(self.frequency_hz, self.place_hz)]
        for span, around, free in zip(self.spans, self.surroundings, self.independent, strict=True):
            power = np.abs(means_over(rest, span)) ** 2 * (span[1] - span[0])
            each = _of_each(means_over(power, around), share_there)
            found = np.maximum(found, np.where(each > largest_by_chance(free), each, 1.0))
        found = np.maximum(found, np.median(found, axis=0) / _EQUAL_AT_MOST)
        return np.stack([np.interp(self.frequency_hz, self.place_hz, one) for one in found])

    def broad_difference(self, difference: ComplexArray, variance: FloatArray) -> FloatArray:
        """Variance per bin for what the plain mean of the sweeps has otherwise over the broadest means.

        A sound is short there, a contact that came and went is not: then nobody knows which sweep is the right one.
        """
        span, around = self.spans[-1], self.surroundings[-1]
        power = np.abs(means_over(difference[None], span)) ** 2 * (span[1] - span[0])
        local = means_over(power, around)[0]
        quiet = means_over(variance[None], (span[0], span[1]))[0]
        return np.interp(self.frequency_hz, self.place_hz, np.where(local > quiet, local, 0.0))


def _of_each(local: FloatArray, share: FloatArray) -> FloatArray:
    """Variance of each sweep from the mean squares of its difference to the mean that holds it too.

    ``E|r_i|^2 = v_i (1 - 2 s_i) + sum_j s_j^2 v_j`` with the shares s. With equal shares of three sweeps or more that
    is solved for v; once the noisy ones have small shares, what they add to the rest of the others is small.
    """
    count = len(local)
    result: FloatArray
    if count > 2 and np.allclose(share, 1 / count):
        left = 1 - 2 / count
        total = np.sum(local, axis=0) / (count**2 * left) / (1 + 1 / (count * left))
        result = np.maximum((local - total) / left, 0.0)
        return result
    result = local / np.maximum(1 - 2 * share + np.sum(share**2, axis=0), 0.05)
    return result
