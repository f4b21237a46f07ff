"""Two-channel recordings of a jig, as a bad measuring chain would make them.

The excitation is filtered in the frequency domain with the exact response of the circuit, zero-padded far beyond
its ringing; then come delay, gain and coupling of each input, distortion, hum, noise and rounding. One chain is
used alike for speakers and for the calibration standards.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from reference.analytic import impedance_ohm
from reference.jig_circuit import Jig, device_current, emf_voltages, matched_voltages, node_voltages
from reference.speaker_circuit import SpeakerCircuit
from stillbox.capture.sweep.excitation import Excitation, excitation_samples

FloatArray = NDArray[np.floating]
ComplexArray = NDArray[np.complexfloating]
Device = SpeakerCircuit | complex | Callable[[FloatArray], ComplexArray]
"""A speaker, a resistance (0 short, inf open), or the impedance in ohm as a function of frequency in Hz."""

PADDING_S = 3.0
"""Silence behind the signal in which everything has rung out before it would come round again."""


@dataclass(frozen=True)
class Chain:
    """Jig and sound card. Pairs are (channel 1, channel 2).

    Attributes
    ----------
    jig : Jig
    output_gain
        Volts (in units of the inputs' full scale) from a digital 1 at the output.
    gain, delay_frames
        Of each input; the delay may be a fraction of a frame.
    coupling_hz
        Corner of each input's first-order high-pass; 0 for none.
    noise_dbfs
        Rms of each input's white noise re full scale = 1.
    hum_hz, hum_dbfs
        Mains frequency, and peak of its fundamental in each channel; ten harmonics with random phases.
    emf_v_per_a2, emf_v_per_a3
        Distortion: voltage in series with the device, from second and third power of its current (first order:
        from the current of the undistorted circuit).
    bits
        Rounding; 0 for none.
    offset_frames
        Frames of noise before the excitation starts; negative cuts its beginning away.
    tail_frames
        Frames of noise after its end.
    """

    jig: Jig = field(default_factory=Jig)
    output_gain: float = 1.0
    gain: tuple[float, float] = (1.0, 1.0)
    delay_frames: tuple[float, float] = (0.0, 0.0)
    coupling_hz: tuple[float, float] = (0.0, 0.0)
    noise_dbfs: tuple[float, float] = (-math.inf, -math.inf)
    hum_hz: float = 50.0
    hum_dbfs: tuple[float, float] = (-math.inf, -math.inf)
    emf_v_per_a2: float = 0.0
    emf_v_per_a3: float = 0.0
    bits: int = 24
    offset_frames: int = 0
    tail_frames: int = 0


CLEAN = Chain(noise_dbfs=(-100.0, -100.0))
"""24 bit, noise at -100 dBFS, nothing else."""

BAD = Chain(
    jig=Jig(source_ohm=0.5, lead_ohm=0.15, input_ohm=10e3),
    gain=(1.0, 1.03),
    delay_frames=(0.0, 1.0),
    coupling_hz=(1.5, 1.7),
    noise_dbfs=(-100.0, -100.0),
    offset_frames=4321,
    tail_frames=2000,
)
"""3 % gain error, one frame of delay, 10 kohm loading at both inputs, 0.15 ohm leads."""


@dataclass(frozen=True)
class Spectra:
    """What the circuit gives for 1 V of the source at the bins of the padded signal, shape (bins,) each."""

    first: ComplexArray
    second: ComplexArray


def padded_frames(excitation: Excitation) -> int:
    """Length of the padded signal; its bins lie at multiples of ``sample_rate_hz`` over this."""
    return int(fft.next_fast_len(excitation.total_frames + round(PADDING_S * excitation.sample_rate_hz), real=True))


def bin_frequencies_hz(excitation: Excitation) -> FloatArray:
    """Frequencies at which `record_spectra` wants the circuit."""
    return np.fft.rfftfreq(padded_frames(excitation), 1 / excitation.sample_rate_hz)


def record(
    device: Device,
    excitation: Excitation,
    chain: Chain = CLEAN,
    seed: int = 0,
    channel_match: bool = False,
) -> FloatArray:
    """Recording of a device on the chain's jig, shape (frames, 2), full scale = 1."""
    frequency_hz = bin_frequencies_hz(excitation)
    impedance = _device_ohm(device, frequency_hz)
    spectra = Spectra(*(matched_voltages if channel_match else node_voltages)(chain.jig, impedance))
    extra = None
    if chain.emf_v_per_a2 or chain.emf_v_per_a3:
        extra = _distortion(impedance, excitation, chain)
    return record_spectra(spectra, excitation, chain, seed, extra)


def record_standard(
    subject: Literal["channel-match", "open", "short", "load", "check-resistor"],
    excitation: Excitation,
    chain: Chain = CLEAN,
    seed: int = 0,
    load_ohm: float = 10.0,
) -> FloatArray:
    """Recording of a calibration standard through the same chain as `record`."""
    resistance = {"open": math.inf, "short": 0.0, "channel-match": math.inf}.get(subject, load_ohm)
    return record(resistance, excitation, chain, seed, channel_match=subject == "channel-match")


def record_spectra(
    spectra: Spectra,
    excitation: Excitation,
    chain: Chain,
    seed: int,
    extra_volts: FloatArray | None = None,
) -> FloatArray:
    """Recording from the voltages of the two nodes, wherever they come from; shape (frames, 2).

    ``extra_volts``, shape (2, padded frames), is added to the nodes (distortion).
    """
    frames = padded_frames(excitation)
    source = fft.rfft(excitation_samples(excitation), frames) * chain.output_gain
    frequency_hz = bin_frequencies_hz(excitation)
    lead_in = max(0, chain.offset_frames)
    cut = max(0, -chain.offset_frames)
    wanted = excitation.total_frames + chain.tail_frames
    if wanted > frames:
        raise ValueError(f"tail_frames {chain.tail_frames} is longer than the {PADDING_S:g} s of padding")
    generator = np.random.default_rng(seed)
    channels = []
    for channel, response in enumerate((spectra.first, spectra.second)):
        spectrum = source * response
        if extra_volts is not None:
            spectrum = spectrum + fft.rfft(extra_volts[channel])
        voltage = fft.irfft(spectrum * _input(chain, channel, frequency_hz, excitation.sample_rate_hz), frames)
        samples = np.concatenate([np.zeros(lead_in), voltage[cut:wanted]])
        channels.append(samples + _disturbance(chain, channel, samples.size, excitation.sample_rate_hz, generator))
    return _rounded(np.stack(channels, axis=1), chain.bits)


def _device_ohm(device: Device, frequency_hz: FloatArray) -> ComplexArray:
    if isinstance(device, SpeakerCircuit):
        return impedance_ohm(device, frequency_hz)
    if callable(device):
        return device(frequency_hz)
    return np.full(frequency_hz.shape, device, dtype=complex)


def _input(chain: Chain, channel: int, frequency_hz: FloatArray, rate_hz: int) -> ComplexArray:
    """Gain, delay and coupling of one input."""
    response = chain.gain[channel] * np.exp(-2j * np.pi * frequency_hz * chain.delay_frames[channel] / rate_hz)
    corner_hz = chain.coupling_hz[channel]
    return response * (1j * frequency_hz / (corner_hz + 1j * frequency_hz)) if corner_hz else response


def _distortion(impedance: ComplexArray, excitation: Excitation, chain: Chain) -> FloatArray:
    """Volts at both nodes from the nonlinear voltage in series with the device, shape (2, padded frames)."""
    frames = padded_frames(excitation)
    source = fft.rfft(excitation_samples(excitation), frames) * chain.output_gain
    current = fft.irfft(source * device_current(chain.jig, impedance), frames)
    emf = fft.rfft(chain.emf_v_per_a2 * current**2 + chain.emf_v_per_a3 * current**3)
    return np.stack([fft.irfft(emf * response, frames) for response in emf_voltages(chain.jig, impedance)])


def _disturbance(
    chain: Chain, channel: int, frames: int, rate_hz: int, generator: np.random.Generator
) -> FloatArray:
    """Noise and hum of one input."""
    total = 10 ** (chain.noise_dbfs[channel] / 20) * generator.standard_normal(frames)
    if chain.hum_dbfs[channel] > -math.inf:
        time_s = np.arange(frames) / rate_hz
        for harmonic in range(1, 11):
            # Odd harmonics of the mains are the stronger ones.
            share = 1 / harmonic if harmonic % 2 else 0.3 / harmonic
            phase = generator.uniform(0, 2 * np.pi)
            amplitude = 10 ** (chain.hum_dbfs[channel] / 20) * share
            total += amplitude * np.cos(2 * np.pi * harmonic * chain.hum_hz * time_s + phase)
    return total


def _rounded(samples: FloatArray, bits: int) -> FloatArray:
    """Rounded to ``bits`` and clipped as a converter does."""
    if not bits:
        return samples
    steps = 2.0 ** (bits - 1)
    return np.clip(np.round(samples * steps), -steps, steps - 1) / steps


def write_recording(path: Path, samples: FloatArray, sample_rate_hz: int) -> None:
    """Write 24 bit WAV or FLAC, after the suffix of ``path``."""
    import soundfile

    # libsndfile scales floats itself; whole numbers keep the rounding exact.
    whole = np.round(samples * 2**23).astype(np.int32) << 8
    soundfile.write(path, whole, sample_rate_hz, subtype="PCM_24", format=path.suffix[1:].upper())
