"""How far a resistance moves from the first sweep of a take to the last: a resistor that gets warm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.sweeps.deconvolution import sweep_spectra
from stillbox.analysis.sweeps.hum import find_hum
from stillbox.analysis.sweeps.silence_noise import silent_spans
from stillbox.capture.recording.take import TakeInfo

BAND_HZ = (100.0, 5000.0)
"""Where each sweep tells a resistance best."""


@dataclass(frozen=True)
class WarmDrift:
    """Change of the resistance from the first sweep to the last, ohm, with its standard uncertainty."""

    ohm: float
    std_ohm: float

    @property
    def is_seen(self) -> bool:
        """Whether it is more than the sweeps scatter."""
        return abs(self.ohm) > 3 * self.std_ohm


def warm_drift(bench: Bench, take: TakeInfo) -> WarmDrift | None:
    """Of a take; None where it has one sweep only.

    A gain of an input that drifts looks alike; the clips do, too.
    """
    if len(take.sweep_starts) < 2:
        return None
    recording, calibration = bench.build.load(take), bench.calibration(take)
    rate_hz = take.excitation.sample_rate_hz
    hum = find_hum(recording.samples, rate_hz, silent_spans(take.frames, take.sweep_starts, take.excitation))
    spectra = sweep_spectra(recording, hum, None)
    known_hz = calibration.frequency_hz
    inside = (spectra.frequency_hz >= max(BAND_HZ[0], known_hz[0])) & (
        spectra.frequency_hz <= min(BAND_HZ[1], known_hz[-1])
    )
    some = np.searchsorted(known_hz, spectra.frequency_hz[inside])
    mean = bench.ratio(take).ratio
    first, last = spectra.ratios[0, inside], spectra.ratios[-1, inside]
    slope = calibration.derivative(np.interp(known_hz, bench.ratio(take).frequency_hz, mean))[some]
    moved = (slope * (last - first)).real
    # Each octave counts alike: that is how a sweep passes through them, and low bins are noisier.
    octave = np.floor(np.log2(spectra.frequency_hz[inside] / BAND_HZ[0])).astype(int)
    each = np.array([moved[octave == one].mean() for one in np.unique(octave)])
    return WarmDrift(float(each.mean()), float(each.std(ddof=1) / np.sqrt(each.size)))
