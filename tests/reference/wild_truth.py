"""What is true of a wild take: impedance at the level and at the moment at which each frequency was swept.

A sweep passes f at ``start + L ln(f / f1)``. By kind:

- sound, steps, door, inputs' noise, mains, gains, clock, quantisation: they are faults of the recording; truth is the
  impedance of the speaker without them. Exact (1e-9).
- contact, warming: resistance ``r(t)`` on the clips belongs to what is measured; truth is ``Z + r`` at the moment of
  passing, mean of all sweeps. Its own error: the take answers for about one resonance's ringing, ``Q / (pi f)``, so
  ``dr/dt`` times that (drift of 30 mohm in 5 s, Q 20 at 60 Hz: 0.6 mohm). A step has no truth closer to it than
  ``sqrt(f / L)``, the width that a sweep can resolve: ``is_sharp`` leaves three of them out.
- playing in: the same with the suspension's stiffness at that moment, mean of the impedances.
- nonlinearity, level dependence: ratio of the fundamentals of voltage and current for a stationary tone of the level
  that the sweep has there (harmonic balance, 15 harmonics), with the source and jig of the take. Its own error: a
  sweep is not stationary; peaks of Q 5 to 12 are still building up when it has passed. What this very sweep answers
  without any noise (its fundamental cut out of the answer) is ``impedance_ohm(..., as_swept=True)``; the two
  lie 2 to 20 % of what the bends change apart.
- room, air, remounting, semi-inductance, creep: the speaker itself is so; truth is its impedance. Exact.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from reference.bench_speaker import Bends, TrueResonance, WildSpeaker, true_resonances
from reference.wild_circuit import WildJig, solve, tone_impedance_ohm, whole_line
from stillbox.capture.sweep.excitation import FADE_IN_RATIO, FADE_OUT_RATIO, Excitation

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True)
class WildTruth:
    """Truth of one take; how it is meant stands at the head of the module.

    Attributes
    ----------
    speaker : WildSpeaker
        As it was in this take (moved, warmer, remounted).
    series_ohm, stiffness_n_m : ndarray, shape (frames,), or None
        What was in series on the clips, and what was added to the suspension, over the recording.
    more_hz, more_ohm, more_swept_ohm : ndarray
        What bends at the level of the sweep add to the impedance, on a grid, for stationary tones and as this sweep
        answers it; empty where nothing bends.
    steps : tuple of int
        Frames at which the resistance on the clips jumped.
    """

    speaker: WildSpeaker
    excitation: Excitation
    sweep_starts: tuple[int, ...]
    series_ohm: Floats | None
    stiffness_n_m: Floats | None
    more_hz: Floats
    more_ohm: Complexes
    more_swept_ohm: Complexes
    steps: tuple[int, ...]

    def undisturbed_ohm(self, frequency_hz: Floats) -> Complexes:
        """Impedance of the speaker of this take for small signals, without contact, warming or playing in."""
        return self.speaker.impedance_ohm(frequency_hz)

    def impedance_ohm(self, frequency_hz: Floats, *, as_swept: bool = False) -> Complexes:
        """True impedance, mean of the sweeps, ohm; outside of the sweep's band as at its end."""
        frequency_hz = np.asarray(frequency_hz, dtype=float)
        total = np.zeros(frequency_hz.shape, dtype=complex)
        fixed = None if self.stiffness_n_m is not None else self.speaker.impedance_ohm(frequency_hz)
        for start in self.sweep_starts:
            if fixed is not None:
                total += fixed
            else:
                total += self.speaker.impedance_ohm(frequency_hz, self._at(self.stiffness_n_m, start, frequency_hz))
            if self.series_ohm is not None:
                total += self._at(self.series_ohm, start, frequency_hz)
        total /= len(self.sweep_starts)
        if self.more_hz.size:
            more_ohm = self.more_swept_ohm if as_swept else self.more_ohm
            total += np.interp(np.log(frequency_hz), np.log(self.more_hz), more_ohm)
        return total

    def is_sharp(self, frequency_hz: Floats) -> NDArray[np.bool_]:
        """False where a step on the clips is too near for the impedance to have one true value."""
        rate, constant_s = self.excitation.sample_rate_hz, self.excitation.rate_constant_s
        sharp = np.ones(np.shape(frequency_hz), dtype=bool)
        for start in self.sweep_starts:
            for step in self.steps:
                at_hz = self.excitation.low_hz * np.exp(min((step - start) / (rate * constant_s), 30.0))
                sharp &= np.abs(frequency_hz - at_hz) > 3 * np.sqrt(at_hz / constant_s)
        return sharp

    @property
    def poles(self) -> tuple[TrueResonance, ...]:
        """All pole pairs of the impedance, small signals: motional and small ones."""
        return true_resonances(self.speaker)

    @property
    def resonances(self) -> tuple[TrueResonance, ...]:
        """The small ones with their causes, by frequency."""
        return tuple(pair for pair in self.poles if pair.cause != "motional")

    def _at(self, signal: Floats | None, start: int, frequency_hz: Floats) -> Floats:
        assert signal is not None
        low_hz, high_hz = self.excitation.low_hz, self.excitation.high_hz
        passed_s = self.excitation.rate_constant_s * np.log(np.clip(frequency_hz, low_hz, high_hz) / low_hz)
        frame = np.minimum(start + passed_s * self.excitation.sample_rate_hz, signal.size - 1)
        if self.steps:  # between two samples a step has no slope
            return signal[np.floor(frame).astype(int)]
        return np.interp(frame, np.arange(signal.size), signal)


