"""The jig for a speaker and a sound card: the best reference resistor, voltages, powers, attenuator and wiring."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cache
from typing import cast

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.build.build_description import Limits
from stillbox.capture.build.take_import import JIGS
from stillbox.capture.errors import StillboxError
from stillbox.capture.jig.e_series import values_between
from stillbox.capture.practice.practice_speakers import SPEAKERS
from stillbox.capture.recording.take import JigKind
from stillbox.capture.sound.audio_device import Clips
from stillbox.capture.sound.safety import output_limit
from stillbox.capture.sweep.sweep_noise import ratio_variance, relative_std
from stillbox.capture.sweep.usual_take import SECONDS, SWEEPS

REFERENCE_RANGE_OHM = (0.1, 1000.0)
BAND_HZ = (20.0, 20_000.0)
LEAST_PART_OF_RATED = 0.8
"""IEC 60268-5: the impedance is nowhere below 80 % of the rated one."""

HEADROOM = 0.5
"""Part of the inputs' full scale that is used: 6 dB below clipping."""

SWEEP_CONSTANT_S = SWEEPS * SECONDS / math.log(2_300)
"""Rate constants of the sweeps of a usual take, 10 to 23,000 Hz, together."""

ATTENUATOR_LEAST_OHM = 8_000.0
SHUNT_RANGE_OHM = (470.0, 2_200.0)
SERIES_RANGE_OHM = (1_000.0, 1_000_000.0)
MOST_MORE_NOISE = 1.05
"""Noise of the proposed resistor over that of the best one."""
MOST_EXCESS = 1.1
"""A divider may divide so many times more than the tightest one."""


@dataclass(frozen=True)
class JigLevels:
    """What a jig is built for; the person's own figures, or the defaults of middling gear.

    Attributes
    ----------
    rated_ohm : float
        Rated impedance of the speaker, 1 to 100 ohm.
    output_volts : float
        Output at full scale, V rms.
    source_ohm : float
        Resistance of the output.
    input_volts : float
        Inputs at full scale, V rms.
    noise_dbfs : float
        Noise of each input, rms re full scale, over half of ``sample_rate_hz``.
    """

    rated_ohm: float = 8.0
    output_volts: float = 1.0
    source_ohm: float = 1.0
    input_volts: float = 1.0
    noise_dbfs: float = -95.0
    sample_rate_hz: int = 48_000
    jig: JigKind = "high-side"
    limits: Limits = field(default_factory=Limits)

    def __post_init__(self) -> None:
        _require("rated impedance", self.rated_ohm, 1.0, 100.0, "ohm")
        _require("loudest output", self.output_volts, 0.001, 200.0, "V rms")
        _require("resistance of the output", self.source_ohm, 0.0, 10_000.0, "ohm")
        _require("full scale of the inputs", self.input_volts, 0.001, 200.0, "V rms")
        _require("noise of the inputs", self.noise_dbfs, -150.0, -20.0, "dBFS")


def jig_levels(
    rated_ohm: float, output_volts: float, source_ohm: float, input_volts: float, noise_dbfs: float, jig: str
) -> JigLevels:
    """Levels for a jig named in text; StillboxError if there is none of that name."""
    if jig not in JIGS:
        raise StillboxError(f"there is no jig '{jig}'", f"choose one of {', '.join(JIGS)}")
    return JigLevels(rated_ohm, output_volts, source_ohm, input_volts, noise_dbfs, jig=cast(JigKind, jig))


def _require(name: str, value: float, low: float, high: float, unit: str) -> None:
    if not low <= value <= high:
        raise StillboxError(f"{name}: {value:g} {unit} is outside {low:g} to {high:g} {unit}", "give another value")


@dataclass(frozen=True)
class ReferenceChoice:
    """One reference resistor with what it brings.

    Attributes
    ----------
    source_volts : float
        Highest voltage at the source that output, inputs and limits allow, V rms.
    uncertainty : float
        Relative standard uncertainty of |Z| that the noise leaves: rms over 20 Hz to 20 kHz.
    worst : float
        The same at the worst frequency.
    clips_volts : tuple of float
        Least and most voltage across the speaker, V rms.
    resistor_watts, speaker_watts : float
        Most power in either with the speaker on the clips.
    shorted_watts : float
        Power in the resistor with the clips shorted.
    """

    reference_ohm: float
    source_volts: float
    uncertainty: float
    worst: float
    clips_volts: tuple[float, float]
    resistor_watts: float
    speaker_watts: float
    shorted_watts: float


def typical_impedance_ohm(rated_ohm: float) -> NDArray[np.complex128]:
    """Impedance of a vented box of that rating at even steps of log frequency over BAND_HZ."""
    frequency_hz = np.geomspace(*BAND_HZ, 300)
    impedance = SPEAKERS["good box"].impedance_ohm(Clips("in-box"), frequency_hz)
    scaled: NDArray[np.complex128] = impedance * (LEAST_PART_OF_RATED * rated_ohm / np.abs(impedance).min())
    return scaled


