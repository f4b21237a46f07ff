"""Synthetic recordings for the import tests: textbook impedances on a jig, and faults laid on them.

Independent of the checks they test: everything is made in the frequency domain from the excitation's samples.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len

from stillbox.capture.sweep.excitation import Excitation, excitation_samples

Samples = NDArray[np.float64]


def speaker_impedance(frequency_hz: Samples, rng: np.random.Generator) -> NDArray[np.complex128]:
    """Coil, motional resonance and a small box resonance; |Z| stays within about 3 to 100 ohm."""
    w = 2j * np.pi * np.maximum(frequency_hz, 1e-3)
    re_ohm = rng.uniform(3.2, 12)
    coil = re_ohm + rng.uniform(0.005, 0.03) * w ** rng.uniform(0.55, 0.7)
    total = coil + _parallel_resonance(w, rng.uniform(30, 90), rng.uniform(2, 6), rng.uniform(10, 60))
    return total + _parallel_resonance(w, rng.uniform(200, 900), rng.uniform(5, 30), rng.uniform(0.05, 2))


def _parallel_resonance(w: NDArray, f0_hz: float, q: float, height_ohm: float) -> NDArray:
    w0 = 2 * np.pi * f0_hz
    return height_ohm * (w * w0 / q) / (w**2 + w * w0 / q + w0**2)


def capacitor(farad: float) -> Callable[[Samples], NDArray]:
    """Impedance of a capacitor over frequency."""
    return lambda frequency_hz: 1 / (2j * np.pi * np.maximum(frequency_hz, 1e-3) * farad)


def coil(henry: float, resistance_ohm: float) -> Callable[[Samples], NDArray]:
    """Impedance of a coil with its resistance over frequency."""
    return lambda frequency_hz: resistance_ohm + 2j * np.pi * frequency_hz * henry


def trap(henry: float, farad: float, resistance_ohm: float) -> Callable[[Samples], NDArray]:
    """Impedance of a coil with its resistance and a capacitor in series."""
    return lambda frequency_hz: coil(henry, resistance_ohm)(frequency_hz) + capacitor(farad)(frequency_hz)


@dataclass(frozen=True)
class Chain:
    """What lies between the circuit and the file."""

    reference_ohm: float = 10.0
    noise_dbfs: float = -100.0
    hum_dbfs: float | None = None
    mains_hz: float = 50.0
    level: float = 1.0
    coupling_hz: float = 0.0
    gain_mismatch: float = 1.0
    delay_frames: float = 0.0
    distortion: float = 0.0
    source_ohm: float = 0.0
    extra_before: int = 1234
    clock_ppm: float = 0.0


def record(
    excitation: Excitation,
    impedance_ohm: complex | Callable[[Samples], NDArray] | None,
    chain: Chain = Chain(),
    seed: int = 0,
    jig: str = "high-side",
) -> Samples:
    """Both channels, shape (frames, 2): of a resistance, a function of frequency, or (None) a random speaker."""
    rng = np.random.default_rng(seed)
    rate_hz = excitation.sample_rate_hz
    drive = np.concatenate([np.zeros(chain.extra_before), excitation_samples(excitation) * chain.level])
    if chain.clock_ppm:
        from scipy.interpolate import CubicSpline

        place = np.arange(int(len(drive) / (1 + chain.clock_ppm * 1e-6)) - 1) * (1 + chain.clock_ppm * 1e-6)
        drive = CubicSpline(np.arange(len(drive)), drive)(place)
    size = next_fast_len(len(drive) + rate_hz // 4, real=True)
    frequency_hz = np.fft.rfftfreq(size, 1 / rate_hz)
    if impedance_ohm is None:
        z = speaker_impedance(frequency_hz, rng)
    else:
        z = impedance_ohm(frequency_hz) if callable(impedance_ohm) else np.asarray(impedance_ohm)
    r = chain.reference_ohm
    admittance = 1 / (z + r + chain.source_ohm)
    total = 1 - chain.source_ohm * admittance
    second = r * admittance if jig == "low-side" else total - r * admittance
    spectrum = np.fft.rfft(drive, size)
    if chain.coupling_hz:
        s = 1j * frequency_hz / chain.coupling_hz
        spectrum = spectrum * s / (1 + s)
    delay = np.exp(-2j * np.pi * frequency_hz * chain.delay_frames / rate_hz)
    outputs = [spectrum * total, spectrum * second * chain.gain_mismatch * delay]
    both = np.stack([np.fft.irfft(channel, size)[: len(drive)] for channel in outputs], axis=1)
    peak = np.abs(both[:, 0]).max()
    both[:, 1] += chain.distortion * both[:, 1] ** 2 / peak + chain.distortion * both[:, 1] ** 3 / peak**2
    time_s = np.arange(len(drive)) / rate_hz
    if chain.hum_dbfs is not None:
        for order, part in ((1, 1.0), (2, 0.3), (3, 0.5), (5, 0.25)):
            wave = np.sin(2 * np.pi * order * chain.mains_hz * time_s + rng.uniform(0, 6))
            both += part * 10 ** (chain.hum_dbfs / 20) * wave[:, None]
    return both + 10 ** (chain.noise_dbfs / 20) * rng.standard_normal(both.shape)
