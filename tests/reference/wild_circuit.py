"""The take's circuit solved in time: source, jig, clips, contact and speaker, with all that changes or bends.

Linear parts are applied exactly (to band-limited signals) in the frequency domain, everything else is evaluated sample
by sample in time; both are brought to agree by iteration:

    u = (Zth + Zcoil) * i + r(t) i + d/dt[(Le(x) - Le) i] + Bl(x) v
    Zm * v = Bl(x) i - (K(x, t) - K) x + i^2/2 dLe/dx + F(t)

with ``*`` a convolution, ``r(t)`` contact and warming, ``F`` what pushes the cone from outside. The changes are small,
so each round gains one to three digits; it ends at 1e-10 of the largest current. The same equations over one period
give the stationary state of a single tone (harmonic balance), which is the truth of what depends on level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from reference.bench_speaker import WildSpeaker

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

MOST_ROUNDS = 80
CLOSE_ENOUGH = 1e-10


@dataclass(frozen=True)
class WildJig:
    """High-side jig: source, ``source_ohm``, [channel 1], ``reference_ohm``, [channel 2], leads, clips.

    ``lead_ohm``, ``lead_h`` lie between channel 2 and the clips (what a short shows), ``input_ohm``, ``input_f`` from
    channel 2 to ground (what an open shows), ``gain_1``, ``gain_2`` are the channels' gains.
    ``full_scale_v`` is the peak voltage of full scale, at the output and at the inputs.
    """

    source_ohm: float = 0.6
    reference_ohm: float = 10.0
    lead_ohm: float = 0.0
    lead_h: float = 0.0
    input_ohm: float = np.inf
    input_f: float = 0.0
    gain_1: float = 1.0
    gain_2: float = 1.0
    full_scale_v: float = 2.0

    def thevenin(self, s: Complexes) -> tuple[Complexes, Complexes]:
        """Share of the source's voltage at channel 2 with nothing on the clips, and the impedance seen from there."""
        row_ohm = self.source_ohm + self.reference_ohm
        down = 1 / self.input_ohm + s * self.input_f
        share = 1 / (1 + row_ohm * down)
        return share, row_ohm * share

    def channels(self, source: Complexes, clips: Complexes) -> tuple[Complexes, Complexes]:
        """Voltages of the channels from those of source and of channel 2's node."""
        current = (source - clips) / (self.source_ohm + self.reference_ohm)
        return self.gain_1 * (source - self.source_ohm * current), self.gain_2 * clips


@dataclass(frozen=True)
class Changes:
    """What is added to the linear speaker, over the samples of the signal; None is nothing.

    ``series_ohm``: resistance in series with the coil; ``stiffness_n_m``: added to the suspension;
    ``force_n``: on the cone.
    """

    series_ohm: Floats | None = None
    stiffness_n_m: Floats | None = None
    force_n: Floats | None = None


@dataclass(frozen=True)
class Solution:
    """Spectra (as of ``rfft``) of the channels in volts, and in time the current (A) and the cone's place (m)."""

    channel_1: Complexes
    channel_2: Complexes
    current_a: Floats
    place_m: Floats


def whole_line(frames: int, sample_rate_hz: int) -> Complexes:
    """s of each bin of a signal; the bin of 0 Hz is put beside 0, where Zm has its pole."""
    s = 2j * np.pi * scipy.fft.rfftfreq(frames, 1 / sample_rate_hz)
    s[0] = 1e-6j
    return s


