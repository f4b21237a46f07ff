"""What is left of a sweep at the clips besides the linear answer: contacts that come and go, and roughness.

What channel 2 has besides the ratio of the channels times channel 1 is nothing that was in the source: harmonics of
amplifier and card are in channel 1, too, and fall out. What is left comes from what is on the clips.

- A resistance that is there for moments shows as a difference between the sweeps, in ohms by what it does to the ratio.
- What rubs, buzzes or rattles makes sounds far above the frequency that is swept: there, from the twelfth harmonic on,
  nothing else is but noise, which the silences tell. Lower harmonics are of suspension and motor, and no fault.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft

from stillbox.analysis.maths.stopping import checked
from stillbox.analysis.sweeps.deconvolution import band_filter
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.recording.take import Recording
from stillbox.capture.sweep.excitation import Excitation

BLOCK_S = 0.004
"""Contacts are looked at in pieces of so long."""
LEAST_ORDER, LEAST_HZ, MOST_HZ = 12, 600.0, 12_000.0
"""Roughness lies at this multiple of the swept frequency and more, between these."""
SWEPT_HZ = (15.0, 800.0)
"""While these are swept, something may rub."""
WINDOW_S = 0.02
CELLS_PER_OCTAVE = 12


@dataclass(frozen=True)
class SweepRest:
    """What is left of the sweeps.

    Attributes
    ----------
    moment_s : ndarray, shape (blocks,)
        Within a sweep.
    swept_hz : ndarray, shape (blocks,)
        What was swept then.
    ratio_off : ndarray, shape (sweeps, blocks)
        By how much each sweep's ratio was another one than the middle of all, over a block; nothing in one alone.
    ratio_noise : ndarray, shape (blocks,)
        What noise alone does to it, rms.
    rough_hz : ndarray, shape (cells,)
        Swept frequencies.
    rough_db : ndarray, shape (cells,)
        Power of what is rough over that of the noise there, dB; in the middle one of the sweeps.
    """

    moment_s: FloatArray
    swept_hz: FloatArray
    ratio_off: FloatArray
    ratio_noise: FloatArray
    rough_hz: FloatArray
    rough_db: FloatArray


def sweep_rest(recording: Recording, frequency_hz: FloatArray, ratio: ComplexArray) -> SweepRest:
    """What is left of a take besides its linear answer.

    Parameters
    ----------
    recording : Recording
    frequency_hz : ndarray, shape (n,)
    ratio : complex ndarray, shape (n,)
        Channel 2 over channel 1.
    """
    info, excitation = recording.info, recording.info.excitation
    rate_hz = excitation.sample_rate_hz
    frames = excitation.sweep_frames
    length = fft.next_fast_len(frames + excitation.silence_after_frames, real=True)
    every_hz = fft.rfftfreq(length, 1 / rate_hz)
    inside = band_filter(every_hz, excitation)
    linear = np.interp(every_hz, frequency_hz, ratio)
    firsts, rests = [], []
    for start in info.sweep_starts:
        checked()
        piece = recording.samples[start : min(start + length, info.frames)].astype(float)
        spectra = fft.rfft(piece, length, axis=0)
        rests.append(fft.irfft((spectra[:, 1] - linear * spectra[:, 0]) * inside, length)[:frames])
        firsts.append(piece[:frames, 0] if len(piece) >= frames else np.resize(piece[:, 0], frames))
    quiet = _quiet_rest(recording, frequency_hz, ratio, length)
    rest, first = np.array(rests), np.array(firsts)
    block = max(round(BLOCK_S * rate_hz), 16)
    count = frames // block
    moment_s = (np.arange(count) + 0.5) * block / rate_hz
    played = np.median(first, axis=0)
    power = np.maximum(_sums(played[None] ** 2, block)[0], 1e-18 * block)
    middle = np.median(rest, axis=0) if len(rest) > 2 else rest.mean(axis=0)
    off = np.abs(_sums((rest - middle) * played, block)) / power  # as far as it goes with what is played
    noise = float(np.sqrt(np.mean(quiet**2))) / np.sqrt(power)
    rough_hz, rough_db = _roughness(rest, quiet, excitation)
    return SweepRest(moment_s, _swept_hz(moment_s, excitation), off, noise, rough_hz, rough_db)


def _swept_hz(moment_s: FloatArray, excitation: Excitation) -> FloatArray:
    found: FloatArray = excitation.low_hz * np.exp(moment_s / excitation.rate_constant_s)
    return found


def _sums(signals: FloatArray, block: int) -> FloatArray:
    """Of each block, shape (signals, blocks)."""
    count = signals.shape[1] // block
    found: FloatArray = signals[:, : count * block].reshape(len(signals), count, block).sum(axis=2)
    return found


def _quiet_rest(recording: Recording, frequency_hz: FloatArray, ratio: ComplexArray, length: int) -> FloatArray:
    """The same of the silence before the first sweep."""
    excitation = recording.info.excitation
    start = recording.info.sweep_starts[0]
    piece = recording.samples[max(0, start - min(length, excitation.silence_before_frames)) : start].astype(float)
    hz = fft.rfftfreq(len(piece), 1 / excitation.sample_rate_hz)
    spectra = fft.rfft(piece, axis=0)
    linear = np.interp(hz, frequency_hz, ratio)
    quiet = fft.irfft((spectra[:, 1] - linear * spectra[:, 0]) * band_filter(hz, excitation), len(piece))
    edge = len(piece) // 10
    found: FloatArray = quiet[edge : len(quiet) - edge]
    return found


def _roughness(rest: FloatArray, quiet: FloatArray, excitation: Excitation) -> tuple[FloatArray, FloatArray]:
    """Swept frequencies, and how far what is rough stands above the noise."""
    rate_hz = excitation.sample_rate_hz
    size = fft.next_fast_len(round(WINDOW_S * rate_hz), real=True)
    window = np.hanning(size)
    hz = fft.rfftfreq(size, 1 / rate_hz)
    floor = np.mean(_powers(quiet, size, window), axis=0)
    powers = np.array([_powers(one, size, window) for one in rest])
    moment_s = (np.arange(powers.shape[1]) * (size // 2) + size / 2) / rate_hz
    swept = _swept_hz(moment_s, excitation)
    cells = np.floor(CELLS_PER_OCTAVE * np.log2(swept / SWEPT_HZ[0])).astype(int)
    found_hz, found_db = [], []
    for cell in range(int(CELLS_PER_OCTAVE * math.log2(SWEPT_HZ[1] / SWEPT_HZ[0]))):
        own = np.flatnonzero(cells == cell)
        if not own.size:
            continue
        at_hz = float(np.sqrt(swept[own[0]] * swept[own[-1]]))
        bins = (hz >= max(LEAST_ORDER * at_hz * 2 ** (1 / CELLS_PER_OCTAVE), LEAST_HZ)) & (hz <= MOST_HZ)
        over = np.mean(powers[:, own][..., bins] / floor[bins], axis=(1, 2))
        found_hz.append(at_hz)
        # A voice in the room is in one sweep; of two the quieter counts.
        found_db.append(10 * np.log10(max(float(np.sort(over)[(len(over) - 1) // 2]), 1e-3)))
    return np.array(found_hz), np.array(found_db)


def _powers(signal: FloatArray, size: int, window: FloatArray) -> FloatArray:
    """Power spectra of half overlapping pieces, shape (pieces, bins)."""
    pieces = sliding_window_view(signal, size)[:: size // 2]
    found: FloatArray = np.abs(fft.rfft(pieces * window, axis=1)) ** 2
    return found
