"""What disturbs a bench: sound and steps in the room, contacts, inputs, mains. Signals over time, SI units.

Everything is drawn from the generator that is handed in; lengths are in frames of ``rate`` Hz.
"""

from __future__ import annotations

import numpy as np
import scipy.fft
import scipy.signal
from numpy.typing import NDArray

Floats = NDArray[np.float64]

HEARING_PA = 20e-6
"""0 dB of sound pressure, Pa rms."""

FORMANTS = ((730, 1090, 2440), (270, 2290, 3010), (300, 870, 2240), (530, 1840, 2480), (570, 840, 2410))
"""Resonances of the vocal tract for five vowels, Hz (Peterson and Barney, JASA 24, 175-184, 1952, men)."""


def speech_pa(rng: np.random.Generator, frames: int, rate: int, level_db: float) -> Floats:
    """Speech-like pressure at the cone, Pa: phrases of syllables with pauses, in a room that rings for 0.4 s.

    The level is that of the rms over the phrases, pauses left out. A syllable is a buzz of 85 to 230 Hz that glides,
    -12 dB an octave with three formants, or (one in five) a hiss of 2.5 to 7 kHz 12 dB below. The sound is that of the
    diffuse field: nothing is added for the baffle.
    """
    dry, spoken = np.zeros(frames), np.zeros(frames, dtype=bool)
    voice_hz = rng.uniform(95, 210)
    at = int(rng.uniform(0, 0.5) * rate)
    while at < frames:
        for _ in range(int(rng.integers(4, 10))):
            length = int(rng.uniform(0.10, 0.28) * rate)
            sound = _syllable(rng, length, rate, voice_hz) * 10 ** (rng.normal(0, 3) / 20)
            end = min(at + length, frames)
            if end > at:
                dry[at:end] += sound[: end - at]
                spoken[at:end] = True
            at += int(length * rng.uniform(0.9, 1.15))
        at += int(rng.uniform(0.3, 0.9) * rate)
    tail = rng.normal(size=int(0.4 * rate)) * np.exp(-6.91 * np.arange(int(0.4 * rate)) / (0.4 * rate))
    tail *= 0.8 / np.sqrt(np.sum(tail**2))
    wet = dry + scipy.signal.oaconvolve(dry, tail)[:frames]
    rms = np.sqrt(np.mean(wet[spoken] ** 2)) if spoken.any() else 1.0
    return wet * (HEARING_PA * 10 ** (level_db / 20) / rms)


def _syllable(rng: np.random.Generator, length: int, rate: int, voice_hz: float) -> Floats:
    envelope = np.sin(np.pi * np.arange(length) / length) ** 1.2
    if rng.random() < 0.2:
        hiss = scipy.signal.sosfilt(
            scipy.signal.butter(2, [2500, 7000], "bandpass", fs=rate, output="sos"), rng.normal(size=length)
        )
        return envelope * hiss * (0.25 / np.sqrt(np.mean(hiss**2)))
    pitch = voice_hz * rng.uniform(0.88, 1.15) * (1 + rng.uniform(-0.15, 0.15) * np.linspace(0, 1, length))
    phase = 2 * np.pi * np.cumsum(pitch) / rate
    turn, step = np.exp(1j * phase), np.ones(length, dtype=complex)
    formants = FORMANTS[int(rng.integers(len(FORMANTS)))]
    sound = np.zeros(length)
    for order in range(1, int(4500 / voice_hz) + 1):
        step = step * turn
        hz = order * voice_hz
        tract = 1.0
        for centre in formants:
            width = 50 + 0.06 * centre
            tract *= centre**2 / abs(complex(centre**2 - hz**2, hz * width)) if hz < 3 * centre else 0.13
        sound += step.imag * (tract / order**2)
    return envelope * sound / np.sqrt(np.mean(sound**2))


def footsteps(rng: np.random.Generator, frames: int, rate: int, floor_m_s2: float) -> Floats:
    """Acceleration of the box in the direction of the cone, m/s2: somebody walks past for 2 to 4 s.

    Each step is a heel strike that rings at a floor's 12 to 30 Hz (loss factor 8 to 15 %) and a softer one of the
    body's 2 Hz; ``floor_m_s2`` is the peak of the nearest step. The cone's mass stays behind: force = mass x this.
    """
    shake = np.zeros(frames)
    duration, nearest = rng.uniform(2, 4), rng.uniform(0.15, 0.85) * frames / rate
    floor_hz, loss = rng.uniform(12, 30), rng.uniform(0.08, 0.15)
    when = nearest - duration / 2
    while when < nearest + duration / 2:
        strength = 1 / (1 + ((when - nearest) * 1.3 / 2) ** 2) * rng.uniform(0.7, 1.0)
        shake += strength * _thump(frames, rate, when, floor_hz * rng.uniform(0.95, 1.05), loss, 0.004)
        when += rng.uniform(0.48, 0.58)
    return shake * (floor_m_s2 / max(np.max(np.abs(shake)), 1e-30))