def solve(
    speaker: WildSpeaker, jig: WildJig, source_v: Floats, s: Complexes, changes: Changes = Changes()
) -> Solution:
    """Solve for one period of ``source_v`` (last axis: samples; leading axes: as many separate cases).

    Parameters
    ----------
    source_v : ndarray, shape (..., n)
        Voltage of the source, V; taken as periodic, so silence must follow it.
    s : ndarray, shape (..., n // 2 + 1)
        j w of each bin.
    """
    n = source_v.shape[-1]
    share, behind = jig.thevenin(s)
    source = scipy.fft.rfft(source_v)
    zm = speaker.mechanical_ohm(s)
    linear_ohm = behind + jig.lead_ohm + s * jig.lead_h + speaker.coil_ohm(s) + speaker.bl**2 / zm
    force = 0j if changes.force_n is None else scipy.fft.rfft(changes.force_n)
    start = (share * source - speaker.bl / zm * force) / linear_ohm
    current = start
    bends, bent = speaker.bends, _is_bent(speaker, changes)
    voltage_more, force_more = 0j, 0j
    i = scipy.fft.irfft(current, n)
    if bent or changes.series_ohm is not None:
        for _ in range(MOST_ROUNDS):
            extra_v = 0.0 if changes.series_ohm is None else changes.series_ohm * i
            if bent:
                speed = (speaker.bl * current + force + force_more) / zm
                v, x = scipy.fft.irfft(speed, n), scipy.fft.irfft(speed / s, n)
                bl_more = speaker.bl * (bends.b1 + bends.b2 * x) * x
                pull = bl_more * i - _spring_more(speaker, changes, x) + 0.5 * i**2 * speaker.le_h * bends.l1
                force_more = scipy.fft.rfft(pull)
                extra_v = extra_v + bl_more * v
                flux = scipy.fft.rfft(speaker.le_h * bends.l1 * x * i) if bends.l1 else 0j
                voltage_more = scipy.fft.rfft(extra_v) + s * flux
            else:
                voltage_more = scipy.fft.rfft(extra_v)
            before = i
            current = start - (voltage_more + speaker.bl / zm * force_more) / linear_ohm
            i = scipy.fft.irfft(current, n)
            if np.max(np.abs(i - before)) <= CLOSE_ENOUGH * np.max(np.abs(i)):
                break
        else:
            raise ArithmeticError(f"no agreement after {MOST_ROUNDS} rounds: the changes are too strong")
    clips = share * source - behind * current
    x = scipy.fft.irfft((speaker.bl * current + force + force_more) / (zm * s), n)
    return Solution(*jig.channels(source, clips), i, x)


def solve_passive(jig: WildJig, source_v: Floats, s: Complexes, load_ohm: float) -> tuple[Complexes, Complexes]:
    """Spectra of the channels, V, with a resistor on the clips; ``inf`` is open, 0 is short."""
    share, behind = jig.thevenin(s)
    source = scipy.fft.rfft(source_v)
    current = share * source / (behind + jig.lead_ohm + s * jig.lead_h + load_ohm) if np.isfinite(load_ohm) else 0j
    return jig.channels(source, share * source - behind * current)


def _is_bent(speaker: WildSpeaker, changes: Changes) -> bool:
    bends = speaker.bends
    return changes.stiffness_n_m is not None or any(
        (bends.b1, bends.b2, bends.k1, bends.k2, bends.soft, bends.l1)
    )


def _spring_more(speaker: WildSpeaker, changes: Changes, x: Floats) -> Floats:
    """Force of the suspension beyond the linear spring, N."""
    bends = speaker.bends
    y = (x / bends.soft_at_m) ** 2
    more = speaker.stiffness_n_m * (bends.k1 * x + bends.k2 * x**2 - bends.soft * y / (1 + y))
    return (more if changes.stiffness_n_m is None else more + changes.stiffness_n_m) * x


def tone_impedance_ohm(speaker: WildSpeaker, jig: WildJig, frequency_hz: Floats, peak_v: Floats) -> Complexes:
    """Impedance of the fundamental for a stationary tone of ``peak_v`` at the source, at each frequency, ohm.

    Harmonic balance with 15 harmonics: the first-harmonic ratio of voltage and current at the clips.
    """
    n = 32
    wave = np.cos(2 * np.pi * np.arange(n) / n)
    s = 2j * np.pi * frequency_hz[:, None] * np.arange(n // 2 + 1)[None, :]
    s[:, 0] = 1e-6j
    solved = solve(speaker, jig, peak_v[:, None] * wave[None, :], s)
    share, behind = jig.thevenin(s[:, 1])
    current = scipy.fft.rfft(solved.current_a)[:, 1]
    source = scipy.fft.rfft(peak_v[:, None] * wave[None, :])[:, 1]
    return (share * source - behind * current) / current - jig.lead_ohm - s[:, 1] * jig.lead_h