def evaluate_reference(levels: JigLevels, reference_ohm: float) -> ReferenceChoice:
    """What a reference resistor brings.

    See `capture.sweep.sweep_noise` for the uncertainty; the noise of both inputs is white and the same.
    """
    device = typical_impedance_ohm(levels.rated_ohm)
    total = reference_ohm + device
    ratio = device / total if levels.jig == "high-side" else reference_ohm / total
    share = np.abs(total / (total + levels.source_ohm))
    allowed = output_limit(levels.limits, levels.output_volts, reference_ohm)
    assert allowed.volts is not None
    source_volts = min(allowed.volts, HEADROOM * levels.input_volts / float(share.max()))
    noise_volts = levels.input_volts * 10 ** (levels.noise_dbfs / 20)
    density = np.full((ratio.size, 2), noise_volts**2 / levels.sample_rate_hz)
    variance = ratio_variance(ratio, density, math.sqrt(2) * source_volts * share, SWEEP_CONSTANT_S)
    relative = relative_std(ratio, variance)
    current = source_volts / np.abs(total + levels.source_ohm)
    across = current * np.abs(device)
    return ReferenceChoice(
        reference_ohm=reference_ohm,
        source_volts=source_volts,
        uncertainty=float(np.sqrt(np.mean(relative**2))),
        worst=float(relative.max()),
        clips_volts=(float(across.min()), float(across.max())),
        resistor_watts=float((current**2).max() * reference_ohm),
        speaker_watts=float((current**2 * device.real).max()),
        shorted_watts=(source_volts / (reference_ohm + levels.source_ohm)) ** 2 * reference_ohm,
    )


def best_reference(levels: JigLevels) -> tuple[float, ReferenceChoice]:
    """The reference resistance of least uncertainty, ohm, and the E24 value that comes nearest to it in effect."""
    low, high = (math.log(value) for value in REFERENCE_RANGE_OHM)
    # The limits put a kink into the curve, so look on a fine grid rather than follow slopes.
    grid = np.exp(np.linspace(low, high, 400))
    exact = min(grid, key=lambda ohm: evaluate_reference(levels, float(ohm)).uncertainty)
    standard = values_between(max(exact / 2, REFERENCE_RANGE_OHM[0]), min(exact * 2, REFERENCE_RANGE_OHM[1]))
    choices = [evaluate_reference(levels, ohm) for ohm in standard]
    return float(exact), min(choices, key=lambda choice: choice.uncertainty)


@cache
def proposed_reference(levels: JigLevels) -> ReferenceChoice:
    """The resistor that guide, window and README propose.

    The least uncertainty is a flat bottom: of the E12 values that cost at most `MOST_MORE_NOISE` above it the smallest,
    for the smaller the resistor, the less the voltage at the clips follows the impedance.
    """
    exact, best = best_reference(levels)
    choices = [evaluate_reference(levels, ohm) for ohm in values_between(exact / 4, exact * 4, "E12")]
    return next((one for one in choices if one.uncertainty <= MOST_MORE_NOISE * best.uncertainty), best)


@dataclass(frozen=True)
class Attenuator:
    """A divider before each input of a jig that an amplifier drives.

    Attributes
    ----------
    series_ohm, shunt_ohm : float
        Of E24.
    division : float
        Voltage before over voltage behind.
    amplifier_volts : float
        Output of the amplifier at rated power, V rms.
    series_watts : float
        Power in the series resistor at rated power.
    """

    series_ohm: float
    shunt_ohm: float
    division: float
    amplifier_volts: float
    series_watts: float


def attenuator_for(amplifier_watts: float, load_ohm: float, input_volts: float) -> Attenuator:
    """The divider that keeps the inputs 6 dB below clipping even at the amplifier's rated power.

    A pair of E24 values with at least 8 kohm in all, so that it takes little power and loads the jig little.

    Parameters
    ----------
    amplifier_watts : float
        Rated power, 0.1 to 2000 W, into ``load_ohm``.
    load_ohm : float
        1 to 100 ohm.
    input_volts : float
        Inputs at full scale, V rms.
    """
    _require("power of the amplifier", amplifier_watts, 0.1, 2000.0, "W")
    _require("load of the amplifier", load_ohm, 1.0, 100.0, "ohm")
    _require("full scale of the inputs", input_volts, 0.01, 50.0, "V rms")
    volts = math.sqrt(amplifier_watts * load_ohm)
    needed = max(volts / (HEADROOM * input_volts), 1.5)
    pairs = [
        (1 + series / shunt, series, shunt)
        for series in values_between(*SERIES_RANGE_OHM)
        for shunt in values_between(*SHUNT_RANGE_OHM)
        if series + shunt >= ATTENUATOR_LEAST_OHM and 1 + series / shunt >= needed
    ]
    if not pairs:
        raise StillboxError(
            f"no divider of sensible values takes {volts:.0f} V down to {HEADROOM * input_volts:g} V",
            "use line inputs with a higher full scale",
        )
    # Among those that divide little more than needed, the lowest resistance: the inputs load it least.
    tightest = min(pairs)[0]
    division, series, shunt = min(
        (pair for pair in pairs if pair[0] <= MOST_EXCESS * tightest), key=lambda pair: pair[1] + pair[2]
    )
    return Attenuator(series, shunt, division, volts, (volts * series / (series + shunt)) ** 2 / series)