def door_pa(rng: np.random.Generator, frames: int, rate: int, peak_pa: float) -> Floats:
    """A door slams once, Pa: the room is pumped (3 to 8 Hz, ``peak_pa``), the leaf bangs (80 to 600 Hz, a tenth)."""
    when = rng.uniform(0.2, 0.9) * frames / rate
    pump = _thump(frames, rate, when, rng.uniform(3, 8), 0.35, 0.02)
    bang = _thump(frames, rate, when, 0.0, 0.0, 0.002, tail_s=rng.uniform(0.04, 0.09)) * rng.normal(size=frames)
    bang = scipy.signal.sosfilt(scipy.signal.butter(2, [80, 600], "bandpass", fs=rate, output="sos"), bang)
    return pump * (peak_pa / np.max(np.abs(pump))) + bang * (0.1 * peak_pa / np.max(np.abs(bang)))


def _thump(
    frames: int, rate: int, when_s: float, hz: float, loss: float, rise_s: float, tail_s: float | None = None
) -> Floats:
    """A damped sine (or, at 0 Hz, a bare envelope) that begins at ``when_s``."""
    signal = np.zeros(frames)
    tail = tail_s if tail_s is not None else 1 / (2 * np.pi * hz * loss)
    first, last = max(round(when_s * rate), 0), min(round((when_s + 12 * tail) * rate), frames)
    if last <= first:
        return signal
    t = np.arange(first, last) / rate - when_s
    shape = (1 - np.exp(-np.maximum(t, 0) / rise_s)) * np.exp(-t / tail)
    signal[first:last] = shape * (np.sin(2 * np.pi * hz * t) if hz else 1.0)
    return signal


def pink(rng: np.random.Generator, frames: int, rate: int, rms: float) -> Floats:
    """1/f noise from 1 Hz to half the rate, of the given rms over that band."""
    n = scipy.fft.next_fast_len(frames, real=True)
    hz = scipy.fft.rfftfreq(n, 1 / rate)
    power = np.where(hz >= 1, 1 / np.maximum(hz, 1), 0.0)
    line = np.sqrt(power) * (rng.normal(size=hz.size) + 1j * rng.normal(size=hz.size))
    scale = rms * n / np.sqrt(4 * np.sum(power))
    return scipy.fft.irfft(line, n)[:frames] * scale


def mains(rng: np.random.Generator, frames: int, rate: int, rms: float) -> tuple[Floats, Floats]:
    """Hum of both channels: harmonics 1 to 12 of 50 (or 60) Hz off by up to 0.03 Hz, whose strength sways by 3 %.

    Both channels hear the same source, each with weights and phases of its own. ``rms`` is that of channel 1's.
    """
    base_hz = float(rng.choice([50.0, 60.0])) + rng.uniform(-0.03, 0.03)
    t = np.arange(frames) / rate
    sway = 1 + 0.03 * np.sin(2 * np.pi * rng.uniform(0.2, 1.5) * t + rng.uniform(0, 6.28))
    first, second = np.zeros(frames), np.zeros(frames)
    turn, step = np.exp(2j * np.pi * base_hz * t), np.ones(frames, dtype=complex)
    for order in range(1, 13):
        step = step * turn
        strength = (1.0 if order % 2 else 0.35) / order**0.9 * rng.uniform(0.3, 1.0)
        for channel in (first, second):
            channel += (step * (strength * rng.uniform(0.5, 1.0) * np.exp(1j * rng.uniform(0, 6.28)))).real
    scale = rms / np.sqrt(np.mean(first**2))
    return sway * first * scale, sway * second * scale


def wander(rng: np.random.Generator, frames: int, rate: int, span: float) -> Floats:
    """A slow drift that goes from 0 to ``span`` over the signal, with two slow waves of a fifth of it."""
    t = np.arange(frames) / frames
    waves = sum(0.1 * np.sin(2 * np.pi * (k * t + rng.uniform())) for k in (1.0, 2.3))
    drift = t + waves
    return span * (drift - drift[0])


def step_at(frames: int, frame: int, height: float) -> Floats:
    """0 before ``frame``, ``height`` from it on."""
    signal = np.zeros(frames)
    signal[frame:] = height
    return signal


def warming_ohm(current_a: Floats, rate: int, time_s: float, most_ohm: float) -> Floats:
    """Rise of the coil's resistance: heat from i^2, lost with ``time_s``, scaled to ``most_ohm`` at its highest."""
    keep = np.exp(-1 / (rate * time_s))
    heat = scipy.signal.lfilter([1 - keep], [1, -keep], current_a**2)
    return heat * (most_ohm / np.max(heat))
