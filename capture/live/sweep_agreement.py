"""Whether a sweep came back as the tones before it said it would.

The tones measured the path from the output to input 1; the sweep goes the same way a moment later, with the same
clock. At the frequencies of the tones both must give the same gain, and phases that differ by one delay. Where samples
were lost or repeated on the way, what comes after the place lies at another delay than what comes before; where the
gain changed, the levels differ.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.live.tone_burst import ToneReading
from stillbox.capture.sweep.excitation import Excitation, sweep_samples

MOST_TURN_RAD = 0.08
MOST_CHANGE = 0.08
LOW_HZ = 200.0
LOW_ALLOWANCE = 4.0
"""Times more is allowed below: a speaker's resonance moves with the level, and shows through the source."""

SURE = 6.0
FINENESS = 8
"""Steps a frame in which the delay is looked for."""

MOST_DRIFT, DRIFT_STEP = 2e-4, 1e-6
"""Relative difference between the clocks of output and inputs that is tried, and the steps."""

CHUNK = 8_192


def disagreement(
    channel_1: FloatArray, starts: Sequence[int], excitation: Excitation, reading: ToneReading
) -> str | None:
    """What the first sweep shows that does not agree with the tones, in words; None where all agree.

    Parameters
    ----------
    channel_1 : ndarray, shape (frames,)
    starts : sequence of int
        Frames at which sweeps start.
    reading : ToneReading
        Of the same path.
    """
    low_hz, high_hz = excitation.full_level_band_hz
    inside = (reading.frequency_hz > low_hz) & (reading.frequency_hz < high_hz) & (np.abs(reading.gain[:, 0]) > 0)
    if np.count_nonzero(inside) < 3:
        return None
    frequency_hz, gain = reading.frequency_hz[inside], reading.gain[inside, 0]
    # The response to a sweep ends within the silence after it.
    frames = excitation.sweep_frames + excitation.silence_after_frames * 3 // 4
    signals = [sweep_samples(excitation), *(channel_1[start : start + frames] for start in starts)]
    played, *came = _spectra(signals, frequency_hz / excitation.sample_rate_hz)
    energy = np.square(np.abs(played / excitation.sample_rate_hz))
    seconds = excitation.seconds + excitation.silence_after_s
    noise = np.sqrt(reading.noise_density[inside, 0] * seconds / energy) / np.abs(gain)
    noise = np.hypot(noise, reading.noise_gain[inside, 0] / np.abs(gain))
    slack = np.where(frequency_hz < LOW_HZ, LOW_ALLOWANCE, 1.0)
    most_change = np.maximum(MOST_CHANGE * slack, SURE * noise)
    most_turn = np.maximum(MOST_TURN_RAD * slack, SURE * noise)
    for one in came:
        fault = _fault(one / played, gain, frequency_hz, excitation, reading.period_frames, (most_turn, most_change))
        if fault is not None:
            return fault
    return None


def _fault(
    swept: ComplexArray,
    gain: ComplexArray,
    frequency_hz: FloatArray,
    excitation: Excitation,
    period_frames: int,
    most: tuple[FloatArray, FloatArray],
) -> str | None:
    """Where one sweep turns or changes by more than the ``most`` that is granted, in words."""
    most_turn, most_change = most
    turn = _turns(swept / gain, frequency_hz, excitation, period_frames, most_turn)
    late = int(np.argmax(np.abs(turn) / most_turn))
    if abs(turn[late]) > most_turn[late]:
        return (
            f"the recording has a gap: its parts lie at different delays ({frequency_hz[late]:.0f} Hz is "
            f"{abs(turn[late]):.2f} rad off), so samples were lost or repeated; close other programs"
        )
    change = np.abs(swept) / np.abs(gain)
    worst = int(np.argmax(np.abs(change - 1) / most_change))
    if abs(change[worst] - 1) > most_change[worst]:
        return (
            f"the sweep came back {20 * np.log10(change[worst]):+.1f} dB off at {frequency_hz[worst]:.0f} Hz against "
            "the check just before: the gain is not steady; switch automatic gain off, and leave the controls alone"
        )
    return None


def _spectra(signals: Sequence[FloatArray], cycles_per_frame: FloatArray) -> list[ComplexArray]:
    """Fourier sums of each signal at some frequencies."""
    count = -(-max(signal.size for signal in signals) // CHUNK)
    # The same waves serve every chunk, turned to where it begins.
    waves = np.exp(-2j * np.pi * np.outer(cycles_per_frame, np.arange(CHUNK)))
    turns = np.exp(-2j * np.pi * np.outer(cycles_per_frame, CHUNK * np.arange(count)))
    found: list[ComplexArray] = []
    for signal in signals:
        chunks = np.zeros((count, CHUNK))
        chunks.reshape(-1)[: signal.size] = signal
        # Not by the linear algebra's own product: its threads wait for each other where others use the processor.
        sums = np.einsum("fk,ck->fc", waves, chunks)
        found.append(np.asarray((sums * turns).sum(axis=1), dtype=np.complex128))
    return found


def _turns(
    quotient: ComplexArray, frequency_hz: FloatArray, excitation: Excitation, period_frames: int, most: FloatArray
) -> FloatArray:
    """Phases that no common delay explains, rad.

    The delay is only known within the period of the tones. Where output and inputs have clocks of their own, the
    delay grows with the time at which the sweep comes to a frequency: that is tried if equal clocks do not fit.
    """
    units = quotient / np.abs(quotient)
    cycles = frequency_hz / excitation.sample_rate_hz
    passed = excitation.rate_constant_s * np.log(frequency_hz / excitation.low_hz) * excitation.sample_rate_hz
    turn = _without_delay(units, cycles, period_frames)
    if (np.abs(turn) <= most).all():
        return turn
    best = turn
    for drift in np.arange(-MOST_DRIFT, MOST_DRIFT, DRIFT_STEP):
        tried = _without_delay(units * np.exp(2j * np.pi * cycles * drift * passed), cycles, period_frames)
        if np.abs(tried / most).max() < np.abs(best / most).max():
            best = tried
    return best


def _without_delay(units: ComplexArray, cycles: FloatArray, period_frames: int) -> FloatArray:
    """Phases of ``units`` less those of the delay that fits most of them."""
    bins = np.rint(cycles * period_frames).astype(int)
    spectrum = np.zeros(FINENESS * period_frames // 2 + 1, dtype=np.complex128)
    spectrum[bins] = units
    # Of the analytic signal: twice the real part peaks where the phases agree.
    delay = -int(np.argmax(np.fft.irfft(spectrum))) / FINENESS
    turned = units * np.exp(-2j * np.pi * delay * cycles)
    rest = float(cycles @ np.angle(turned)) / float(cycles @ cycles)
    return np.asarray(np.angle(turned * np.exp(-1j * rest * cycles)), dtype=np.float64)