def swept_peak_v(excitation: Excitation, full_scale_v: float, frequency_hz: Floats) -> Floats:
    """Peak voltage of the source when the sweep passes a frequency, V; never quite 0 in the fades."""
    into = np.log(frequency_hz / excitation.low_hz) / np.log(FADE_IN_RATIO)
    out = np.log(excitation.high_hz / frequency_hz) / np.log(FADE_OUT_RATIO)
    fade = np.prod([0.5 - 0.5 * np.cos(np.pi * np.clip(part, 0, 1)) for part in (into, out)], axis=0)
    return np.maximum(fade, 1e-3) * 10 ** (excitation.level_dbfs / 20) * full_scale_v


def bent_more(
    speaker: WildSpeaker, jig: WildJig, excitation: Excitation, source_v: Floats, start: int
) -> tuple[Floats, Complexes, Complexes]:
    """Frequencies, and what the bends add to the impedance there at the level of the sweep; empty without bends.

    First for stationary tones, then as the first sweep (from frame ``start`` of ``source_v`` on) answers.
    """
    if speaker.bends == Bends():
        return np.zeros(0), np.zeros(0, dtype=complex), np.zeros(0, dtype=complex)
    low_hz, high_hz = excitation.low_hz, excitation.high_hz
    grid = [np.geomspace(low_hz, high_hz, int(24 * np.log2(high_hz / low_hz)) + 2)]
    for pair in true_resonances(speaker):
        if pair.frequency_hz < 1500:
            grid.append(pair.frequency_hz * (1 + np.linspace(-3, 3, 31) / (2 * max(pair.q, 1.6))))
    hz = np.unique(np.clip(np.concatenate(grid), low_hz, high_hz))
    bent = tone_impedance_ohm(speaker, jig, hz, swept_peak_v(excitation, jig.full_scale_v, hz))
    one_sweep_v = source_v[start : start + excitation.sweep_frames]
    swept = [_answer_ohm(of, jig, excitation, one_sweep_v, hz) for of in (speaker, replace(speaker, bends=Bends()))]
    return hz, bent - speaker.impedance_ohm(hz), swept[0] - swept[1]


def _answer_ohm(
    speaker: WildSpeaker, jig: WildJig, excitation: Excitation, one_sweep_v: Floats, hz: Floats
) -> Complexes:
    """Impedance from what a sweep without any noise answers, its harmonics cut away, ohm.

    Harmonics of order k answer ``L ln k`` early, so the fundamental is all that is later than half of ``-L ln 2``.
    The cut costs a little at narrow peaks: it is the same with and without bends.
    """
    rate = excitation.sample_rate_hz
    n = scipy.fft.next_fast_len(2 * one_sweep_v.size + round(2.0 * rate), real=True)
    source_v = np.concatenate([one_sweep_v, np.zeros(n - one_sweep_v.size)])
    s = whole_line(n, rate)
    solved = solve(speaker, jig, source_v, s)
    share, behind = jig.thevenin(s)
    spectrum = scipy.fft.rfft(source_v)
    inverse = np.conj(spectrum) / (np.abs(spectrum) ** 2 + 1e-14 * np.max(np.abs(spectrum)) ** 2)
    answer = scipy.fft.irfft(inverse * scipy.fft.rfft(solved.current_a), n)
    time_s = np.where(np.arange(n) > n - one_sweep_v.size, np.arange(n) - n, np.arange(n)) / rate
    octave_s = excitation.harmonic_advance_s(2)
    answer *= np.sin(np.pi / 2 * np.clip((time_s / octave_s + 0.5) / 0.3, 0, 1)) ** 2
    admittance = scipy.fft.rfft(answer)
    bins = hz * n / rate
    z = share / np.where(admittance == 0, 1, admittance) - behind - jig.lead_ohm - s * jig.lead_h
    return np.interp(bins, np.arange(z.size), z)
