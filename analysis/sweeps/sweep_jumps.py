"""Jumps of a gain or a contact in the middle of a sweep: found to the sample, and taken out of the recording.

A jump is sharp in time. In the response to a sweep it is not: it is spread around the frequency swept at that moment
as light is at an edge, over ``sqrt(f / L)`` and much further. So it is taken out where it is sharp. What one sweep has
otherwise than the others, ``v2 - m v1`` with the ratio m of all of them, tells its moment and its size.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from stillbox.analysis.sweeps.deconvolution import SweepSpectra, band_filter, sweep_spectra
from stillbox.analysis.sweeps.hum import Hum
from stillbox.analysis.sweeps.sweep_drift import (
    CELLS_PER_OCTAVE,
    Jump,
    Kind,
    Step,
    expected_ratios,
    likely_step,
    misfit,
)
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.recording.take import JigKind, Recording

_MOST_JUMPS = 4
"""Where more jump than that, the take is no use and its sweeps differ."""
_WORTH = 0.9
"""Taking a jump out must leave at most this part of the misfit."""
_REACH_OCTAVES = 1.0
"""The states before and after a jump are looked at so far to both sides, beyond where it is looked for."""
_SEARCH_CELLS, _SEARCH_WIDTHS = 3, 3.0
"""A jump is looked for within so many cells, and widths that a sweep can resolve, of where the spectra show it."""
_CYCLES_OF_RINGING = 4.0
"""So many cycles of the lowest frequency the edge of the band rings before and after what it filters."""
_ROUNDS = 3
"""A size is known to its square at first, and the states of whole sweeps only when the jump is out."""


def without_jumps(
    recording: Recording,
    hum: Hum | None,
    gate_s: float | None,
    spectra: SweepSpectra,
    variance: FloatArray,
) -> tuple[Recording, SweepSpectra, tuple[Jump, ...]]:
    """A take and its spectra as they would be had nothing jumped within a sweep, and what jumped.

    Parameters
    ----------
    recording : Recording
    hum, gate_s
        As for ``sweep_spectra``.
    spectra : SweepSpectra
        Of the recording as it is.
    variance : ndarray, shape (sweeps, n)
        E|noise|^2 of each ratio, from the silences.
    """
    jig = recording.info.jig
    jumps: list[Jump] = []
    while len(jumps) < _MOST_JUMPS:
        step = likely_step(spectra.frequency_hz, spectra.ratios, variance, jig)
        if step is None:
            break
        trial, trial_spectra, size = recording, spectra, 0.0
        seen = _Sweeps.of(recording, spectra.frequency_hz, spectra.ratios.mean(axis=0)[None]).located(step)
        compared = spectra.ratios.mean(axis=0)[None]
        for _ in range(_ROUNDS):
            sweeps = _Sweeps.of(trial, spectra.frequency_hz, compared)
            more = sweeps.size_of(seen)
            trial = sweeps.without(seen, more)
            start = trial.info.sweep_starts[seen.sweep]
            one = replace(trial, info=trial.info.model_copy(update={"sweep_starts": (start,)}))
            trial_spectra = _exchanged(trial_spectra, seen.sweep, sweep_spectra(one, hum, gate_s))
            size += more
            compared = expected_ratios(spectra.frequency_hz, trial_spectra.ratios, variance, jig)
        left, before = (misfit(spectra.frequency_hz, each.ratios, variance, jig) for each in (trial_spectra, spectra))
        if left > _WORTH * before:
            break
        recording, spectra = trial, trial_spectra
        jumps.append(Jump(seen.sweep, seen.frame, seen.at_hz, seen.source.kind, size))
    return recording, spectra, tuple(jumps)


def _exchanged(spectra: SweepSpectra, sweep: int, one: SweepSpectra) -> SweepSpectra:
    channel_1, channel_2 = spectra.channel_1.copy(), spectra.channel_2.copy()
    channel_1[sweep], channel_2[sweep] = one.channel_1[0], one.channel_2[0]
    return replace(spectra, channel_1=channel_1, channel_2=channel_2)


@dataclass(frozen=True)
class _Source:
    """Something that may jump, and how it shows.

    For a size u(t) ``v2 - m v1``, divided by what ``turned`` makes of m, is ``u x``, where ``x`` is the sum of the
    channels times ``signal``; ``u x`` times ``taken`` is then too much in each channel. Of a resistance r at the
    clips, the current i and the reference R: u = r / R, x = R i. Of a gain: u is counted as it changes the ratio.
    """

    kind: Kind
    turned: Callable[[ComplexArray], ComplexArray]
    signal: tuple[float, float]
    taken: tuple[float, float]


_GAINS = (
    _Source("gain", lambda ratio: -ratio, (-1.0, 0.0), (1.0, 0.0)),
    _Source("gain", np.ones_like, (0.0, 1.0), (0.0, 1.0)),
)
_RESISTANCES: dict[JigKind, _Source] = {
    "high-side": _Source("resistance", lambda ratio: 1 - ratio, (1.0, -1.0), (1.0, 1.0)),
    "low-side": _Source("resistance", lambda ratio: -ratio, (0.0, 1.0), (1.0, 0.0)),
}


@dataclass(frozen=True)
class _Seen:
    """Where a jump lies, and the part of the squared difference of the sweeps that it explains."""

    source: _Source
    sweep: int
    frame: int
    at_hz: float
    explained: float


@dataclass(frozen=True)
class _Sweeps:
    """Spectra of whole sweeps as recorded, without window: a product with a filter keeps the time.

    ``length`` is longer than the ``frames`` of a sweep: what rings before the sweep's start must not come round to its
    end. ``spectra`` has a row of both channels for each sweep, shape (sweeps, 2, bins); ``ratios`` is what the sweeps
    are compared with, one row for all or one for each.
    """

    recording: Recording
    frames: int
    length: int
    spectra: ComplexArray
    ratios: ComplexArray

    @classmethod
    def of(cls, recording: Recording, band_hz: FloatArray, ratios: ComplexArray) -> _Sweeps:
        excitation = recording.info.excitation
        frames = excitation.sweep_frames + excitation.silence_after_frames
        ringing = math.ceil(_CYCLES_OF_RINGING / excitation.low_hz * excitation.sample_rate_hz)
        length = fft.next_fast_len(frames + ringing, real=True)
        frequency_hz = fft.rfftfreq(length, 1 / excitation.sample_rate_hz)
        everywhere = [
            np.interp(frequency_hz, band_hz, row.real) + 1j * np.interp(frequency_hz, band_hz, row.imag)
            for row in ratios
        ]
        inside = band_filter(frequency_hz, excitation)
        rows = [
            fft.rfft(recording.samples[start : start + frames].astype(float), length, axis=0).T * inside
            for start in recording.info.sweep_starts
        ]
        return cls(recording, frames, length, np.stack(rows), np.stack(everywhere))

    def located(self, step: Step) -> _Seen:
        """The jump to the sample, by the explanation that fits best."""
        sources = _GAINS if step[2] == "gain" else (_RESISTANCES[self.recording.info.jig],)
        return max((self._seen(source, *step[:2]) for source in sources), key=lambda seen: seen.explained)

    def size_of(self, seen: _Seen) -> float:
        """By how much it jumped."""
        span = self._around(seen.at_hz)[1]
        before, after, _ = self._states(seen.source, seen.sweep, span)
        index = seen.frame - 1 - span.start
        return float(after[index] - before[index])

    def without(self, seen: _Seen, size: float) -> Recording:
        """The recording with that much taken out."""
        starts = self.recording.info.sweep_starts
        unit = self._unit(seen.source, seen.sweep)
        samples = self.recording.samples.copy()
        first = starts[seen.sweep] + seen.frame
        last = min(starts[seen.sweep] + self.frames, len(samples))
        for channel, share in enumerate(seen.source.taken):
            samples[first:last, channel] -= share * size * unit[seen.frame : seen.frame + last - first]
        return replace(self.recording, samples=samples)

    def _seen(self, source: _Source, sweep: int, place_hz: float) -> _Seen:
        searched, span = self._around(place_hz)
        before, after, explained = self._states(source, sweep, span)
        places = slice(searched.start - span.start, searched.stop - span.start)
        index = places.start + int(np.argmax(explained[places]))
        frame = span.start + index + 1
        excitation = self.recording.info.excitation
        at_hz = excitation.low_hz * np.exp(frame / (excitation.sample_rate_hz * excitation.rate_constant_s))
        if len(self.spectra) == 2:
            # Of two sweeps nobody sees which one jumped; but a state lasts over the silence between them.
            jumped_first = abs(before[index]) > abs(after[index])
            sweep = 0 if jumped_first else 1
        return _Seen(source, sweep, frame, float(at_hz), float(explained[index]))

    def _around(self, place_hz: float) -> tuple[slice, slice]:
        """Frames of a sweep in which a jump near a frequency is looked for, and in which its states are looked at."""
        excitation = self.recording.info.excitation
        rate_hz, constant_s = excitation.sample_rate_hz, excitation.rate_constant_s
        centre = round(rate_hz * constant_s * np.log(place_hz / excitation.low_hz))
        cells_s = _SEARCH_CELLS * constant_s * np.log(2) / CELLS_PER_OCTAVE
        width = int(rate_hz * (cells_s + _SEARCH_WIDTHS * np.sqrt(constant_s / place_hz)))
        reach = width + int(rate_hz * constant_s * _REACH_OCTAVES * np.log(2))
        last = excitation.sweep_frames - 1
        span = slice(max(0, centre - reach), min(last, centre + reach))
        return slice(max(span.start + 1, centre - width), min(span.stop - 2, centre + width)), span

    def _states(self, source: _Source, sweep: int, span: slice) -> tuple[FloatArray, FloatArray, FloatArray]:
        """What least squares say of the size before and after a jump at each frame, and the part that it explains."""
        others = [self._excess(source, other) for other in range(len(self.spectra)) if other != sweep]
        difference = (self._excess(source, sweep) - np.mean(others, axis=0))[span]
        unit = self._unit(source, sweep)[span]
        product, square = np.cumsum(unit * difference), np.cumsum(unit**2)
        left, left_square = product[-1] - product, square[-1] - square
        before, after = product / np.maximum(square, 1e-300), left / np.maximum(left_square, 1e-300)
        gained = product * before + left * after - product[-1] ** 2 / max(square[-1], 1e-300)
        return before, after, gained / max(float(np.sum(difference**2)), 1e-300)

    def _excess(self, source: _Source, sweep: int) -> FloatArray:
        ratio = self.ratios[sweep % len(self.ratios)]
        difference = self.spectra[sweep, 1] - ratio * self.spectra[sweep, 0]
        result: FloatArray = fft.irfft(difference / source.turned(ratio), self.length)
        return result

    def _unit(self, source: _Source, sweep: int) -> FloatArray:
        share_1, share_2 = source.signal
        result: FloatArray = fft.irfft(share_1 * self.spectra[sweep, 0] + share_2 * self.spectra[sweep, 1], self.length)
        return result
