"""The jig of the practice rig: source, reference resistor, leads and the loading of both inputs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stillbox.capture.arrays import ComplexArray
from stillbox.capture.recording.take import JigKind


@dataclass(frozen=True)
class RigParts:
    """What the jig and the sound card of the rig are made of; the defaults are those of middling hardware.

    Attributes
    ----------
    loudest_volts : float
        Output at full scale, V rms.
    input_peak_volts : float
        Peak voltage at which the inputs clip, V.
    second_gain : float
        Gain of input 2 re input 1.
    noise_dbfs, hum_dbfs : float
        Rms of each input re full scale; hum only where it is switched on.
    """

    reference_ohm: float = 10.0
    source_ohm: float = 0.5
    lead_ohm: float = 0.06
    input_ohm: float = 100e3
    loudest_volts: float = 1.4
    input_peak_volts: float = 1.4
    second_gain: float = 1.01
    noise_dbfs: float = -100.0
    loud_noise_dbfs: float = -30.0
    hum_dbfs: float = -45.0
    coupling_hz: float = 2.0
    latency_frames: int = 480
    microphone_v_per_pa: float = 0.2


@dataclass(frozen=True)
class JigVoltages:
    """What both inputs read, V, and the current into the clips, A; each of shape (n,)."""

    first: ComplexArray
    second: ComplexArray
    clips_a: ComplexArray


def from_source(parts: RigParts, kind: JigKind, device_ohm: ComplexArray) -> JigVoltages:
    """For 1 V of the source; ``device_ohm`` is on the clips, infinite where they are open."""
    loading = 1 / parts.input_ohm
    with np.errstate(divide="ignore", invalid="ignore"):
        admittance = np.where(np.isinf(device_ohm), 0, 1 / (device_ohm + parts.lead_ohm))
    if kind == "high-side":
        upper, lower = np.full_like(admittance, 1 / parts.reference_ohm), admittance + loading
    else:
        upper, lower = admittance, np.full_like(admittance, 1 / parts.reference_ohm + loading)
    ratio = upper / (upper + lower)
    bridge = upper * lower / (upper + lower)
    first = np.asarray(1 / (1 + parts.source_ohm * (2 * loading + bridge)), dtype=np.complex128)
    second = first * ratio
    return JigVoltages(first, second, admittance * (second if kind == "high-side" else first - second))


def from_device(parts: RigParts, kind: JigKind, device_ohm: ComplexArray) -> JigVoltages:
    """For 1 V that the device sets against the current into the clips, the source being silent."""
    loading = 1 / parts.input_ohm
    before = parts.source_ohm / (1 + parts.source_ohm * loading)
    if kind == "high-side":
        above = 1 / (loading + 1 / (parts.reference_ohm + before))
        current = -1 / (device_ohm + parts.lead_ohm + above)
        second = -current * above
        return JigVoltages(second * before / (parts.reference_ohm + before), second, current)
    below = 1 / (loading + 1 / parts.reference_ohm)
    current = -1 / (device_ohm + parts.lead_ohm + before + below)
    return JigVoltages(-current * before, current * below, current)
